"""Mandel's h and k: how each group stands among the others, level by level."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.digits import fixed
from psdstats.output.figures.marks import hover, key_above, need, rows, spread_apart
from psdstats.output.figures.names import drawn, room_for
from psdstats.output.style import GREY, INK, time_colours

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.axes import Axes

__all__ = ["group_consistency"]

_DASHES = ((0, (4, 3)), "-", (0, (1, 2)))
_LABEL_GAP = 0.06  # of the vertical axis


def group_consistency(
    frame: pd.DataFrame,
    ax: Axes,
    *,
    statistic: str,
    limits: Mapping[str, float],
    two_sided: bool = True,
) -> Axes:
    """Draw a consistency statistic as bars, grouped by group, one bar a level.

    Parameters
    ----------
    frame : DataFrame
        Columns group, milling_time_min, value.
    ax : Axes
        Where to draw.
    statistic : str
        Name of the statistic, such as "Mandel’s h"; label of the vertical axis.
    limits : mapping of str to float
        Critical values by label ("5 %", "1 %"); each gets a line.
    two_sided : bool, default=True
        Whether lines stand at minus the critical values too (h, not k).

    Returns
    -------
    Axes
        The same Axes; bars run from light (short times) to dark (long times).
    """
    frame = need(frame, ("group", "milling_time_min", "value"), "group consistency")
    groups = list(dict.fromkeys(frame["group"]))
    times = sorted({float(time) for time in frame["milling_time_min"]})
    colours = time_colours(len(times))
    width = 0.8 / len(times)
    for step, (time, colour) in enumerate(zip(times, colours, strict=True)):
        own = rows(frame[frame["milling_time_min"] == time])
        places = [groups.index(row.group) + width * (step - (len(times) - 1) / 2) for row in own]
        values = [row.value for row in own]
        bars = ax.bar(
            places, values, width * 0.92, color=colour, edgecolor=INK, linewidth=0.4,
            label=f"{time:g} min",
        )  # fmt: skip
        for bar, row in zip(bars, own, strict=True):
            hover(bar, f"{row.group}, {time:g} min: {fixed(row.value, 2)}")
    _limit_lines(ax, limits, two_sided=two_sided)
    ax.axhline(0, color=GREY, linewidth=1.0)
    most = room_for(ax, len(groups))
    ax.set_xticks(range(len(groups)), [drawn(group, most=most) for group in groups])
    ax.set_xlim(-0.6, len(groups) - 0.4)
    ax.tick_params(axis="x", length=0)
    ax.grid(axis="x", visible=False)
    ax.set_ylabel(statistic)
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
        ax.annotate(
            name,
            (1, spot),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            annotation_clip=False,
        )
