"""Expected undersize curves over the sieves chosen for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.figures.axes import log_ticks
from psdstats.output.figures.marks import hover, need, rows, series_key
from psdstats.output.figures.names import drawn
from psdstats.output.style import FAINT, GREY, INK, mark

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

__all__ = ["expected_undersize"]

_COLUMNS = ("powder", "size_um", "undersize")


def expected_undersize(
    frame: pd.DataFrame, ax: Axes, *, apertures_um: Sequence[float], points: pd.DataFrame
) -> Axes:
    """Draw expected undersize curves, with a line at each chosen aperture.

    Parameters
    ----------
    frame : DataFrame
        Curves: columns powder, size_um, undersize (fraction of one).
    ax : Axes
        Where to draw.
    apertures_um : sequence of float
        Apertures of the stack, µm.
    points : DataFrame
        The same columns at the apertures alone; drawn as marks.

    Returns
    -------
    Axes
        The same Axes; apertures are written along the top.

    Examples
    --------
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.planning import ExpectedPowder, choose_sieves
    >>> powder = ExpectedPowder(name="unmilled", d10_um=80, d50_um=200, d90_um=450)
    >>> series = [45, 63, 90, 125, 180, 250, 355, 500, 710]
    >>> choice = choose_sieves([powder], series, trials=100)
    >>> sieves = choice.aperture_um
    >>> curve, points = choice.undersize_frame(), choice.undersize_frame(sieves)
    >>> expected_undersize(curve, new_axes(), apertures_um=sieves, points=points).get_xlabel()
    'size / µm'
    """
    frame = need(frame, _COLUMNS, "expected undersize")
    points = need(points, _COLUMNS, "expected undersize")
    sizes = frame["size_um"]
    log_ticks(ax, "x", around=(float(sizes.min()), float(sizes.max())), label="size / µm")
    for aperture in apertures_um:
        ax.axvline(aperture, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)))
        ax.annotate(
            f"{aperture:g}",
            (aperture, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="center",
            va="bottom",
            rotation=90 if len(apertures_um) > 10 else 0,
            fontsize=8,
            color=INK,
        )
    for level in (10, 50, 90):
        ax.axhline(level, color=FAINT, linewidth=1.2)
    names = list(dict.fromkeys(frame["powder"]))
    for index, name in enumerate(names):
        look, own = mark(index), frame[frame["powder"] == name]
        ax.plot(
            own["size_um"],
            100 * own["undersize"],
            color=look.colour,
            linestyle=look.line,
            label=drawn(name),
        )
        for row in rows(points[points["powder"] == name]):
            (point,) = ax.plot(
                [row.size_um], [100 * row.undersize], look.marker, color=look.colour, markersize=4
            )
            hover(point, f"{name}: {100 * row.undersize:.0f} % below {row.size_um:g} µm")
    series_key(ax, names, inside=True)
    ax.grid(visible=False)
    ax.set_ylim(-2, 102)
    ax.set_yticks([0, 10, 50, 90, 100])
    ax.set_ylabel("expected undersize / % by mass")
    return ax
