"""A table as aligned plain text for a terminal, made to fit its width.

Where the width does not suffice, headings are broken into lines first; then spare columns are left
out; then long texts are broken between words; then columns are left out from the right.  A line
names what was left out.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from itertools import zip_longest

from psdstats.output.tables.table import Table
from psdstats.output.text import clean
from psdstats.words.numbers import PLAIN, Numerals

_GAP = "  "


def to_terminal(table: Table, say: Numerals = PLAIN, *, width: int = 80) -> str:
    """Write a table as aligned text."""
    head = [_plain(column.full_heading) for column in table.columns]
    rows = [[_plain(text) for text in row] for row in table.grid(say)]
    columns = [
        _Column(
            heading=head[at],
            spare=column.spare,
            cells=[row[at] for row in rows],
            to_right=column.is_number,
        )
        for at, column in enumerate(table.columns)
    ]
    kept = _fit(columns, width)
    left = [column.heading for column in columns if column not in kept]
    lines = [
        *_wrapped(table.caption, width),
        *_row([column.heading for column in kept], kept, at_foot=True),
        _GAP.join("─" * column.width for column in kept),
        *(line for at in range(len(rows)) for line in _row([c.cells[at] for c in kept], kept)),
        *(_wrapped(f"Too wide to show: {'; '.join(left)}.", width) if left else []),
        *(line for note in table.notes for line in _wrapped(note, width)),
    ]
    return "\n".join(lines) + "\n"


class _Column:
    """One column of plain texts and the width it is set to."""

    def __init__(self, *, heading: str, cells: list[str], to_right: bool, spare: bool) -> None:
        self.heading = heading
        self.spare = spare
        self.cells = cells
        self.to_right = to_right
        content = max(map(_cells, cells), default=0)
        word = max((_cells(word) for text in cells for word in text.split()), default=0)
        self.natural = max(content, _cells(heading))
        self.with_broken_heading = max(content, *map(_cells, heading.split() or [""]))
        self.with_broken_cells = (
            self.with_broken_heading
            if to_right
            else max(word, *map(_cells, heading.split() or [""]))
        )
        self.width = self.natural


def _fit(columns: list[_Column], width: int) -> list[_Column]:
    """The columns that fit, each with its width set."""
    kept = list(columns)
    first = [column for column in columns if column.spare]
    while True:
        for column in kept:
            column.width = column.natural
        _narrow(kept, width, lambda column: column.with_broken_heading)
        if not first:
            _narrow(kept, width, lambda column: column.with_broken_cells)
        if _total(kept) <= width or len(kept) == 1:
            break
        kept.remove(first.pop() if first else kept[-1])
    kept[0].width = min(kept[0].width, width)
    return kept


def _total(columns: list[_Column]) -> int:
    return sum(column.width for column in columns) + len(_GAP) * (len(columns) - 1)


def _narrow(columns: list[_Column], width: int, floor: Callable[[_Column], int]) -> None:
    """Take from the widest column that can give, until the row fits or none can."""
    while _total(columns) > width:
        able = [column for column in columns if column.width > floor(column)]
        if not able:
            return
        max(able, key=lambda column: column.width).width -= 1


def _row(texts: list[str], columns: list[_Column], *, at_foot: bool = False) -> list[str]:
    """The lines of one row; short texts stand at its head, or at its foot."""
    parts = [
        _wrapped(text, column.width) or [""] for text, column in zip(texts, columns, strict=True)
    ]
    if at_foot:
        tallest = max(map(len, parts))
        parts = [[""] * (tallest - len(part)) + part for part in parts]
    return [
        _GAP.join(
            _set(text, column.width, to_right=column.to_right)
            for text, column in zip(line, columns, strict=True)
        ).rstrip()
        for line in zip_longest(*parts, fillvalue="")
    ]


def _plain(text: str) -> str:
    return " ".join(clean(text).split())


def _cells(text: str) -> int:
    """Terminal cells a text takes: wide East Asian signs two, combining signs none."""
    return sum(
        0 if unicodedata.combining(sign) else 1 + (unicodedata.east_asian_width(sign) in "WF")
        for sign in text
    )


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
