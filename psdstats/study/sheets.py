"""What the sheets of a workbook hold beside plain tables: blocks, settings in words, comments.

On the sheet `bench` of a recording workbook each run is a block: names of what is known of the run
with the values in the row below, a few such pairs; then one row a sieve under their headings; then
totals, which the spreadsheet computes and nobody reads.  Cells outside the blocks are refused, not
passed over.

What people attach to cells is kept by the rows and columns they mean.  In a folder or a flat file
these comments stand among the settings, as tables `comments`; in a workbook they are attached to
their cells, or listed on the sheet `comments` where there is none.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from importlib.resources import files
from typing import TYPE_CHECKING

import tomlkit

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.frozen import ReadOnly
from psdstats.study.cells import CellComment, letters
from psdstats.study.forms import Attached, Sheet, read_settings_sheet
from psdstats.study.records import Study
from psdstats.study.runs import AsideRun, Run
from psdstats.study.settings import parse_toml
from psdstats.study.tables import (
    MAX_CELL_CHARACTERS,
    Cell,
    Origin,
    RawStudy,
    Row,
    Table,
    make_table,
)

if TYPE_CHECKING:
    from openpyxl import Workbook as Book
    from openpyxl.cell import Cell as BookCell

BENCH, RUN_LIST = "bench", "run list"
"""Names of the sheet with the blocks, and of the list of runs that repeats what stands there."""
TOTAL, LOSS = "Total", "Loss, g"
"""What the two rows below the sieves of a block begin with."""

ONE_BALANCE = "balance"
"""Name of a balance that needs none."""
_ROWS = (files("psdstats.study") / "sheet_words.csv").read_text(encoding="utf-8").splitlines()
_WORDS = [(row["of"], row["key"], row["words"]) for row in csv.DictReader(_ROWS)]
SETTING_WORDS = ReadOnly({key: words for of, key, words in _WORDS if of == "study"})
"""Settings as the sheet `study` names them."""
BALANCE_WORDS = ReadOnly({key: words for of, key, words in _WORDS if of == "balance"})
"""Settings of a balance, said after its name."""

_KEYS: dict[str, str] = {col.plain_words(said): key for key, said in SETTING_WORDS.items()}
_BALANCE_KEYS = {col.plain_words(said): key for key, said in BALANCE_WORDS.items()}
_KNOWN = frozenset((*col.FLAT_COLUMNS, *col.COMPUTED_COLUMNS))
_OF_BALANCE = re.compile(r"\s*balance(?:\s+(?P<name>.+?))?\s*:\s*(?P<what>[^:]+)", re.IGNORECASE)


def balance_setting(name: str, field: str) -> str:
    """What a setting of a balance is called on the sheet `study`.

    Examples
    --------
    >>> balance_setting("balance", "resolution_g"), balance_setting("fine", "capacity_g")
    ('Balance: resolution, g', 'Balance fine: largest load, g')
    """
    of = "" if name == ONE_BALANCE else f" {name}"
    return f"Balance{of}: {BALANCE_WORDS[field]}"


def setting_key(typed: str) -> str:
    """The key of study.toml that a setting in words stands for; else what was typed.

    Examples
    --------
    >>> setting_key("Size to reach, µm"), setting_key("Balance fine: largest load, g")
    ('compare.target_um', 'balances.fine.capacity_g')
    """
    if key := _KEYS.get(col.plain_words(typed)):
        return key
    found = _OF_BALANCE.fullmatch(typed)
    name = _BALANCE_KEYS.get(col.plain_words(found["what"])) if found else None
    if found is None or name is None:
        return typed
    return f"balances.{tomlkit.key(found['name'] or ONE_BALANCE).as_string()}.{name}"


def _with_keys(sheet: Sheet) -> Sheet:
    """Rows of the sheet `study`, settings in words replaced by the keys they stand for."""
    return [
        (number, [setting_key(str(cells[0])), *cells[1:2]])
        for number, cells in sheet
        if [col.plain_words(str(cell)) for cell in cells[:2]] != ["setting", "value"]
    ]


def _has_blocks(sheet: Sheet) -> bool:
    """Whether a sheet holds blocks of runs, not a table with one row a weighing."""
    heads = (_columns(cells) for _, cells in sheet)
    begun = any(columns[0] == col.RUN and not _names_sieves(columns) for columns in heads)
    return begun and any(_names_sieves(columns) for columns in heads)


def _columns(cells: Iterable[Cell]) -> list[str]:
    """Columns that the cells of a row name, or their texts."""
    return [col.column_of(str(cell), _KNOWN) for cell in cells]


def _names_sieves(columns: list[str]) -> bool:
    """Whether a row holds the headings of the sieves."""
    return {col.TARE, col.GROSS} <= set(columns)


class _Blocks:
    """The two tables that the blocks of a sheet make, while they are read."""

    def __init__(self, sheet: Sheet, source: Origin) -> None:
        self.source, self.rows = source, dict(sheet)
        self.runs: list[Row] = []
        self.weighings: list[Row] = []
        self.of_runs, self.of_weighings = [col.RUN], [col.RUN, col.SIEVE]

    def part(self, start: int, end: int) -> Table | None:
        """A row of headings and the rows below it."""
        rows = [(number, self.rows[number]) for number in range(start, end) if number in self.rows]
        return make_table(self.source, rows, known=_KNOWN)

    def read(self, start: int) -> int:
        """Read the block that starts in a row; the last row that belongs to it."""
        cells: dict[str, Cell] = {}
        places: dict[str, int] = {}
        number = start
        while number in self.rows and not _names_sieves(_columns(self.rows[number])):
            pair = self.part(number, number + 2)
            for column in pair.columns if pair else ():
                own = column if column in _KNOWN else "_".join(column.split())
                self.of_runs.append(own)
                for row in pair.rows if pair else ():
                    if column in row.cells:
                        cells[own], places[own] = row.cells[column], row.number
            number += 2
        self.runs.append(Row(start + 1, cells, places))
        if number not in self.rows:
            remedy = "Restore the rows of the block as they were printed."
            self.source.refuse("the block lists no sieves", remedy, start)
            return number - 1
        end = number + 1
        while end in self.rows and not self._is_total(number, end):
            end += 1
        sieves = self.part(number, end)
        if sieves:
            self.of_weighings += sieves.columns
            run = {col.RUN: cells.get(col.RUN, "")}
            self.weighings += [Row(row.number, {**run, **row.cells}) for row in sieves.rows]
        if end not in self.rows:
            return end - 1
        after = self.rows.get(end + 1, [""])
        return end + (col.plain_words(str(after[0])) == col.plain_words(LOSS))

    def _is_total(self, head: int, number: int) -> bool:
        """Whether a row holds the total of a block: it says so and has no aperture."""
        cells = dict(zip(_columns(self.rows[head]), self.rows[number], strict=False))
        named = col.plain_words(str(self.rows[number][0])) == col.plain_words(TOTAL)
        apertures = (cells.get(name, "") for name in (col.APERTURE, col.APERTURE_MM))
        return named and not any(str(cell).strip() for cell in apertures)

    def table(self, columns: list[str], rows: list[Row]) -> Table:
        """One of the two tables."""
        return Table(
            self.source.file,
            self.source.problems,
            columns=tuple(dict.fromkeys(columns)),
            rows=tuple(rows),
            header_row=rows[0].number - 1 if rows else 1,
        )


def _read_bench(sheet: Sheet, source: Origin) -> tuple[Table, Table]:
    """Run table and weighing table of the blocks, rows as the sheet counts them."""
    found = _Blocks(sheet, source)
    done = 0
    for number, cells in sheet:
        if number <= done:
            continue
        columns = _columns(cells)
        if columns[0] == col.RUN:
            done = found.read(number)
        elif found.runs or not _names_sieves(columns):
            text = next(text for text in map(str, cells) if text.strip()).strip()[:40]
            remedy = "Move what stands here to a remark of a run, or delete it."
            source.refuse("the row belongs to no run", remedy, number, None, text)
    return found.table(found.of_runs, found.runs), found.table(found.of_weighings, found.weighings)


def shown_name(column: str, file: str) -> str:
    """Name of a column as the file has it: in words on the sheet `bench`."""
    known = file.lower() == BENCH and column in (*_KNOWN, *col.SIEVE_COLUMNS)
    return col.heading(column) if known else column


def in_words(problems: list[Problem], book: str = "") -> list[Problem]:
    """The same problems, columns named as the sheet has them, sheets with the workbook's name."""
    return [
        replace(
            one,
            file=f"{book}, sheet {one.file}" if book not in ("", one.file) else one.file,
            column=one.column and shown_name(one.column, one.file),
        )
        for one in problems
    ]


Spot = tuple[str, int]
"""Sheet and row."""
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


def _differing(typed: Mapping[str, object], settings: Mapping[str, object]) -> list[str]:
    """Keys at the top of which two settings say different things; nothing is as good as empty."""
    both = dict.fromkeys((*typed, *settings))
    return [name for name in both if _said(typed.get(name)) != _said(settings.get(name))]


def _said(value: object) -> object:
    if isinstance(value, Mapping):
        parts = {name: _said(part) for name, part in value.items()}
        return {name: part for name, part in parts.items() if part is not None} or None
    return None if value in ("", []) else value


def _typed_text(rows: Sheet) -> str:
    """The settings as they were typed, from the rows of their sheet."""
    lines = {number: "".join(map(str, cells)) for number, cells in rows}
    return "".join(f"{lines.get(number, '')}\n" for number in range(1, max(lines) + 1))


def as_settings(comments: Iterable[CellComment]) -> list[dict[str, str]]:
    """Comments as tables of the settings."""
    return [{name: text for name, text in asdict(one).items() if text} for one in comments]


def attach(book: Book, comments: Iterable[CellComment]) -> list[list[str | float | None]]:
    """Attach comments to the cells they are about, and give those back that have no cell."""
    from openpyxl.comments import Comment

    cells: dict[tuple[str, str, str, str], list[BookCell]] = {}
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


def _cell(cells: Sequence[object], place: int) -> str:
    return str(cells[place - 1]) if len(cells) >= place else ""


def _column(cells: Sequence[object], place: int) -> str:
    return col.column_of(_cell(cells, place), col.FLAT_COLUMNS)


class Workbook:
    """Sheets of a workbook while they are read, and what is known of where their cells stand."""

    def __init__(
        self, sheets: Mapping[str, Sheet], attached: list[Attached], source: Origin, raw: RawStudy
    ) -> None:
        self.sheets, self.attached, self.source, self.raw = sheets, attached, source, raw
        self.named = {title.strip().lower(): title for title in sheets}
        self.layouts: dict[str, Layout] = {}
        self.runs: dict[Spot, str] = {}
        self.readings: dict[Spot, tuple[str, str]] = {}

    def read(self) -> None:
        """Settings, sieves, runs and weighings; then what is attached to their cells."""
        raw = self.raw
        if "study" in self.named:
            self._settings(self.named["study"])
        if "sieves" in self.named:
            raw.sieves = self._table("sieves")
        others = [key for key in self.named if key not in ("study", "sieves", "guide")]
        self._tables({key: self.named[key] for key in others if not self._of_comments(key)})
        if raw.unread:
            raw.notes.append(f"Sheets of {self.source.file} not read: {', '.join(raw.unread)}.")
        raw.attached = self._meant

    def _tables(self, others: Mapping[str, str]) -> None:
        """Runs and weighings of a workbook: its blocks, its two tables, or one flat table."""
        raw, pair = self.raw, ("runs", "weighings")
        if BENCH in others and _has_blocks(self.sheets[others[BENCH]]):
            bench = raw.part(others[BENCH])
            raw.runs, raw.weighings = _read_bench(self.sheets[bench.file], bench)
            raw.unread += [title for key, title in others.items() if key not in (BENCH, RUN_LIST)]
            if twice := [others[key] for key in others if key in pair]:
                fault = f"the workbook has this sheet of runs and also {', '.join(twice)}"
                bench.refuse(fault, "Keep one of the two: rename the other, or delete it.")
        elif {*pair} <= {*others}:
            raw.runs = self._table("runs")
            raw.weighings = self._table("weighings")
            raw.unread += [title for key, title in others.items() if key not in pair]
        elif len(others) == 1:
            (key,) = others
            raw.split(self._table(key, "flat"))
            for bare in {*pair} - {key} if raw.weighings is None and key in pair else ():
                remedy = f"Write it, or all columns of runs and weighings on {others[key]}."
                self.source.refuse(f"the workbook has no sheet {bare}, or an empty one", remedy)
        else:
            fault = f"the workbook has the sheets {', '.join(self.sheets)}"
            remedy = "Name the tables runs and weighings, or keep one sheet with a flat table."
            self.source.refuse(fault, remedy)

    def _table(self, key: str, kind: str = "") -> Table | None:
        """The table of a sheet."""
        title, kind = self.named[key], kind or key
        rows = self.sheets[title]
        table = make_table(self.raw.part(title), rows, known=col.TABLES[kind])
        if table is not None:
            header = next(cells for number, cells in rows if number == table.header_row)
            named = (place for place, cell in enumerate(header, start=1) if str(cell).strip())
            columns = dict(zip(named, table.columns, strict=True))
            self.layouts[title] = Layout(kind, table.header_row or 0, columns)
        return table

    def _settings(self, title: str) -> None:
        """The settings, in keys or in words; what stands beside them counts as a comment."""
        rows = self.sheets[title]
        self.raw.file = title
        self.raw.settings = read_settings_sheet(_with_keys(rows), self.raw)
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
        self.attached[:0] = beside
        self.layouts[title] = Layout("study", header, names)

    def _of_comments(self, key: str) -> bool:
        """Whether a sheet holds comments, of cells or of settings; takes them if it does."""
        title, raw = self.named[key], self.raw
        rows = self.sheets[title]
        if key == TYPED_SHEET:
            raw.settings_text = _typed_text(rows)
            typed = parse_toml(raw.settings_text, raw.part(title))
            differ = _differing(typed, raw.settings) if raw.settings else []
            if differ:
                raw.notes.append(f"{title}: {', '.join(differ)} differ, {raw.file} counts.")
            raw.settings = raw.settings or typed
            return True
        (_, header), *body = rows
        if key != LIST_SHEET or header != LIST_COLUMNS:
            return False
        for _, cells in body:
            own = dict(zip(LIST_COLUMNS, map(str, cells), strict=False))
            raw.comments.append(CellComment(**own))
        return True

    def _meant(self, study: Study) -> tuple[CellComment, ...]:
        """What the comments are about, as far as the study has it; else the cell by its letters."""
        every: tuple[Run | AsideRun, ...] = (*study.runs, *study.aside)
        for run in every:
            self.runs[run.place.file, run.place.row] = run.name
            for reading in run.readings:
                place = reading.place
                self.readings[place.file, place.row] = run.name, reading.sieve
        filled = {title: dict(sheet) for title, sheet in self.sheets.items()}
        comments: list[CellComment] = []
        for one in self.attached:
            rows, layout = filled.get(one.sheet, {}), self.layouts.get(one.sheet)
            where = self._in_table(one, layout, rows) if layout else self._in_block(one, rows)
            where = where or {"table": one.sheet, "column": f"{letters(one.column)}{one.row}"}
            comments.append(CellComment(**where, text=one.text, author=one.author))
        return tuple(comments)

    def _in_table(self, one: Attached, layout: Layout, rows: Rows) -> dict[str, str]:
        """Table, row, sieve and column of a comment in a table; nothing where not known."""
        name, table = layout.columns.get(one.column, ""), layout.table
        if table == "flat":
            table = "weighings" if name in OF_A_READING else "runs"
        place = {"table": table, "column": col.APERTURE if name == col.APERTURE_MM else name}
        if not name or one.row == layout.header:
            return place if name else {}
        run, sieve = self.readings.get((one.sheet, one.row), ("", ""))
        if table == "weighings":
            return place | {"row": run, "sieve": sieve} if run else {}
        row = self.runs.get((one.sheet, one.row), run)
        if table in ("sieves", "study"):
            first = min(at for at, column in layout.columns.items() if column in (col.SIEVE, "key"))
            row = setting_key(_cell(rows.get(one.row, []), first).strip())
        return place | {"row": row} if row else {}

    def _in_block(self, one: Attached, rows: Rows) -> dict[str, str]:
        """The same for a comment in a block of a recording sheet."""
        if one.sheet.strip().lower() != BENCH:
            return {}
        run, sieve = self.readings.get((one.sheet, one.row), ("", ""))
        if run:
            above = (n for n in rows if n < one.row and _column(rows[n], 1) == col.SIEVE)
            heading, place = max(above), {"table": "weighings", "row": run, "sieve": sieve}
        else:
            starts = [row for file, row in self.runs if file == one.sheet and row <= one.row]
            run = self.runs[one.sheet, max(starts)] if starts else ""
            heading, place = one.row - 1, {"table": "runs", "row": run}
        name = _column(rows.get(heading, []), one.column)
        return place | {"column": name} if run and name in col.FLAT_COLUMNS else {}
