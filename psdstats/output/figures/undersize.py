"""Cumulative undersize against sieve aperture, one curve a run, coloured by milling time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.output.digits import fixed
from psdstats.output.figures.axes import sieve_axis
from psdstats.output.figures.marks import hover, label_at, need, rows
from psdstats.output.style import INK, time_colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["cumulative_undersize"]

_COLUMNS = ("run", "milling_time_min", "aperture_um", "undersize", "lower", "upper")
_LABEL_LEVELS = (0.72, 0.28)  # from the shortest time to the longest: apart in both directions
_MOST_POINTS = 600  # above, points carry no hover text of their own


def cumulative_undersize(frame: pd.DataFrame, ax: Axes) -> Axes:
    """Draw cumulative undersize curves with their uncertainty bands.

    Parameters
    ----------
    frame : DataFrame
        Columns run, milling_time_min, aperture_um, undersize, lower, upper; the last three are
        fractions of one.  The pan (aperture 0) is left out.
    ax : Axes
        Where to draw.

    Returns
    -------
    Axes
        The same Axes: per run one line (its label is the run) and one band.

    Notes
    -----
    Lines between sieves are straight in ln x, as the semilog rule interpolates; the curve ends at
    the finest and the coarsest sieve.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> from psdstats.uncertainty import undersize_bands
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> cumulative_undersize(undersize_bands(study), new_axes()).get_ylabel()
    'cumulative undersize / % by mass'
    """
    frame = need(frame, _COLUMNS, "cumulative undersize")
    frame = frame[frame["aperture_um"] > 0].sort_values("aperture_um", kind="stable")
    times = sorted({float(time) for time in frame["milling_time_min"]})
    colours = dict(zip(times, time_colours(len(times)), strict=True))
    runs = list(frame.groupby("run", sort=False))
    thin = len(runs) > len(times)
    for run, curve in runs:
        colour = colours[float(curve["milling_time_min"].iloc[0])]
        x, y = curve["aperture_um"].to_numpy(), 100 * curve["undersize"].to_numpy()
        ax.fill_between(
            x, 100 * curve["lower"], 100 * curve["upper"], color=colour, alpha=0.16, linewidth=0
        )
        ax.plot(x, y, color=colour, linewidth=0.9 if thin else 1.6, label=str(run))
        if len(frame) <= _MOST_POINTS:
            _points(ax, curve, colour)
    sieve_axis(ax, frame["aperture_um"])
    ax.set_ylim(-2, 102)
    ax.set_yticks(range(0, 101, 20))
    ax.set_ylabel("cumulative undersize / % by mass")
    _label_times(ax, frame, times, colours)
    return ax


def _points(ax: Axes, curve: pd.DataFrame, colour: str) -> None:
    for row in rows(curve):
        (point,) = ax.plot(
            [row.aperture_um], [100 * row.undersize], marker="o", markersize=2.6, color=colour
        )
        finer, low, high = (fixed(100 * x, 1) for x in (row.undersize, row.lower, row.upper))
        hover(
            point,
            f"{row.run}, {row.milling_time_min:g} min: {finer} % below {row.aperture_um:g} µm "
            f"({low} to {high} %)",
        )


def _label_times(
    ax: Axes, frame: pd.DataFrame, times: list[float], colours: dict[float, str]
) -> None:
    levels = np.linspace(*_LABEL_LEVELS, len(times)) if len(times) > 1 else [0.5]
    for time, level in zip(times, levels, strict=True):
        own = frame[frame["milling_time_min"] == time]
        curve = own.groupby("aperture_um")["undersize"].median()
        share = curve.to_numpy()
        level = float(np.clip(level, share[0], share[-1]))
        x = float(np.exp(np.interp(level, share, np.log(curve.index.to_numpy(dtype=float)))))
        label = label_at(ax, f"{time:g} min", (x, 100 * level), colour=INK, align="center")
        label.set_bbox(
            {"boxstyle": "round,pad=0.18", "facecolor": "white", "edgecolor": colours[time]}
        )
