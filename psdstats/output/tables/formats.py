"""A table as CSV: the whole frame in full precision, for other programs.

Numbers are written with the fewest digits that give the same double back.  With a decimal comma
the fields are separated by semicolons, as spreadsheets in such countries expect.

A table as semantic HTML: caption, column and row headings with their scope, full values kept.

Each number carries its full precision as ``data-value`` (for sorting) and as ``title`` (for the
pointer).  The table stands in a box of its own that scrolls, so that a page never overflows.

A table as a Markdown pipe table.

A table as LaTeX: pandas writes a longtable with the rules of booktabs.

A table that is wider than its text is cut between columns, with the row headings repeated; letters
become smaller before that.  Columns of long text are set in paragraphs.  What the preamble must
load is said in the first line of each file.
"""

from __future__ import annotations

import csv
import io
import math
import textwrap
from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from psdstats.output.equations import words_html
from psdstats.output.tables.table import Column, Table, is_missing
from psdstats.output.text import (
    escape_html,
    escape_latex,
    escape_markdown,
    keep_units,
    spreadsheet_safe,
)
from psdstats.words.numbers import PLAIN, DecimalSign, Numerals


def to_csv(table: Table, say: Numerals = PLAIN) -> str:
    """Write a table as CSV text.

    Notes
    -----
    Text that begins like a formula gets an apostrophe in front, so that opening the file in a
    spreadsheet cannot run it; numbers are never changed.
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


def _field(value: object, sign: str) -> str:
    if is_missing(value):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(value).replace(".", sign)
    if isinstance(value, int):
        return str(value)
    return spreadsheet_safe(str(value))


_WIDE_COLUMNS = 8  # from here on print uses a smaller letter
_SHORT_LINES = 15  # up to here print keeps a table on one page
_LINE = 30  # signs in a line of a column of text, about
_LONG = 32  # signs; a longer text wraps, in a column wide enough to be read
_BRIEF = 20  # signs; a text up to here stays on one line


def to_html(table: Table, say: Numerals = PLAIN, *, label: str = "") -> str:
    """Write a table as an HTML fragment."""
    anchor = f"table-{table.key}"
    kind = " wide" if len(table.columns) >= _WIDE_COLUMNS else ""
    grid = table.grid(say)
    lines = sum(-(-max((len(text) for text in row), default=0) // _LINE) for row in grid)
    kind += " short" if lines <= _SHORT_LINES else ""
    body = [_row(table, row, texts, say) for row, texts in zip(table.rows(), grid, strict=True)]
    notes = [f'<p class="tablenote">{words_html(note)}</p>' for note in table.notes]
    caption = words_html(table.caption)
    number = f'<span class="label">{escape_html(label)}</span> ' if label else ""
    return "\n".join(
        [
            f'<div class="tableblock{kind}" id="{anchor}">',
            f'<div class="tablebox" role="region" aria-labelledby="{anchor}-caption" tabindex="0">',
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
    full = repr(value)
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
