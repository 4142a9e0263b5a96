"""Which size classes gained and which lost mass, with simultaneous intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.output.figures.marks import hover, key_above, need, rows
from psdstats.output.figures.names import drawn
from psdstats.output.numbers import interval, signed
from psdstats.output.style import GREY, INK, time_colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["class_changes"]

_COLUMNS = ("class", "pair", "change_percent", "lower", "upper", "moved")


def class_changes(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw the change of every size class as bars, one colour a pair of levels.

    Parameters
    ----------
    frame : DataFrame
        Of one family of stacks, as `WholeComparison.moved_frame` gives it: class, pair,
        change_percent (percentage points), lower, upper, moved; classes and pairs in the order in
        which they shall stand.  An infinite limit is left out.
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
    crowded = sum(len(_short(str(name))) + 2 for name in classes) > 100
    ax.set_xticks(
        range(len(classes)),
        [_short(str(name)) for name in classes],
        rotation=30 if crowded else 0,
        ha="right" if crowded else "center",
        rotation_mode="anchor" if crowded else "default",
    )
    ax.set_xlim(-0.6, len(classes) - 0.4)
    ax.tick_params(axis="x", length=0)
    ax.grid(axis="x", visible=False)
    ax.set_xlabel("size class / µm")
    ax.set_ylabel("change / percentage points")
    key_above(ax)
    return ax


def _bar(ax: Axes, at: float, row: Any, width: float, colour: str) -> None:
    (bar,) = ax.bar(
        [at],
        [row.change_percent],
        width * 0.92,
        color=colour if row.moved else "white",
        edgecolor=INK if row.moved else colour,
        linewidth=0.4 if row.moved else 1.0,
    )
    shown = "" if row.moved else ", not shown"
    limits = f"({interval(row.lower, row.upper)})"
    hover(bar, f"{row.name}, {row.pair}: {signed(row.change_percent, 1)} points {limits}{shown}")
    if np.isfinite(row.lower) and np.isfinite(row.upper):
        ax.vlines(at, row.lower, row.upper, color=INK, linewidth=0.9)


def _short(name: str) -> str:
    """A class without its unit, which stands in the axis label: "45 to 63 µm" → "45–63"."""
    return name.replace(" µm", "").replace(" to ", "–")
