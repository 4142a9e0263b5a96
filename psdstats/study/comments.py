"""What people attach to cells of a workbook: by the rows and columns they mean, and back.

In a folder or a flat file these comments stand among the settings, as tables `comments`; in a
workbook they are attached to their cells, or listed on the sheet `comments` where there is none.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.study.bench_sheet import BENCH, setting_key
from psdstats.study.cells import MAX_CELL_CHARACTERS, CellComment, letters
from psdstats.study.forms import UNREADABLE, Sheet
from psdstats.study.records import Study
from psdstats.study.runs import AsideRun, Run
from psdstats.study.tables import (
    APERTURE_MM,
    COMPUTED_COLUMNS,
    FLAT_COLUMNS,
    WEIGHING_COLUMNS,
    Table,
    column_of,
    plain_words,
)

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell

Spot = tuple[str, int]
"""Sheet and row."""
Readings = Mapping[Spot, tuple[str, str]]
"""Run and sieve of the readings by where they stand."""
Rows = Mapping[int, Sequence[object]]
"""Cells of a sheet by the row."""
LIST_SHEET = "comments"
"""Sheet of the comments that have no cell."""
LIST_COLUMNS = [one.name for one in fields(CellComment) if one.name != "text"] + ["text"]
"""Its columns."""
TYPED_SHEET = "study.toml"
"""Sheet of the settings as they were typed, for their comments and their order."""
OF_A_READING = {*WEIGHING_COLUMNS, *COMPUTED_COLUMNS} - {col.RUN}
"""Columns of a flat table that belong to a reading."""


_TOML_COMMENT = re.compile(
    r""""{3}(?:\\.|[^\\])*?"{3}|'{3}.*?'{3}|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|(#[^\n]*)""", re.DOTALL
)


@dataclass(frozen=True)
class Attached:
    """One comment as a workbook has it; rows and columns count from 1."""

    sheet: str
    row: int
    column: int
    text: str
    author: str


@dataclass(frozen=True)
class Layout:
    """What a sheet holds: which table, its heading row, its columns by their place."""

    table: str
    header: int
    columns: Mapping[int, str]


def layout(table: Table, kind: str, rows: Sheet) -> Layout:
    """Where the columns of a table stand on its sheet."""
    header = next(cells for number, cells in rows if number == table.header_row)
    named = (place for place, cell in enumerate(header, start=1) if str(cell).strip())
    return Layout(kind, table.header_row or 0, dict(zip(named, table.columns, strict=True)))


def settings_layout(rows: Sheet, title: str) -> tuple[Layout, list[Attached]]:
    """Where the settings stand on their sheet, and what stands beside them that is no hint."""
    heads = [plain_words(str(cell)) for cell in rows[0][1]]
    header = rows[0][0] if heads[:2] in (["key", "value"], ["setting", "value"]) else 0
    names = dict(enumerate(("key", "value"), start=1))
    names |= (
        {
            place: str(cell).strip() or letters(place)
            for place, cell in enumerate(rows[0][1], start=1)
            if place > len(names)
        }
        if header
        else {}
    )
    beside = [
        Attached(title, number, place, str(cell), "")
        for number, cells in rows
        for place, cell in enumerate(cells, start=1)
        if place > 2
        and str(cell).strip()
        and number != header
        and names.get(place, "").lower() != "hint"
    ]
    for one in beside:
        names.setdefault(one.column, letters(one.column))
    return Layout("study", header, names), beside


def comments_in(toml: str) -> list[str]:
    """Comments of a text in TOML, in their order."""
    return [found[1] for found in _TOML_COMMENT.finditer(toml) if found[1] is not None]


def typed_rows(text: str) -> list[list[str | float | None]]:
    """The settings as they were typed, as rows of a sheet; long lines over several cells."""
    size = MAX_CELL_CHARACTERS
    return [
        [line[start : start + size] for start in range(0, len(line), size)]
        for line in text.removesuffix("\n").split("\n")
    ]


def differing(typed: Mapping[str, object], settings: Mapping[str, object]) -> list[str]:
    """Keys at the top of which two settings say different things; nothing is as good as empty."""
    both = dict.fromkeys((*typed, *settings))
    return [name for name in both if _said(typed.get(name)) != _said(settings.get(name))]


def _said(value: object) -> object:
    if isinstance(value, Mapping):
        parts = {name: _said(part) for name, part in value.items()}
        return {name: part for name, part in parts.items() if part is not None} or None
    return None if value in ("", []) else value


def typed_text(rows: Sheet) -> str:
    """The settings as they were typed, from the rows of their sheet."""
    lines = {number: "".join(map(str, cells)) for number, cells in rows}
    return "".join(f"{lines.get(number, '')}\n" for number in range(1, max(lines) + 1))


def read_comments(content: bytes, file: str, problems: list[Problem]) -> list[Attached]:
    """All comments of a workbook, XLSX or ODS, that say something."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            read = _of_open_document if file.lower().endswith(".ods") else _of_workbook
            return [one for one in read(archive) if one.text.strip()]
    except UNREADABLE as cause:
        fault = f"the comments of the workbook cannot be read ({type(cause).__name__})"
        remedy = "Save it again with a spreadsheet program, or delete its comments."
        problems.append(Problem(file, fault, remedy))
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
        parts = (
            get_dependents(archive, path).find(COMMENTS_NS) if path in archive.namelist() else ()
        )
        for part in parts:
            listed = CommentSheet.from_tree(fromstring(archive.read(part.target)))
            for cell, comment in listed.comments:
                row, column = coordinate_to_tuple(cell)
                author = "" if comment.author == "None" else comment.author  # openpyxl for none
                yield Attached(sheet.name, row, column, comment.text, author)


def _of_open_document(archive: zipfile.ZipFile) -> Iterator[Attached]:
    sheet, row, column, told = "", 1, 1, ("", "")
    with archive.open("content.xml") as part:
        for event, element in ElementTree.iterparse(part, ("start", "end")):  # noqa: S314  no DOCTYPE
            kind = element.tag.rpartition("}")[2]
            given = {key.rpartition("}")[2]: value for key, value in element.attrib.items()}
            if event == "start":
                if kind == "table":
                    sheet, row, column = given.get("name", ""), 1, 1
            elif kind == "annotation":
                said = {"p": list[str](), "creator": list[str]()}
                for each in element:
                    own = said.get(each.tag.rpartition("}")[2])
                    if own is not None:
                        own.append("".join(each.itertext()))
                told = "\n".join(said["p"]), "".join(said["creator"])
            elif kind in ("table-cell", "covered-table-cell"):
                if told[0]:
                    yield Attached(sheet, row, column, *told)
                column, told = column + int(given.get("number-columns-repeated", 1)), ("", "")
            elif kind == "table-row":
                row, column = row + int(given.get("number-rows-repeated", 1)), 1
                element.clear()


def meant(
    found: Iterable[Attached],
    layouts: Mapping[str, Layout],
    sheets: Mapping[str, Sheet],
    study: Study,
) -> tuple[CellComment, ...]:
    """What the comments are about, as far as the study has it; else the cell by its letters."""
    every: tuple[Run | AsideRun, ...] = (*study.runs, *study.aside)
    runs = {(run.place.file, run.place.row): run.name for run in every}
    readings = {
        (one.place.file, one.place.row): (run.name, one.sieve)
        for run in every
        for one in run.readings
    }
    rows = {title: dict(sheet) for title, sheet in sheets.items()}
    comments: list[CellComment] = []
    for one in found:
        own, known = rows.get(one.sheet, {}), layouts.get(one.sheet)
        if known is not None:
            place = _in_table(one, known, own, runs, readings)
        else:
            place = _in_block(one, own, runs, readings)
        if not place:
            place = {"table": one.sheet, "column": f"{letters(one.column)}{one.row}"}
        comments.append(CellComment(**place, text=one.text, author=one.author))
    return tuple(comments)


def _in_table(
    one: Attached, layout: Layout, rows: Rows, runs: Mapping[Spot, str], readings: Readings
) -> dict[str, str]:
    """Table, row, sieve and column of a comment in a table; nothing where they are not known."""
    name, at = layout.columns.get(one.column, ""), (one.sheet, one.row)
    table = layout.table
    if table == "flat":
        table = "weighings" if name in OF_A_READING else "runs"
    place = {"table": table, "column": col.APERTURE if name == APERTURE_MM else name}
    if not name or one.row == layout.header:
        return place if name else {}
    run, sieve = readings.get(at, ("", ""))
    if table == "weighings":
        return place | {"row": run, "sieve": sieve} if run else {}
    row = runs.get(at, run)
    if table in ("sieves", "study"):
        first = min(
            place for place, column in layout.columns.items() if column in (col.SIEVE, "key")
        )
        cells = rows.get(one.row, [])
        row = setting_key(str(cells[first - 1]).strip()) if len(cells) >= first else ""
    return place | {"row": row} if row else {}


def _in_block(
    one: Attached, rows: Rows, runs: Mapping[Spot, str], readings: Readings
) -> dict[str, str]:
    """The same for a comment in a block of a recording sheet."""
    if one.sheet.strip().lower() != BENCH:
        return {}
    run, sieve = readings.get((one.sheet, one.row), ("", ""))
    if run:
        heads = (
            n for n in rows if n < one.row and column_of(str(rows[n][0]), FLAT_COLUMNS) == col.SIEVE
        )
        cells = rows[max(heads)]
        place = {"table": "weighings", "row": run, "sieve": sieve}
    else:
        cells = rows.get(one.row - 1, [])
        above = [row for file, row in runs if file == one.sheet and row <= one.row]
        place = {"table": "runs", "row": runs[one.sheet, max(above)] if above else ""}
    typed = str(cells[one.column - 1]) if len(cells) >= one.column else ""
    name = column_of(typed, FLAT_COLUMNS)
    return place | {"column": name} if place["row"] and name in FLAT_COLUMNS else {}


def as_settings(comments: Iterable[CellComment]) -> list[dict[str, str]]:
    """Comments as tables of the settings."""
    return [{name: text for name, text in asdict(one).items() if text} for one in comments]


def listed(rows: Sheet) -> list[CellComment] | None:
    """Comments of the sheet that lists them; None where it is another sheet of that name."""
    (_, header), *body = rows
    if header != LIST_COLUMNS:
        return None
    texts = ([str(cell) for cell in cells] for _, cells in body)
    return [CellComment(**dict(zip(LIST_COLUMNS, cells, strict=False))) for cells in texts]


def attach(book: Workbook, comments: Iterable[CellComment]) -> list[list[str | float | None]]:
    """Attach comments to the cells they are about, and give those back that have no cell."""
    from openpyxl.comments import Comment

    cells: dict[tuple[str, str, str, str], list[Cell]] = {}
    for sheet in book.worksheets:
        names = [str(cell.value) for cell in sheet[1]]
        for number, row in enumerate(sheet.iter_rows(), start=1):
            own = {name: str(cell.value) for name, cell in zip(names, row, strict=True)}
            key, sieve = str(row[0].value), own.get(col.SIEVE, "")
            at = ("", "") if number == 1 else (key, sieve if sheet.title == "weighings" else "")
            for name, cell in zip(names, row, strict=True):
                cells.setdefault((sheet.title, *at, name), []).append(cell)
    rest: list[list[str | float | None]] = []
    for one in comments:
        place = cells.get((one.table, one.row, one.sieve, one.column))
        if place:
            place.pop(0).comment = Comment(one.text, one.author)
        else:
            rest.append([getattr(one, name) for name in LIST_COLUMNS])
    return rest
