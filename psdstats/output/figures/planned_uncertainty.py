"""Uncertainty of a size against sample mass, for each balance resolution."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.digits import significant
from psdstats.output.figures.axes import log_ticks
from psdstats.output.figures.marks import hover, need, rows
from psdstats.output.figures.names import drawn
from psdstats.output.style import GREY, INK, mark

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["uncertainty_against_sample"]

_COLUMNS = ("series", "sample_g", "u_percent")
_NORMAL_95 = 1.96


def uncertainty_against_sample(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    points: pd.DataFrame,
    wanted_percent: float,
    label: str = "standard uncertainty / %",
    around: tuple[float, float] | None = None,
) -> Axes:
    """Draw standard uncertainty against sample mass on log axes, with the wanted value as a line.

    Parameters
    ----------
    frame : DataFrame
        Columns series (for example "0.01 g"), sample_g, u_percent: drawn as lines.
    ax : Axes
        Where to draw.
    points : DataFrame
        The same columns and u_error_percent (standard error): drawn as marks with 95 % intervals.
    wanted_percent : float
        Uncertainty that is aimed at, per cent.
    label : str, default="standard uncertainty / %"
        Label of the vertical axis, with unit.
    around : (float, float) or None
        Range of uncertainty that must be seen, where several Axes share their scale.

    Returns
    -------
    Axes
        The same Axes.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.planning import ExpectedPowder, precision
    >>> powder = ExpectedPowder(name="unmilled", d10_um=80, d50_um=200, d90_um=450)
    >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=1, trials=100)
    >>> law, points = plan.law_frame(), plan.simulated_frame()
    >>> ax = uncertainty_against_sample(law, new_axes(), points=points, wanted_percent=1)
    >>> ax.get_xlabel()
    'sample mass / g'
    """
    frame = need(frame, _COLUMNS, "uncertainty against sample")
    points = need(points, (*_COLUMNS, "u_error_percent"), "uncertainty against sample")
    names = list(dict.fromkeys(frame["series"]))
    low, high = around or (float(frame["u_percent"].min()), float(frame["u_percent"].max()))
    seen = (min(low, wanted_percent), max(high, wanted_percent))
    mass = (float(frame["sample_g"].min()), float(frame["sample_g"].max()))
    log_ticks(ax, "x", around=mass, label="sample mass / g")
    log_ticks(ax, "y", around=seen, label=label)
    line = ax.axhline(wanted_percent, color=GREY, linewidth=1.0, linestyle=(0, (4, 3)))
    hover(line, f"wanted: {wanted_percent:g} %")
    for index, name in enumerate(names):
        own, look = frame[frame["series"] == name].sort_values("sample_g"), mark(index)
        ax.plot(own["sample_g"], own["u_percent"], color=look.colour, linestyle=look.line)
        for row in rows(points[points["series"] == name]):
            half = _NORMAL_95 * row.u_error_percent
            ax.vlines(
                row.sample_g,
                max(row.u_percent - half, 0.01 * row.u_percent),
                row.u_percent + half,
                color=look.colour,
                linewidth=1.2,
            )
            (point,) = ax.plot(
                [row.sample_g], [row.u_percent], look.marker, color=look.colour, markersize=4
            )
            hover(
                point,
                f"{name}, {row.sample_g:g} g: u {significant(row.u_percent, 2)} % (simulated, ± "
                f"{significant(row.u_error_percent, 1)} %)",
            )
        ax.plot([], [], look.marker, color=look.colour, linestyle=look.line, label=drawn(name))
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.02), ncols=6, labelcolor=INK)
    return ax
