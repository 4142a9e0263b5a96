"""What several figures share: checked columns, size and time axes, labels, hover texts.

Placing labels and ticks is all that is computed here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.errors import OutputError
from psdstats.output.style import GREY, INK, mark

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.patheffects import AbstractPathEffect
    from matplotlib.text import Annotation

__all__ = [
    "HOVER",
    "arrow",
    "halo",
    "hover",
    "label_at",
    "log_ticks",
    "need",
    "plain_ticks",
    "rows",
    "series_key",
    "sieve_axis",
    "spread_apart",
    "time_axis",
]

HOVER = "hover: "  # an artist with this gid becomes a mark with a tooltip in SVG
_LADDERS = ((1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0))
_FEWEST_TICKS = 4
_CLOSEST_LABELS = 0.055  # of the axis


def need(frame: pd.DataFrame, columns: Iterable[str], figure: str) -> pd.DataFrame:
    """The frame, if it has the columns a figure reads and at least one row.

    Parameters
    ----------
    frame : DataFrame
        What the caller gave.
    columns : iterable of str
        Columns that must be there.
    figure : str
        Name of the figure, for the message.

    Returns
    -------
    DataFrame
        The same frame.

    Raises
    ------
    OutputError
        If a column is missing or the frame is empty.
    """
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise OutputError(
            f"figure {figure}: the frame has no column {missing[0]!r} "
            f"(it has {', '.join(map(str, frame.columns))}); add or rename it."
        )
    if frame.empty:
        raise OutputError(f"figure {figure}: the frame has no rows; nothing can be drawn.")
    return frame


def rows(frame: pd.DataFrame) -> list[Any]:
    """The rows of a frame, each with its columns as attributes.

    Parameters
    ----------
    frame : DataFrame
        A frame whose column names are identifiers.

    Returns
    -------
    list of named tuple
        In the frame's order.
    """
    return list(frame.itertuples(index=False))


def hover(artist: Artist, text: str) -> None:
    """Give a mark the text that a reader sees on pointing at it in the report.

    Parameters
    ----------
    artist : Artist
        The mark.
    text : str
        Short text with unit.
    """
    artist.set_gid(HOVER + text)


def halo(colour: str = "white", width: float = 2.5) -> list[AbstractPathEffect]:
    """Path effect that lifts a text off what lies under it.

    Parameters
    ----------
    colour : str, default="white"
        Colour of the rim.
    width : float, default=2.5
        Width of the rim, points.

    Returns
    -------
    list
        Value for ``path_effects``.
    """
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=width, foreground=colour)]


def label_at(
    ax: Axes,
    text: str,
    at: tuple[float, float],
    *,
    colour: str = INK,
    shift: tuple[float, float] = (0, 0),
    align: str = "left",
) -> Annotation:
    """A direct label beside its data.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    text : str
        The label.
    at : tuple of float
        Data coordinates.
    colour : str
        Colour of the text.
    shift : tuple of float, default=(0, 0)
        Distance from the data, points.
    align : {"left", "center", "right"}
        Side of the text at the data.

    Returns
    -------
    Annotation
        The drawn label.
    """
    return ax.annotate(
        text,
        at,
        xytext=shift,
        textcoords="offset points",
        ha=align,
        va="center",
        color=colour,
        fontsize=8,
        path_effects=halo(),
        annotation_clip=False,
    )


def series_key(ax: Axes, names: Sequence[object], *, inside: bool = False) -> None:
    """A key of marks, for series that cannot be labelled where they are.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    names : sequence
        Names in the order of the marks.
    inside : bool, default=False
        Below right inside the Axes, else above them.
    """
    from matplotlib.lines import Line2D

    handles = [
        Line2D(
            [],
            [],
            color=mark(index).colour,
            marker=mark(index).marker,
            markersize=4,
            linestyle=mark(index).line,
            linewidth=1.2,
            label=str(name),
        )
        for index, name in enumerate(names)
    ]
    if inside:
        ax.legend(handles=handles, loc="lower right", labelcolor=INK, borderaxespad=0.8)
    else:
        ax.legend(
            handles=handles, loc="lower left", bbox_to_anchor=(0, 1.02), ncols=6, labelcolor=INK
        )


def arrow(ax: Axes, at: tuple[float, float], side: str, *, colour: str, down: bool = True) -> None:
    """An arrow from a bound into the open side of its interval.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    at : tuple of float
        The bound, data coordinates.
    side : {"<", ">"}
        "<" points to smaller values.
    colour : str
        Colour of the arrow.
    down : bool, default=True
        Whether values run along the vertical axis, else along the horizontal one.
    """
    step = -17 if side == "<" else 17
    ax.annotate(
        "",
        at,
        xytext=(0, step) if down else (step, 0),
        textcoords="offset points",
        arrowprops={"arrowstyle": "<|-", "color": colour, "linewidth": 1.1, "shrinkB": 3},
        annotation_clip=False,
    )


def sieve_axis(ax: Axes, apertures_um: Iterable[float]) -> None:
    """Turn the horizontal axis into log size, with a tick at each sieve aperture.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    apertures_um : iterable of float
        Apertures, µm; every one gets a tick, and a number where there is room.
    """
    sizes = sorted({float(size) for size in apertures_um if size > 0})
    ax.set_xscale("log")
    low, high = sizes[0], sizes[-1]
    pad = (high / low) ** 0.03 if high > low else 1.2
    ax.set_xlim(low / pad, high * pad)
    shown = _with_room(np.log(sizes))
    ax.set_xticks(sizes, [_plain(s) if keep else "" for s, keep in zip(sizes, shown, strict=True)])
    ax.set_xticks([], minor=True)
    ax.set_xlabel("sieve aperture / µm")


def log_ticks(ax: Axes, axis: str, *, around: tuple[float, float], label: str) -> None:
    """A logarithmic axis with plain numbers in round steps.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    axis : {"x", "y"}
        Which axis.
    around : tuple of float
        Smallest and largest value that must be seen, > 0.
    label : str
        Axis label with unit.
    """
    low, high = around
    pad = max((high / low) ** 0.06, 1.02)
    low, high = low / pad, high * pad
    ticks = _steps(low, high)
    own = ax.xaxis if axis == "x" else ax.yaxis
    if axis == "x":
        ax.set_xscale("log")
        ax.set_xlim(low, high)
        ax.set_xlabel(label)
    else:
        ax.set_yscale("log")
        ax.set_ylim(low, high)
        ax.set_ylabel(label)
    own.set_ticks(ticks, labels=[_plain(tick) for tick in ticks])
    own.set_ticks([], minor=True)


def plain_ticks(ax: Axes, axis: str, values: Sequence[float]) -> None:
    """Ticks at exactly the values that occur, with numbers where there is room.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    axis : {"x", "y"}
        Which axis.
    values : sequence of float
        Increasing values.
    """
    shown = _with_room(np.asarray(values, dtype=float))
    labels = [_plain(v) if keep else "" for v, keep in zip(values, shown, strict=True)]
    (ax.xaxis if axis == "x" else ax.yaxis).set_ticks(list(values), labels=labels)


def time_axis(ax: Axes, times_min: Iterable[float]) -> None:
    """Turn the horizontal axis into milling time, with a tick at each time sampled.

    Parameters
    ----------
    ax : Axes
        Where to draw.
    times_min : iterable of float
        Milling times, min.
    """
    times = sorted({float(time) for time in times_min})
    plain_ticks(ax, "x", times)
    reach = max(times[-1] - times[0], 1.0)
    ax.set_xlim(times[0] - 0.05 * reach, times[-1] + 0.12 * reach)
    ax.set_xlabel("milling time / min")
    ax.tick_params(axis="x", color=GREY)


def spread_apart(places: Sequence[float], gap: float) -> list[float]:
    """Move label positions so that neighbours keep a gap, each as little as possible.

    Parameters
    ----------
    places : sequence of float
        Wanted positions.
    gap : float
        Smallest distance between two labels, in the same unit.

    Returns
    -------
    list of float
        Positions in the order given.

    Examples
    --------
    >>> spread_apart([0.0, 0.1, 5.0], 1.0)
    [-0.45, 0.55, 5.0]
    """
    order = sorted(range(len(places)), key=lambda i: places[i])
    blocks: list[list[float]] = []  # centre wanted by the block, labels in it
    for i in order:
        blocks.append([places[i], 1])
        while len(blocks) > 1 and _touch(blocks[-2], blocks[-1], gap):
            upper, lower = blocks.pop(), blocks.pop()
            count = upper[1] + lower[1]
            blocks.append([(upper[0] * upper[1] + lower[0] * lower[1]) / count, count])
    spots = [
        centre + gap * (k - (count - 1) / 2) for centre, count in blocks for k in range(int(count))
    ]
    out = [0.0] * len(places)
    for spot, i in zip(spots, order, strict=True):
        out[i] = spot
    return out


def _touch(lower: list[float], upper: list[float], gap: float) -> bool:
    return upper[0] - lower[0] < gap * (lower[1] + upper[1]) / 2


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


def _with_room(places: np.ndarray) -> list[bool]:
    """Which tick labels fit: the ends first, then from the right whatever keeps its distance."""
    reach = float(places[-1] - places[0]) or 1.0
    gap = _CLOSEST_LABELS * reach
    keep = [False] * len(places)
    keep[0] = keep[-1] = True
    last = float(places[-1])
    for i in range(len(places) - 2, 0, -1):
        if last - places[i] >= gap and places[i] - places[0] >= gap:
            keep[i] = True
            last = float(places[i])
    return keep


def _plain(value: float) -> str:
    return f"{value:.6g}"
