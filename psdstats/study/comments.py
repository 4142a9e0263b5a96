"""What people attach to cells of a workbook: by the rows and columns they mean, and back.

In a folder or a flat file these comments stand among the settings, as tables `comments`; in a
workbook they are attached to their cells, or listed on the sheet `comments` where there is none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING

from psdstats import columns as col
from psdstats.study.bench_sheet import BENCH, setting_key
from psdstats.study.cells import CellComment, letters
from psdstats.study.forms import Attached, Sheet
from psdstats.study.records import Study
from psdstats.study.runs import AsideRun, Run
from psdstats.study.tables import MAX_CELL_CHARACTERS, Table

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
OF_A_READING = {*col.WEIGHING_COLUMNS, *col.COMPUTED_COLUMNS} - {col.RUN}
"""Columns of a flat table that belong to a reading."""


_TOML_COMMENT = re.compile(
    r""""{3}(?:\\.|[^\\])*?"{3}|'{3}.*?'{3}|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|(#[^\n]*)""", re.DOTALL
)


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
    first, heads = rows[0][0], [str(cell).strip() for cell in rows[0][1]]
    plain = [col.plain_words(head) for head in heads[:2]]
    header = first if plain in (["key", "value"], ["setting", "value"]) else 0
    names = {1: "key", 2: "value"}
    if header:
        names |= {at: head or letters(at) for at, head in enumerate(heads, start=1) if at > 2}
    beside: list[Attached] = []
    for number, cells in rows:
        for place, cell in enumerate(map(str, cells), start=1):
            is_hint = names.get(place, "").lower() == "hint"
            if place > 2 and cell.strip() and number != header and not is_hint:
                beside.append(Attached(title, number, place, cell, ""))
                names.setdefault(place, letters(place))
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
    filled = {title: dict(sheet) for title, sheet in sheets.items()}
    comments: list[CellComment] = []
    for one in found:
        rows, known = filled.get(one.sheet, {}), layouts.get(one.sheet)
        if known is not None:
            place = _in_table(one, known, rows, runs, readings)
        else:
            place = _in_block(one, rows, runs, readings)
        place = place or {"table": one.sheet, "column": f"{letters(one.column)}{one.row}"}
        comments.append(CellComment(**place, text=one.text, author=one.author))
    return tuple(comments)


def _in_table(
    one: Attached, layout: Layout, rows: Rows, runs: Mapping[Spot, str], readings: Readings
) -> dict[str, str]:
    """Table, row, sieve and column of a comment in a table; nothing where they are not known."""
    name, table = layout.columns.get(one.column, ""), layout.table
    if table == "flat":
        table = "weighings" if name in OF_A_READING else "runs"
    place = {"table": table, "column": col.APERTURE if name == col.APERTURE_MM else name}
    if not name or one.row == layout.header:
        return place if name else {}
    run, sieve = readings.get((one.sheet, one.row), ("", ""))
    if table == "weighings":
        return place | {"row": run, "sieve": sieve} if run else {}
    row = runs.get((one.sheet, one.row), run)
    if table in ("sieves", "study"):
        first = min(at for at, column in layout.columns.items() if column in (col.SIEVE, "key"))
        row = setting_key(_cell(rows.get(one.row, []), first).strip())
    return place | {"row": row} if row else {}


def _in_block(
    one: Attached, rows: Rows, runs: Mapping[Spot, str], readings: Readings
) -> dict[str, str]:
    """The same for a comment in a block of a recording sheet."""
    if one.sheet.strip().lower() != BENCH:
        return {}
    run, sieve = readings.get((one.sheet, one.row), ("", ""))
    if run:
        above = (n for n in rows if n < one.row and _column(rows[n], 1) == col.SIEVE)
        heading, place = max(above), {"table": "weighings", "row": run, "sieve": sieve}
    else:
        starts = [row for file, row in runs if file == one.sheet and row <= one.row]
        run = runs[one.sheet, max(starts)] if starts else ""
        heading, place = one.row - 1, {"table": "runs", "row": run}
    name = _column(rows.get(heading, []), one.column)
    return place | {"column": name} if run and name in col.FLAT_COLUMNS else {}


def _cell(cells: Sequence[object], place: int) -> str:
    return str(cells[place - 1]) if len(cells) >= place else ""


def _column(cells: Sequence[object], place: int) -> str:
    return col.column_of(_cell(cells, place), col.FLAT_COLUMNS)


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
