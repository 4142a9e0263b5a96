"""Text tables: bytes to a `Table`, whatever the separator, line ends and decimal sign.

The separator is the one in the header: semicolon, else tab, else comma.  Text is UTF-8 (with or
without a byte-order mark) unless an encoding is given; nothing is guessed from the bytes.
Lines before the header that start with `#` hold settings in TOML (see `settings`).

Workbooks: the bytes of an XLSX or ODS file to tables and settings.

Sheets `study` (settings: key, value), `runs`, `weighings` and `sieves`, or one sheet that holds a
flat table.  Formulas count by the value the spreadsheet last computed; nothing is computed here,
no macro, link or external reference is followed.
"""

from __future__ import annotations

import csv
import io
import re
import struct
import tomllib
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import takewhile
from numbers import Real
from typing import IO, TYPE_CHECKING
from xml.etree import ElementTree

import numpy as np

from psdstats.errors import Problem
from psdstats.study.cells import (
    MAX_CELL_CHARACTERS,
    MAX_FAR_CELLS,
    MAX_ROWS,
    MAX_SHEET_COLUMNS,
    MAX_TAGS,
    MAX_UNPACKED_BYTES,
    to_number,
)
from psdstats.study.tables import Cell, Dated, Table, make_table

if TYPE_CHECKING:
    from python_calamine import CalamineSheet

SETTINGS_MARK = "#"
"""First character of the lines above the header that hold settings."""

_PADDING = re.compile(r"[,;\t]{2,}$")  # separators a spreadsheet adds to fill a short row
_HEADER_LINES = 20  # lines in which the header ends
_QUOTED = re.compile(r'"[^"]*"')
_QUOTED_KEY = re.compile(r""""(?:\\.|[^"\\\n])*"|'[^'\n]*'""")
_PLAIN_XML = re.compile(  # what begins as XML is UTF-8
    rb"\A(?:\xef\xbb\xbf)?(?!<\?xml)|\A(?:\xef\xbb\xbf)?<\?xml(?![^>]*encoding)"
    rb"|\A(?:\xef\xbb\xbf)?<\?xml[^>]*encoding\s*=\s*[\"'](?i:utf-8|us-ascii|ascii)[\"']"
)
_BLOCK_BYTES = 1_000_000  # looked through at a time


# what Python calls text encodings and no file of a spreadsheet has
_OF_NO_FILE = ("idna", "unicode_escape", "raw_unicode_escape", "utf_7", "utf7")


def decode(
    content: bytes | None, file: str, *, encoding: str | None, problems: list[Problem]
) -> str | None:
    """Turn bytes into text; None, with a problem noted, where they are not text."""
    if content is None:
        return None
    row, value, fault, decoded = None, None, "", ""
    remedy = "Save the file as UTF-8"
    remedy += "." if file.endswith(".toml") else ', or give its encoding, for example "cp1252".'
    if encoding is None and content.startswith((b"\xff\xfe", b"\xfe\xff")):
        fault = "the file is UTF-16, not UTF-8"
        remedy = "Name its encoding, utf-16, when reading it, or save it as UTF-8."
    else:
        try:
            if encoding is not None and encoding.lower().replace("-", "_") in _OF_NO_FILE:
                raise LookupError(encoding)
            decoded = content.decode(encoding or "utf-8-sig")
        except UnicodeDecodeError as cause:
            row, value = content.count(b"\n", 0, cause.start) + 1, f"0x{content[cause.start]:02x}"
            fault = f"a byte is not {encoding or 'UTF-8'}"
        except (LookupError, UnicodeError):
            fault, value = "no such text encoding is known", str(encoding)
            remedy = 'Give a name such as "utf-8", "cp1252" or "utf-16".'
    if "\0" in decoded:
        row, remedy = decoded.count("\n", 0, decoded.index("\0")) + 1, "Save it as CSV in UTF-8."
        fault = "the file holds zero bytes, so it is not a text table"
    if fault:
        problems.append(Problem(file, fault, remedy, row, None, value))
        return None
    return decoded.removeprefix("\ufeff")


def settings_lines(text: str) -> tuple[str, int]:
    """Split off the settings above the header.

    Notes
    -----
    A spreadsheet that saves the file again may quote such a line, and ends all short ones with
    separators; both are undone.
    """
    marks = SETTINGS_MARK, f'"{SETTINGS_MARK}'
    rows = (line.rstrip("\n") for line in io.StringIO(text, newline=None))
    lines = list(takewhile(lambda line: line.startswith(marks), rows))
    padded = all(any(sign in line for sign in ",;\t") for line in lines)
    taken: list[str] = []
    for line in lines:
        bare = _PADDING.sub("", line) if padded else line
        if bare.startswith('"'):
            if not bare.endswith('"'):
                break
            bare = bare[1:-1].replace('""', '"')
        taken.append(bare.removeprefix(SETTINGS_MARK).removeprefix(" "))
    return "".join(f"{line}\n" for line in taken), len(taken)


Sheet = list[tuple[int, list[Cell]]]
"""Rows of a sheet: row number and cells."""


def read_csv_sheet(text: str, file: str, problems: list[Problem]) -> tuple[Sheet, bool]:
    """Rows of a CSV file that need not begin with a header; whether a comma separates its cells."""
    lines = io.StringIO(text, newline="").readlines()
    filled = [line for line in _QUOTED.sub("", "".join(lines)).splitlines() if line.strip()]
    usual = (mark for mark in ";\t" if sum(mark in line for line in filled) * 2 > len(filled))
    separator = next(usual, ",")
    rows: Sheet = []
    try:
        for number, row in enumerate(csv.reader(lines, delimiter=separator, strict=True), 1):
            rows.append((number, list(row)))
    except csv.Error as cause:
        problems.append(_broken_csv(file, cause, len(rows) + 1))
    return rows, separator == ","


def _broken_csv(file: str, cause: csv.Error, row: int) -> Problem:
    fault = f"the row is not well-formed CSV: {cause}"
    remedy = "Look for a quotation mark that is not closed or not doubled."
    return Problem(file, fault, remedy, row)


def read_csv_table(
    text: str, file: str, *, known: Iterable[str], skip: int = 0, problems: list[Problem]
) -> Table | None:
    """Read the text of a table."""
    lines = io.StringIO(text, newline="").readlines()[skip:]
    start = _QUOTED.sub("", "".join(lines[:_HEADER_LINES])).splitlines()
    header = next((line for line in start if line.strip()), "")
    separator = next((mark for mark in ";\t" if mark in header), ",")
    rows: list[tuple[int, list[str]]] = []
    try:
        rows.extend(enumerate(csv.reader(lines, delimiter=separator, strict=True), skip + 1))
    except csv.Error as cause:
        problems.append(_broken_csv(file, cause, skip + len(rows) + 1))
    comma = separator != ","
    return make_table(file, rows, known=known, decimal_comma=comma, problems=problems)


UNREADABLE = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    NotImplementedError,  # a packing method that zipfile does not know
    OSError,
    RecursionError,
    RuntimeError,  # an encrypted part
    SyntaxError,  # what both XML parsers openpyxl may use call text that is no XML
    TypeError,
    ValueError,
    struct.error,
    zipfile.BadZipFile,
    zlib.error,
)
"""What zipfile, the XML parser and openpyxl raise on bytes that are no workbook."""

_TEXT_SETTINGS = (
    "title",
    "material",
    "author",
    "date",
    "standard",
    "certificate",
    "reference",
    "accuracy_class",
    "by",
)  # text even where it looks otherwise


def read_sheets(content: bytes, file: str, problems: list[Problem]) -> dict[str, Sheet]:
    """Read every sheet of a workbook; nothing, with a problem noted, where it is not one.

    Numbers keep the decimals that XLSX shows.
    """
    from openpyxl.reader.excel import ExcelReader
    from openpyxl.utils.exceptions import InvalidFileException

    open_document = file.lower().endswith(".ods")
    try:
        if not _is_harmless(content, file, problems):
            return {}
        if open_document:
            return _open_document(content, problems)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # openpyxl warns of features it does not read
            reader = ExcelReader(
                io.BytesIO(content), read_only=True, data_only=True, keep_links=False
            )
            reader.read_chartsheet = lambda *_: None  # no table, and perhaps no kind it knows
            reader.read()
            return {
                sheet.title: list(_rows(sheet, problems))
                for sheet in reader.wb.worksheets
                if hasattr(sheet, "iter_rows")
            }
    except (*UNREADABLE, InvalidFileException) as cause:
        kind = "ODS" if open_document else "XLSX"
        fault = f"the workbook is damaged or not an {kind} file ({type(cause).__name__})"
        remedy = f"Open it in a spreadsheet program and save it again as {kind}."
        problems.append(Problem(file, fault, remedy))
        return {}


def _is_harmless(content: bytes, file: str, problems: list[Problem]) -> bool:
    """Refuse parts that unpack to more than the limits and XML that declares entities."""
    fault, remedy = "", "Save the workbook again with a spreadsheet program."
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = archive.infolist()
        if sum(part.file_size for part in parts) > MAX_UNPACKED_BYTES:
            fault = f"the workbook unpacks to more than {MAX_UNPACKED_BYTES // 10**6} MB"
            parts = []
        tags = 0
        for part in parts:
            with archive.open(part) as stream:
                wrong, found = _look_through(stream)
            tags += found
            if wrong:
                fault = f"the part {part.filename[:80]} {wrong}"
                break
        if tags > MAX_TAGS:
            fault = f"the workbook has more than {MAX_TAGS // 10**6} million elements"
    if "more than" in fault:
        remedy = "Delete what is not part of the study, or split it."
    if fault:
        problems.append(Problem(file, fault, remedy))
    return not fault


def _look_through(stream: IO[bytes]) -> tuple[str, int]:
    """What is wrong with a part of a workbook, looked for to its end; how many tags it has.

    A document type could be hidden from a search by an encoding, so XML is to be UTF-8.
    """
    before, tags, first = b"", 0, True
    while block := stream.read(_BLOCK_BYTES):
        if first and (
            block.startswith((b"\xff\xfe", b"\xfe\xff", b"<\0", b"\0<"))
            or not _PLAIN_XML.match(block)
        ):
            return "is not UTF-8 XML", tags
        if b"<!DOCTYPE" in before + block:
            return "declares a document type", tags
        tags += block.count(b"<")
        before, first = block[-len(b"<!DOCTYPE") :], False
    return "", tags


def _rows(sheet: object, problems: list[Problem]) -> Iterator[tuple[int, list[Cell]]]:
    from openpyxl.cell.read_only import EMPTY_CELL

    title = str(getattr(sheet, "title", ""))
    sheet.reset_dimensions()  # type: ignore[attr-defined]  # the stated size may be wrong
    rows = sheet.iter_rows(max_row=MAX_ROWS + 2)  # type: ignore[attr-defined]
    blank = 0
    for number, cells in enumerate(rows, start=1):
        far = [cell for cell in cells[MAX_SHEET_COLUMNS:] if cell is not EMPTY_CELL]
        beyond = next((cell for cell in far if str(cell.value or "").strip()), None)
        blank += max(0, len(cells) - MAX_SHEET_COLUMNS)
        if beyond is not None or blank > MAX_FAR_CELLS:
            problems.append(_too_wide(title, (beyond or far[-1]).coordinate))
            return
        read = [
            cell_of(cell.value, str(getattr(cell, "number_format", "General")))
            for cell in cells[:MAX_SHEET_COLUMNS]
        ]
        while read and not str(read[-1]).strip():
            read.pop()
        if read:
            yield number, read


def _too_wide(sheet: str, where: str) -> Problem:
    fault = f"the sheet has more than {MAX_SHEET_COLUMNS} columns"
    return Problem(f"{sheet}, cell {where}", fault, "Delete what is not part of the study.")


def cell_of(value: object, shown: str = "General") -> Cell:
    """What a cell holds, as text or a number with the decimals that its format shows."""
    if value is None:
        return ""
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return value
    if isinstance(value, Real):
        return _decimal(float(value), shown)
    if isinstance(value, date | time | timedelta):
        day = value.date() if isinstance(value, datetime) and value.time() == time() else value
        return Dated(day)
    return str(value)[: MAX_CELL_CHARACTERS + 1]


def _open_document(content: bytes, problems: list[Problem]) -> dict[str, Sheet]:
    """Sheets of an ODS workbook."""
    from python_calamine import CalamineError, CalamineWorkbook

    with zipfile.ZipFile(io.BytesIO(content)) as archive, archive.open("content.xml") as part:
        sizes = list(_sizes(part))
    for name, height, width in sizes:  # few elements may stand for very many cells
        if height > MAX_ROWS + 1 or width > MAX_SHEET_COLUMNS or height * width > MAX_TAGS:
            fault = f"the sheet has {height} rows and {width} columns"
            problems.append(Problem(name, fault, "Delete what is not part of the study."))
            return {}
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        return {name: list(_filled_rows(book.get_sheet_by_name(name))) for name in book.sheet_names}
    except CalamineError as cause:
        raise ValueError(str(cause)) from cause


def _filled_rows(sheet: CalamineSheet) -> Iterator[tuple[int, list[Cell]]]:
    values = sheet.to_python(skip_empty_area=False) if sheet.end else []
    for number, row in enumerate(values, start=1):
        read = [cell_of(value) for value in row]
        while read and not str(read[-1]).strip():
            read.pop()
        if read:
            yield number, read


def _sizes(part: IO[bytes]) -> Iterator[tuple[str, int, int]]:
    """Name of each sheet of an ODS workbook, and rows and columns to the last filled cell."""
    name, rows, height, width, across, filled = "", 0, 0, 0, 0, 0
    for event, element in ElementTree.iterparse(part, ("start", "end")):  # noqa: S314  no DOCTYPE
        kind = element.tag.rpartition("}")[2]
        told = {key.rpartition("}")[2]: value for key, value in element.attrib.items()}
        if event == "start":
            if kind == "table":
                name, rows, height, width = told.get("name", ""), 0, 0, 0
        elif kind in ("table-cell", "covered-table-cell"):
            across += int(told.get("number-columns-repeated", 1))
            filled = across if len(element) else filled
        elif kind == "table-row":
            rows += int(told.get("number-rows-repeated", 1))
            height, width = (rows, max(width, filled)) if filled else (height, width)
            across = filled = 0
            element.clear()
        elif kind == "table":
            yield name, height, width


def _decimal(value: float, number_format: str) -> Cell:
    """Turn a number into a decimal with the decimals the cell shows, if that changes nothing."""
    if value.is_integer() and abs(value) < 1e15:
        exact = Decimal(int(value))
    else:
        exact = Decimal(repr(value))
    shown = number_format.partition(";")[0].partition(".")[2]
    zeros = len(shown) - len(shown.lstrip("0"))
    if 0 < zeros <= 7 and exact.is_finite() and abs(value) < 1e15:
        padded = exact.quantize(Decimal(1).scaleb(-zeros))
        if padded == exact:
            return padded
    return exact


def read_settings_sheet(sheet: Sheet, name: str, problems: list[Problem]) -> dict[str, object]:
    """Settings from a sheet with the columns key and value.

    Keys of tables are joined by dots as in TOML (`balances.fine.resolution_g`); rows without a
    value are left out; a list is written in square brackets as in TOML.
    """
    settings: dict[str, object] = {}
    for number, cells in sheet:
        key = str(cells[0]).strip()
        value = cells[1] if len(cells) > 1 else ""
        if not str(value).strip() or (key, str(value).strip()) == ("key", "value"):
            continue
        path = _key_path(key)
        level = settings
        for part in path[:-1]:
            inner = level.setdefault(part, {})
            level = inner if isinstance(inner, dict) else {path[-1]: inner}
        if path and path[-1] not in level:
            level[path[-1]] = _setting(path[-1], value)
        else:
            fault = "this is not a key, or it is there twice"
            remedy = "Write one key a row, parts of it joined by dots."
            problems.append(Problem(name, fault, remedy, number, "key", key[:40]))
    return settings


def _key_path(key: str) -> list[str]:
    """Parts of a key of TOML; none where it is not one."""
    level: object = None
    if not any(sign in _QUOTED_KEY.sub("", key) for sign in "\n=#"):
        try:
            level = tomllib.loads(f"{key} = 0")
        except (tomllib.TOMLDecodeError, RecursionError):
            level = None
    path: list[str] = []
    while isinstance(level, dict) and level:
        ((part, level),) = level.items()
        path.append(part)
    return path


def _setting(key: str, value: Cell) -> object:
    if key in _TEXT_SETTINGS:
        return str(value)
    typed = str(value).strip()
    number = to_number(typed)
    if number is not None:
        return float(number)
    if typed in ("true", "false"):
        return typed == "true"
    if typed.startswith("["):
        try:
            return tomllib.loads(f"value = {typed}")["value"]
        except (tomllib.TOMLDecodeError, RecursionError):
            return typed
    return typed
