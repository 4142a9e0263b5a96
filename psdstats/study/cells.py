"""Numbers in cells: what counts as one, and how one is written so that it reads back the same.

A number is digits with at most one decimal sign; thousands separators and units are refused, for
they cannot be told from typing errors.  Arithmetic is decimal, so that 0.063 mm is exactly 63 µm.
Text that a spreadsheet would take for a formula is written with an apostrophe before it, which
reading takes away again.  Also: comments on cells, and the notes about runs.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.frozen import hold_text

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell

_NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]{1,3})?")
_LONGEST = 60  # characters; the digits of any double fit
_FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")
_FINEST_DECIMALS = 7  # 0.1 µg, finer than any laboratory balance
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the earliest date a ZIP entry can hold
_STAMP = re.compile(rb"(<dcterms:(created|modified)[^>]*>)[^<]*(</dcterms:\2>)")


def to_number(typed: str) -> Decimal | None:
    """Turn the text of a cell into a number; None if it is not one.

    Examples
    --------
    >>> to_number("412,31"), to_number(" 1e3 "), to_number("1.234,5"), to_number("5 g")
    (Decimal('412.31'), Decimal('1E+3'), None, None)
    """
    typed = typed.strip()
    if len(typed) > _LONGEST or not _NUMBER.fullmatch(typed):
        return None
    value = Decimal(typed.replace(",", "."))
    return value if math.isfinite(float(value)) else None


def decimals_written(value: Decimal) -> int:
    """Count the decimals a number was written with, trailing zeros included.

    Decimals beyond the seventh come from arithmetic, not from a display: the number is then
    rounded to seven first.

    Examples
    --------
    >>> decimals_written(Decimal("412.30")), decimals_written(Decimal("0.30000000000000004"))
    (2, 1)
    """
    exponent = int(value.as_tuple().exponent)
    if -exponent <= _FINEST_DECIMALS:
        return max(0, -exponent)
    rounded = f"{float(value):.{_FINEST_DECIMALS}f}".rstrip("0")
    return len(rounded.partition(".")[2])


def number_text(value: float, *, decimals: int = 0) -> str:
    """Shortest text that reads back as the same number, with at least `decimals` decimals.

    Examples
    --------
    >>> number_text(412.3, decimals=2), number_text(90.0), number_text(0.1 + 0.2)
    ('412.30', '90', '0.30000000000000004')
    """
    text = f"{value:.{decimals}f}"
    if float(text) == value:
        return text
    return repr(float(value))


def guarded(typed: str) -> str:
    """Text for a CSV cell that no spreadsheet takes for a formula.

    Examples
    --------
    >>> guarded("=1+1"), guarded("-5"), guarded("Alder 90 µm")
    ("'=1+1", '-5', 'Alder 90 µm')
    """
    return f"'{typed}" if typed.startswith(_FORMULA_SIGNS) and to_number(typed) is None else typed


def unguarded(typed: str) -> str:
    """Text of a cell without blanks around it and without the apostrophe of `guarded`.

    Examples
    --------
    >>> unguarded(" '=1+1 "), unguarded("5'-sieve")
    ('=1+1', "5'-sieve")
    """
    typed = typed.strip()
    return typed[1:] if typed.startswith("'") and typed[1:].startswith(_FORMULA_SIGNS) else typed


def letters(column: int) -> str:
    """Letters of a column of a spreadsheet: A to Z, then AA, AB and so on."""
    text = ""
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def put_text(cell: Cell, typed: str) -> None:
    """Store a text in a workbook as text, even where it begins like a formula."""
    cell.value = typed
    cell.data_type = "s"
    cell.quotePrefix = typed.startswith(_FORMULA_SIGNS)  # stays text when a person edits it


def workbook_bytes(book: Workbook) -> bytes:
    """Content of an XLSX file without the time at which it was written."""
    written, stable = io.BytesIO(), io.BytesIO()
    book.save(written)  # a broken-off save complains later if its file was closed before it
    with zipfile.ZipFile(written) as old, zipfile.ZipFile(stable, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist()):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = _STAMP.sub(rb"\g<1>1980-01-01T00:00:00Z\g<3>", content)
            new.writestr(zipfile.ZipInfo(name, _EPOCH), content, zipfile.ZIP_DEFLATED)
    return stable.getvalue()


@dataclass(frozen=True, kw_only=True, order=True)
class CellComment:
    """What somebody attached to a cell of a table.

    Parameters
    ----------
    table : str
        Table of the study: runs, weighings, sieves or study; else the name of a sheet.
    row : str
        Run, sieve or setting of the row; empty for the heading and outside the tables.
    sieve : str
        In the weighings, the sieve.
    column : str
        Name of the column; outside the tables, the cell, such as B7.
    text, author : str
        What was said, and by whom, as far as it is known.

    Raises
    ------
    StudyError
        If a field is no text, or there is no table, column or text.
    """

    table: str
    row: str = ""
    sieve: str = ""
    column: str
    text: str
    author: str = ""

    def __post_init__(self) -> None:
        for name in list(vars(self)):
            hold_text(self, name, empty=name in ("row", "sieve", "author"))
        lines = self.text.replace("\r\n", "\n").replace("\r", "\n")
        object.__setattr__(self, "text", lines)


@dataclass(frozen=True)
class SourceFile:
    """A file the study was read from.

    Parameters
    ----------
    name : str
        Its name without folders.
    sha256 : str
        SHA-256 of its bytes, hexadecimal.
    """

    name: str
    sha256: str


STATUSES = ("done", "planned", "abandoned")
"""What the status of a run may be; without one, a run that is weighed is done."""


def note_problem(column: str, text: str, file: str, row: int | None = None) -> Problem | None:
    """What is wrong with a note about a run, if anything is."""
    fault = remedy = ""
    if column == col.STATUS and text not in STATUSES:
        fault = "the status is not known"
        remedy = f"Leave it empty, or write one of {', '.join(STATUSES)}."
    if column == col.WEIGHED_ON:
        try:
            whole = date.fromisoformat(text).isoformat() == text
        except ValueError:
            whole = False
        if not whole:
            fault, remedy = "this is no date", "Write year-month-day, such as 2026-05-31."
    if column == col.RUN_ORDER and not (text.isascii() and text.isdigit() and int(text) > 0):
        fault, remedy = "this is no place in an order", "Write a whole number from 1 on."
    return Problem(file, fault, remedy, row, column, text[:40]) if fault else None
