"""A table as CSV, HTML, Markdown, LaTeX, in a workbook and in a terminal: the same numbers in all.

CSV and workbook hold the whole frame, its numbers in ten digits (the workbook's first sheet lists
the others); with a decimal comma the fields of CSV are separated by semicolons.  The
others show the grid of texts.  HTML names its headings by their scope and carries the full value of
each number for sorting and pointing.  LaTeX is a longtable that pandas writes with the rules of
booktabs; wider than its text, it is cut between columns with the row headings repeated.  In a
terminal headings are broken first, then spare columns left out, then texts broken between words
and numbers before their interval, then columns left out from the right, the verdict last of all; a
line names them.
"""

from __future__ import annotations

import csv
import io
import math
import re
import textwrap
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import zip_longest
from typing import Any

import pandas as pd

from psdstats.output.table import Column, Show, Table, is_missing
from psdstats.output.text import (
    clean,
    escape_html,
    escape_latex,
    escape_markdown,
    keep_units,
    spreadsheet_safe,
    words_html,
)
from psdstats.study.cells import put_text, workbook_bytes
from psdstats.words.numbers import PLAIN, DecimalSign, Numerals


def to_csv(table: Table, say: Numerals = PLAIN) -> str:
    """Write a table as CSV text.

    Notes
    -----
    Text that begins like a formula gets an apostrophe in front, so that opening the file in a
    spreadsheet cannot run it.  Numbers keep ten digits, since the last bits of a computation depend
    on where its arrays lie in memory.
    """
    sign = say.decimal
    buffer = io.StringIO()
    writer = csv.writer(
        buffer, delimiter=";" if sign is DecimalSign.COMMA else ",", lineterminator="\n"
    )
    writer.writerow([spreadsheet_safe(str(name)) for name in table.frame.columns])
    for row in table.rows():
        writer.writerow([_field(value, sign) for value in row.values()])
    return buffer.getvalue()


def _kept(value: float) -> float:
    """The digits of a number that do not depend on the last bits of its computation."""
    return float(f"{value:.10g}")


def _field(value: object, sign: str) -> str:
    if is_missing(value):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(_kept(value)).replace(".", sign)
    if isinstance(value, int):
        return str(value)
    return spreadsheet_safe(str(value))


_WIDE_COLUMNS = 8  # from here on print uses a smaller letter
_WIDE_TEXT = 90  # signs in the longest texts of all columns together: the same
_SLIM_TEXT = 56  # signs across all columns, up to which print may set a table in half a page
_SHORT_LINES = 15  # up to here print keeps a table on one page
_LINE = 30  # signs in a line of a column of text, about
_LONG = 32  # signs; a longer text wraps, in a column wide enough to be read
_SCROLLS = 'role="region" tabindex="0"'  # by keys too, for who has no mouse
_BRIEF = 20  # signs; a text up to here stays on one line


def to_html(table: Table, say: Numerals = PLAIN, *, label: str = "") -> str:
    """Write a table as an HTML fragment."""
    anchor = f"table-{table.key}"
    grid = table.grid(say)
    signs = sum(min(max(map(len, texts)), _LONG) for texts in zip(*grid, strict=True))
    is_wide = len(table.columns) >= _WIDE_COLUMNS or signs > _WIDE_TEXT
    kind = " wide" if is_wide else ""
    lines = sum(-(-max((len(text) for text in row), default=0) // _LINE) for row in grid)
    kind += " short" if lines <= _SHORT_LINES else ""
    body = [_row(table, row, texts, say) for row, texts in zip(table.rows(), grid, strict=True)]
    notes = [f'<p class="tablenote">{words_html(note)}</p>' for note in table.notes]
    caption = words_html(table.caption)
    number = f'<span class="label">{escape_html(label)}</span> ' if label else ""
    return "\n".join(
        [
            f'<div class="tableblock{kind}" id="{anchor}">',
            f'<div class="tablebox" {_SCROLLS} aria-labelledby="{anchor}-caption">',
            "<table>",
            f'<caption id="{anchor}-caption">{number}{caption}</caption>',
            "<thead>",
            "<tr>" + "".join(_heading(column) for column in table.columns) + "</tr>",
            "</thead>",
            "<tbody>",
            *body,
            "</tbody>",
            "</table>",
            "</div>",
            *notes,
            "</div>",
        ]
    )


def is_slim(table: Table, say: Numerals = PLAIN) -> bool:
    """Whether a table, its headings broken between words, is no wider than half a page."""
    signs = 0
    for column, *texts in zip(table.columns, *table.grid(say), strict=True):
        parts = (*f"{column.heading} {column.unit}".split(), *texts)
        signs += min(max(map(len, parts), default=0), _LONG) + 2
    return signs <= _SLIM_TEXT


def _heading(column: Column) -> str:
    unit = f' <span class="unit">{escape_html(column.unit)}</span>' if column.unit else ""
    kind = ' class="number"' if column.is_number else ""
    return f'<th scope="col"{kind}>{words_html(column.heading)}{unit}</th>'


def _row(table: Table, row: dict[str, object], texts: list[str], say: Numerals) -> str:
    cells = []
    for index, (column, text) in enumerate(zip(table.columns, texts, strict=True)):
        tag, scope = ("th", ' scope="row"') if index < table.row_headings else ("td", "")
        shown = keep_units(escape_html(text))
        full = _full_value(column, row, text, say)
        cells.append(f"<{tag}{scope}{_kind(column, text)}{full}>{shown}</{tag}>")
    return "<tr>" + "".join(cells) + "</tr>"


def _kind(column: Column, text: str) -> str:
    if column.is_number:
        return ' class="number"'
    if len(text) > _LONG:
        return ' class="long"'
    return ' class="brief"' if len(text) <= _BRIEF else ""


def _full_value(column: Column, row: dict[str, object], text: str, say: Numerals) -> str:
    value = row[column.name]
    if not column.is_number or is_missing(value) or not isinstance(value, (int, float)):
        return ""
    full = repr(_kept(value) if isinstance(value, float) else value)
    told = full.replace(".", say.decimal)
    hover = "" if told == text or not math.isfinite(value) else f' title="{told}"'
    return f' data-value="{full}"{hover}'


def to_markdown(table: Table, say: Numerals = PLAIN) -> str:
    """Write a table as a pipe table with its caption above and its notes below."""
    head = [escape_markdown(column.full_heading) for column in table.columns]
    rule = ["---:" if column.is_number else ":---" for column in table.columns]
    body = [[escape_markdown(text) for text in row] for row in table.grid(say)]
    lines = ["| " + " | ".join(row) + " |" for row in (head, rule, *body)]
    notes = [f"\n{escape_markdown(note)}" for note in table.notes]
    return "\n".join([f"**{escape_markdown(table.caption)}**", "", *lines, *notes, ""])


_LONG_TEXT = 32  # signs; a column of longer texts is set in paragraphs
_PARAGRAPH = 26  # signs in a line of a paragraph
_LONG_WORD = 20  # signs; a longer word may break inside
_TEXT_WIDTH_PT = 345.0  # article class, 10 pt, A4 or letter
_COLUMN_GAP_PT = 8.0
_SIZES = (("small", 4.5), ("footnotesize", 4.0), ("scriptsize", 3.5))  # mean width of a sign, pt
_WIDE_SIGNS = frozenset("mMwW%@±−_")
_PREAMBLE = r"% the preamble needs \usepackage{array,booktabs,longtable}"


@dataclass(frozen=True)
class _Column:
    """One shown column as texts: heading lines, cells, side to which it is set."""

    heading: list[str]
    cells: list[str]
    side: str

    @cached_property
    def is_long(self) -> bool:
        """Whether the cells are set in paragraphs."""
        return self.side == "l" and max(map(len, self.cells), default=0) > _LONG_TEXT

    @cached_property
    def signs(self) -> float:
        """Width of the widest text, in signs of mean width."""
        if self.is_long:
            return _PARAGRAPH
        return max(
            len(text) + 0.7 * sum(sign in _WIDE_SIGNS for sign in text)
            for text in (*self.heading, *self.cells)
        )


def to_latex(table: Table, say: Numerals = PLAIN) -> str:
    r"""Write a table as a longtable; one wider than the text becomes several, headings repeated."""
    grid = table.grid(say)
    columns = [
        _Column(
            _broken(column.full_heading, max((len(row[at]) for row in grid), default=0)),
            [row[at] for row in grid],
            "r" if column.is_number else "l",
        )
        for at, column in enumerate(table.columns)
    ]
    size, parts = _fitted(columns, table.row_headings)
    tables = [_longtable(table, part, size, first=part is parts[0]) for part in parts]
    notes = [rf"\par\smallskip {escape_latex(note)}" for note in table.notes]
    opening = rf"{{\{size}\setlength{{\tabcolsep}}{{{_COLUMN_GAP_PT / 2:g}pt}}"
    return "\n".join([_PREAMBLE, opening, *tables, *notes, r"\par}", ""])


def _longtable(table: Table, columns: list[_Column], size: str, *, first: bool) -> str:
    """Some columns of a table as pandas writes a longtable."""
    paragraph = rf">{{\raggedright\arraybackslash}}p{{{_PARAGRAPH * dict(_SIZES)[size]:g}pt}}"
    cells = [[_body_cell(column, text) for text in column.cells or [""]] for column in columns]
    frame = pd.DataFrame(dict(enumerate(cells)))
    headings = [_heading_latex(column) for column in columns]
    caption = escape_latex(table.caption)
    text = (
        frame.style.hide(axis="index")
        .format_index(lambda at: headings[int(str(at))], axis="columns")
        .to_latex(
            environment="longtable",
            hrules=True,
            column_format="".join(paragraph if one.is_long else one.side for one in columns),
            caption=caption if first else f"{caption} (continued)",
            label=f"tab:{table.key}" if first else None,
        )
    )
    # a part that goes on keeps the number of its table
    return ("" if first else "\\addtocounter{table}{-1}\n") + str(text).rstrip("\n")


def _body_cell(column: _Column, text: str) -> str:
    if not column.is_long:
        return _cell(text)
    return " ".join(_breakable(word) for word in text.split())


def _breakable(word: str) -> str:
    """A word, cut where it is longer than the paragraph it stands in."""
    pieces = (word[at : at + _LONG_WORD] for at in range(0, len(word), _LONG_WORD))
    return r"\allowbreak{}".join(_cell(piece) for piece in pieces)


def _broken(heading: str, width: int) -> list[str]:
    """A heading in lines about as wide as the cells below it, broken between words."""
    return textwrap.wrap(heading, max(width, 8), break_long_words=False) or [""]


def _fitted(columns: list[_Column], headings: int) -> tuple[str, list[list[_Column]]]:
    """The largest letter at which the table fits, or the smallest and the table in parts."""

    def fits(some: list[_Column], sign_pt: float) -> bool:
        return sum(sign_pt * one.signs + _COLUMN_GAP_PT for one in some) <= _TEXT_WIDTH_PT

    for size, sign_pt in _SIZES:
        if fits(columns, sign_pt):
            return size, [columns]
    size, sign_pt = _SIZES[-1]
    heads = columns[:headings]
    parts: list[list[_Column]] = []
    for column in columns[headings:]:
        if parts and fits([*parts[-1], column], sign_pt):
            parts[-1].append(column)
        else:
            parts.append([*heads, column])
    return size, parts or [heads]


def _heading_latex(column: _Column) -> str:
    lines = [_cell(line) for line in column.heading]
    if len(lines) == 1:
        return lines[0]
    stacked = r" \\ ".join(lines)
    return rf"\begin{{tabular}}[b]{{@{{}}{column.side}@{{}}}}{stacked}\end{{tabular}}"


def _cell(text: str) -> str:
    escaped = escape_latex(text)
    # a bracket right after \\ would be read as its argument
    return "{}" + escaped if escaped.startswith(("[", "*")) else escaped


_SHEET_SIGNS = re.compile(r"[\[\]:*?/\\']")
_SHEET_LENGTH = 31
_LONGEST_COLUMN = 48
_FORMATS = {Show.PER_CENT: "0.0%", Show.CHANCE: "0.0%", Show.COUNT: "0", Show.P_VALUE: "0.0000"}
_CONTENTS = "contents"


def to_xlsx(tables: Iterable[Table]) -> bytes:
    """Write tables into one workbook, row by row, so that a large one takes little room."""
    from openpyxl import Workbook

    tables = list(tables)
    book = Workbook(write_only=True)
    names = _sheet_names([table.name for table in tables])
    listing = [
        (name, table.caption, " ".join(table.notes))
        for table, name in zip(tables, names, strict=True)
    ]
    _fill(book.create_sheet(_CONTENTS), ("sheet", "caption", "notes"), listing, {})
    for table, name in zip(tables, names, strict=True):
        shows = {column.name: column.show or Show.TEXT for column in table.columns}
        formats = {
            at: _FORMATS[shows[column]]
            for at, column in enumerate(table.frame.columns)
            if shows.get(column) in _FORMATS
        }
        rows = [tuple(row.values()) for row in table.rows()]
        _fill(book.create_sheet(name), list(table.frame.columns), rows, formats)
    return workbook_bytes(book)


def _fill(
    sheet: Any,
    headings: Sequence[str],
    rows: Sequence[Sequence[object]],
    formats: Mapping[int, str],
) -> None:
    """Write a sheet; formats of numbers by the place of their column."""
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for at, heading in enumerate(headings):
        texts = (row[at] for row in rows)
        width = max(map(len, (heading, *(one for one in texts if isinstance(one, str)))))
        column = sheet.column_dimensions[get_column_letter(at + 1)]
        column.width = min(max(width, 9) + 2, _LONGEST_COLUMN)
    sheet.freeze_panes = "A2"
    bold = Font(bold=True)
    sheet.append([_written(sheet, one, "", bold) for one in headings])
    for row in rows:
        sheet.append([_written(sheet, one, formats.get(at, "")) for at, one in enumerate(row)])


def _written(sheet: Any, value: object, number_format: str, font: Any = None) -> Any:
    """What is appended to the sheet; None where there is nothing to write."""
    from openpyxl.cell import WriteOnlyCell

    if is_missing(value):
        return None
    if isinstance(value, float):
        value = _kept(value) if math.isfinite(value) else str(value)
    if isinstance(value, (bool, int, float)) and not number_format:
        return value
    cell = WriteOnlyCell(sheet)
    if isinstance(value, (bool, int, float)):
        cell.value, cell.number_format = value, number_format
    else:
        put_text(cell, clean(str(value)))
    if font is not None:
        cell.font = font
    return cell


def _sheet_names(names: list[str]) -> list[str]:
    """Names a workbook accepts: 31 signs, none of the forbidden ones, each once."""
    taken = {_CONTENTS}
    out = []
    for name in names:
        base = _SHEET_SIGNS.sub(" ", clean(name)).strip()[:_SHEET_LENGTH] or "table"
        unique, count = base, 2
        while unique.lower() in taken:
            tail = f" {count}"
            unique = base[: _SHEET_LENGTH - len(tail)] + tail
            count += 1
        taken.add(unique.lower())
        out.append(unique)
    return out


_GAP = "  "
_INTERVAL = re.compile(r" (?=[(±−])")  # begins behind a number
_ANSWER = "verdict"  # the column that a terminal never leaves out for another


def to_terminal(table: Table, say: Numerals = PLAIN, *, width: int = 80) -> str:
    """Write a table as aligned text."""
    head = [_one_line(column.full_heading) for column in table.columns]
    rows = [[_one_line(text) for text in row] for row in table.grid(say)]
    columns = [
        _TextColumn(
            heading=head[at],
            rank=column.spare - (column.name == _ANSWER),
            cells=[row[at] for row in rows],
            to_right=column.is_number,
        )
        for at, column in enumerate(table.columns)
    ]
    kept = _fit(columns, width)
    left = [column.heading for column in columns if column not in kept]
    lines = [
        *_wrapped(table.caption, width),
        *_text_row([column.heading for column in kept], kept, at_foot=True),
        _GAP.join("─" * column.width for column in kept),
        *(line for at in range(len(rows)) for line in _text_row([c.cells[at] for c in kept], kept)),
        *(_wrapped(f"Too wide to show: {'; '.join(left)}.", width) if left else []),
        *(line for note in table.notes for line in _wrapped(note, width)),
    ]
    return "\n".join(lines) + "\n"


class _TextColumn:
    """One column of plain texts and the width it is set to."""

    def __init__(self, *, heading: str, cells: list[str], to_right: bool, rank: int) -> None:
        self.heading = heading
        self.rank = rank  # 1 goes first, −1 last
        self.cells = cells
        self.to_right = to_right
        content = max(map(_terminal_cells, cells), default=0)
        parts = (part for text in cells for part in self.parts(text))
        word = max(map(_terminal_cells, parts), default=0)
        self.natural = max(content, _terminal_cells(heading))
        self.with_broken_heading = max(content, *map(_terminal_cells, heading.split() or [""]))
        self.with_broken_cells = max(word, *map(_terminal_cells, heading.split() or [""]))
        self.width = self.natural

    def parts(self, text: str) -> list[str]:
        """Between which parts a cell may be broken: words, or a number and its interval."""
        return _INTERVAL.split(text, maxsplit=1) if self.to_right else text.split()

    def lines(self, text: str) -> list[str]:
        """A cell in lines of the width of the column."""
        is_broken = self.to_right and _terminal_cells(text) > self.width
        return self.parts(text) if is_broken else _wrapped(text, self.width)


def _fit(columns: list[_TextColumn], width: int) -> list[_TextColumn]:
    """The columns that fit, each with its width set."""
    kept = list(columns)
    first = [column for column in columns if column.rank > 0]
    while True:
        for column in kept:
            column.width = column.natural
        _narrow(kept, width, lambda column: column.with_broken_heading)
        if not first:
            _narrow(kept, width, lambda column: column.with_broken_cells)
        if _total_width(kept) <= width or len(kept) == 1:
            break
        others = [column for column in kept[1:] if column.rank >= 0] or kept
        kept.remove(first.pop() if first else others[-1])
    kept[0].width = min(kept[0].width, width)
    return kept


def _total_width(columns: list[_TextColumn]) -> int:
    return sum(column.width for column in columns) + len(_GAP) * (len(columns) - 1)


def _narrow(columns: list[_TextColumn], width: int, floor: Callable[[_TextColumn], int]) -> None:
    """Take from the widest column that can give, until the row fits or none can."""
    while _total_width(columns) > width:
        able = [column for column in columns if column.width > floor(column)]
        if not able:
            return
        max(able, key=lambda column: column.width).width -= 1


def _text_row(texts: list[str], columns: list[_TextColumn], *, at_foot: bool = False) -> list[str]:
    """The lines of one row; short texts stand at its head, or at its foot."""
    pairs = zip(texts, columns, strict=True)
    parts = [_wrapped(text, own.width) if at_foot else own.lines(text) for text, own in pairs]
    if at_foot:
        tallest = max(map(len, parts))
        parts = [[""] * (tallest - len(part)) + part for part in parts]
    return [
        _GAP.join(
            _set_text(text, column.width, to_right=column.to_right)
            for text, column in zip(line, columns, strict=True)
        ).rstrip()
        for line in zip_longest(*parts, fillvalue="")
    ]


def _one_line(text: str) -> str:
    return " ".join(clean(text).split())


def _terminal_cells(text: str) -> int:
    """Terminal cells a text takes: wide East Asian signs two, combining signs none."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(sign) else 1 + (unicodedata.east_asian_width(sign) in "WF")
        for sign in text
    )


def _set_text(text: str, width: int, *, to_right: bool = False) -> str:
    if _terminal_cells(text) > width:
        while text and _terminal_cells(text) > width - 1:
            text = text[:-1]
        text += "…"
    space = " " * (width - _terminal_cells(text))
    return space + text if to_right else text + space


def _wrapped(text: str, width: int) -> list[str]:
    lines, line = [], ""
    for word in clean(text).split():
        word = _set_text(word, width).rstrip() if _terminal_cells(word) > width else word
        if line and _terminal_cells(line) + 1 + _terminal_cells(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}" if line else word
    return [*lines, line] if line else lines
