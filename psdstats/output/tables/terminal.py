"""A table as aligned plain text for a terminal, cut to its width.

Where the width does not suffice, long texts are shortened with "…" first; then columns are left
out from the right, and a line says how many.
"""

from __future__ import annotations

import unicodedata

from psdstats.output.tables.table import Table
from psdstats.output.text import clean

__all__ = ["to_terminal"]

_GAP = "  "
_NARROWEST = 8


def to_terminal(table: Table, *, width: int = 80, decimal: str = ".") -> str:
    """Write a table as aligned text.

    Parameters
    ----------
    table : Table
        The table.
    width : int, default=80
        Columns of the terminal.
    decimal : str, default="."
        Decimal sign.

    Returns
    -------
    str
        Lines no wider than the width (one column is always kept), caption first.
    """
    head = [column.full_heading for column in table.columns]
    grid = [
        [" ".join(clean(text).split()) for text in row]
        for row in (head, *table.grid(decimal=decimal))
    ]
    right = [column.is_number for column in table.columns]
    widths = [max(_cells(row[index]) for row in grid) for index in range(len(right))]
    widths = _narrow(widths, right, width)
    kept = _fitting(widths, width)
    lines = [
        _GAP.join(
            _set(row[index], min(widths[index], width), to_right=right[index])
            for index in range(kept)
        ).rstrip()
        for row in grid
    ]
    rule = _GAP.join("─" * min(widths[index], width) for index in range(kept))
    dropped = len(right) - kept
    told = "1 more column does" if dropped == 1 else f"{dropped} more columns do"
    more = _wrapped(f"({told} not fit here)", width) if dropped else []
    caption = _wrapped(table.caption, width)
    notes = [line for note in table.notes for line in _wrapped(note, width)]
    out = [*caption, lines[0], rule, *lines[1:], *more, *notes]
    return "\n".join(out) + "\n"


def _cells(text: str) -> int:
    """Terminal cells a text takes: wide East Asian signs two, combining signs none."""
    return sum(
        0 if unicodedata.combining(sign) else 1 + (unicodedata.east_asian_width(sign) in "WF")
        for sign in text
    )


def _narrow(widths: list[int], right: list[bool], width: int) -> list[int]:
    """Shorten text columns, widest first, until the row fits or none can give more."""
    widths = list(widths)
    while sum(widths) + len(_GAP) * (len(widths) - 1) > width:
        able = [i for i, number in enumerate(right) if not number and widths[i] > _NARROWEST]
        if not able:
            break
        widths[max(able, key=lambda i: widths[i])] -= 1
    return widths


def _fitting(widths: list[int], width: int) -> int:
    used = 0
    for count, own in enumerate(widths):
        used += own + (len(_GAP) if count else 0)
        if used > width:
            return max(count, 1)
    return len(widths)


def _set(text: str, width: int, *, to_right: bool = False) -> str:
    if _cells(text) > width:
        while text and _cells(text) > width - 1:
            text = text[:-1]
        text += "…"
    space = " " * (width - _cells(text))
    return space + text if to_right else text + space


def _wrapped(text: str, width: int) -> list[str]:
    lines, line = [], ""
    for word in clean(text).split():
        word = _set(word, width).rstrip() if _cells(word) > width else word
        if line and _cells(line) + 1 + _cells(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}" if line else word
    return [*lines, line] if line else lines
