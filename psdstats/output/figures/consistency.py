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
    indicator: str = "h",
) -> Axes:
    """Draw a consistency statistic as bars, grouped by group, one bar a level.

    Parameters
    ----------
    frame : DataFrame
        Columns group, milling_time_min, and those of the indicator: its name, and optionally
        its critical values (h_limit_5, h_limit_1); each gets a line at its median.
    ax : Axes
        Where to draw.
    indicator : {"h", "k"}, default="h"
        Which of Mandel's indicators; h has lines at minus its critical values too.

    Returns
    -------
    Axes
        The same Axes; bars run from light (short times) to dark (long times).

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats.comparison import consistency, sizes_by_run
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> sizes = sizes_by_run(study, psdstats.propagate(study, method="linear"))
    >>> found = consistency(sizes, value="D50", group="group", level="milling_time_min")
    >>> group_consistency(found.to_frame(), new_axes()).get_ylabel()
    'Mandel’s h'
    """
    need(frame, ("group", "milling_time_min", indicator), "group consistency")
    limits = {
        f"{percent} %": float(frame[name].median())
        for percent in (5, 1)
        if (name := f"{indicator}_limit_{percent}") in frame and frame[name].notna().any()
    }
    frame = need(frame[frame[indicator].notna()], (indicator,), "group consistency")
    groups = list(dict.fromkeys(frame["group"]))
    times = sorted({float(time) for time in frame["milling_time_min"]})
    colours = time_colours(len(times))
    width = 0.8 / len(times)
    for step, (time, colour) in enumerate(zip(times, colours, strict=True)):
        own = rows(frame[frame["milling_time_min"] == time])
        places = [groups.index(row.group) + width * (step - (len(times) - 1) / 2) for row in own]
        values = [float(getattr(row, indicator)) for row in own]
        bars = ax.bar(
            places, values, width * 0.92, color=colour, edgecolor=INK, linewidth=0.4,
            label=f"{time:g} min",
        )  # fmt: skip
        for bar, row, value in zip(bars, own, values, strict=True):
            hover(bar, f"{row.group}, {time:g} min: {fixed(value, 2)}")
    _limit_lines(ax, limits, two_sided=indicator == "h")
    ax.axhline(0, color=GREY, linewidth=1.0)
    most = room_for(ax, len(groups))
    ax.set_xticks(range(len(groups)), [drawn(group, most=most) for group in groups])
    ax.set_xlim(-0.6, len(groups) - 0.4)
    ax.tick_params(axis="x", length=0)
    ax.grid(axis="x", visible=False)
    ax.set_ylabel(f"Mandel’s {indicator}")
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
