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
import hashlib
import io
import re
import struct
import tomllib
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from itertools import takewhile
from numbers import Real
from pathlib import Path
from typing import IO, Any
from xml.etree import ElementTree

import numpy as np

from psdstats.study.cells import SourceFile, to_number
from psdstats.study.tables import (
    MAX_CELL_CHARACTERS,
    MAX_ROWS,
    Cell,
    Dated,
    Origin,
    RawStudy,
    Table,
    make_table,
)  # fmt: skip

# how large an input may be before it is refused, so that no file can exhaust the machine: about a
# thousand times a large trial (no source)
MAX_FILE_BYTES = 50_000_000
"""Largest table or workbook, bytes."""
MAX_SETTINGS_BYTES = 1_000_000
"""Largest study.toml, bytes."""
MAX_UNPACKED_BYTES = 300_000_000
"""Largest sum of the unpacked parts of a workbook, bytes."""
MAX_SHEET_COLUMNS = 1_000
"""Most columns of a sheet with something in them."""
MAX_FAR_CELLS = 5_000_000
"""Most cells beyond those columns, blank as they may be."""
MAX_TAGS = 20_000_000
"""Most elements in the parts of a workbook; a cell takes two to four."""

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


def file_bytes(path: Path, raw: RawStudy, *, within: Path | None = None) -> bytes | None:
    """Content of a file, whose digest is noted; None, with a problem noted, where it has none."""
    limit = MAX_SETTINGS_BYTES if path.name == "study.toml" else MAX_FILE_BYTES
    if not path.is_file():
        fault = "the file is missing"
        remedy = "A study folder holds study.toml, runs.csv and weighings.csv."
    elif within is not None and not path.resolve().is_relative_to(within.resolve()):
        fault, remedy = "the file is a link that leaves the study folder", "Copy the file itself."
    elif path.stat().st_size > limit:
        fault = f"the file is larger than {limit // 10**6} MB"
        remedy = "Split the study, or delete what is not part of it."
    else:
        try:
            content = path.read_bytes()
        except OSError as cause:
            fault = f"the file cannot be opened ({cause.strerror})"
            remedy = "Make it readable."
        else:
            raw.files.append(SourceFile(path.name, hashlib.sha256(content).hexdigest()))
            return content
    raw.part(path.name).refuse(fault, remedy)
    return None


def file_text(
    path: Path, raw: RawStudy, *, encoding: str | None = None, within: Path | None = None
) -> str | None:
    """Text of a file; None, with a problem noted, where it has none."""
    content = file_bytes(path, raw, within=within)
    return None if content is None else _decoded(content, raw.part(path.name), encoding)


def _decoded(content: bytes, source: Origin, encoding: str | None) -> str | None:
    """Turn bytes into text; None, with a problem noted, where they are not text."""
    row, value, fault, decoded = None, None, "", ""
    remedy = "Save the file as UTF-8"
    remedy += (
        "." if source.file.endswith(".toml") else ', or give its encoding, for example "cp1252".'
    )
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
        source.refuse(fault, remedy, row, None, value)
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


def read_csv_sheet(text: str, source: Origin) -> tuple[Sheet, bool]:
    """Rows of a CSV file that need not begin with a header; whether a comma separates its cells."""
    lines = io.StringIO(text, newline="").readlines()
    filled = [line for line in _QUOTED.sub("", "".join(lines)).splitlines() if line.strip()]
    usual = (mark for mark in ";\t" if sum(mark in line for line in filled) * 2 > len(filled))
    separator = next(usual, ",")
    return _csv_rows(lines, separator, source), separator == ","


def read_csv_table(
    text: str, source: Origin, *, known: Collection[str], skip: int = 0
) -> Table | None:
    """Read the text of a table."""
    lines = io.StringIO(text, newline="").readlines()[skip:]
    start = _QUOTED.sub("", "".join(lines[:_HEADER_LINES])).splitlines()
    header = next((line for line in start if line.strip()), "")
    separator = next((mark for mark in ";\t" if mark in header), ",")
    rows = _csv_rows(lines, separator, source, skip)
    return make_table(source, rows, known=known, decimal_comma=separator != ",")


def _csv_rows(lines: list[str], separator: str, source: Origin, skip: int = 0) -> Sheet:
    """Cells of each line, up to one that is no CSV."""
    rows: Sheet = []
    try:
        for number, row in enumerate(csv.reader(lines, delimiter=separator, strict=True), skip + 1):
            rows.append((number, list(row)))
    except csv.Error as cause:
        fault = f"the row is not well-formed CSV: {cause}"
        remedy = "Look for a quotation mark that is not closed or not doubled."
        source.refuse(fault, remedy, skip + len(rows) + 1)
    return rows


_UNREADABLE = (
    ArithmeticError, AssertionError, AttributeError, EOFError, LookupError, OSError, RecursionError,
    TypeError, ValueError, struct.error, zipfile.BadZipFile, zlib.error,
    NotImplementedError,  # a packing method that zipfile does not know
    RuntimeError,  # an encrypted part
    SyntaxError,  # what both XML parsers openpyxl may use call text that is no XML
)  # fmt: skip
"""What zipfile, the XML parser and openpyxl raise on bytes that are no workbook."""
_TEXT_SETTINGS = (
    "title", "material", "author", "date", "standard", "certificate", "reference",
    "accuracy_class", "by",
)  # fmt: skip
"""Settings that are text even where they look otherwise."""


def read_sheets(content: bytes, source: Origin) -> dict[str, Sheet]:
    """Read every sheet of a workbook; nothing, with a problem noted, where it is not one.

    Numbers keep the decimals that XLSX shows.
    """
    from openpyxl.reader.excel import ExcelReader
    from openpyxl.utils.exceptions import InvalidFileException

    kind = "ODS" if source.file.lower().endswith(".ods") else "XLSX"
    try:
        if not _is_harmless(content, source):
            return {}
        if kind == "ODS":
            return _open_document(content, source)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # openpyxl warns of features it does not read
            reader = ExcelReader(
                io.BytesIO(content), read_only=True, data_only=True, keep_links=False
            )
            reader.read_chartsheet = lambda *_: None  # no table, and perhaps no kind it knows
            reader.read()
            sheets = [sheet for sheet in reader.wb.worksheets if hasattr(sheet, "iter_rows")]
            return {sheet.title: _filled(_rows(sheet, source)) for sheet in sheets}
    except (*_UNREADABLE, InvalidFileException) as cause:
        fault = f"the workbook is damaged or not an {kind} file ({type(cause).__name__})"
        source.refuse(fault, f"Open it in a spreadsheet program and save it again as {kind}.")
        return {}


def _is_harmless(content: bytes, source: Origin) -> bool:
    """Refuse parts that unpack to more than the limits and XML that declares entities."""
    fault, remedy, tags = "", "Delete what is not part of the study, or split it.", 0
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = archive.infolist()
        if sum(part.file_size for part in parts) > MAX_UNPACKED_BYTES:
            fault = f"the workbook unpacks to more than {MAX_UNPACKED_BYTES // 10**6} MB"
            parts = []
        for part in parts:
            with archive.open(part) as stream:
                wrong, found = _look_through(stream)
            tags += found
            if wrong:
                fault = f"the part {part.filename[:80]} {wrong}"
                remedy = "Save the workbook again with a spreadsheet program."
                break
        if tags > MAX_TAGS:
            fault = f"the workbook has more than {MAX_TAGS // 10**6} million elements"
            remedy = "Delete what is not part of the study, or split it."
    if fault:
        source.refuse(fault, remedy)
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


def _rows(sheet: Any, source: Origin) -> Iterator[list[Cell]]:
    """Rows of a sheet of an XLSX workbook, as far as it is not too wide."""
    from openpyxl.cell.read_only import EMPTY_CELL

    sheet.reset_dimensions()  # the stated size may be wrong
    blank = 0
    for cells in sheet.iter_rows(max_row=MAX_ROWS + 2):
        far = [cell for cell in cells[MAX_SHEET_COLUMNS:] if cell is not EMPTY_CELL]
        beyond = next((cell for cell in far if str(cell.value or "").strip()), None)
        blank += max(0, len(cells) - MAX_SHEET_COLUMNS)
        if beyond is not None or blank > MAX_FAR_CELLS:
            place = source.part(f"{sheet.title}, cell {(beyond or far[-1]).coordinate}")
            fault = f"the sheet has more than {MAX_SHEET_COLUMNS} columns"
            place.refuse(fault, "Delete what is not part of the study.")
            return
        yield [
            cell_of(cell.value, str(getattr(cell, "number_format", "General")))
            for cell in cells[:MAX_SHEET_COLUMNS]
        ]


def _filled(rows: Iterable[list[Cell]]) -> Sheet:
    """The rows that hold something, each to its last filled cell."""
    sheet: Sheet = []
    for number, row in enumerate(rows, start=1):
        while row and not str(row[-1]).strip():
            row.pop()
        if row:
            sheet.append((number, row))
    return sheet


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


def _open_document(content: bytes, source: Origin) -> dict[str, Sheet]:
    """Sheets of an ODS workbook."""
    from python_calamine import CalamineError, CalamineWorkbook

    height, width = Counter[str](), Counter[str]()
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        for cell in _open_document_cells(archive):
            height[cell.sheet] = max(height[cell.sheet], cell.last_row)
            width[cell.sheet] = max(width[cell.sheet], cell.last_column)
    for name, rows in height.items():  # few elements may stand for very many cells
        columns = width[name]
        if rows > MAX_ROWS + 1 or columns > MAX_SHEET_COLUMNS or rows * columns > MAX_TAGS:
            fault = f"the sheet has {rows} rows and {columns} columns"
            source.part(name).refuse(fault, "Delete what is not part of the study.")
            return {}
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        sheets = [book.get_sheet_by_name(name) for name in book.sheet_names]
        values = [sheet.to_python(skip_empty_area=False) if sheet.end else [] for sheet in sheets]
    except CalamineError as cause:
        raise ValueError(str(cause)) from cause
    return {
        name: _filled([cell_of(value) for value in row] for row in rows)
        for name, rows in zip(book.sheet_names, values, strict=True)
    }


@dataclass(frozen=True)
class _OpenDocumentCell:
    """A cell of an ODS workbook that holds something, and the last one for which it stands."""

    sheet: str
    row: int
    column: int
    last_row: int
    last_column: int
    element: ElementTree.Element


def _open_document_cells(archive: zipfile.ZipFile) -> Iterator[_OpenDocumentCell]:
    sheet, row, rows, column = "", 1, 0, 1
    with archive.open("content.xml") as part:
        for event, element in ElementTree.iterparse(part, ("start", "end")):  # noqa: S314  no DOCTYPE
            kind = _local(element.tag)
            given = {_local(key): value for key, value in element.attrib.items()}
            if event == "start":
                if kind == "table":
                    sheet, row, rows = given.get("name", ""), 1, 0
                elif kind == "table-row":
                    row, rows, column = row + rows, int(given.get("number-rows-repeated", 1)), 1
            elif kind in ("table-cell", "covered-table-cell"):
                after = column + int(given.get("number-columns-repeated", 1))
                if len(element):
                    last = row + rows - 1, after - 1
                    yield _OpenDocumentCell(sheet, row, column, *last, element)
                column = after
            elif kind == "table-row":
                element.clear()


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


@dataclass(frozen=True)
class Attached:
    """One comment as a workbook has it; rows and columns count from 1."""

    sheet: str
    row: int
    column: int
    text: str
    author: str


def read_comments(content: bytes, source: Origin) -> list[Attached]:
    """All comments of a workbook, XLSX or ODS, that say something."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            is_open = source.file.lower().endswith(".ods")
            read = _of_open_document if is_open else _of_workbook
            return [one for one in read(archive) if one.text.strip()]
    except _UNREADABLE as cause:
        fault = f"the comments of the workbook cannot be read ({type(cause).__name__})"
        remedy = "Save it again with a spreadsheet program, or delete its comments."
        source.refuse(fault, remedy)
        return []


def _of_workbook(archive: zipfile.ZipFile) -> Iterator[Attached]:
    from openpyxl.comments.comment_sheet import CommentSheet
    from openpyxl.packaging.relationship import get_dependents, get_rels_path
    from openpyxl.reader.excel import ExcelReader
    from openpyxl.utils.cell import coordinate_to_tuple
    from openpyxl.xml.constants import COMMENTS_NS
    from openpyxl.xml.functions import fromstring

    reader = ExcelReader(archive.fp, read_only=True, keep_links=False)
    reader.read_manifest()
    reader.read_workbook()
    for sheet, relation in reader.parser.find_sheets():
        path = get_rels_path(relation.target)
        beside = get_dependents(archive, path) if path in archive.namelist() else None
        for part in beside.find(COMMENTS_NS) if beside else ():
            listed = CommentSheet.from_tree(fromstring(archive.read(part.target)))
            for cell, comment in listed.comments:
                author = "" if comment.author == "None" else comment.author  # openpyxl for none
                row, column = coordinate_to_tuple(cell)
                yield Attached(sheet.name, row, column, comment.text, author)


def _of_open_document(archive: zipfile.ZipFile) -> Iterator[Attached]:
    for cell in _open_document_cells(archive):
        for note in (one for one in cell.element if _local(one.tag) == "annotation"):
            said = [(_local(part.tag), "".join(part.itertext())) for part in note]
            text = "\n".join(words for kind, words in said if kind == "p")
            author = "".join(words for kind, words in said if kind == "creator")
            yield Attached(cell.sheet, cell.row, cell.column, text, author)


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


def read_settings_sheet(sheet: Sheet, source: Origin) -> dict[str, object]:
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
            source.refuse(fault, remedy, number, "key", key[:40])
    return settings


def _key_path(key: str) -> list[str]:
    """Parts of a key of TOML; none where it is not one."""
    path: list[str] = []
    level = {} if any(s in _QUOTED_KEY.sub("", key) for s in "\n=#") else _toml(f"{key} = 0")
    while isinstance(level, dict) and level:
        ((part, level),) = level.items()
        path.append(part)
    return path


def _toml(text: str) -> Any:
    """What a line of TOML says; nothing where it is none."""
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        return {}


def _setting(key: str, value: Cell) -> object:
    """Value of a setting: a number, true or false, a list, or text."""
    typed = str(value).strip()
    number = to_number(typed)
    if key in _TEXT_SETTINGS:
        return str(value)
    if number is not None:
        return float(number)
    if typed in ("true", "false"):
        return typed == "true"
    return _toml(f"value = {typed}").get("value", typed) if typed.startswith("[") else typed
