"""A table as semantic HTML: caption, column and row headings with their scope, full values kept.

Each number carries its full precision as ``data-value`` (for sorting) and as ``title`` (for the
pointer).  The table stands in a box of its own that scrolls, so that a page never overflows.
"""

from __future__ import annotations

import math

from psdstats.output.equations import words_html
from psdstats.output.tables.columns import Column, is_missing
from psdstats.output.tables.table import Table
from psdstats.output.text import escape_html, keep_units

__all__ = ["to_html"]

_WIDE_COLUMNS = 8  # from here on print uses a smaller letter
_SHORT_LINES = 15  # up to here print keeps a table on one page
_LINE = 30  # signs in a line of a column of text, about
_LONG = 32  # signs; a longer text wraps, in a column wide enough to be read
_BRIEF = 20  # signs; a text up to here stays on one line


def to_html(table: Table, *, decimal: str = ".", label: str = "") -> str:
    """Write a table as an HTML fragment.

    Parameters
    ----------
    table : Table
        The table.
    decimal : str, default="."
        Decimal sign.
    label : str, default=""
        Set before the caption, such as "Table 3".

    Returns
    -------
    str
        A ``div`` with the table and its notes; the anchor is ``table-`` and the key.
    """
    anchor = f"table-{table.key}"
    kind = " wide" if len(table.columns) >= _WIDE_COLUMNS else ""
    grid = table.grid(decimal=decimal)
    lines = sum(-(-max((len(text) for text in row), default=0) // _LINE) for row in grid)
    kind += " short" if lines <= _SHORT_LINES else ""
    body = [_row(table, row, texts, decimal) for row, texts in zip(table.rows(), grid, strict=True)]
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


def _row(table: Table, row: dict[str, object], texts: list[str], decimal: str) -> str:
    cells = []
    for index, (column, text) in enumerate(zip(table.columns, texts, strict=True)):
        tag, scope = ("th", ' scope="row"') if index < table.row_headings else ("td", "")
        shown = keep_units(escape_html(text))
        full = _full_value(column, row, text, decimal)
        cells.append(f"<{tag}{scope}{_kind(column, text)}{full}>{shown}</{tag}>")
    return "<tr>" + "".join(cells) + "</tr>"


def _kind(column: Column, text: str) -> str:
    if column.is_number:
        return ' class="number"'
    if len(text) > _LONG:
        return ' class="long"'
    return ' class="brief"' if len(text) <= _BRIEF else ""


def _full_value(column: Column, row: dict[str, object], text: str, decimal: str) -> str:
    value = row[column.name]
    if not column.is_number or is_missing(value) or not isinstance(value, (int, float)):
        return ""
    full = repr(value)
    told = full.replace(".", decimal)
    hover = "" if told == text or not math.isfinite(value) else f' title="{told}"'
    return f' data-value="{full}"{hover}'
