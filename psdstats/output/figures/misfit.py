"""How far measured undersize lies from a fitted curve, aperture by aperture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.figures.axes import sieve_axis
from psdstats.output.figures.marks import hover, key_above, need, rows
from psdstats.output.numbers import signed
from psdstats.output.style import GREY, time_colours

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["fit_misfit"]

_COLUMNS = ("run", "milling_time_min", "aperture_um", "misfit_percent")
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
    >>> from psdstats.comparison import curve_points, fit_study
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> fits = fit_study(study, families=["log-normal"])
    >>> frame = fits.misfit_frame(curve_points(study), study.runs_frame())
    >>> fit_misfit(frame, new_axes()).get_ylabel()
    'misfit / points'
    """
    frame = need(frame, _COLUMNS, "fit misfit").sort_values("aperture_um", kind="stable")
    sieve_axis(ax, frame["aperture_um"])
    ax.axhline(0, color=GREY, linewidth=1.0)
    times = sorted({float(time) for time in frame["milling_time_min"]})
    for time, colour in zip(times, time_colours(len(times)), strict=True):
        own = frame[frame["milling_time_min"] == time]
        for _, curve in own.groupby("run", sort=False):
            ax.plot(curve["aperture_um"], curve["misfit_percent"], color=colour, linewidth=0.7)
        if len(frame) <= _MOST_POINTS:
            _points(ax, own, colour)
        ax.plot([], [], color=colour, label=f"{time:g} min")
    ax.set_ylabel("misfit / points")
    key_above(ax)
    return ax


def _points(ax: Axes, own: pd.DataFrame, colour: str) -> None:
    for row in rows(own):
        (point,) = ax.plot([row.aperture_um], [row.misfit_percent], ".", color=colour, markersize=4)
        text = f"{signed(row.misfit_percent, 2)} points at {row.aperture_um:g} µm"
        hover(point, f"{row.run}, {row.milling_time_min:g} min: {text}")
