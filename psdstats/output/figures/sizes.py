"""Sizes against milling time: a dot per run, a line per level of a factor, arrows for bounds.

Data (runs, lines, means) are drawn by seaborn; bars, arrows and labels by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.output.figures.axes import log_ticks, name_columns, new_panels, plain_ticks
from psdstats.output.figures.marks import (
    arrow,
    drawn,
    hover_each,
    key_columns,
    label_at,
    need,
    point,
    room_for,
    rows,
    series_handles,
    spread_apart,
)
from psdstats.output.style import FAINT, GREY, WIDTH_MM, Mark, column_mm, mark, numerals, readable
from psdstats.words import remarks as words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from psdstats.words.numbers import Numerals


SHEET_MM = 174.0  # width of the three panels

_BOUNDS = {
    "below the finest sieve": ("<", "bound_upper"),
    "above the coarsest sieve": (">", "bound_lower"),
}
_BARS = (("comparing_lower", "comparing_upper"), ("lower", "upper"))
_UNIT = "µm"
_SIGN_PT = 3.8  # width of a sign of a direct label
_LABEL_PT = 7.0
_GAP_PT = 8.5  # between two direct labels
_BESIDE_PT = 6.0  # from the last value to its label
_ALL = "all"  # label of a line without a level
_MEAN_PT, _RUN_PT = 4.0, 3.0
_MOST_NAMED, _LONGEST = 4, 12  # levels named at their lines, and signs of the longest
_MOST_HOVERS = 150  # runs with a hover text of their own
_ROOM = 1.4  # times a bound, for its arrow


def size_against_time(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    runs: pd.DataFrame | None = None,
    unit: str = "µm",
    around: tuple[float, float] | None = None,
    beyond: tuple[float, float] = (0.0, np.inf),
) -> Axes:
    """Draw sizes against milling time with intervals, bounds as arrows.

    Parameters
    ----------
    frame : DataFrame
        Columns milling_time_min (or names of levels, which then stand side by side, not joined),
        value, and optionally quantity and level (or group), which tell series apart; lower and
        upper, or comparing_lower and comparing_upper, which are drawn instead; side: "<" or ">"
        where the value is only a bound; shared: half width in ln size of what all values have in
        common, drawn once as a bar beside.  As `Propagation.to_frame` gives it, one row a run, or
        with one row a mean.  A span is no size and is left out.
    ax : Axes
        Where to draw.
    runs : DataFrame, optional
        Single runs, drawn as small dots below: milling_time_min, value, level, side, run.
    unit : str, default="µm"
        Unit of the values, for axis and hover text; span is drawn in any other than µm.
    around : (float, float), optional
        What the axis of size must hold; that of the values by default.
    beyond : (float, float), default=(0, inf)
        Finest and coarsest sieve; what lies beyond is shaded where it is in sight.

    Returns
    -------
    Axes
        The same Axes: for each series one line through its values, through their geometric mean
        where a time has several, with its level and last size at its end; one bar per interval,
        one arrow for each bound.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> sizes = psdstats.propagate(study, method="linear").to_frame()
    >>> size_against_time(sizes, new_axes()).get_ylabel()
    'size / µm'
    """
    frame = _as_drawn(need(frame, (TIME, "value"), "size against time"), unit)
    runs = frame.iloc[:0] if runs is None else _as_drawn(runs, unit)
    names = _names(frame)
    series = list(dict.fromkeys(frame["series"]))
    looks = {name: mark(index) for index, name in enumerate(series)}
    label = words.SIZE_AXIS if unit == _UNIT else f"value / {unit}" if unit else "value"
    log_ticks(ax, "y", around=around or _ends(frame), label=label)
    _horizontal(ax, frame, names, unit)
    _shade(ax, frame, beyond)
    _runs(ax, runs, looks, unit)
    closed = frame[(frame["side"] == "") & np.isfinite(frame["value"])]
    if not names:
        _lines(ax, closed, frame, looks)
    _values(ax, closed, looks, unit)
    _bounds(ax, frame[(frame["side"] != "") & np.isfinite(frame["value"])], looks, unit)
    ax.set(xlabel="" if names else words.TIME_AXIS, ylabel=label)
    _shared(ax, frame, [] if names else _label_ends(ax, frame, unit))
    return ax


def size_panels(
    means: pd.DataFrame,
    runs: pd.DataFrame,
    say: Numerals,
    *,
    height_mm: float,
    beyond: tuple[float, float] = (0.0, np.inf),
    unit: str = _UNIT,
) -> Axes:
    """A panel for each size side by side, on one axis of size; frames as `size_against_time`.

    Values without a unit have an axis each.
    """
    means, runs = (_as_drawn(one.assign(quantity=one["quantity"]), unit) for one in (means, runs))
    quantities = list(dict.fromkeys(means["quantity"]))
    width_mm = None if column_mm() < WIDTH_MM else SHEET_MM
    (panels,) = new_panels(1, len(quantities), width_mm=width_mm, height_mm=height_mm, say=say)
    around = _ends(pd.concat([means, runs])) if unit else None
    for ax, quantity in zip(panels, quantities, strict=True):
        own, below = (one[one["quantity"] == quantity] for one in (means, runs))
        size_against_time(own, ax, runs=below, around=around, beyond=beyond, unit=unit)
        ax.set_title(quantity)
        if ax is not panels[0] and unit:
            ax.set_ylabel("")
            ax.tick_params(axis="y", length=0)
    if pd.api.types.is_numeric_dtype(means[TIME]):
        signs = max(_signs_beside(own, unit, say) for _, own in means.groupby("quantity"))
        for ax in panels:
            _leave_room(ax, means, signs)
    levels = list(dict.fromkeys(means["level"]))
    if len(levels) > 1 and not _are_named(levels):
        _key(panels[0], levels)
    return panels[0]


def _key(ax: Axes, levels: Sequence[str]) -> None:
    handles = series_handles(levels)
    columns = key_columns([drawn(one) for one in levels])
    ax.figure.legend(handles=handles, loc="outside upper left", ncols=columns)


def _as_drawn(frame: pd.DataFrame, unit: str) -> pd.DataFrame:
    """Sizes in order of time, with series, side and ends of bars; an open size is its bound."""
    if "quantity" in frame.columns and unit == _UNIT:
        frame = frame[frame["quantity"] != "span"]
    own = "level" if "level" in frame.columns else "group"
    level = frame[own].astype(str) if own in frame.columns else pd.Series("", frame.index)
    told = level
    if "quantity" in frame.columns and len(set(frame["quantity"])) > 1:
        told = (frame["quantity"] + ", " + level).str.removesuffix(", ")
    if "side" not in frame.columns:
        frame = frame.assign(side="")
        for status, (side, bound) in _BOUNDS.items() if "status" in frame.columns else ():
            is_open = (frame["status"] == status) & np.isfinite(frame[bound])
            frame.loc[is_open, "side"] = side
            frame.loc[is_open, "value"] = frame.loc[is_open, bound]
    pair = next((one for one in _BARS if set(one) <= set(frame.columns)), None)
    low, high = (np.nan, np.nan) if pair is None else (frame[one] for one in pair)
    frame = frame.assign(
        level=level, series=told, side=frame["side"].fillna(""), low=low, high=high, at=frame[TIME]
    )
    if pd.api.types.is_numeric_dtype(frame[TIME]):
        frame = frame.assign(at=frame[TIME].astype(float)).sort_values(TIME, kind="stable")
    return frame


def _names(frame: pd.DataFrame) -> list[str]:
    """Names of levels that stand side by side; none where there are times."""
    return [] if pd.api.types.is_numeric_dtype(frame[TIME]) else list(dict.fromkeys(frame[TIME]))


def _ends(frame: pd.DataFrame) -> tuple[float, float]:
    """What the axis of size must hold, with room for arrows."""
    known = frame.loc[frame["side"] == "", ["value", "low", "high"]].to_numpy(dtype=float)
    bounds = frame.loc[frame["side"] != "", "value"].to_numpy(dtype=float)
    above = frame.loc[frame["side"] == ">", "value"].to_numpy(dtype=float)
    below = bounds / _ROOM * (frame["side"] == "<").any()
    known = np.concatenate([known.ravel(), below, bounds, _ROOM * above])
    known = known[np.isfinite(known) & (known > 0)]
    return float(known.min()), float(known.max())


def _horizontal(ax: Axes, frame: pd.DataFrame, names: Sequence[str], unit: str) -> None:
    """Milling time, or names side by side."""
    if names:
        room = room_for(ax, len(names))
        upright = max(map(len, names)) > room
        shown = [drawn(name, most=14 if upright else 28) for name in names]
        name_columns(ax, shown, rotation=90 if upright else 0)
        share = _SIGN_PT * max(map(len, _shared_text(frame, numerals(ax))), default=0)
        share = min((share + 2.5 * _BESIDE_PT) / _panel_pt(ax)[0], 0.6) if share else 0.0
        ax.set_xlim(-0.6, len(names) - 0.4 + len(names) * share / (1.0 - share))
    else:
        _leave_room(ax, frame, _signs_beside(frame, unit, numerals(ax)))


def _signs_beside(frame: pd.DataFrame, unit: str, say: Numerals) -> int:
    """Signs of the longest label behind the last time."""
    texts = [_end_text(row, unit, say) for row in rows(_last(frame))]
    texts += [f"{'':5}{one}" for one in _shared_text(frame, say)]  # behind its bar
    return max(map(len, texts), default=0)


def _leave_room(ax: Axes, frame: pd.DataFrame, signs: int) -> None:
    """Room for labels behind the last time; ticks where their numbers then have room."""
    first, last = frame["at"].min(), frame["at"].max()
    width_pt = _panel_pt(ax)[0]
    share = min((_BESIDE_PT + _SIGN_PT * signs) / width_pt, 0.6)
    reach = max(last - first, 1.0)
    ax.set_xlim(first - 0.06 * reach, last + (0.03 + share / (1.0 - share)) * reach)
    plain_ticks(ax, "x", sorted(set(frame["at"])), width_pt=0.95 * (1.0 - share) * width_pt)
    ax.spines["bottom"].set_bounds(first, last)


def _panel_pt(ax: Axes) -> tuple[float, float]:
    """About how wide and high a panel will be."""
    figure: Any = ax.get_figure(root=True)
    grid: Any = ax.get_gridspec()
    width, height = figure.get_size_inches() * 72.0
    return 0.92 * width / grid.ncols - 6.0, height / grid.nrows - 55.0


def _shade(ax: Axes, frame: pd.DataFrame, beyond: tuple[float, float]) -> None:
    """What lies beyond the sieves, as far as it is in sight; named where values lie there."""
    low, high = ax.get_ylim()
    if (frame["side"] == "<").any() and beyond[0] > low:
        at = (0.98, float(np.exp(np.log(low) + 0.14 * np.log(beyond[0] / low))))
        style: dict[str, Any] = {
            "xycoords": ("axes fraction", "data"),
            "fontsize": _LABEL_PT,
            "color": GREY,
        }
        ax.annotate(words.BELOW_SIEVES, at, ha="right", va="center", **style)  # clear of arrows
    if beyond[0] > low:
        ax.axhspan(low, beyond[0], color=FAINT, alpha=0.6, linewidth=0, zorder=0)
    if beyond[1] < high:
        ax.axhspan(beyond[1], high, color=FAINT, alpha=0.6, linewidth=0, zorder=0)


def _runs(ax: Axes, runs: pd.DataFrame, looks: Mapping[str, Mark], unit: str) -> None:
    """Single runs, small and light; bounds as carets that point into the open side."""
    runs = runs[np.isfinite(runs["value"])] if len(runs) else runs
    known = runs[runs["side"] == ""] if len(runs) else runs
    if not known.empty:
        dots = _scatter(ax, known, looks, size=_RUN_PT, alpha=0.4, zorder=2)
        if len(known) <= _MOST_HOVERS and "run" in known.columns:
            say = numerals(ax)
            value = (say.significant(row.value) for row in rows(known))
            hover_each(dots, [f"{r}: {v} {unit}" for r, v in zip(known["run"], value, strict=True)])
    for side, caret in (("<", 7), (">", 6)) if len(runs) else ():
        for series, own in runs[runs["side"] == side].groupby("series", sort=False):
            look: dict[str, Any] = {"color": looks[str(series)].colour, "alpha": 0.4}
            ax.plot(own["at"], own["value"], linestyle="", marker=caret, markersize=4.0, **look)


def _scatter(
    ax: Axes, frame: pd.DataFrame, looks: Mapping[str, Mark], *, size: float, **look: Any
) -> Any:
    import seaborn as sns

    sns.scatterplot(
        data=frame,
        x="at",
        y="value",
        hue="series",
        style="series",
        hue_order=list(looks),
        style_order=list(looks),
        palette={name: own.colour for name, own in looks.items()},
        markers={name: own.marker for name, own in looks.items()},
        s=size**2,
        linewidth=0,
        legend=False,
        ax=ax,
        **look,
    )
    return ax.collections[-1]


def _lines(ax: Axes, closed: pd.DataFrame, every: pd.DataFrame, looks: Mapping[str, Mark]) -> None:
    """Through the values of each series, replicates at their geometric mean; not over a bound."""
    for name, look in looks.items():
        own = closed[closed["series"] == name].groupby("at")["value"]
        line = np.exp(own.agg(lambda sizes: np.log(sizes).mean()))
        line = line.reindex(sorted(set(every.loc[every["series"] == name, "at"])))
        ax.plot(
            line.index,
            line,
            color=look.colour,
            linestyle=look.line,
            linewidth=1.1,
            label=name or _ALL,
        )


def _values(ax: Axes, closed: pd.DataFrame, looks: Mapping[str, Mark], unit: str) -> None:
    """Values as marks with their bars."""
    if closed.empty:
        return
    say = numerals(ax)
    barred = closed[np.isfinite(closed["low"]) & np.isfinite(closed["high"])]
    colours = [looks[name].colour for name in barred["series"]]
    if colours:
        ax.vlines(barred["at"], barred["low"], barred["high"], color=colours, linewidth=2.2)
    dots = _scatter(ax, closed, looks, size=_MEAN_PT, zorder=3)
    told = []
    for row in rows(closed):
        has_ends = {"lower", "upper"} <= set(closed.columns)
        ends = (row.lower, row.upper) if has_ends else (np.nan, np.nan)
        value = say.rounded(row.value, (ends[1] - ends[0]) / 4)
        limits = "" if np.isnan(sum(ends)) else f" ({say.interval(*ends)})"
        told.append(f"{_where(row, say)}{value} {unit}{limits}")
    hover_each(dots, told)


def _bounds(ax: Axes, frame: pd.DataFrame, looks: Mapping[str, Mark], unit: str) -> None:
    """Bounds as empty marks, each with an arrow into the open side."""
    say = numerals(ax)
    places = {name: place for place, name in enumerate(looks)}
    for row in rows(frame):
        at, look = (row.at, row.value), looks[row.series]
        text = f"{_where(row, say)}{say.measured(row.value, np.nan, side=row.side)} {unit}"
        size = max(5.5 - places[row.series], 3.0)  # two at one place are both seen
        point(ax, at, look.marker, text, colour=look.colour, fill="white", size=size)
        arrow(ax, at, row.side, colour=look.colour)


def _where(row: Any, say: Numerals) -> str:
    at = row.at if isinstance(row.at, str) else words.minutes(row.at, say)
    named = getattr(row, "quantity", "")
    return ", ".join(one for one in (named, row.level, at) if one) + ": "


def _last(frame: pd.DataFrame) -> pd.DataFrame:
    """Where each series ends: its last value, or bound."""
    known = frame[np.isfinite(frame["value"])]
    ends = known.groupby("series", sort=False)["at"].transform("max")
    last = known[known["at"] == ends]
    log = np.log(last["value"]).groupby(last["series"]).transform("mean")
    found: pd.DataFrame = last.assign(value=np.exp(log)).drop_duplicates("series")
    return found


def _are_named(levels: Sequence[str]) -> bool:
    return len(levels) <= _MOST_NAMED and max(map(len, levels)) <= _LONGEST


def _end_text(row: Any, unit: str, say: Numerals) -> str:
    size = (
        say.measured(row.value, np.nan, side=row.side)
        if row.side
        else say.significant(row.value, 3)
    )
    name = drawn(row.series) if len(row.series) <= _LONGEST else ""
    return f"{name}  {size} {unit}".strip()


def _label_ends(ax: Axes, frame: pd.DataFrame, unit: str) -> list[float]:
    """Level and last size behind the end of each line, apart; their heights in ln size."""
    last, say = _last(frame), numerals(ax)
    low, high = np.log(ax.get_ylim())
    gap = _GAP_PT * (high - low) / _panel_pt(ax)[1]
    spots = spread_apart(np.log(last["value"]).tolist(), gap)
    series = list(dict.fromkeys(frame["series"]))
    end = float(frame["at"].max())
    for row, spot in zip(rows(last), spots, strict=True):
        label = label_at(
            ax,
            _end_text(row, unit, say),
            (end, float(np.exp(spot))),
            shift=(_BESIDE_PT, 0),
            colour=readable(mark(series.index(row.series)).colour),
        )
        label.set_fontsize(_LABEL_PT)
    return spots


def _shared_text(frame: pd.DataFrame, say: Numerals) -> list[str]:
    """What stands beside the bar of what all values have in common; nothing where there is none."""
    if "shared" not in frame.columns or not frame["shared"].iloc[0] > 0:
        return []
    return [words.shared_words(float(frame["shared"].iloc[0]), say)]


def _shared(ax: Axes, frame: pd.DataFrame, spots: Sequence[float]) -> None:
    """What all values have in common, as one bar beside, clear of the labels."""
    from matplotlib.transforms import ScaledTranslation

    for told in _shared_text(frame, numerals(ax)):
        half = float(frame["shared"].iloc[0])
        low, high = np.log(ax.get_ylim())
        places = np.linspace(high, low, 21)[2:-2]
        far = np.abs(places[:, None] - np.array([*spots, low - high])[None, :]).min(axis=1)
        wanted = min(far.max(), 3.0 * _GAP_PT * (high - low) / _panel_pt(ax)[1])
        middle = float(places[int(np.argmax(far >= wanted))])
        at = float(frame["at"].max()) if len(spots) else len(set(frame["at"])) - 0.8
        shift = ScaledTranslation(_BESIDE_PT / 72.0 + 0.05, 0.0, ax.figure.dpi_scale_trans)
        bar: dict[str, Any] = {"color": GREY, "marker": "_", "markersize": 5, "linewidth": 1.2}
        ends = np.exp([middle - half, middle + half])
        ax.plot([at, at], ends, transform=ax.transData + shift, label="_shared", **bar)
        label = label_at(ax, told, (at, float(np.exp(middle))), shift=(15, 0), colour=GREY)
        label.set_fontsize(_LABEL_PT)
