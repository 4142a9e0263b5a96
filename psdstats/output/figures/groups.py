"""How far each group lies from the others, condition by condition.

Which size classes gained and which lost mass, with simultaneous intervals.

How far measured undersize lies from a fitted curve, aperture by aperture.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import TIME, column_words
from psdstats.findings import Verdict
from psdstats.output.figures.axes import name_columns, sieve_axis
from psdstats.output.figures.marks import (
    colours_by_time,
    drawn,
    hover,
    hover_each,
    key_above,
    label_at,
    need,
    point,
    room_for,
    rows,
)
from psdstats.output.style import GREY, Mark, mark, numerals, readable, time_colours
from psdstats.words.groups import FROM_OTHERS, place_words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from psdstats.words.numbers import Numerals


_DEVIATION = ("difference_percent", "lower_percent", "upper_percent")
_BAND = "#eef0f3"
_STEP_ASIDE = 0.24  # between series, in steps of the axis
_STEPS = (1, 2, 5, 10, 20, 50, 100, 200, 500)  # per cent
_MOST_TICKS = 7
_FARTHEST, _LEAST = 4.0, 0.05  # times the largest deviation, which counts at least so much


def bench_deviations(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    conditions: Sequence[str] = (TIME,),
    margin_percent: float | None = None,
    reach: tuple[float, float] | None = None,
) -> Axes:
    """Draw how far one group lies from the others at each condition, with joint intervals.

    Parameters
    ----------
    frame : DataFrame
        Rows of one group of `GroupAgreement.by_condition`: the columns of the conditions,
        difference_percent, lower_percent, upper_percent, verdict.
    ax : Axes
        Where to draw.
    conditions : sequence of str, default=("milling_time_min",)
        Columns that define a condition: the first runs along the axis in even steps, each level of
        the others is a series.
    margin_percent : float or None
        Difference too small to matter; the band within it is shaded.
    reach : (float, float) or None
        Ends of the vertical axis in per cent, where several panels share them.

    Returns
    -------
    Axes
        The same Axes, ratios on a log axis told in per cent: filled marks with their number where a
        difference is shown.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.comparison import group_agreement
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> found = group_agreement(psdstats.read_study(demo_study("four_benches")))
    >>> own = found.by_condition[found.by_condition["group"] == "Alder"]
    >>> bench_deviations(own, new_axes(), conditions=found.conditions).get_ylabel()
    'difference from the others / %'
    """
    along, *further = conditions
    frame = need(frame, (*conditions, *_DEVIATION, "verdict"), "bench deviations")
    low, high = deviation_reach(frame, margin_percent) if reach is None else reach
    ax.set(yscale="log", ylim=(1 + low / 100, 1 + high / 100), ylabel=FROM_OTHERS)
    ticks = _even_ticks(low, high)
    say = numerals(ax)
    ax.set_yticks([1 + tick / 100 for tick in ticks], [say.signed(tick, 0) for tick in ticks])
    ax.set_yticks([], minor=True)
    if margin_percent is not None:
        ends = 1 + margin_percent / 100
        hover(ax.axhspan(1 / ends, ends, color=_BAND, linewidth=0, zorder=0), "margin")
    ax.axhline(1.0, color=GREY, linewidth=1.0)
    places = sorted(set(frame[along]))
    series = list(dict.fromkeys(frame[further].itertuples(index=False, name=None)))
    for index, levels in enumerate(series):
        own = frame[[one == levels for one in frame[further].itertuples(index=False, name=None)]]
        own = own.sort_values(along, kind="stable")
        shift = _STEP_ASIDE * (index - (len(series) - 1) / 2)
        at = np.array([places.index(one) for one in own[along]]) + shift
        name = place_words(dict(zip(further, levels, strict=True)), further, say)
        is_ordered = not isinstance(places[0], str)
        _deviations(ax, own, at, mark(index), name, is_ordered=is_ordered)
    texts = [say(one) if isinstance(one, float) else drawn(one) for one in places]
    ax.set_xticks(range(len(places)), texts)
    ax.set_xlim(-0.5, len(places) - 0.5)
    ax.set_xlabel("milling time / min" if along == TIME else column_words(along))
    ax.grid(axis="x", visible=False)
    return ax


def deviation_reach(frame: pd.DataFrame, margin_percent: float | None) -> tuple[float, float]:
    """Ends of an axis of deviations in per cent: an interval far out runs off it."""
    middle = np.log1p(frame["difference_percent"].to_numpy(dtype=float) / 100)
    ends = np.log1p(frame[["lower_percent", "upper_percent"]].to_numpy(dtype=float) / 100)
    margin = np.log1p((margin_percent or 0.0) / 100)
    farthest = _FARTHEST * max(float(np.abs(middle).max()), margin, _LEAST)
    every = np.concatenate([middle, np.clip(ends, -farthest, farthest).ravel(), [margin, -margin]])
    every = every[np.isfinite(every)]
    pad = 0.08 * float(np.ptp(every))
    low, high = np.expm1([every.min() - 1.5 * pad, every.max() + 2 * pad])
    return 100 * float(low), 100 * float(high)


def _even_ticks(low: float, high: float) -> list[float]:
    """Even steps in per cent, zero among them."""
    step = next((one for one in _STEPS if (high - low) / one <= _MOST_TICKS), _STEPS[-1])
    return [float(k * step) for k in range(int(np.ceil(low / step)), int(high // step) + 1)]


def _deviations(
    ax: Axes, own: pd.DataFrame, at: np.ndarray, look: Mark, name: str, *, is_ordered: bool
) -> None:
    say, shown = numerals(ax), (own["verdict"] == Verdict.CHANGED).to_numpy()
    middle, low, high = (1 + own[one].to_numpy(dtype=float) / 100 for one in _DEVIATION)
    bottom, top = ax.get_ylim()
    ends = np.clip(low, bottom, top), np.clip(high, bottom, top)
    ax.vlines(at, *ends, color=look.colour, linewidth=np.where(shown, 1.8, 1.0))
    for end, beyond, arrowhead in ((ends[0], low < bottom, "v"), (ends[1], high > top, "^")):
        if beyond.any():
            ax.plot(at[beyond], end[beyond], arrowhead, color=look.colour, markersize=4)
    if is_ordered:
        ax.plot(at, middle, color=look.colour, linestyle=look.line, linewidth=0.7, alpha=0.6)
    points = ax.scatter(
        at,
        middle,
        s=np.where(shown, 34, 18),
        marker=look.marker,
        facecolors=[look.colour if one else "white" for one in shown],
        edgecolors=look.colour,
        linewidths=1.1,
        zorder=4,
    )
    texts = []
    for row, x, is_shown, *reached in zip(rows(own), at, shown, *ends, strict=True):
        told = f"{say.signed(row.difference_percent, 1)} %"
        texts.append(
            f"{name + ', ' if name else ''}{told} "
            f"({say.interval(row.lower_percent, row.upper_percent)}), {row.verdict}"
        )
        if is_shown:
            is_up = row.difference_percent >= 0
            spot, shift = (float(x), float(reached[is_up])), 7.0 if is_up else -7.0
            label = label_at(
                ax, told, spot, colour=readable(look.colour), shift=(6, shift), align="right"
            )
            label.set_in_layout(False)
    hover_each(points, texts)
    if name:
        ax.plot([], [], look.marker, color=look.colour, linestyle=look.line, label=drawn(name))


_SLANTED = {"rotation": 30, "ha": "right", "rotation_mode": "anchor"}
_COLUMNS = ("class", "from_um", "to_um", "pair", "change_percent", "lower", "upper", "moved")


def class_changes(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw the change of every size class as a line over the classes, one for each pair of levels.

    Parameters
    ----------
    frame : DataFrame
        Of one family of stacks, as `WholeComparison.to_frame` gives it: class, from_um
        and to_um (its limits, missing where it has none), pair, change_percent (percentage points),
        lower, upper, moved; classes and pairs in the order in which they shall stand.  The interval
        of the last pair is drawn; an infinite end of it is left out.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes: filled marks where a change is shown, empty ones where it is not.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.comparison import compare_distributions
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> whole = compare_distributions(study, permutations=99)
    >>> frame = whole.to_frame()
    >>> frame = frame[frame["stack"] == frame["stack"].iloc[0]]
    >>> class_changes(frame, new_axes()).get_xlabel()
    'size class / µm'
    """
    frame = need(frame, _COLUMNS, "class changes").rename(columns={"class": "name"})
    classes = list(dict.fromkeys(frame["name"]))
    pairs = list(dict.fromkeys(frame["pair"]))
    for pair, colour in zip(pairs, time_colours(len(pairs)), strict=True):
        own = frame[frame["pair"] == pair]
        at = np.array([classes.index(name) for name in own["name"]])
        if pair == pairs[-1]:
            known = np.isfinite(own[["lower", "upper"]]).all(axis=1).to_numpy()
            ends = (own["lower"][known], own["upper"][known])
            ax.vlines(at[known], *ends, color=colour, linewidth=1.2)
        _changes(ax, own, at, colour)
    ax.axhline(0, color=GREY, linewidth=1.0)
    firsts = rows(frame.drop_duplicates("name"))
    labels = [_limits(row.from_um, row.to_um, numerals(ax)) for row in firsts]
    crowded = sum(len(label) + 2 for label in labels) > 1.3 * room_for(ax, 1)
    name_columns(ax, labels, **(_SLANTED if crowded else {}))
    ax.set_xlabel("size class / µm")
    ax.set_ylabel("change / percentage points")
    key_above(ax)
    return ax


def _changes(ax: Axes, own: pd.DataFrame, at: np.ndarray, colour: str) -> None:
    say, name = numerals(ax), drawn(own["pair"].iloc[0])
    moved = own["moved"].to_numpy(dtype=bool)
    ax.plot(at, own["change_percent"], color=colour, linewidth=1.1, label=name)
    points = ax.scatter(
        at,
        own["change_percent"],
        s=20,
        facecolors=[colour if one else "white" for one in moved],
        edgecolors=colour,
        linewidths=1.0,
        zorder=4,
    )
    hover_each(
        points,
        (
            f"{_limits(row.from_um, row.to_um, say)} µm, {row.pair}: "
            f"{say.signed(row.change_percent, 1)} points ({say.interval(row.lower, row.upper)})"
            f"{'' if row.moved else ', not shown'}"
            for row in rows(own)
        ),
    )


def _limits(from_um: float, to_um: float, say: Numerals) -> str:
    """The limits of a class without their unit, which stands in the axis label: "45–63"."""
    if np.isnan(from_um):
        return "all" if np.isnan(to_um) else f"< {say(to_um)}"
    return f"≥ {say(from_um)}" if np.isnan(to_um) else f"{say(from_um)}–{say(to_um)}"


_COLUMNS_misfit = ("run", TIME, "aperture_um", "misfit_percent")
_MOST_POINTS = 600  # above, points carry no hover text


def fit_misfit(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw measured minus fitted undersize in percentage points, one line a run.

    Parameters
    ----------
    frame : DataFrame
        Columns run, milling_time_min, aperture_um, misfit_percent, for one family of curves.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes; runs from light (short times) to dark (long times), named in a key.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.comparison.whole import curve_points
    >>> from psdstats.comparison import fit_study
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> fits = fit_study(study, families=["log-normal"])
    >>> frame = fits.misfit_frame(curve_points(study), study.runs_frame())
    >>> fit_misfit(frame, new_axes()).get_ylabel()
    'misfit / points'
    """
    say = numerals(ax)
    frame = need(frame, _COLUMNS_misfit, "fit misfit").sort_values("aperture_um", kind="stable")
    sieve_axis(ax, frame["aperture_um"])
    ax.axhline(0, color=GREY, linewidth=1.0)
    for time, colour in colours_by_time(frame).items():
        own = frame[frame[TIME] == time]
        for _, curve in own.groupby("run", sort=False):
            ax.plot(curve["aperture_um"], curve["misfit_percent"], color=colour, linewidth=0.7)
        if len(frame) <= _MOST_POINTS:
            _points(ax, own, colour)
        ax.plot([], [], color=colour, label=f"{say(time)} min")
    ax.set_ylabel("misfit / points")
    key_above(ax)
    return ax


def _points(ax: Axes, own: pd.DataFrame, colour: str) -> None:
    say = numerals(ax)
    for row in rows(own):
        misfit = f"{say.signed(row.misfit_percent, 2)} points at {say(row.aperture_um)} µm"
        text = f"{row.run}, {say(row.milling_time_min)} min: {misfit}"
        point(ax, (row.aperture_um, row.misfit_percent), ".", text, colour=colour, size=4)
