"""Tables: one frame, six ways to write it, the same numbers in all."""

from psdstats.output.tables.columns import Column, Show, columns_of
from psdstats.output.tables.csv import to_csv
from psdstats.output.tables.html import to_html
from psdstats.output.tables.latex import to_latex
from psdstats.output.tables.markdown import to_markdown
from psdstats.output.tables.table import Table
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
