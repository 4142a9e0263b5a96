"""Names somebody typed, made fit for a figure: one line, short, no formula, letters the fonts have.

The full name stands in the hover text, in the tables and in the alternative of the figure.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from psdstats.output.text import clean

if TYPE_CHECKING:
    from collections.abc import Iterable

    from matplotlib.axes import Axes

__all__ = ["drawn", "key_columns", "room_for", "shortened"]

_MOST_SIGNS = 28
_LINE_SIGNS = 88  # of 8 points across a report column
_MARK_SIGNS = 7  # what mark and gap of one entry of a key take
_SIGN_PT = 4.7  # mean width of a sign of 8 points
_MOST_COLUMNS = 6
_NO_GLYPH = "□"


def drawn(name: object, *, most: int = _MOST_SIGNS) -> str:
    r"""A name as a figure shows it.

    Parameters
    ----------
    name : object
        What somebody typed.
    most : int, default=28
        Signs to keep; a longer name loses its middle, since names often differ at their ends.

    Returns
    -------
    str
        One line.  Dollar signs are escaped, so that matplotlib reads no formula; a leading
        underscore, which would hide a series from the key, gets a space before it; a sign that
        none of the fonts in use has becomes "□".

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

    Parameters
    ----------
    names : iterable
        Entries of the key, as they are shown.

    Returns
    -------
    int
        1 to 6.

    Examples
    --------
    >>> key_columns(["Alder", "Birch"]), key_columns(["a name of twenty-five sg."] * 4)
    (6, 2)
    """
    longest = max((len(str(name)) for name in names), default=0)
    return max(1, min(_MOST_COLUMNS, _LINE_SIGNS // (longest + _MARK_SIGNS)))


def room_for(ax: Axes, count: int) -> int:
    """Signs a name may have when so many stand side by side under the Axes.

    Parameters
    ----------
    ax : Axes
        Where they stand.
    count : int
        How many names.

    Returns
    -------
    int
        At least 4.
    """
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
