"""A study as one XLSX workbook: sheets study, runs, weighings and sieves.

Text is always stored as text, so that nothing in a study becomes a formula.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats.errors import OutputError
from psdstats.study.records import Study
from psdstats.study.tables_out import (
    MASS_COLUMNS,
    OutCell,
    OutTable,
    mass_decimals,
    run_table,
    settings_of,
    sieve_table,
    weighing_table,
)
from psdstats.study.toml_text import toml_key, toml_value

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["put_number", "put_text", "setting_rows", "write_workbook"]

_UNPRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f]|[\ud800-\udfff\ufffe\uffff]")


def write_workbook(study: Study, place: Path) -> None:
    """Write the workbook."""
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    settings: OutTable = (
        ["key", "value"],
        list(setting_rows(settings_of(study, with_sieves=False))),
    )
    for name, table in (
        ("study", settings),
        ("runs", run_table(study)),
        ("weighings", weighing_table(study)),
        ("sieves", sieve_table(study)),
    ):
        _fill(book.create_sheet(name), table, mass_decimals(study))
    content = io.BytesIO()  # a broken-off save complains later if its file was closed before it
    book.save(content)
    place.write_bytes(content.getvalue())


def setting_rows(settings: Mapping[str, object]) -> Iterator[list[OutCell]]:
    """Settings as rows of key and value, the keys joined by dots as in TOML."""
    yield from _setting_rows(settings, ())


def _setting_rows(table: Mapping[str, object], path: tuple[str, ...]) -> Iterator[list[OutCell]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _setting_rows(value, (*path, key))
        elif isinstance(value, bool):
            yield [toml_key(*path, key), toml_value(value)]
        elif isinstance(value, int | float | str):
            yield [toml_key(*path, key), value]
        else:
            yield [toml_key(*path, key), toml_value(value)]


def _fill(sheet: Worksheet, table: OutTable, decimals: int) -> None:
    names, rows = table
    for column, name in enumerate(names, start=1):
        put_text(sheet, 1, column, name)
    for number, row in enumerate(rows, start=2):
        for column, cell in enumerate(row, start=1):
            if isinstance(cell, str):
                put_text(sheet, number, column, cell)
            elif cell is not None:
                put_number(sheet, number, column, cell)
                if decimals and names[column - 1] in MASS_COLUMNS:
                    sheet.cell(number, column).number_format = f"0.{'0' * decimals}"
    sheet.freeze_panes = "A2"


def put_number(sheet: Worksheet, row: int, column: int, number: float) -> None:
    """Store a number; one with more than 16 digits as text, which reads back exactly."""
    if float(f"{number:.16g}") == number:
        sheet.cell(row, column, number)
    else:
        put_text(sheet, row, column, repr(float(number)))


def put_text(sheet: Worksheet, row: int, column: int, text: str) -> None:
    """Store a text as text, even where it begins like a formula.

    Raises
    ------
    OutputError
        If the text holds a control character, which no workbook can.
    """
    if _UNPRINTABLE.search(text):
        raise OutputError(
            f"A workbook cannot hold the text {text[:40]!r}. Take the control character out of it."
        )
    cell = sheet.cell(row, column)
    cell.value = text
    cell.data_type = "s"
    if text.startswith(("=", "+", "-", "@")):
        cell.quotePrefix = True  # stays text when a person edits it
