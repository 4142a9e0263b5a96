"""Tables: one frame, six ways to write it, the same numbers in all."""

from psdstats.output.tables.formats import to_csv, to_html, to_latex, to_markdown
from psdstats.output.tables.table import Column, Show, Table, columns_of
from psdstats.output.tables.terminal import to_terminal
from psdstats.output.tables.workbook import to_xlsx

__all__ = [
    "Column",
    "Show",
    "Table",
    "columns_of",
    "to_csv",
    "to_html",
    "to_latex",
    "to_markdown",
    "to_terminal",
    "to_xlsx",
]
