"""The one look of all figures: colours, marks and sizes, applied without touching global state.

Series differ in lightness, in marker and in line, so that a grey print and a colour-blind reader
lose nothing.  Milling times run from light (short) to dark (long).  Everything here is our own
choice; no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from psdstats.errors import OutputError
from psdstats.words.numbers import PLAIN, Numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.typing import LineStyleType


INK = "#1d2b45"
GREY = "#5b6679"
FAINT = "#e4e7ec"
RUST = "#a1471a"
TEAL = "#3f938c"
OCHRE = "#e2ae45"
DASHED = (0, (4.0, 3.0))  # of lines that mark a limit, a target or a margin
WIDTH_MM = 165.0  # text width of an A4 page with 22 mm margins
NARROW_MM = 96.0  # in the 350 pixels of a phone, letters of 7 pt have 9 pixels
_column_mm = ContextVar("column_mm", default=WIDTH_MM)

_SHEET = Path(__file__).with_name("house.mplstyle")
_TIME_ANCHORS = (OCHRE, "#3f8a84", INK)
_MM_PER_INCH = 25.4
# settings of the program that shows figures, not of the figures
# for letters the first font lacks, where the computer has one of them
_FURTHER_FONTS = (
    "Noto Sans CJK SC",
    "Noto Sans CJK JP",
    "Noto Sans CJK KR",
    "Microsoft YaHei",
    "Yu Gothic",
    "Malgun Gothic",
    "PingFang SC",
    "Hiragino Sans",
    "Apple SD Gothic Neo",
    "Noto Sans Arabic",
    "Noto Sans Devanagari",
    "Noto Sans Thai",
    "Arial Unicode MS",
)
_HOST = ("backend", "interactive", "toolbar", "webagg", "tk.", "macosx", "docstring", "date.epoch")


@dataclass(frozen=True)
class Mark:
    """How one series is drawn: colour, marker and line."""

    colour: str
    marker: str
    line: LineStyleType


MARKS = (
    Mark(INK, "o", "-"),
    Mark(RUST, "s", (0, (5.0, 2.0))),
    Mark(TEAL, "^", (0, (1.2, 1.6))),
    Mark(OCHRE, "D", (0, (6.0, 2.0, 1.2, 2.0))),
    Mark("#7a3b69", "v", (0, (3.0, 1.2))),
    Mark("#8a94a3", "P", "-"),
)


@contextmanager
def house_style() -> Iterator[None]:
    """Draw and save in the house style inside a ``with`` block; outside nothing changes.

    Yields
    ------
    None
        The settings of the surrounding program come back at the end, also after an error.

    Notes
    -----
    The block starts from matplotlib's own defaults, so that a user's settings file cannot change
    a report.

    Examples
    --------
    >>> import matplotlib as mpl
    >>> from psdstats.output import house_style
    >>> before = mpl.rcParams["font.size"]
    >>> with house_style():
    ...     inside = mpl.rcParams["font.size"]
    >>> inside < before, mpl.rcParams["font.size"] == before
    (True, True)
    """
    import matplotlib as mpl

    with mpl.rc_context(_settings()):
        yield


@contextmanager
def narrow_screen() -> Iterator[None]:
    """Draw for a phone inside a ``with`` block: narrower, with letters as large."""
    token = _column_mm.set(NARROW_MM)
    try:
        yield
    finally:
        _column_mm.reset(token)


def column_mm() -> float:
    """Width of the column for which figures are drawn, mm."""
    return _column_mm.get()


@cache
def _settings() -> dict[Any, Any]:
    """What the house style sets; read once."""
    import matplotlib as mpl
    from matplotlib.font_manager import fontManager

    own: dict[Any, Any] = {
        key: value
        for key, value in mpl.rcParamsDefault.items()
        if not key.startswith(_HOST) and key != "timezone"
    }
    own.update(dict(mpl.rc_params_from_file(_SHEET, use_default_template=False)))
    installed = {font.name for font in fontManager.ttflist}
    further = [name for name in _FURTHER_FONTS if name in installed]
    own["font.family"] = [*own["font.family"], *further]
    return own


def mark(index: int) -> Mark:
    """Mark of the series with this position; the marks repeat with the next line after six."""
    turn = index // len(MARKS)
    own = MARKS[index % len(MARKS)]
    return Mark(own.colour, own.marker, MARKS[(index + turn) % len(MARKS)].line)


def time_colours(count: int) -> list[str]:
    """Colours for ordered values, from light to dark in even steps."""
    anchors = np.array([_channels(colour) for colour in _TIME_ANCHORS])
    places = np.linspace(0, len(anchors) - 1, count) if count > 1 else np.array([2.0])
    mixed = np.stack([np.interp(places, range(len(anchors)), column) for column in anchors.T], 1)
    return ["#" + "".join(f"{round(value):02x}" for value in row) for row in mixed]


def readable(colour: str) -> str:
    """A series colour dark enough for text on white."""
    pairs = zip(_channels(colour), _channels(INK), strict=True)
    return "#" + "".join(f"{(own + ink) // 2:02x}" for own, ink in pairs)


def new_axes(
    *, width_mm: float | None = None, height_mm: float = 95.0, say: Numerals = PLAIN
) -> Axes:
    """One empty Axes on a figure of its own, in the house style.

    Parameters
    ----------
    width_mm, height_mm : float
        Size of the figure, mm; where left out, the width fills a report column.  For a narrow
        screen it is no wider than that.
    say : Numerals
        With what the figure writes its numbers; only a decimal comma differs.

    Returns
    -------
    Axes
        Its figure is ``ax.figure``; it belongs to no window and no global list of figures.

    Raises
    ------
    OutputError
        If a side is not positive.

    Examples
    --------
    >>> from psdstats.output import new_axes
    >>> (new_axes(width_mm=127, height_mm=63.5).figure.get_size_inches()).tolist()
    [5.0, 2.5]
    """
    with house_style():
        ax: Axes = new_figure(width_mm, height_mm, say).add_subplot()
        number_ticks(ax)
        return ax


def new_figure(width_mm: float | None, height_mm: float, say: Numerals) -> Any:
    """The figure of `new_axes` without Axes, where the house style is set."""
    column = column_mm()
    if width_mm is None or column < WIDTH_MM:
        width_mm = min(column, column if width_mm is None else width_mm)
    if not (width_mm > 0 and height_mm > 0):
        raise OutputError(f"a figure of {width_mm} × {height_mm} mm has no area; use sizes > 0.")
    figure = _figure()(figsize=(width_mm / _MM_PER_INCH, height_mm / _MM_PER_INCH))
    figure.say = say
    return figure


@cache
def _figure() -> type[Any]:
    """A figure that knows its reader's numerals; made on use, as matplotlib is slow to load."""
    from matplotlib.figure import Figure

    return type("HouseFigure", (Figure,), {"say": PLAIN})


def numerals(ax: Axes) -> Numerals:
    """With what the numbers of a figure are written; a point for Axes of somebody else's."""
    say: Numerals = getattr(ax.get_figure(root=True), "say", PLAIN)
    return say


def number_ticks(ax: Axes) -> None:
    """Ticks that matplotlib places, with the numerals of the figure."""
    from matplotlib.ticker import ScalarFormatter

    say = numerals(ax)
    if say == PLAIN:
        return

    class Ticks(ScalarFormatter):
        def __call__(self, x: float, pos: int | None = None) -> str:
            return super().__call__(x, pos).replace(PLAIN.decimal, say.decimal)

    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(Ticks())


def _channels(colour: str) -> list[int]:
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
