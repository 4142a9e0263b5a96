"""Cumulative undersize against sieve aperture: a curve per run, coloured by milling time.

One panel, or one for each group and level of a further factor.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.output.figures.axes import new_panels, percent_axis, sieve_axis
from psdstats.output.figures.marks import (
    colours_by_time,
    drawn,
    hover_each,
    key_above,
    key_columns,
    need,
)
from psdstats.output.style import FAINT, GREY, WIDTH_MM, column_mm, numerals
from psdstats.words import remarks as words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from psdstats.words.numbers import Numerals


_COLUMNS = ("run", TIME, "aperture_um", "undersize", "lower", "upper")
_GUIDES = (10, 50, 90)  # per cent: where D10, D50 and D90 are read
_MOST_ACROSS = 4
_TITLE_SIGNS = 76  # of the titles of a row together
_PANEL_MM, _AROUND_MM, _PAGE_MM = 36.0, 22.0, 225.0  # height of a panel, of what is around, of all
_LOW_MM = 27.0  # of a panel in three rows or more


def undersize_curves(frame: pd.DataFrame, ax: Axes, *, has_key: bool = True) -> Axes:
    """Draw cumulative undersize curves with their uncertainty bands.

    Parameters
    ----------
    frame : DataFrame
        Columns run, milling_time_min, aperture_um, undersize, lower, upper; the last three are
        fractions of one.  The pan (aperture 0) is left out.  Where there is a column nominal_um,
        it gives the numbers of the sieves.
    ax : Axes
        Where to draw.
    has_key : bool, default=True
        Whether a key of the times stands above.

    Returns
    -------
    Axes
        The same Axes: one line per run and one band per run, each drawn together; guides at 10, 50
        and 90 %, what lies below the finest sieve shaded.

    Notes
    -----
    Straight lines only join the readings: what the curve does between two sieves is not drawn, and
    sizes are not read off them.  The curve ends at the finest and the coarsest sieve.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.output.figures import new_axes
    >>> from psdstats_datasets import demo_study
    >>> from psdstats.uncertainty import undersize_bands
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> undersize_curves(undersize_bands(study), new_axes()).get_ylabel()
    'cumulative undersize / % by mass'
    """
    frame = need(frame, _COLUMNS, "cumulative undersize")
    frame = frame[frame["aperture_um"] > 0].sort_values("aperture_um", kind="stable")
    colours = colours_by_time(frame)
    _axes(ax, frame)
    _curves(ax, frame, colours)
    if has_key:
        _key(ax, colours)
    return ax


def undersize_panels(frame: pd.DataFrame, say: Numerals) -> Axes:
    """A panel for each group (columns) and level (rows), as the frame names them; one key above."""
    frame = need(frame, (*_COLUMNS, "group", "level"), "undersize")
    groups, levels = (list(dict.fromkeys(frame[one])) for one in ("group", "level"))
    frame = frame[frame["aperture_um"] > 0].sort_values("aperture_um", kind="stable")
    grid = _grid(groups, levels)
    row_mm = _PANEL_MM if len(grid) < 3 else _LOW_MM
    height = min(_PAGE_MM, _AROUND_MM + row_mm * len(grid))
    panels = new_panels(len(grid), max(map(len, grid)), height_mm=height, say=say)
    colours, ends = colours_by_time(frame), (frame["aperture_um"].min(), frame["aperture_um"].max())
    parts = dict(tuple(frame.groupby(["group", "level"], sort=False)))
    for row, names in zip(panels, grid, strict=True):
        for ax, name in zip(row, [*names, *[None] * (len(row) - len(names))], strict=True):
            own = None if name is None else parts.get(name)
            if own is None or name is None:
                ax.set_axis_off()
                continue
            _axes(ax, own, ends)
            ax.set(xlabel="", ylabel="")
            if ax is not row[0]:
                ax.tick_params(axis="y", length=0)
            _curves(ax, own, colours)
            named = drawn(", ".join(one for one in name if one), most=_TITLE_SIGNS // len(row))
            ax.set_title(named, fontsize=8, pad=4)
    figure = panels[0][0].figure
    figure.supxlabel(words.APERTURE_AXIS, fontsize=8.5)
    figure.supylabel(words.UNDERSIZE_AXIS, fontsize=8.5)
    _key(panels[0][0], colours, of_figure=True)
    return panels[0][0]


def _grid(groups: Sequence[str], levels: Sequence[str]) -> list[list[tuple[str, str]]]:
    """Which panels stand side by side: groups, wrapped where they are many; levels where one."""
    if len(groups) == 1:
        cells = [(groups[0], level) for level in levels]
        return [cells[k : k + _MOST_ACROSS] for k in range(0, len(cells), _MOST_ACROSS)]
    parts = [groups[k : k + _MOST_ACROSS] for k in range(0, len(groups), _MOST_ACROSS)]
    return [[(group, level) for group in part] for part in parts for level in levels]


def _axes(ax: Axes, frame: pd.DataFrame, ends: tuple[float, float] | None = None) -> None:
    """Log size with the sieves, per cent with guides, what no sieve of these runs shows shaded."""
    own = "nominal_um" if "nominal_um" in frame.columns else "aperture_um"
    sieve_axis(ax, frame[own], ends=ends)
    percent_axis(ax, words.UNDERSIZE_AXIS, ticks=(0, *_GUIDES, 100))
    ax.grid(axis="x", visible=False)
    ax.hlines(_GUIDES, *ax.get_xlim(), color=GREY, linewidth=0.5, linestyle=(0, (1, 3)), zorder=1)
    finest = float(frame["aperture_um"].min())
    low = ax.get_xlim()[0]
    if finest > low:
        ax.axvspan(low, finest, color=FAINT, alpha=0.8, linewidth=0, zorder=0)


def _curves(ax: Axes, frame: pd.DataFrame, colours: Mapping[float, str]) -> None:
    """Bands, then lines, each drawn together."""
    from matplotlib.collections import LineCollection, PolyCollection

    say = numerals(ax)
    lines, bands, own, told = [], [], [], []
    for run, curve in frame.groupby("run", sort=False):
        x = curve["aperture_um"].to_numpy(dtype=float)
        low, high = (100.0 * curve[one].to_numpy(dtype=float) for one in ("lower", "upper"))
        lines.append(np.column_stack([x, 100.0 * curve["undersize"].to_numpy(dtype=float)]))
        bands.append(np.column_stack([np.r_[x, x[::-1]], np.r_[low, high[::-1]]]))
        time = float(curve[TIME].iloc[0])
        own.append(colours[time])
        told.append(f"{run}, {words.minutes(time, say)}")
    ax.add_collection(PolyCollection(bands, facecolors=own, alpha=0.16, linewidths=0))
    drawn_lines = LineCollection(lines, colors=own, linewidths=0.9)
    hover_each(drawn_lines, told)
    ax.add_collection(drawn_lines)


def _key(ax: Axes, colours: Mapping[float, str], *, of_figure: bool = False) -> None:
    """The times in their colours, above the panel or all panels."""
    from matplotlib.lines import Line2D

    say = numerals(ax)
    names = [words.minutes(time, say) for time in colours]
    handles: list[Artist] = [
        Line2D([], [], color=colour, linewidth=2.0, label=name)
        for colour, name in zip(colours.values(), names, strict=True)
    ]
    across = min(len(names), _KEY_ACROSS) if column_mm() == WIDTH_MM else 1
    columns = max(key_columns(names), across)
    if of_figure:
        ax.figure.legend(handles=handles, loc="outside upper left", ncols=columns)
    else:
        key_above(ax, handles, columns=columns)


_KEY_ACROSS = 9
