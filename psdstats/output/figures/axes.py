"""Axes that several figures share: log size with sieves or round numbers, milling time.

Placing ticks is all that is computed here.

Several Axes on one figure, with one key above them all.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from psdstats.errors import OutputError
from psdstats.output.figures.marks import key_columns
from psdstats.output.style import (
    GREY,
    INK,
    WIDTH_MM,
    column_mm,
    house_style,
    new_figure,
    number_ticks,
    numerals,
)
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import APERTURE_AXIS, TIME_AXIS

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_LADDERS = ((1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0))
_POINTS_PER_INCH = 72
_FEWEST_TICKS = 4
_SIGN_PT = 5.1  # width of a digit of 8 points
_LABEL_GAP_PT = 2.5  # between two numbers


def sieve_axis(
    ax: Axes, apertures_um: Iterable[float], ends: tuple[float, float] | None = None
) -> None:
    """Turn the horizontal axis into log size, with a tick at each sieve aperture that has room.

    ``ends`` are those of all panels, where several share an axis.
    """
    sizes = sorted({float(size) for size in apertures_um if size > 0})
    ax.set_xscale("log")
    low, high = (sizes[0], sizes[-1]) if ends is None else ends
    pad = (high / low) ** 0.03 if high > low else 1.2
    ax.set_xlim(low / pad**2, high * pad)
    width_pt = None
    if ends is not None:  # a panel of several is wider than it yet is
        figure: Any = ax.get_figure(root=True)
        grid: Any = ax.get_gridspec()
        width_pt = 0.85 * figure.get_size_inches()[0] * _POINTS_PER_INCH / grid.ncols
        width_pt *= np.log(sizes[-1] / sizes[0]) / np.log(high / low * pad**3)
    _set_ticks(ax, "x", sizes, np.log(sizes), width_pt)
    ax.set_xticks([], minor=True)
    ax.set_xlabel(APERTURE_AXIS)


def log_ticks(ax: Axes, axis: str, *, around: tuple[float, float], label: str) -> None:
    """A logarithmic axis with plain numbers in round steps."""
    low, high = around
    pad = max((high / low) ** 0.06, 1.02)
    low, high = low / pad, high * pad
    ticks = _steps(low, high)
    own = ax.xaxis if axis == "x" else ax.yaxis
    ax.set(**{f"{axis}scale": "log", f"{axis}lim": (low, high), f"{axis}label": label})
    own.set_ticks(ticks, labels=_plain(ax, ticks))
    own.set_ticks([], minor=True)


def plain_ticks(
    ax: Axes, axis: str, values: Sequence[float], *, width_pt: float | None = None
) -> None:
    """Ticks at the values that occur, as many as there is room for their numbers."""
    _set_ticks(ax, axis, list(values), np.asarray(values, dtype=float), width_pt)


def _set_ticks(
    ax: Axes, axis: str, values: Sequence[float], places: np.ndarray, width_pt: float | None = None
) -> None:
    """Ticks with their numbers, where there is room for these; none without a number."""
    width_pt = width_pt or ax.bbox.width / ax.figure.dpi * _POINTS_PER_INCH
    labels = _with_room(places, _plain(ax, values), width_pt)
    shown = {value: label for value, label in zip(values, labels, strict=True) if label}
    (ax.xaxis if axis == "x" else ax.yaxis).set_ticks(list(shown), labels=list(shown.values()))


def time_axis(ax: Axes, times_min: Iterable[float]) -> None:
    """Turn the horizontal axis into milling time, with a tick at each time sampled."""
    times = sorted({float(time) for time in times_min})
    plain_ticks(ax, "x", times)
    reach = max(times[-1] - times[0], 1.0)
    ax.set_xlim(times[0] - 0.05 * reach, times[-1] + 0.12 * reach)
    ax.set_xlabel(TIME_AXIS)
    ax.tick_params(axis="x", color=GREY)


def percent_axis(ax: Axes, label: str, ticks: Iterable[float] = range(0, 101, 20)) -> None:
    """Turn the vertical axis into per cent from 0 to 100."""
    ax.set_ylim(-2, 102)
    ax.set_yticks(list(ticks))
    ax.set_ylabel(label)


def name_rows(ax: Axes, names: Sequence[str]) -> None:
    """Names of rows from the top down, instead of a vertical axis."""
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="y", visible=False)
    ax.spines["left"].set_visible(False)


def name_columns(ax: Axes, names: Sequence[str], **look: Any) -> None:
    """Names of columns from left to right, instead of a horizontal axis."""
    ax.set_xticks(range(len(names)), names, **look)
    ax.set_xlim(-0.6, len(names) - 0.4)
    ax.tick_params(axis="x", length=0)
    ax.grid(axis="x", visible=False)


def _steps(low: float, high: float) -> list[float]:
    decades = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    for ladder in _LADDERS:
        ticks = [step * 10.0**decade for decade in decades for step in ladder]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) >= _FEWEST_TICKS:
            return ticks
    width = 10.0 ** np.floor(np.log10((high - low) / 3))
    step = next(s * width for s in (1, 2, 5, 10) if (high - low) / (s * width) <= 7)
    first = np.ceil(low / step)
    return [round(float(k * step), 12) for k in np.arange(first, np.floor(high / step) + 1)]


def _with_room(places: np.ndarray, labels: list[str], width_pt: float) -> list[str]:
    """Tick labels that fit, the others empty: the ends first, then from the right what has room."""
    at = (places - places[0]) / (float(places[-1] - places[0]) or 1.0) * width_pt
    keep = {0, len(labels) - 1}
    for i in range(len(labels) - 2, 0, -1):
        gaps = (abs(at[i] - at[k]) - _SIGN_PT * (len(labels[i]) + len(labels[k])) / 2 for k in keep)
        if min(gaps) >= _LABEL_GAP_PT:
            keep.add(i)
    return [label if i in keep else "" for i, label in enumerate(labels)]


def _plain(ax: Axes, values: Iterable[float]) -> list[str]:
    return [numerals(ax)(value, ".6g") for value in values]


def new_panels(
    rows: int,
    columns: int = 1,
    *,
    height_mm: float,
    width_mm: float | None = None,
    say: Numerals = PLAIN,
) -> list[list[Axes]]:
    """Empty Axes in rows and columns on one figure, in the house style.

    For a narrow screen the columns of a row come below each other.
    """
    if rows < 1 or columns < 1:
        raise OutputError(
            f"a figure of {rows} × {columns} panels shows nothing; ask for 1 or more."
        )
    with house_style():
        is_narrow = column_mm() < WIDTH_MM
        height_mm *= columns if is_narrow else 1
        figure = new_figure(width_mm, height_mm, say)
        shape = (rows * columns, 1) if is_narrow else (rows, columns)
        grid = figure.subplots(*shape, squeeze=False, sharey="none" if is_narrow else "row")
        panels = grid.reshape(rows, columns)
        for first, *others in panels if is_narrow else ():
            for ax in others:
                ax.sharey(first)
        for ax in grid.flat:
            number_ticks(ax)
    return [list(row) for row in panels]


def joint_key(panels: list[list[Axes]]) -> None:
    """Replace the keys of the panels by one above them, made from the first that has marks."""
    every = [ax for row in panels for ax in row]
    first = next((ax for ax in every if ax.has_data()), every[0])
    handles, labels = first.get_legend_handles_labels()
    for ax in every:
        own = ax.get_legend()
        if own is not None:
            own.remove()
    first.figure.legend(
        handles, labels, loc="outside upper left", ncols=key_columns(labels), labelcolor=INK
    )
