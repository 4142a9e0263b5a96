"""A study as typed: its tables with the row numbers a spreadsheet shows, and reading one cell.

Cells are text, or a decimal number where the source has numbers (workbooks).  Units are in the
names of columns: aperture in µm (or mm, by the column's name), masses in g, times in min.  A flat
table is split here into the run table and the weighing table that the other forms have.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from difflib import get_close_matches
from functools import cached_property
from typing import Any

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.study.cells import CellComment, SourceFile, to_number, unguarded
from psdstats.study.records import Study

Cell = str | Decimal
"""What one cell holds; an empty cell is the empty text."""

MAX_ROWS = 200_000
"""Most rows of one table; this and the other limits are choices of this project (no source)."""
MAX_COLUMNS = 200
"""Most columns of one table."""
MAX_CELL_CHARACTERS = 2_000
"""Longest text in one cell."""
MIN_APERTURE_UM = 1.0
"""Smallest aperture taken as meant in µm; smaller ones are mm in the wrong column."""
MAX_APERTURE_UM = 125_000.0
"""Largest aperture, µm: the upper end of the range of ISO 3310-1."""
MAX_MASS_G = 1_000_000.0
"""Largest mass, g; more is a lost decimal sign."""
MAX_TIME_MIN = 1_000_000.0
"""Longest milling time, min: nearly two years; more is a lost decimal sign."""

_TEXTS = frozenset(
    {col.RUN, col.GROUP, *col.RUN_LABELS, *col.NOTED, col.SIEVE, col.REMARK, *col.SIEVE_TEXTS}
)
_SIZES = ("nominal_um", "certified_um", "effective_um")
_APERTURES = frozenset({col.APERTURE, col.APERTURE_MM, *_SIZES})
_MASSES = frozenset({col.TARE, col.GROSS, col.GROSS_AGAIN, col.SAMPLE_MASS})
_NUMBERS_OF_SIEVES = frozenset(col.SIEVE_COLUMNS[1:]) - {*col.SIEVE_TEXTS}
_POSITIVE = frozenset({*_NUMBERS_OF_SIEVES, col.SAMPLE_MASS, col.SHAKING_TIME})
_LIMITED = frozenset({*_APERTURES, *_MASSES, *_POSITIVE, col.TIME})  # any other number is a factor
_ONLY_WEIGHING = frozenset(col.WEIGHING_COLUMNS) - {col.RUN}
_MOST_NAMES = 20  # listed in a message
_NEARLY = 0.75  # likeness from which a name is taken for a known one mistyped
_NO_NUMBER = frozenset({"nan", "na", "n/a", "-", "--", "none", "inf"})
_SUMS = frozenset({"total", "totals", "sum", "subtotal", "summe", "gesamt", "somme", "suma", "σ"})
_GROUPED = re.compile(r"[0-9]{1,3},[0-9]{3}")  # a decimal comma or a thousands separator
_SUMMED = (col.RUN, col.SIEVE, col.APERTURE, col.APERTURE_MM)
_DATED = (col.WEIGHED_ON, col.WEIGHED_BY, col.RUN_REMARK, col.REMARK)  # a date may stand there
_DATE = re.compile(r"[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}")
_FIGURES = re.compile(r"[0-9.,]+([eE][+-]?[0-9]+)?")


class Dated(str):
    """What a cell holds that is a date or time and no text: a day is as in 2026-05-31."""

    __slots__ = ()


class NamedRow(int):
    """A row that prints as whoever wrote it knows it: by a label, or by its cells."""

    said: str

    def __new__(cls, row: int, said: str) -> NamedRow:
        """Row number and name."""
        made = super().__new__(cls, row)
        made.said = said
        return made

    def __getnewargs__(self) -> tuple[int, str]:  # type: ignore[override]
        return int(self), self.said

    def __str__(self) -> str:
        return self.said

    def __format__(self, spec: str) -> str:
        return format(self.said, spec)


@dataclass
class Origin:
    """A file or sheet that is read, and the list that takes what is wrong with it."""

    file: str
    problems: list[Problem] = field(default_factory=list)

    def refuse(
        self,
        fault: str,
        remedy: str,
        row: int | None = None,
        column: str | None = None,
        value: str | None = None,
    ) -> None:
        """Note what is wrong, and what to do about it."""
        self.problems.append(Problem(self.file, fault, remedy, row, column, value))

    def part(self, file: str) -> Origin:
        """Another file or sheet, with the same list."""
        return Origin(file, self.problems)


@dataclass(frozen=True)
class Row:
    """One row that is not empty: its number (the first row of the file is 1) and its cells.

    Where the cells of a run stand in several rows, `rows` says in which those stand that are not
    in the row of that number.
    """

    number: int
    cells: dict[str, Cell]
    rows: Mapping[str, int] = field(default_factory=dict)

    def at(self, column: str) -> int:
        """Row in which the cell of a column stands."""
        return self.rows.get(column, self.number)

    def text(self, column: str) -> str:
        """Text of a cell, without blanks around it; empty where there is no such column."""
        return unguarded(str(self.cells.get(column, "")))


@dataclass(kw_only=True)
class Table(Origin):
    """A header and its rows; reading a cell notes in `problems` what is wrong with it.

    `decimal_comma` says whether numbers in text cells may have one (not so in comma-separated
    files), `signs_told` that mixed signs are noted already.
    """

    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool = True
    header_row: int | None = 1
    signs_told: bool = False

    @property
    def aperture(self) -> str:
        """The column that holds the apertures, in µm or in mm."""
        return col.APERTURE_MM if col.APERTURE_MM in self.columns else col.APERTURE

    @cached_property
    def _numeric(self) -> frozenset[str]:
        """Columns that hold true numbers, as those of a workbook do."""
        return frozenset(n for row in self.rows for n, c in row.cells.items() if type(c) is Decimal)

    def refuse(
        self,
        fault: str,
        remedy: str,
        row: Row | int | None = None,
        column: str | None = None,
        value: str | None = None,
    ) -> None:
        """Note what is wrong, perhaps with a cell of a row; of a sum of others only that, once."""
        if not isinstance(row, Row):
            super().refuse(fault, remedy, row, column, value)
            return
        name = column or ""
        sums = [one for one in _SUMMED if row.text(one).lower().strip(" :.") in _SUMS]
        if sums:
            fault, remedy = "the row is a sum and no weighing", "Delete the row: sums are computed."
            name = sums[0]
        shown = row.text(name)[:40] or None
        found = Problem(self.file, fault, remedy, row.at(name), name, shown)
        if not sums or found not in self.problems:
            self.problems.append(found)

    def read(self, row: Row, columns: Mapping[str, ReadCell]) -> dict[str, Any] | None:
        """Cells of a row, each as its column is read; None where one of them cannot be."""
        before = len(self.problems)
        cells = {column: read(row, column) for column, read in columns.items()}
        return cells if len(self.problems) == before else None

    def named_rows(
        self, key: str, columns: Mapping[str, ReadCell]
    ) -> Iterator[tuple[str, Row, dict[str, Any]]]:
        """Rows that can be read, by the name that each has alone, and their cells."""
        first: dict[str, int] = {}
        for row in self.rows:
            before = len(self.problems)
            name, cells = self.name(row, key), self.read(row, columns)
            if name in first:
                fault = f"{key} {name} is also in row {first[name]}"
                remedy = f"Keep one row for each {key}."
                remedy = "Give every run a name of its own." if key == col.RUN else remedy
                self.refuse(fault, remedy, row.number, key)
            if name and cells is not None and len(self.problems) == before:
                first[name] = row.number
                yield name, row, cells

    def name(self, row: Row, column: str, remedy: str = "Write a name.") -> str | None:
        """Text that must be there; None, with a problem noted, where it is not."""
        text = row.text(column)
        if not text:
            self.refuse("the cell is empty", remedy, row, column)
        return text or None

    def text(self, row: Row, column: str) -> str | None:
        """Text of a cell, or None."""
        return row.text(column) or None

    def needed(self, row: Row, column: str) -> Decimal | None:
        """Read a number that must be there."""
        if row.text(column):
            return self.number(row, column)
        self.refuse("the cell is empty", _refused_blank(column), row, column)
        return None

    def number(self, row: Row, column: str) -> Decimal | None:
        """Read a number within the limits of its column; None where there is none."""
        text = row.text(column)
        if not text:
            return None
        value = to_number(text)
        refused: tuple[str, str] | None = None
        if value is None:
            refused = "this is not a number", _refused_text(text)
        elif "," in text and not self.decimal_comma and isinstance(row.cells[column], str):
            fault = "a decimal comma in a comma-separated file could also be a thousands separator"
            refused = fault, "Write a decimal point, or separate the columns with semicolons."
        elif column in self._numeric and _GROUPED.fullmatch(text):
            fault = f"among numbers this text could be {value} or {text.replace(',', '')}"
            refused = fault, "Type it again as a number, with the decimal sign of the spreadsheet."
        elif column in _LIMITED:
            refused = _refused_value(column, value)
        if refused is not None:
            self.refuse(*refused, row, column)
        return None if refused else value

    def is_safe(self, *columns: str) -> bool:
        """Whether the table has these columns; notes what is wrong with it as a whole.

        With decimal points and decimal commas mixed, one of them could be a thousands separator:
        no number of the table is safe then, but the rest can still be looked at.
        """
        missing = [name for name in columns if name not in self.columns]
        remedy = "Add it, or rename one of the columns found: "
        remedy += f"{', '.join(self.columns[:_MOST_NAMES])}."
        for name in missing:
            self.refuse("the column is missing", remedy, self.header_row, name)
        if not missing and self.decimal_comma and not self.signs_told:
            self._refuse_mixed_signs()
        return not missing

    def unknown(
        self, known: Collection[str], remedy: str, misplaced: Collection[str] = ()
    ) -> list[str]:
        """Columns that are not known; one is refused that is misplaced or nearly a known one."""
        further = [name for name in self.columns if name not in known]
        for name in further:
            if name in misplaced or get_close_matches(name, known, 1, _NEARLY):
                self.refuse("the column is not known", remedy, self.header_row, name)
        return further

    def _refuse_mixed_signs(self) -> None:
        """Note as a problem that both decimal signs are used."""
        first: dict[str, str] = {}
        for row, name in ((r, n) for r in self.rows for n in self.columns if n not in _TEXTS):
            cell = row.cells.get(name, "")
            for sign in ".,":
                typed = sign not in first and isinstance(cell, str) and sign in cell
                if typed and to_number(str(cell)) is not None:
                    first[sign] = f"{str(cell).strip()!r} in row {row.number}"
        if len(first) == 2:
            fault = f"decimal points and decimal commas are mixed ({first['.']}, {first[',']})"
            self.refuse(fault, "Write all numbers of the table with the same decimal sign.")


ReadCell = Callable[[Row, str], Any]
"""How a cell of a column is read: a method of its `Table`."""


def _refused_blank(column: str) -> str:
    """What to write into an empty cell."""
    if column in _APERTURES:
        return "Write the nominal aperture; the pan has aperture 0."
    return "Write the mass in g." if column in _MASSES else "Write a number."


def _refused_text(text: str) -> str:
    """What to write instead of a text that is no number."""
    if text.lower() in _NO_NUMBER:
        return "Leave the cell empty where nothing was measured, or measure it."
    if to_number("".join(sign for sign in text if sign not in ".,' \u2019\u202f\u00a0")):
        return "Write the number with one decimal sign and no thousands separators."
    if _DATE.fullmatch(text):
        return "A date stands where a number belongs; write the number."
    if _FIGURES.fullmatch(text):
        return "It is too large or too long to be meant; look for a slip of the pen."
    if text[0] in "0123456789":
        return "Write the number alone, its unit is in the column name."
    return "Write a number alone, such as 12.5."


def _refused_value(column: str, value: Decimal) -> tuple[str, str] | None:
    """Fault and remedy of a value outside the limits of its column; None where it is inside."""
    in_mm = column == col.APERTURE_MM
    aperture_um = value * 1000 if in_mm else value
    lost = "Look for a lost decimal sign."
    if value < 0:
        return "the number is negative", "Correct the sign, or measure again."
    if column in _POSITIVE and value == 0:
        return "the number is zero", "Write a number above zero, or leave the cell empty."
    if column == col.TIME and value > Decimal(MAX_TIME_MIN):
        return f"the time is above {MAX_TIME_MIN:.0f} min", "Write the milling time in min."
    if column in _MASSES and value > Decimal(MAX_MASS_G):
        return f"the mass is above {MAX_MASS_G:.0f} g", lost
    if column in _APERTURES and aperture_um > Decimal(MAX_APERTURE_UM):
        other = "Apertures in µm belong in a column aperture_um."
        return f"the aperture is above {MAX_APERTURE_UM:.0f} µm", other if in_mm else lost
    if column in _APERTURES and 0 < aperture_um < Decimal(MIN_APERTURE_UM):
        other = "Apertures in mm belong in a column aperture_mm."
        other = other if column == col.APERTURE else "Write it in µm, not in mm."
        finer = "Look for a decimal sign too many."
        return f"the aperture is below {MIN_APERTURE_UM:g} µm", finer if in_mm else other
    return None


def make_table(
    source: Origin,
    rows: Iterable[tuple[int | None, Sequence[Cell]]],
    *,
    known: Collection[str],
    decimal_comma: bool = True,
) -> Table | None:
    """Give rows of cells their column names; the first row that is not empty holds them."""
    names = frozenset(known)
    filled = ((number, cells) for number, cells in rows if any(str(c).strip() for c in cells))
    header_row, typed = next(filled, (1, ()))
    if not typed:
        source.refuse("the table is empty", "Write a header and one row.")
        return None
    header = [col.column_of(unguarded(str(cell)), names) for cell in typed]
    if len(header) > MAX_COLUMNS:
        fault = f"the table has more than {MAX_COLUMNS} columns"
        source.refuse(fault, "Leave out what is not needed.", header_row)
        return None
    for name in (n for place, n in enumerate(header) if n and n in header[:place]):
        remedy = "Rename or delete one of them."
        source.refuse("two columns have this name", remedy, header_row, name)
    _look_through(source, header_row, [name[:20] for name in header], header, {*header})
    further = set() if col.TIME in names else {*header} - names  # beside runs they are factors
    free = {*_DATED, *_LIMITED, *col.COMPUTED_COLUMNS, *further}
    body: list[Row] = []
    for number, cells in filled:
        if len(body) >= MAX_ROWS:
            source.refuse(f"the table has more than {MAX_ROWS} rows", "Split the study.")
            break
        _look_through(source, number, header, cells, free)
        named = {name: cell for name, cell in zip(header, cells, strict=False) if name}
        body.append(Row(0 if number is None else number, named))
    return Table(
        source.file,
        source.problems,
        columns=tuple(filter(None, header)),
        rows=tuple(body),
        decimal_comma=decimal_comma,
        header_row=header_row,
    )


def _look_through(
    source: Origin, row: int | None, header: Sequence[str], cells: Sequence[Cell], free: set[str]
) -> None:
    """Refuse texts that are too long, dates (the first of a column), cells under no column name."""
    nameless: list[int] = []
    for index, cell in enumerate(cells):
        name = header[index] if index < len(header) else ""
        if not name and str(cell).strip():
            nameless.append(index)
        elif isinstance(cell, str) and len(cell) > MAX_CELL_CHARACTERS:
            fault = f"the text is longer than {MAX_CELL_CHARACTERS} characters"
            source.refuse(fault, "Shorten it.", row, name)
        elif type(cell) is Dated and name not in free:
            free.add(name)
            remedy = "Write what was meant as text, or as a number, in all cells of the column."
            source.refuse("a cell holds a date or time", remedy, row, name, cell)
    if nameless:
        first = nameless[0]
        fault = f"cell {first + 1} has no column name above it"
        if len(nameless) > 1:
            fault = f"{len(nameless)} cells, from cell {first + 1} on, have no column name above "
            fault += "them"
        remedy = "Name the column in the header, or delete the cell; "
        remedy += "a decimal comma in a comma-separated file also does this."
        source.refuse(fault, remedy, row, None, str(cells[first]).strip()[:40])


@dataclass(kw_only=True)
class RawStudy(Origin):
    """What the files say, as text: settings not yet checked, tables, and what was not read.

    `file` is where the settings stand, `name` the title where none is given; `settings_text` holds
    the settings where they were typed as TOML; a table is None where there is none or it cannot be
    read.
    """

    name: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    settings_text: str = ""
    runs: Table | None = None
    weighings: Table | None = None
    sieves: Table | None = None
    files: list[SourceFile] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    comments: list[CellComment] = field(default_factory=list)
    attached: Callable[[Study], tuple[CellComment, ...]] | None = None

    def split(self, flat: Table | None) -> None:
        """Take run table and weighing table from a flat table, where it has the columns it needs.

        Run-level cells may be written on the first row of a run alone; two different values for
        one run are a problem.  The only row of a run may say nothing of a sieve: it has no
        weighings then.
        """
        if flat is None or not flat.is_safe(col.RUN, col.TIME, flat.aperture, col.TARE, col.GROSS):
            return
        of_weighing = [n for n in flat.columns if n in _ONLY_WEIGHING or n == col.NET]
        of_run = [n for n in flat.columns if n not in (*of_weighing, *col.COMPUTED_COLUMNS)]
        remedy = "Make it the same on every row of the run, or give another run another name."
        runs: dict[str, Row] = {}
        for row in flat.rows:
            run = row.text(col.RUN)
            first = runs.setdefault(run, Row(row.number, {col.RUN: run}))
            for name in of_run:
                text, before = row.text(name), first.text(name)
                if text and not before:
                    first.cells[name] = row.cells[name]
                elif text and text != before and run:
                    fault = f"run {run} has {before!r} further up"
                    flat.refuse(fault, remedy, row.number, name, text)
        listed = tuple(row for run, row in runs.items() if run)
        often = Counter(row.text(col.RUN) for row in flat.rows)
        weighed = tuple(
            row
            for row in flat.rows
            if often[row.text(col.RUN)] > 1 or any(map(row.text, of_weighing))
        )
        columns = (col.RUN, *of_weighing)
        self.runs = replace(flat, columns=tuple(of_run), rows=listed, signs_told=True)
        self.weighings = replace(flat, columns=columns, rows=weighed, signs_told=True)
