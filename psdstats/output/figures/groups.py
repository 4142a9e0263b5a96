"""Mandel's h and k: how each group stands among the others, level by level.

Which size classes gained and which lost mass, with simultaneous intervals.

How far measured undersize lies from a fitted curve, aperture by aperture.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.output.figures.axes import name_columns, sieve_axis
from psdstats.output.figures.marks import (
    colours_by_time,
    drawn,
    hover,
    interval,
    key_above,
    label_beside,
    need,
    point,
    room_for,
    rows,
    spread_apart,
)
from psdstats.output.style import DASHED, GREY, INK, numerals, time_colours

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

    from psdstats.words.numbers import Numerals


_DASHES = (DASHED, "-", (0, (1, 2)))
_LABEL_GAP = 0.06  # of the vertical axis


def group_consistency(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    indicator: str = "h",
) -> Axes:
    """Draw a consistency statistic as bars, grouped by group, one bar a level.

    Parameters
    ----------
    frame : DataFrame
        Columns group, milling_time_min, and those of the indicator: its name, and optionally
        its critical values (h_limit_5, h_limit_1); each gets a line at its median.
    ax : Axes
        Where to draw.
    indicator : {"h", "k"}, default="h"
        Which of Mandel's indicators; h has lines at minus its critical values too.

    Returns
    -------
    Axes
        The same Axes; bars run from light (short times) to dark (long times).

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.comparison import consistency
    >>> from psdstats.comparison.groups import sizes_by_run
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> sizes = sizes_by_run(study, psdstats.propagate(study, method="linear"))
    >>> found = consistency(sizes, value="D50", group="group", level="milling_time_min")
    >>> group_consistency(found, new_axes()).get_ylabel()
    'Mandel’s h'
    """
    say = numerals(ax)
    need(frame, ("group", TIME, indicator), "group consistency")
    limits = {
        f"{percent} %": float(frame[name].median())
        for percent in (5, 1)
        if (name := f"{indicator}_limit_{percent}") in frame and frame[name].notna().any()
    }
    frame = need(frame[frame[indicator].notna()], (indicator,), "group consistency")
    groups = list(dict.fromkeys(frame["group"]))
    colours = colours_by_time(frame)
    width = 0.8 / len(colours)
    for step, (time, colour) in enumerate(colours.items()):
        own = rows(frame[frame[TIME] == time])
        shift = width * (step - (len(colours) - 1) / 2)
        places = [groups.index(row.group) + shift for row in own]
        values = [float(getattr(row, indicator)) for row in own]
        bars = ax.bar(
            places, values, width * 0.92, color=colour, edgecolor=INK, linewidth=0.4,
            label=f"{say(time)} min",
        )  # fmt: skip
        for bar, row, value in zip(bars, own, values, strict=True):
            hover(bar, f"{row.group}, {say(time)} min: {say.fixed(value, 2)}")
    _limit_lines(ax, limits, two_sided=indicator == "h")
    ax.axhline(0, color=GREY, linewidth=1.0)
    most = room_for(ax, len(groups))
    name_columns(ax, [drawn(group, most=most) for group in groups])
    ax.set_ylabel(f"Mandel’s {indicator}")
    key_above(ax)
    return ax


def _limit_lines(ax: Axes, limits: Mapping[str, float], *, two_sided: bool) -> None:
    for dash, limit in zip(_DASHES, limits.values(), strict=False):
        for sign in (1, -1) if two_sided else (1,):
            ax.axhline(sign * limit, color=INK, linewidth=0.9, linestyle=dash)
    low, high = ax.get_ylim()
    reach = 1.06 * max(limits.values(), default=0.0)
    low, high = (min(low, -reach) if two_sided else low), max(high, reach)
    ax.set_ylim(low, high)
    spots = spread_apart(list(limits.values()), _LABEL_GAP * (high - low))
    for name, spot in zip(limits, spots, strict=True):
        label_beside(ax, name, spot, shift=4)


_SLANTED = {"rotation": 30, "ha": "right", "rotation_mode": "anchor"}
_COLUMNS = ("class", "from_um", "to_um", "pair", "change_percent", "lower", "upper", "moved")


def class_changes(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw the change of every size class as bars, one colour a pair of levels.

    Parameters
    ----------
    frame : DataFrame
        Of one family of stacks, as `WholeComparison.moved_frame` gives it: class, from_um
        and to_um (its limits, missing where it has none), pair, change_percent (percentage points),
        lower, upper, moved; classes and pairs in the order in which they shall stand.  An infinite
        end of an interval is left out.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes: filled bars where a change is shown, empty ones where it is not.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.comparison import compare_distributions
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> whole = compare_distributions(study, permutations=99)
    >>> frame = whole.moved_frame()
    >>> frame = frame[frame["stack"] == frame["stack"].iloc[0]]
    >>> class_changes(frame, new_axes()).get_xlabel()
    'size class / µm'
    """
    frame = need(frame, _COLUMNS, "class changes").rename(columns={"class": "name"})
    classes = list(dict.fromkeys(frame["name"]))
    pairs = list(dict.fromkeys(frame["pair"]))
    width = 0.8 / len(pairs)
    for step, (pair, colour) in enumerate(zip(pairs, time_colours(len(pairs)), strict=True)):
        shift = width * (step - (len(pairs) - 1) / 2)
        for row in rows(frame[frame["pair"] == pair]):
            _bar(ax, classes.index(row.name) + shift, row, width, colour)
        ax.bar([np.nan], [0.0], color=colour, edgecolor=INK, linewidth=0.4, label=drawn(pair))
    ax.axhline(0, color=GREY, linewidth=1.0)
    firsts = rows(frame.drop_duplicates("name"))
    labels = [_limits(row.from_um, row.to_um, numerals(ax)) for row in firsts]
    crowded = sum(len(label) + 2 for label in labels) > 100
    name_columns(ax, labels, **(_SLANTED if crowded else {}))
    ax.set_xlabel("size class / µm")
    ax.set_ylabel("change / percentage points")
    key_above(ax)
    return ax


def _bar(ax: Axes, at: float, row: Any, width: float, colour: str) -> None:
    say = numerals(ax)
    (bar,) = ax.bar(
        [at],
        [row.change_percent],
        width * 0.92,
        color=colour if row.moved else "white",
        edgecolor=INK if row.moved else colour,
        linewidth=0.4 if row.moved else 1.0,
    )
    shown = "" if row.moved else ", not shown"
    change = f"{say.signed(row.change_percent, 1)} points ({say.interval(row.lower, row.upper)})"
    hover(bar, f"{_limits(row.from_um, row.to_um, say)} µm, {row.pair}: {change}{shown}")
    interval(ax, at, (row.lower, row.upper), colour=INK, width=0.9)


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
    >>> from psdstats.comparison.whole_fits import curve_points
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
