"""Power of a planned comparison against what there is to find."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.figures.marks import hover, need, rows, series_key
from psdstats.output.figures.names import drawn
from psdstats.output.numbers import per_cent
from psdstats.output.style import GREY, mark

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["power_curves"]

_NORMAL_95 = 1.96


def power_curves(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    x_label: str = "true change of D50 / %",
    wanted: float = 0.8,
) -> Axes:
    """Draw power curves with the interval of the simulation, one for each design.

    Parameters
    ----------
    frame : DataFrame
        Columns design, change_percent, power (fraction of one), and optionally power_error, its
        standard error: a band of 95 %.
    ax : Axes
        Where to draw.
    x_label : str
        Label of the horizontal axis, with unit.
    wanted : float, default=0.8
        Power that is aimed at; a line marks it.

    Returns
    -------
    Axes
        The same Axes; one curve and one band a design, named in a key.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.planning import Variation, power
    >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
    >>> power_curves(result.curve_frame(), new_axes()).get_ylabel()
    'power / %'
    """
    frame = need(frame, ("design", "change_percent", "power"), "power curves")
    ax.axhline(100 * wanted, color=GREY, linewidth=1.0, linestyle=(0, (4, 3)))
    for index, (design, own) in enumerate(frame.groupby("design", sort=False)):
        own, look = own.sort_values("change_percent", kind="stable"), mark(index)
        x = own["change_percent"].to_numpy(dtype=float)
        if "power_error" in own.columns:
            half = _NORMAL_95 * own["power_error"]
            lower, upper = (
                (own["power"] - half).clip(lower=0.0),
                (own["power"] + half).clip(upper=1.0),
            )
            ax.fill_between(x, 100 * lower, 100 * upper, color=look.colour, alpha=0.15, linewidth=0)
        ax.plot(x, 100 * own["power"], color=look.colour, linestyle=look.line, label=drawn(design))
        for row in rows(own):
            (point,) = ax.plot(
                [row.change_percent],
                [100 * row.power],
                look.marker,
                color=look.colour,
                markersize=3.5,
            )
            hover(point, f"{design}, at {row.change_percent:g}: power {per_cent(row.power)}")
    series_key(ax, list(dict.fromkeys(frame["design"])), inside=True)
    ax.set_ylim(-2, 102)
    ax.set_yticks(range(0, 101, 20))
    ax.set_xlabel(x_label)
    ax.set_ylabel("power / %")
    return ax
