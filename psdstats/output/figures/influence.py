"""Estimates with intervals in rows: leaving one group out, and predicted random effects."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.output.digits import significant
from psdstats.output.figures.axes import log_ticks
from psdstats.output.figures.marks import hover, need, rows
from psdstats.output.figures.names import drawn
from psdstats.output.numbers import interval, ratio
from psdstats.output.style import FAINT, GREY, INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["leave_one_out", "random_effects", "rows_height_mm"]


def rows_height_mm(count: int) -> float:
    """Height at which the given number of rows has room.

    Parameters
    ----------
    count : int
        Number of rows.

    Returns
    -------
    float
        Height of the figure, mm.
    """
    return 26.0 + 6.0 * count


def leave_one_out(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    full: tuple[float, float, float],
    label: str = "ratio of sizes",
) -> Axes:
    """Draw how an effect moves when each group is left out in turn.

    Parameters
    ----------
    frame : DataFrame
        Columns left_out, ratio, lower, upper.
    ax : Axes
        Where to draw.
    full : tuple of float
        Ratio and limits with every group in; shaded.
    label : str
        Label of the horizontal axis.

    Returns
    -------
    Axes
        The same Axes, on a log axis, one row for each group left out.
    """
    frame = need(frame, ("left_out", "ratio", "lower", "upper"), "leave one out")
    limits = np.append(frame[["ratio", "lower", "upper"]].to_numpy(dtype=float), full)
    limits = np.append(limits[np.isfinite(limits) & (limits > 0)], 1.0)
    log_ticks(ax, "x", around=(float(limits.min()), float(limits.max())), label=label)
    band = ax.axvspan(full[1], full[2], color=FAINT, linewidth=0, zorder=0)
    hover(band, f"every group in: {ratio(*full)}")
    ax.axvline(full[0], color=GREY, linewidth=1.0, linestyle=(0, (4, 3)))
    ax.axvline(1.0, color=GREY, linewidth=1.0)
    for at, row in enumerate(rows(frame)):
        text = f"without {row.left_out}: {ratio(row.ratio, row.lower, row.upper)}"
        _bar(ax, at, row.ratio, row.lower, row.upper, text)
    _name_rows(ax, [f"without {drawn(name)}" for name in frame["left_out"]])
    return ax


def random_effects(frame: pd.DataFrame, ax: Axes, *, label: str = "effect on ln D50") -> Axes:
    """Draw predicted random effects with intervals, in rows.

    Parameters
    ----------
    frame : DataFrame
        Columns level, effect, lower, upper.
    ax : Axes
        Where to draw.
    label : str
        Label of the horizontal axis, with the scale of the effect.

    Returns
    -------
    Axes
        The same Axes, one row a level in the frame's order, with a line at 0.
    """
    frame = need(frame, ("level", "effect", "lower", "upper"), "random effects")
    ax.axvline(0.0, color=GREY, linewidth=1.0)
    for at, row in enumerate(rows(frame)):
        text = f"{row.level}: {significant(row.effect, 2)} ({interval(row.lower, row.upper)})"
        _bar(ax, at, row.effect, row.lower, row.upper, text)
    ax.set_xlabel(label)
    _name_rows(ax, [drawn(name) for name in frame["level"]])
    return ax


def _bar(ax: Axes, at: int, value: float, lower: float, upper: float, text: str) -> None:
    ax.hlines(at, lower, upper, color=INK, linewidth=1.6)
    (point,) = ax.plot([value], [at], "o", color=INK, markersize=5.5)
    hover(point, text)


def _name_rows(ax: Axes, names: list[str]) -> None:
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="y", visible=False)
    ax.spines["left"].set_visible(False)
