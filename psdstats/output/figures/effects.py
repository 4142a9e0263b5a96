"""Effects as ratios of sizes with simultaneous intervals, one row a contrast.

Residuals of a model: against fitted values, and against normal quantiles.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.output.figures.axes import log_ticks, name_rows, new_panels, plain_ticks
from psdstats.output.figures.marks import (
    drawn,
    hover,
    hover_each,
    key_above,
    key_columns,
    label_beside,
    need,
    point,
    rows,
)
from psdstats.output.style import DASHED, FAINT, GREY, INK, WIDTH_MM, column_mm, mark, numerals
from psdstats.words import remarks as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from psdstats.words.numbers import Numerals


_COLUMNS = ("contrast", "ratio", "ratio_lower", "ratio_upper", "verdict")
_MARKERS = {"changed": ("o", INK), "equivalent": ("s", INK), "not shown": ("o", "white")}
_LONGEST = 40  # signs of a contrast
_UNKNOWN = ("D", "white")
_TO_LEFT, _TO_RIGHT = 4, 5  # arrowheads with the tip at the end: an edge of a panel cuts none


def ratios_height_mm(rows: int) -> float:
    """Height at which the given number of contrasts has room."""
    return 28.0 + 7.0 * rows


def effect_ratios(
    frame: pd.DataFrame, ax: Axes, *, margin: float | None = None, label: str = "ratio of sizes"
) -> Axes:
    """Draw ratios with their intervals on a log axis, with a line at 1.

    Parameters
    ----------
    frame : DataFrame
        Columns contrast (or group), ratio, ratio_lower, ratio_upper, verdict, and optionally high
        and low (the levels, by which a long contrast is shortened) and quantity: rows of one
        quantity stand together under its name.  A row whose ratio is missing (it cannot be told)
        keeps its place and its verdict.
    ax : Axes
        Where to draw.
    margin : float or None
        Equivalence margin as a ratio > 1; the band from 1/margin to margin is shaded.
    label : str
        Label of the horizontal axis.

    Returns
    -------
    Axes
        The same Axes: the first contrast on top, filled marks where a change was shown.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> result = psdstats.compare(study, by="milling_time_min", quantities=["D50"])
    >>> effect_ratios(result.to_frame("against first"), new_axes()).get_xlabel()
    'ratio of sizes'
    """
    if "contrast" not in frame.columns:
        frame = frame.rename(columns={"group": "contrast"})
    frame = need(frame, _COLUMNS, "effect ratios").reset_index(drop=True)
    limits = frame[["ratio", "ratio_lower", "ratio_upper"]].to_numpy(dtype=float)
    limits = limits[np.isfinite(limits) & (limits > 0)]
    seen = [*limits, 1.0] if margin is None else [*limits, 1.0, margin, 1 / margin]
    around = (min(seen), max(seen))
    if around[0] == around[1]:
        around = (0.9, 1.1)
    log_ticks(ax, "x", around=around, label=label)
    if margin is not None:
        band = ax.axvspan(1 / margin, margin, color="#eef0f3", linewidth=0, zorder=0)
        say = numerals(ax)
        hover(band, f"margin: within {say.change(1 / margin)} and {say.change(margin)}")
    ax.axvline(1.0, color=GREY, linewidth=1.0)
    for at, row in enumerate(rows(frame)):
        _row(ax, at, row)
    name_rows(ax, _row_names(ax, frame))
    return ax


def _row_names(ax: Axes, frame: pd.DataFrame) -> list[str]:
    """Contrasts; the first row of a quantity bears its name, a hairline parts it from the last."""
    names = [_contrast_name(row) for row in rows(frame)]
    parts = list(frame["quantity"]) if "quantity" in frame.columns else []
    for at, part in enumerate(parts):
        if at and part != parts[at - 1]:
            ax.axhline(at - 0.5, color=FAINT, linewidth=0.8, zorder=0)
        if not at or part != parts[at - 1]:
            names[at] = f"{drawn(part)}   {names[at]}"
    return names


def _contrast_name(row: Any) -> str:
    """The contrast; one that is long with each of its two levels shortened for itself."""
    if len(str(row.contrast)) <= _LONGEST or not getattr(row, "low", ""):
        return drawn(row.contrast, most=_LONGEST)
    return f"{drawn(row.high, most=_LONGEST // 2)} vs {drawn(row.low, most=_LONGEST // 2)}"


def _row(ax: Axes, at: int, row: Any) -> None:
    say = numerals(ax)
    value, lower, upper = (
        float(getattr(row, name)) for name in ("ratio", "ratio_lower", "ratio_upper")
    )
    verdict = str(row.verdict)
    told = verdict if np.isnan(value) else f"{say.change(value, decimals=1)}  {verdict}"
    label_beside(ax, told, at, bold=verdict == "changed")
    if np.isnan(value):
        return
    ends = ax.get_xlim()
    low = lower if np.isfinite(lower) and lower > 0 else ends[0]
    high = upper if np.isfinite(upper) else ends[1]
    ax.hlines(at, low, high, color=INK, linewidth=1.6)
    for end, closed, arrowhead in ((low, low == lower, _TO_LEFT), (high, high == upper, _TO_RIGHT)):
        shape = "|" if closed else arrowhead
        ax.plot([end], [at], linestyle="", marker=shape, color=INK, markersize=6)
    marker, fill = _MARKERS.get(verdict, _UNKNOWN)
    text = f"{row.contrast}: {say.ratio(value, lower, upper)}, {verdict}"
    point(ax, (value, at), marker, text, colour=INK, fill=fill, size=6.5, zorder=4)


_ROW_MM, _LEAST_ROW_MM = 3.9, 3.2
_PITCH_MM, _LOW_MM = 1.6, 2.8  # of two levels in one row, and the least height of such a row
_PLACE_MM, _NEAR_MM = 0.9, 0.4  # between times, and where two levels stand in one row
_QUANTITY_MM = 1.4  # between quantities
_AROUND_MM, _PAGE_MM = 28.0, 215.0  # axis and key, and what a page has room for
_BESIDE_PT, _COLUMN_PT = 6.0, 58.0  # of changes in words, where two levels stand beside each other
_TEXT_PT, _LETTER_PT = 7.5, 5.3  # of these words, and what a bold letter takes
_TICK_MM = 5.5  # between two numbers of an axis
_ORDER = ("changed", "equivalent", "not shown", "cannot be told")


def course_effects(
    changes: pd.DataFrame,
    pairs: pd.DataFrame,
    say: Numerals,
    *,
    labels: tuple[str, str],
    titles: tuple[str, str],
    margin: float | None = None,
) -> Axes:
    """Changes against the first time, and levels against each other beside; one row each.

    Parameters
    ----------
    changes, pairs : DataFrame
        Columns quantity, at, level, ratio, ratio_lower, ratio_upper, verdict, and in words told
        and short (which leaves out the verdict); rows in the order drawn.  A bound has no ratio
        and one end: an arrow.  ``pairs`` may be empty.
    say : Numerals
        With what numbers are written.
    labels, titles : (str, str)
        Of the axis and above it, of both panels.
    margin : float or None
        Equivalence margin as a ratio > 1; the band is shaded.

    Returns
    -------
    Axes
        The first panel.
    """
    several, is_narrow = not pairs.empty, column_mm() < WIDTH_MM
    frames = [changes, *([pairs] if several else [])]
    if is_narrow:  # below each other, each with rows of its own
        both = [_lay_out([one]) for one in frames]
        heights_mm = [_AROUND_MM + one.total for one in both]
        panels = [ax for (ax,) in new_panels(len(frames), height_mm=sum(heights_mm), say=say)]
        _grid_of(panels[0]).set_height_ratios(heights_mm)
    else:
        both = [_lay_out(frames)] * len(frames)
        (panels,) = new_panels(1, len(frames), height_mm=_AROUND_MM + both[0].total, say=say)
        _grid_of(panels[0]).set_width_ratios([5.0, 3.0][: len(frames)])
    wide = 18.0 if len(set(pairs["level"])) > 1 else 30.0 if several else 90.0
    for place, ax in enumerate(panels):
        frame, own = frames[place], both[place]
        y = own.y[0 if is_narrow else place]
        _effect_rows(ax, frame, y, labels[place], margin)
        beside = list(dict.fromkeys(frame["level"])) if own.is_beside and place == 0 else []
        column_pt = max(_COLUMN_PT, _LETTER_PT * frame["short"].str.len().max())
        columns = {level: _BESIDE_PT + k * column_pt for k, level in enumerate(beside)}
        _tell_beside(ax, frame, y, columns)
        _fewer_ticks(ax, 26.0 if is_narrow else wide * (1.6 if ax is not panels[-1] else 1.0))
        ax.set_title(titles[place])
        ax.set_ylim(own.total, 0.0)
        ax.grid(axis="y", visible=False)
        ax.spines["left"].set_visible(False)
        if is_narrow or place == 0:
            _name_rows(ax, own)
        ax.tick_params(axis="y", length=0)
    _verdict_key(panels[0], pd.concat(frames))
    return panels[0]


def _grid_of(ax: Axes) -> Any:
    """The grid of the panels of a figure."""
    return ax.get_gridspec()


@dataclass(frozen=True, kw_only=True)
class _Rows:
    """Where rows stand, mm from the top."""

    y: list[list[float]]  # of each frame, row by row
    names: dict[float, tuple[str, str]]  # time and level, each by its place
    quantities: dict[str, float]
    head: float  # from a hairline to the first row below it
    total: float
    is_beside: bool  # two levels in one row


def _lay_out(frames: Sequence[pd.DataFrame]) -> _Rows:
    """Time by time within each quantity; two levels share a row, more have a row each."""
    levels = list(dict.fromkeys(frames[0]["level"]))
    order = {one: k for k, one in enumerate(dict.fromkeys(frames[0]["quantity"]))}
    counts = pd.concat([one.groupby(["quantity", "at"]).size() for one in frames], axis=1).fillna(0)
    ranked = sorted(counts.index, key=lambda place: (order[place[0]], float(place[1])))
    counts = counts.loc[ranked].astype(int)
    is_beside = len(levels) == 2 and (len(frames) == 1 or counts.iloc[:, 1].max() == 1)
    most = counts.max(axis=1).to_numpy()
    between = (_NEAR_MM if is_beside else _PLACE_MM) if most.max() > 1 else 0.0
    gaps = np.array([between] * len(most))
    gaps[
        [place[0] != last[0] for place, last in zip(ranked, [ranked[0], *ranked], strict=False)]
    ] += _QUANTITY_MM
    gaps[0] = 0.0
    room = (_PAGE_MM - _AROUND_MM - gaps.sum()) / most.sum()
    row_mm = _PITCH_MM if is_beside else float(np.clip(room, _LEAST_ROW_MM, _ROW_MM))
    high = np.maximum(row_mm * most, _LOW_MM)
    top = 0.6 + np.cumsum(gaps + high) - high
    head = np.full(len(most), row_mm / 2.0) if not is_beside else high / 2.0
    starts = dict(zip(ranked, zip(top, high, top + head, strict=True), strict=True))
    found = [_heights(one, starts, row_mm, is_beside) for one in frames]
    names = {round(float(own[2]), 6): (place[1], "") for place, own in starts.items()}
    if not is_beside and len(levels) > 1:
        for at, level in zip(found[0], frames[0]["level"], strict=True):
            names[at] = (names.get(at, ("", ""))[0], level)
    first = {place[0]: float(starts[place][2]) for place in reversed(ranked)}
    return _Rows(
        y=found,
        names=dict(sorted(names.items())),
        quantities={one: first[one] for one in order},
        head=float(head[0]) + (_QUANTITY_MM + between) / 2.0,
        total=float(top[-1] + high[-1]) + 0.6,
        is_beside=is_beside,
    )


def _heights(
    frame: pd.DataFrame,
    starts: Mapping[tuple[str, str], tuple[float, float, float]],
    row_mm: float,
    is_beside: bool,
) -> list[float]:
    """Where the rows of a frame stand: about the middle of their time, or from its top down."""
    keys = list(zip(frame["quantity"], frame["at"], strict=True))
    number = frame.groupby(["quantity", "at"]).cumcount()
    found = []
    for key, k in zip(keys, number, strict=True):
        top, high, _ = starts[key]
        start = top + (high - row_mm * keys.count(key)) / 2.0 if is_beside else top
        found.append(round(float(start + row_mm * (k + 0.5)), 6))
    return found


def _effect_rows(
    ax: Axes, frame: pd.DataFrame, at: Sequence[float], label: str, margin: float | None
) -> None:
    """Intervals and bounds as lines, estimates as marks of their verdicts."""
    y = np.array(at)
    ends = frame[["ratio", "ratio_lower", "ratio_upper"]].to_numpy(dtype=float)
    known = ends[np.isfinite(ends) & (ends > 0)]
    seen = [*known, 1.0] if margin is None else [*known, 1.0, margin, 1 / margin]
    log_ticks(ax, "x", around=(min(seen), max(seen)), label=label)
    if margin is not None:
        ax.axvspan(1 / margin, margin, color="#eef0f3", linewidth=0, zorder=0)
    ax.axvline(1.0, color=GREY, linewidth=1.0)
    left, right = ax.get_xlim()
    low = np.where(ends[:, 1] > 0, ends[:, 1], left)
    high = np.where(np.isfinite(ends[:, 2]), ends[:, 2], right)
    some = np.isfinite(ends[:, 1:]).any(axis=1) & ~np.isnan(ends[:, 1:]).any(axis=1)
    ax.hlines(y[some], low[some], high[some], color=INK, linewidth=1.4)
    open_left, open_right = ends[:, 1] <= 0, np.isinf(ends[:, 2])
    for tip, edge, is_open in ((_TO_LEFT, left, open_left), (_TO_RIGHT, right, open_right)):
        beyond = some & is_open
        if beyond.any():
            look: dict[str, Any] = {"linestyle": "", "color": INK, "markersize": 5}
            ax.plot(np.full(beyond.sum(), edge), y[beyond], marker=tip, **look)
            near = np.where(tip == _TO_LEFT, high, low)[beyond]
            ax.plot(near, y[beyond], "|", color=INK, markersize=6)
    closed = some & np.isnan(ends[:, 0]) & (ends[:, 1] > 0) & np.isfinite(ends[:, 2])
    if closed.any():
        both = np.concatenate([low[closed], high[closed]])
        ax.plot(both, np.tile(y[closed], 2), "|", color=INK, markersize=6)
    for verdict in _ORDER:
        own = np.flatnonzero((frame["verdict"] == verdict).to_numpy() & np.isfinite(ends[:, 0]))
        if len(own):
            marker, fill = _MARKERS.get(verdict, _UNKNOWN)
            dots = ax.scatter(
                ends[own, 0], y[own], marker=marker, facecolors=fill, edgecolors=INK, s=15, zorder=4
            )
            hover_each(dots, frame["told"].iloc[own])


def _tell_beside(
    ax: Axes, frame: pd.DataFrame, y: Sequence[float], columns: Mapping[str, float]
) -> None:
    """Changes in words to the right, bold where shown; two levels in columns of their own."""
    for level, shift in columns.items():
        label_beside(ax, drawn(level, most=12), -1.2, shift=shift)
        ax.texts[-1].set_fontsize(_TEXT_PT)
    for at, row in zip(y, rows(frame), strict=True):
        told = row.short if columns else row.told
        shift = columns.get(row.level, _BESIDE_PT)
        label_beside(ax, told, at, shift=shift, bold=row.verdict == "changed")
        ax.texts[-1].set_fontsize(_TEXT_PT)


def _fewer_ticks(ax: Axes, width_mm: float) -> None:
    """Numbers that have room side by side, 1 always among them."""
    ticks = np.array(ax.get_xticks(), dtype=float)
    low, high = np.log(ax.get_xlim())
    least = _TICK_MM / width_mm * (high - low)
    kept: list[float] = []
    for tick in sorted(ticks, key=lambda one: abs(np.log(one))):
        if low <= np.log(tick) <= high and all(abs(np.log(tick / one)) >= least for one in kept):
            kept.append(float(tick))
    plain_ticks(ax, "x", sorted(kept), width_pt=1e6)


def _name_rows(ax: Axes, placed: _Rows) -> None:
    """Time, and level where it has a row of its own; quantity in bold, a hairline before it."""
    say = numerals(ax)
    names = []
    for time, level in placed.names.values():
        parts = (words.minutes(float(time), say) if time else "", drawn(level, most=16))
        names.append("   ".join(one for one in parts if one))
    longest = max(map(len, names))
    for number, (quantity, at) in enumerate(placed.quantities.items()):
        place = ax.annotate(
            drawn(quantity),
            (0.0, at),
            xytext=(-4.6 * longest - 34.0, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center",
            fontweight="bold",
        )
        place.set_fontsize(8.5)
        if number:
            ax.axhline(at - placed.head, color=FAINT, linewidth=0.8)
    ax.set_yticks(list(placed.names), names)
    ax.tick_params(axis="y", labelsize=_TEXT_PT)


def _verdict_key(ax: Axes, frame: pd.DataFrame) -> None:
    """The marks that occur, with their verdicts, above all panels."""
    from matplotlib.lines import Line2D

    found = [one for one in _ORDER if (frame["verdict"] == one).any()]
    handles = []
    for verdict in found:
        marker, fill = _MARKERS.get(verdict, _UNKNOWN)
        own = Line2D([], [], color=INK, linestyle="", marker=marker, markersize=5, label=verdict)
        own.set_markerfacecolor(fill)
        handles.append(own)
    if ((frame["ratio_lower"] <= 0) | np.isinf(frame["ratio_upper"])).any():
        handles.append(
            Line2D([], [], color=INK, linewidth=1.4, marker="<", markersize=5, label=words.BOUND)
        )
    columns = min(key_columns([str(one.get_label()) for one in handles]), len(handles))
    ax.figure.legend(handles=handles, loc="outside upper left", ncols=columns)


_NORMAL_95 = 1.96


def residuals_against_fitted(
    frame: pd.DataFrame, ax: Axes, *, fitted_label: str = "fitted ln D50"
) -> Axes:
    """Draw standardised residuals against fitted values.

    Parameters
    ----------
    frame : DataFrame
        Columns fitted, standardised (residual), and optionally run and group, as
        `psdstats.models.diagnostics.residual_table` gives it.
    ax : Axes
        Where to draw.
    fitted_label : str
        Label of the horizontal axis.

    Returns
    -------
    Axes
        The same Axes; groups differ in marker, and lines stand at 0 and ±2.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats import models
    >>> from psdstats.models import diagnostics
    >>> from psdstats.output.figures import new_axes
    >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
    >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
    >>> model = models.MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"])
    >>> fit = model.fit()
    >>> ax = residuals_against_fitted(diagnostics.residual_table(fit), new_axes())
    >>> ax.get_xlabel()
    'fitted ln D50'
    """
    frame = need(frame, ("fitted", "standardised"), "residuals against fitted")
    for level in (-2.0, 2.0):
        ax.axhline(level, color=GREY, linewidth=0.7, linestyle=DASHED)
    ax.axhline(0, color=GREY, linewidth=1.0)
    frame = frame if "group" in frame.columns else frame.assign(group="")
    for index, (group, own) in enumerate(frame.groupby("group", sort=False)):
        _points(ax, own, index, "fitted", drawn(group))
    reach = max(2.4, 1.1 * float(frame["standardised"].abs().max()))
    ax.set_ylim(-reach, reach)
    ax.set_xlabel(fitted_label)
    ax.set_ylabel("standardised residual")
    if len(set(frame["group"])) > 1:
        key_above(ax)
    return ax


def residual_quantiles(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw ordered standardised residuals against normal quantiles.

    Parameters
    ----------
    frame : DataFrame
        Columns normal_quantile, standardised (residual), and optionally run, lower and upper
        (limits of a band in which residuals of a true normal would lie), as
        `psdstats.models.diagnostics.residual_table` gives it.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes, with the line of equality.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats import models
    >>> from psdstats.models import diagnostics
    >>> from psdstats.output.figures import new_axes
    >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
    >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
    >>> model = models.MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"])
    >>> fit = model.fit()
    >>> residual_quantiles(diagnostics.residual_table(fit), new_axes()).get_xlabel()
    'normal quantile'
    """
    frame = need(frame, ("normal_quantile", "standardised"), "residual quantiles")
    frame = frame.sort_values("normal_quantile", kind="stable")
    x = frame["normal_quantile"].to_numpy(dtype=float)
    if {"lower", "upper"} <= set(frame.columns):
        ax.fill_between(x, frame["lower"], frame["upper"], color=INK, alpha=0.1, linewidth=0)
    ends = np.array([x.min(), x.max()])
    ax.plot(ends, ends, color=GREY, linewidth=1.0)
    _points(ax, frame, 0, "normal_quantile", "")
    ax.set_xlabel("normal quantile")
    ax.set_ylabel("standardised residual, in order")
    return ax


def _points(ax: Axes, own: pd.DataFrame, index: int, x: str, name: str) -> None:
    say = numerals(ax)
    look = mark(index)
    if "run" not in own.columns:
        ax.plot(own[x], own["standardised"], look.marker, color=look.colour, label=name)
        return
    for count, row in enumerate(rows(own)):
        at, label = (getattr(row, x), row.standardised), name if count == 0 else None
        text = f"{row.run}: residual {say.significant(row.standardised, 2)}"
        point(ax, at, look.marker, text, colour=look.colour, size=4.5, label=label)
