"""A table as comma-separated text: UTF-8, decimal points, no cell a spreadsheet would compute."""

from __future__ import annotations

import csv
import io

from psdstats.study.cells import guarded, number_text
from psdstats.study.tables_out import MASS_COLUMNS, OutCell, OutTable

__all__ = ["csv_text"]


def csv_text(table: OutTable, decimals: int = 0) -> str:
    """Text of a comma-separated table, masses with at least so many decimals."""
    names, rows = table
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    header = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    # reading finds the separator in the header, so another one in a name is hidden in quotes
    hidden = any(mark in "".join(names) for mark in ";\t")
    (header if hidden else writer).writerow(map(guarded, names))
    for row in rows:
        writer.writerow(
            _cell_text(cell, decimals if name in MASS_COLUMNS else 0)
            for name, cell in zip(names, row, strict=True)
        )
    return out.getvalue()


def _cell_text(cell: OutCell, decimals: int) -> str:
    if cell is None:
        return ""
    return guarded(cell) if isinstance(cell, str) else number_text(cell, decimals=decimals)
