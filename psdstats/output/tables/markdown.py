"""A table as a Markdown pipe table."""

from __future__ import annotations

from psdstats.output.tables.table import Table
from psdstats.output.text import escape_markdown

__all__ = ["to_markdown"]


def to_markdown(table: Table, *, decimal: str = ".") -> str:
    """Write a table as a pipe table with its caption above and its notes below.

    Parameters
    ----------
    table : Table
        The table.
    decimal : str, default="."
        Decimal sign.

    Returns
    -------
    str
        Markdown text, rounded as in the report.
    """
    head = [escape_markdown(column.full_heading) for column in table.columns]
    rule = ["---:" if column.is_number else ":---" for column in table.columns]
    body = [[escape_markdown(text) for text in row] for row in table.grid(decimal=decimal)]
    lines = ["| " + " | ".join(row) + " |" for row in (head, rule, *body)]
    notes = [f"\n{escape_markdown(note)}" for note in table.notes]
    return "\n".join([f"**{escape_markdown(table.caption)}**", "", *lines, *notes, ""])
