"""Names somebody typed, made fit for a figure: one line, short, no formula, letters the fonts have.

The full name stands in the hover text, in the tables and in the alternative of the figure.

What several figures share: checked columns, labels beside data, arrows, keys, hover texts.

Placing labels is all that is computed here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.errors import OutputError
from psdstats.output.style import INK, WIDTH_MM, column_mm, mark, time_colours
from psdstats.output.text import clean

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.collections import Collection
    from matplotlib.text import Annotation


_MOST_SIGNS = 28
_LINE_SIGNS = 88  # of 8 points across a report column
_MARK_SIGNS = 7  # what mark and gap of one entry of a key take
_SIGN_PT = 4.7  # mean width of a sign of 8 points
_MOST_COLUMNS = 6
_NO_GLYPH = "□"


def drawn(name: object, *, most: int = _MOST_SIGNS) -> str:
    r"""A name as a figure shows it.

    Examples
    --------
    >>> drawn("a$b"), drawn("Mill of the northern laboratory", most=15)
    ('a\\$b', 'Mill of…oratory')
    """
    text = shortened(name, most=most)
    text = "".join(sign if sign.isascii() or _is_drawable(sign) else _NO_GLYPH for sign in text)
    return (" " if text.startswith("_") else "") + text.replace("$", r"\$")


def shortened(name: object, *, most: int) -> str:
    """A name on one line, without its middle where it is longer than wanted.

    Examples
    --------
    >>> shortened("Mill of the northern laboratory", most=15)
    'Mill of…oratory'
    """
    text = " ".join(clean(str(name)).split())
    if len(text) <= most:
        return text
    head = most // 2
    return f"{text[:head]}…{text[len(text) - (most - 1 - head) :]}"


def key_columns(names: Iterable[object]) -> int:
    """Columns of a key above the Axes, so that it is no wider than a report column.

    Examples
    --------
    >>> key_columns(["Alder", "Birch"]), key_columns(["a name of twenty-five sg."] * 4)
    (6, 2)
    """
    longest = max((len(str(name)) for name in names), default=0)
    signs = int(_LINE_SIGNS * column_mm() / WIDTH_MM)
    return max(1, min(_MOST_COLUMNS, signs // (longest + _MARK_SIGNS)))


def room_for(ax: Axes, count: int) -> int:
    """Signs a name may have when so many stand side by side under the Axes."""
    width_pt = ax.bbox.width / ax.figure.dpi * 72
    return max(4, int(width_pt / max(count, 1) / _SIGN_PT) - 1)


def _is_drawable(sign: str) -> bool:
    import matplotlib as mpl
    from matplotlib.font_manager import FontProperties, findfont

    paths = (findfont(FontProperties(family=[name])) for name in mpl.rcParams["font.family"])
    return any(ord(sign) in _signs(path) for path in paths)


@lru_cache(maxsize=64)
def _signs(path: str) -> frozenset[int]:
    """Code points a font file has; a file does not change while it is in use."""
    from matplotlib.font_manager import get_font

    return frozenset(get_font(path).get_charmap())


HOVER = "hover: "  # an artist with this gid becomes a mark with a tooltip in SVG


def need(frame: pd.DataFrame, columns: Iterable[str], figure: str) -> pd.DataFrame:
    """The frame, if it has the columns a figure reads and at least one row."""
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
    """The rows of a frame, each with its columns as attributes."""
    return list(frame.itertuples(index=False))


def hover(artist: Artist, text: str) -> None:
    """Give a mark the text that a reader sees on pointing at it in the report."""
    artist.set_gid(HOVER + " ".join(clean(text).split()))


def hover_each(points: Collection, texts: Iterable[str]) -> None:
    """Give each of the points drawn together a hover text of its own."""
    points.set_urls([HOVER + " ".join(clean(text).split()) for text in texts])


def point(
    ax: Axes,
    at: tuple[float, float],
    marker: str,
    text: str,
    *,
    colour: str,
    fill: str | None = None,
    size: float | None = None,
    **look: Any,
) -> None:
    """The mark of one value, with its hover text."""
    look |= {"color": colour, "markerfacecolor": fill or colour, "markersize": size}
    (drawn,) = ax.plot([at[0]], [at[1]], marker, **look)
    hover(drawn, text)


def interval(
    ax: Axes, at: float, limits: tuple[float, float], *, colour: str, width: float
) -> bool:
    """A line between two limits, and whether both are known; nothing is drawn of an open one."""
    known = bool(np.isfinite(limits).all())
    if known:
        ax.vlines(at, *limits, color=colour, linewidth=width)
    return known


def colours_by_time(frame: pd.DataFrame) -> dict[float, str]:
    """The milling times of a frame in order, each with its colour."""
    times = sorted({float(time) for time in frame[TIME]})
    return dict(zip(times, time_colours(len(times)), strict=True))


def label_at(
    ax: Axes,
    text: str,
    at: tuple[float, float],
    *,
    colour: str = INK,
    shift: tuple[float, float] = (0, 0),
    align: str = "left",
) -> Annotation:
    """A direct label beside its data, lifted off what lies under it."""
    from matplotlib.patheffects import withStroke

    return ax.annotate(
        text,
        at,
        xytext=shift,
        textcoords="offset points",
        ha=align,
        va="center",
        color=colour,
        fontsize=8,
        path_effects=[withStroke(linewidth=2.5, foreground="white")],
        annotation_clip=False,
    )


def label_beside(ax: Axes, text: str, y: float, *, shift: float = 10, bold: bool = False) -> None:
    """A text to the right of the Axes, at a height in data."""
    ax.annotate(
        text,
        (1.0, y),
        xytext=(shift, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        va="center",
        fontsize=8,
        fontweight="bold" if bold else "normal",
        annotation_clip=False,
    )


def series_handles(names: Sequence[object]) -> list[Artist]:
    """Entries of a key: the mark and line of each series."""
    from matplotlib.lines import Line2D

    handles: list[Artist] = []
    for name, look in zip(names, map(mark, range(len(names))), strict=True):
        line = Line2D([], [], color=look.colour, linestyle=look.line, linewidth=1.2)
        line.set(marker=look.marker, markersize=4, label=drawn(name))
        handles.append(line)
    return handles


def series_key(ax: Axes, names: Sequence[object], *, inside: bool = False) -> None:
    """A key of marks, for series that cannot be labelled where they are."""
    handles = series_handles(names)
    if inside:
        ax.legend(
            handles=handles,
            loc="lower right",
            labelcolor=INK,
            fontsize=8,
            frameon=False,
            borderaxespad=0.8,
        )
    else:
        key_above(ax, handles)


def key_above(
    ax: Axes, handles: Sequence[Artist] | None = None, *, columns: int | None = None
) -> None:
    """A key above the Axes, in as many columns as its entries have room for."""
    shown = ax.get_legend_handles_labels()[0] if handles is None else list(handles)
    fitting = key_columns(getattr(one, "get_label", str)() for one in shown)
    ax.legend(
        handles=shown,
        loc="lower left",
        bbox_to_anchor=(0, 1.02),
        ncols=columns if columns and column_mm() == WIDTH_MM else fitting,
        labelcolor=INK,
        fontsize=8,
        frameon=False,
        borderaxespad=0,
    )


def arrow(ax: Axes, at: tuple[float, float], side: str, *, colour: str, down: bool = True) -> None:
    """An arrow from a bound into the open side of its interval."""
    step = -17 if side == "<" else 17
    ax.annotate(
        "",
        at,
        xytext=(0, step) if down else (step, 0),
        textcoords="offset points",
        arrowprops={"arrowstyle": "<|-", "color": colour, "linewidth": 1.1, "shrinkB": 3},
        annotation_clip=False,
    )


def spread_apart(places: Sequence[float], gap: float) -> list[float]:
    """Move label positions so that neighbours keep a gap, each as little as possible.

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
