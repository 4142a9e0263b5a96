"""The decimal comma in a finished figure."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from psdstats.output.digits import DecimalSign, decimal_sign
from psdstats.output.figures.marks import HOVER

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["set_decimal_sign"]

_POINT = re.compile(r"(?<=\d)\.(?=\d)")


def set_decimal_sign(ax: Axes, decimal: str) -> Axes:
    """Write every number of a finished figure with the given decimal sign.

    Parameters
    ----------
    ax : Axes
        A figure that is drawn to its end; ticks are fixed where they stand.
    decimal : str
        "." leaves the figure as it is; "," replaces the point between two digits in ticks,
        labels, key and hover texts (in names too).

    Returns
    -------
    Axes
        The same Axes.
    """
    if decimal_sign(decimal) is DecimalSign.POINT:
        return ax
    legend = ax.get_legend()
    for text in (*ax.texts, *(legend.get_texts() if legend else ())):
        text.set_text(_POINT.sub(",", text.get_text()))
    for axis in (ax.xaxis, ax.yaxis):
        low, high = sorted(axis.get_view_interval())
        places = [place for place in axis.get_majorticklocs() if low <= place <= high]
        labels = axis.get_major_formatter().format_ticks(places)
        axis.set_ticks(places, labels=[_POINT.sub(",", label) for label in labels])
    for artist in ax.findobj():
        gid = artist.get_gid()
        if gid and gid.startswith(HOVER):
            artist.set_gid(_POINT.sub(",", gid))
    return ax
