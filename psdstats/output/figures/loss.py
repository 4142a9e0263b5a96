"""Rate of first-order loss above each sieve against its aperture, both on log axes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.output.digits import significant
from psdstats.output.figures.axes import log_ticks, sieve_axis
from psdstats.output.figures.marks import arrow, hover, need, rows, series_key
from psdstats.output.numbers import interval
from psdstats.output.style import Mark, mark

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

__all__ = ["loss_against_size"]

_COLUMNS = ("series", "aperture_um", "rate_per_min", "lower_per_min", "upper_per_min", "verdict")
_DODGE = 0.012  # of ln aperture, between series


def loss_against_size(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    powers: Mapping[str, tuple[float, float, float]] | None = None,
) -> Axes:
    """Draw rates of loss with their intervals, and the fitted power of size.

    Parameters
    ----------
    frame : DataFrame
        Columns series, aperture_um, rate_per_min, lower_per_min, upper_per_min, verdict; rates
        that are not above zero are left out, a lower limit that is not is drawn as an arrow.
    ax : Axes
        Where to draw.
    powers : mapping of str to (float, float, float), optional
        By series: exponent, reference aperture in µm, rate there in 1/min; drawn as a line.

    Returns
    -------
    Axes
        The same Axes; empty marks where the loss is not first order.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> from psdstats.rate import loss_rates
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> loss_against_size(loss_rates(study).frame, new_axes()).get_xscale()
    'log'
    """
    frame = need(frame, _COLUMNS, "loss against size")
    frame = need(frame[frame["rate_per_min"] > 0], _COLUMNS, "loss against size")
    names = list(dict.fromkeys(frame["series"]))
    sieve_axis(ax, frame["aperture_um"])
    seen = frame[["rate_per_min", "lower_per_min", "upper_per_min"]].to_numpy(dtype=float)
    floor = float(frame["rate_per_min"].min()) / 2
    log_ticks(
        ax,
        "y",
        around=(max(float(seen[seen > 0].min()), floor), float(seen.max())),
        label="rate of loss above the sieve / (1/min)",
    )
    span = np.log(frame["aperture_um"].max() / frame["aperture_um"].min())
    for index, name in enumerate(names):
        own = frame[frame["series"] == name]
        shift = float(np.exp(_DODGE * span * (index - (len(names) - 1) / 2)))
        _series(ax, own, mark(index), shift)
        if powers and name in powers:
            exponent, middle_um, rate = powers[name]
            x = own["aperture_um"].to_numpy(dtype=float)
            ends = np.array([x.min(), x.max()])
            line = rate * (ends / middle_um) ** exponent
            ax.plot(ends, line, color=mark(index).colour, linestyle=mark(index).line, linewidth=1.0)
    if len(names) > 1:
        series_key(ax, [str(name) for name in names])
    return ax


def _series(ax: Axes, own: pd.DataFrame, look: Mark, shift: float) -> None:
    bottom = ax.get_ylim()[0]
    for row in rows(own):
        at = row.aperture_um * shift
        open_below = not row.lower_per_min > bottom
        start = row.rate_per_min if open_below else row.lower_per_min
        ax.vlines(at, start, row.upper_per_min, color=look.colour, linewidth=1.2)
        if open_below:
            arrow(ax, (at, row.rate_per_min), "<", colour=look.colour)
        (point,) = ax.plot(
            [at],
            [row.rate_per_min],
            look.marker,
            color=look.colour,
            markersize=4.5,
            markerfacecolor="white" if row.verdict == "not first order" else look.colour,
        )
        limits = interval(row.lower_per_min, row.upper_per_min)
        hover(
            point,
            f"{row.series + ', ' if row.series else ''}above {row.aperture_um:g} µm: "
            f"{significant(row.rate_per_min, 3)} per min ({limits}), {row.verdict}",
        )
