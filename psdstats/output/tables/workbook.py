"""All tables of a result in one XLSX workbook, the same bytes for the same tables.

The first sheet lists the others with their captions.  Each table's sheet holds its whole frame in
sixteen significant digits; the cell format only shortens what is displayed.  Text is stored as
text, so that nothing a user typed can act as a formula.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable
from typing import Any

from psdstats.output.tables.table import Show, Table, is_missing
from psdstats.output.text import clean
from psdstats.study.cells import put_text

_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date a ZIP entry can hold
_STAMP = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*(</dcterms:\2>)")
_SHEET_SIGNS = re.compile(r"[\[\]:*?/\\']")
_SHEET_LENGTH = 31
_LONGEST_COLUMN = 48
_FORMATS = {Show.PER_CENT: "0.0%", Show.COUNT: "0", Show.P_VALUE: "0.0000"}
_CONTENTS = "contents"


def to_xlsx(tables: Iterable[Table]) -> bytes:
    """Write tables into one workbook."""
    from openpyxl import Workbook

    tables = list(tables)
    book = Workbook()
    contents = book.active
    contents.title = _CONTENTS
    names = _sheet_names([table.name for table in tables])
    for table, name in zip(tables, names, strict=True):
        _fill(book.create_sheet(name), table)
    listing = [("sheet", "caption", "notes")]
    listing += [
        (name, table.caption, " ".join(table.notes))
        for table, name in zip(tables, names, strict=True)
    ]
    for at, row in enumerate(listing, start=1):
        for column, text in enumerate(row, start=1):
            _put(contents.cell(row=at, column=column), text, "")
    _dress(contents, [max(len(row[i]) for row in listing) for i in range(3)])
    buffer = io.BytesIO()
    book.save(buffer)
    return _without_dates(buffer.getvalue())


def _fill(sheet: Any, table: Table) -> None:
    formats = {column.name: _FORMATS.get(column.show, "") for column in table.columns}
    widths = []
    for at, name in enumerate(table.frame.columns, start=1):
        _put(sheet.cell(row=1, column=at), name, "")
        widths.append(len(name))
    for row_at, row in enumerate(table.rows(), start=2):
        for at, (name, value) in enumerate(row.items(), start=1):
            _put(sheet.cell(row=row_at, column=at), value, formats.get(name, ""))
            if isinstance(value, str):
                widths[at - 1] = max(widths[at - 1], len(value))
    _dress(sheet, widths)


def _put(cell: Any, value: object, number_format: str) -> None:
    if is_missing(value):
        return
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        value = str(value)
    if isinstance(value, (bool, int, float)):
        cell.value = value
        if number_format:
            cell.number_format = number_format
    else:
        put_text(cell, clean(str(value)))


def _dress(sheet: Any, widths: list[int]) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    for at, width in enumerate(widths, start=1):
        sheet.cell(row=1, column=at).font = Font(bold=True)
        letter = get_column_letter(at)
        sheet.column_dimensions[letter].width = min(max(width, 9) + 2, _LONGEST_COLUMN)
    sheet.freeze_panes = "A2"


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


def _without_dates(book: bytes) -> bytes:
    buffer = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(book)) as old,
        zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in sorted(old.namelist()):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = _STAMP.sub(rb"\g<1>1980-01-01T00:00:00Z\g<3>", content)
            new.writestr(zipfile.ZipInfo(name, _EPOCH), content, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
