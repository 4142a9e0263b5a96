"""A table as CSV: the whole frame in full precision, for other programs.

Numbers are written with the fewest digits that give the same double back.  With a decimal comma
the fields are separated by semicolons, as spreadsheets in such countries expect.

A table as semantic HTML: caption, column and row headings with their scope, full values kept.

Each number carries its full precision as ``data-value`` (for sorting) and as ``title`` (for the
pointer).  The table stands in a box of its own that scrolls, so that a page never overflows.

A table as a Markdown pipe table.

A table as LaTeX that compiles in the plain article class, without any package.

A table that is longer than a page or wider than its text is cut into several: between rows with
the caption continued, between columns with the row headings repeated.  Letters become smaller
before columns are cut.  Columns of long text are set in paragraphs.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

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


_ROWS_A_PAGE = 38
_LONG_TEXT = 32  # signs; a column of longer texts is set in paragraphs
_PARAGRAPH = 26  # signs in a line of a paragraph
_LONG_WORD = 20  # signs; a longer word may break inside
_FLOATS_WAITING = 10  # LaTeX holds a limited number of floats; then they are set
_TEXT_WIDTH_PT = 345.0  # article class, 10 pt, A4 or letter
_COLUMN_GAP_PT = 8.0
_SIZES = (("small", 4.5), ("footnotesize", 4.0), ("scriptsize", 3.5))  # mean width of a sign, pt


_WIDE_SIGNS = frozenset("mMwW%@±−_")


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
    r"""Write a table as one or more LaTeX table environments."""
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
    environments: list[str] = []
    for first, last in pairwise(_page_starts(columns, len(grid))):
        for part in parts:
            body = [" & ".join(_body_cell(c, i) for c in part) for i in range(first, last) if grid]
            environments.append(_environment(table, part, body, size, first=not environments))
    blocks = range(0, len(environments), _FLOATS_WAITING)
    return "\\clearpage\n".join("\n".join(environments[at : at + _FLOATS_WAITING]) for at in blocks)


def _page_starts(columns: list[_Column], rows: int) -> list[int]:
    """First row of each page, and the number of rows."""
    starts, used = [0], 0
    for row in range(rows):
        lines = max(-(-len(c.cells[row]) // _PARAGRAPH) if c.is_long else 1 for c in columns)
        if used and used + lines > _ROWS_A_PAGE:
            starts.append(row)
            used = 0
        used += lines
    return [*starts, max(rows, 1)]


def _body_cell(column: _Column, row: int) -> str:
    text = column.cells[row]
    if not column.is_long:
        return _cell(text)
    words = (_breakable(word) for word in text.split())
    return rf"\raggedright {' '.join(words)}"


def _breakable(word: str) -> str:
    """A word, cut where it is longer than the paragraph it stands in."""
    pieces = (word[at : at + _LONG_WORD] for at in range(0, len(word), _LONG_WORD))
    return r"\allowbreak{}".join(_cell(piece) for piece in pieces)


def _broken(heading: str, width: int) -> list[str]:
    """A heading in lines about as wide as the cells below it, broken between words."""
    lines: list[str] = []
    for word in heading.split():
        if lines and len(lines[-1]) + 1 + len(word) <= max(width, 8):
            lines[-1] += " " + word
        else:
            lines.append(word)
    return lines or [""]


def _width(columns: list[_Column], sign_pt: float) -> float:
    return sum(sign_pt * column.signs + _COLUMN_GAP_PT for column in columns)


def _fitted(columns: list[_Column], headings: int) -> tuple[str, list[list[_Column]]]:
    """The largest letter at which the table fits, or the smallest and the table in parts."""
    for size, sign_pt in _SIZES:
        if _width(columns, sign_pt) <= _TEXT_WIDTH_PT:
            return size, [columns]
    size, sign_pt = _SIZES[-1]
    heads = columns[:headings]
    parts: list[list[_Column]] = []
    for column in columns[headings:]:
        if parts and _width([*parts[-1], column], sign_pt) <= _TEXT_WIDTH_PT:
            parts[-1].append(column)
        else:
            parts.append([*heads, column])
    return size, parts or [heads]


def _environment(
    table: Table, columns: list[_Column], body: list[str], size: str, *, first: bool
) -> str:
    head = " & ".join(_heading_latex(column) for column in columns) + r" \\"
    paragraph = f"p{{{_PARAGRAPH * dict(_SIZES)[size]:g}pt}}"
    sides = "".join(paragraph if column.is_long else column.side for column in columns)
    if first:
        caption = [rf"\caption{{{escape_latex(table.caption)}}}", rf"\label{{tab:{table.key}}}"]
    else:
        caption = [rf"{escape_latex(table.caption)} (continued)"]
    # \raggedright in a last cell takes \\ for a new line of that cell
    end = r"\tabularnewline" if columns[-1].is_long else r"\\"
    notes = [rf"\par\smallskip {escape_latex(note)}" for note in table.notes]
    return "\n".join(
        [
            r"\begin{table}[htbp]",
            rf"\centering\{size}\setlength{{\tabcolsep}}{{{_COLUMN_GAP_PT / 2:g}pt}}",
            *caption,
            r"\par\medskip",
            rf"\begin{{tabular}}{{{sides}}}",
            r"\hline",
            head,
            r"\hline",
            *(f"{row} {end}" for row in body),
            r"\hline",
            r"\end{tabular}",
            *(notes if first else []),
            r"\end{table}",
            "",
        ]
    )


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
