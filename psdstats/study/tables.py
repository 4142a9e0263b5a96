"""A study as typed: its tables with the row numbers a spreadsheet shows, and reading one cell.

Cells are text, or a decimal number where the source has numbers (workbooks).  Units are in the
names of columns: aperture in µm (or mm, by the column's name), masses in g, times in min.  A flat
table is split here into the run table and the weighing table that the other forms have.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import cache, cached_property

from psdstats.columns import (
    APERTURE,
    BALANCE,
    CHARGE,
    GROSS,
    GROSS_AGAIN,
    GROUP,
    NOTED,
    REPLICATE,
    RUN,
    RUN_REMARK,
    SAMPLE_MASS,
    SHAKING_TIME,
    SIEVE,
    SPLIT,
    TARE,
    TIME,
    WEIGHED_BY,
    WEIGHED_ON,
)
from psdstats.errors import Problem
from psdstats.study.cells import (
    MAX_APERTURE_UM,
    MAX_CELL_CHARACTERS,
    MAX_COLUMNS,
    MAX_MASS_G,
    MAX_ROWS,
    MAX_TIME_MIN,
    MIN_APERTURE_UM,
    CellComment,
    SourceFile,
    to_number,
    unguarded,
)
from psdstats.study.records import Study

Cell = str | Decimal
"""What one cell holds; an empty cell is the empty text."""

APERTURE_MM = "aperture_mm"
NET = "net_g"
RUN_COLUMNS = (
    RUN, GROUP, TIME, REPLICATE, SPLIT, CHARGE, SAMPLE_MASS, SHAKING_TIME, BALANCE, *NOTED,
)  # fmt: skip
"""Columns of the run table with a meaning of their own; every other one is a factor."""
RUN_LABELS = (REPLICATE, SPLIT, CHARGE, BALANCE)
"""Those that hold text and may be empty."""
WEIGHING_COLUMNS = (RUN, SIEVE, APERTURE, APERTURE_MM, TARE, GROSS, GROSS_AGAIN, "remark")
"""Columns of the weighing table."""
SIEVE_COLUMNS = (
    SIEVE,
    "nominal_um",
    "certified_um",
    "expanded_uncertainty_um",
    "coverage_factor",
    "standard",
    "certificate",
    "certificate_correlation",
    "effective_um",
    "effective_u_um",
    "reference",
    "reference_correlation",
    "degrees_of_freedom",
)
"""Columns of the sieve table: the fields of `Sieve`."""
USUAL_SIEVE_COLUMNS = SIEVE_COLUMNS[:6]
"""Those written whether a sieve uses them or not."""
SIEVE_TEXTS = ("standard", "certificate", "reference")
"""Columns of the sieve table that hold text, beside the name."""
COMPUTED_COLUMNS = (
    NET,
    "recovered_g",
    "loss_g",
    "loss_percent",
    "running_total_g",
    "share_percent",
    "finer_percent",
    "bench_D50_um",
)
"""Columns of the recording sheet that a spreadsheet computes; they are not read."""
HEADINGS = {TARE: "Empty, g", GROSS: "With powder, g", GROSS_AGAIN: "Weighed again, g",
            NET: "Powder, g", "bench_D50_um": "Bench D50 (chord), µm"}  # fmt: skip
"""Headings in words of columns whose name does not make them by itself (see `heading`)."""
FLAT_COLUMNS = tuple(dict.fromkeys((*RUN_COLUMNS, *WEIGHING_COLUMNS)))
"""Columns of a flat file; every other one is a factor of its run."""

_TEXTS = frozenset({RUN, GROUP, *RUN_LABELS, *NOTED, SIEVE, "remark", *SIEVE_TEXTS})
_APERTURES = frozenset({APERTURE, APERTURE_MM, "nominal_um", "certified_um", "effective_um"})
_MASSES = frozenset({TARE, GROSS, GROSS_AGAIN, SAMPLE_MASS})
_NUMBERS_OF_SIEVES = frozenset(SIEVE_COLUMNS[1:]) - {*SIEVE_TEXTS}
_POSITIVE = frozenset({*_NUMBERS_OF_SIEVES, SAMPLE_MASS, SHAKING_TIME})
_LIMITED = frozenset({*_APERTURES, *_MASSES, *_POSITIVE, TIME})  # any other number is a factor
_UNITS = {"um": "µm", "mm": "mm", "g": "g", "min": "min", "percent": "%"}
_BETWEEN_WORDS = re.compile(r"[\s,_()\[\]]+")
_ONLY_WEIGHING = frozenset(WEIGHING_COLUMNS) - {RUN}
_MOST_NAMES = 20  # listed in a message
_NO_NUMBER = frozenset({"nan", "na", "n/a", "-", "--", "none", "inf"})
_SUMS = frozenset({"total", "totals", "sum", "subtotal", "summe", "gesamt", "somme", "suma", "σ"})
_GROUPED = re.compile(r"[0-9]{1,3},[0-9]{3}")  # a decimal comma or a thousands separator
_SUMMED = (RUN, SIEVE, APERTURE, APERTURE_MM)
_DATED = frozenset({WEIGHED_ON, WEIGHED_BY, RUN_REMARK, "remark"})  # a date may stand there


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


def heading(column: str) -> str:
    """Name of a column in words, with its unit, as recording sheets have it.

    Examples
    --------
    >>> heading("gross_g"), heading("milling_time_min"), heading("loss_percent"), heading("run")
    ('With powder, g', 'Milling time, min', 'Loss, %', 'Run')
    """
    words, _, unit = column.rpartition("_")
    if unit in _UNITS and words:
        made = f"{words.replace('_', ' ')}, {_UNITS[unit]}"
    else:
        made = column.replace("_", " ")
    return HEADINGS.get(column, made[:1].upper() + made[1:])


def plain_words(typed: str) -> str:
    """A heading without what writers do differently: case, commas, brackets, the two µ.

    Examples
    --------
    >>> plain_words("Milling  time [min]"), plain_words("aperture_um"), plain_words("Aperture, µm")
    ('milling time min', 'aperture um', 'aperture um')
    """
    same = unicodedata.normalize("NFKC", typed).casefold().replace("μ", "u")
    return _BETWEEN_WORDS.sub(" ", same.replace("%", "percent")).strip()


def column_of(typed: str, known: Iterable[str]) -> str:
    """The known column that a heading names, by its name or in words; else the heading itself."""
    return _by_words(frozenset(known)).get(plain_words(typed), typed)


@cache
def _by_words(known: frozenset[str]) -> dict[str, str]:
    """Columns by their names and their headings."""
    return {plain_words(said): name for name in known for said in (name, heading(name))}


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


@dataclass(frozen=True, kw_only=True)
class Table:
    """A header and its rows; reading a cell notes in `problems` what is wrong with it.

    `file` is the name of the file or sheet; `decimal_comma` says whether numbers in text cells may
    have one (not so in comma-separated files), `signs_told` that mixed signs are noted already.
    """

    file: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    problems: list[Problem]
    decimal_comma: bool = True
    header_row: int | None = 1
    signs_told: bool = False

    @cached_property
    def _numeric(self) -> frozenset[str]:
        """Columns that hold true numbers, as those of a workbook do."""
        return frozenset(n for row in self.rows for n, c in row.cells.items() if type(c) is Decimal)

    def name(self, row: Row, column: str, remedy: str = "Write a name.") -> str | None:
        """Text that must be there; None, with a problem noted, where it is not."""
        text = row.text(column)
        if not text:
            place = (row.at(column), column)
            self._note(row, Problem(self.file, "the cell is empty", remedy, *place))
        return text or None

    def _note(self, row: Row, found: Problem) -> None:
        """Note what is wrong with a cell; of a row that adds up others only that, once."""
        sums = [name for name in _SUMMED if row.text(name).lower().strip(" :.") in _SUMS]
        if sums:
            fault, remedy = "the row is a sum and no weighing", "Delete the row: sums are computed."
            place = (row.at(sums[0]), sums[0], row.text(sums[0]))
            found = Problem(self.file, fault, remedy, *place)
        if not sums or found not in self.problems:
            self.problems.append(found)

    def number(self, row: Row, column: str, *, needed: bool = False) -> Decimal | None:
        """Read a number within the limits of its column; None where there is none."""
        text = row.text(column)
        if not text and not needed:
            return None
        value = to_number(text)
        refused: tuple[str, str] | None = None
        if not text:
            refused = "the cell is empty", _refused_blank(column)
        elif value is None:
            refused = "this is not a number", _refused_text(text)
        elif "," in text and not self.decimal_comma and isinstance(row.cells[column], str):
            fault = "a decimal comma in a comma-separated file could also be a thousands separator"
            refused = fault, "Write a decimal point, or separate the columns with semicolons."
        elif column in self._numeric and _GROUPED.fullmatch(text):
            whole = text.replace(",", "")
            fault = f"among numbers this text could be {value} or {whole}"
            refused = fault, "Type it again as a number, with the decimal sign of the spreadsheet."
        elif column in _LIMITED:
            refused = _refused_value(column, value)
        if refused is not None:
            shown = text[:40] or None
            self._note(row, Problem(self.file, *refused, row.at(column), column, shown))
        return None if refused else value

    def is_safe(self, *columns: str) -> bool:
        """Whether the table has these columns; notes what is wrong with it as a whole.

        With decimal points and decimal commas mixed, one of them could be a thousands separator:
        no number of the table is safe then, but the rest can still be looked at.
        """
        missing = [name for name in columns if name not in self.columns]
        found = ", ".join(self.columns[:_MOST_NAMES])
        remedy = f"Add it, or rename one of the columns found: {found}."
        self.problems.extend(
            Problem(self.file, "the column is missing", remedy, self.header_row, name)
            for name in missing
        )
        if not missing and self.decimal_comma and not self.signs_told:
            self._note_mixed_signs()
        return not missing

    def _note_mixed_signs(self) -> None:
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
            remedy = "Write all numbers of the table with the same decimal sign."
            self.problems.append(Problem(self.file, fault, remedy))


def _refused_blank(column: str) -> str:
    """What to write into an empty cell."""
    if column in _APERTURES:
        return "Write the nominal aperture; the pan has aperture 0."
    return "Write the mass in g." if column in _MASSES else "Write a number."


_DATE = re.compile(r"[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}")
_FIGURES = re.compile(r"[0-9.,]+([eE][+-]?[0-9]+)?")


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
    in_mm = column == APERTURE_MM
    aperture_um = value * 1000 if in_mm else value
    lost = "Look for a lost decimal sign."
    if value < 0:
        return "the number is negative", "Correct the sign, or measure again."
    if column in _POSITIVE and value == 0:
        return "the number is zero", "Write a number above zero, or leave the cell empty."
    if column == TIME and value > Decimal(MAX_TIME_MIN):
        return f"the time is above {MAX_TIME_MIN:.0f} min", "Write the milling time in min."
    if column in _MASSES and value > Decimal(MAX_MASS_G):
        return f"the mass is above {MAX_MASS_G:.0f} g", lost
    if column in _APERTURES and aperture_um > Decimal(MAX_APERTURE_UM):
        other = "Apertures in µm belong in a column aperture_um."
        return f"the aperture is above {MAX_APERTURE_UM:.0f} µm", other if in_mm else lost
    if column in _APERTURES and 0 < aperture_um < Decimal(MIN_APERTURE_UM):
        other = "Apertures in mm belong in a column aperture_mm."
        other = other if column == APERTURE else "Write it in µm, not in mm."
        finer = "Look for a decimal sign too many."
        return f"the aperture is below {MIN_APERTURE_UM:g} µm", finer if in_mm else other
    return None


def make_table(
    file: str,
    rows: Iterable[tuple[int | None, Sequence[Cell]]],
    *,
    known: Iterable[str],
    decimal_comma: bool,
    problems: list[Problem],
) -> Table | None:
    """Give rows of cells their column names; the first row that is not empty holds them."""
    names = set(known)
    filled = ((number, cells) for number, cells in rows if any(str(c).strip() for c in cells))
    header_row, typed = next(filled, (1, ()))
    if not typed:
        problems.append(Problem(file, "the table is empty", "Write a header and one row."))
        return None
    header = [column_of(unguarded(str(cell)), names) for cell in typed]
    if len(header) > MAX_COLUMNS:
        fault = f"the table has more than {MAX_COLUMNS} columns"
        problems.append(Problem(file, fault, "Leave out what is not needed.", header_row))
        return None
    fault, remedy = "two columns have this name", "Rename or delete one of them."
    problems += [
        Problem(file, fault, remedy, header_row, name)
        for place, name in enumerate(header)
        if name and name in header[:place]
    ]
    problems += _row_problems(file, header_row, [name[:20] for name in header], header, {*header})
    further = set() if TIME in names else {*header} - names  # beside runs they are factors
    free = {*_DATED, *_LIMITED, *COMPUTED_COLUMNS, *further}
    body: list[Row] = []
    for number, cells in filled:
        if len(body) >= MAX_ROWS:
            fault = f"the table has more than {MAX_ROWS} rows"
            problems.append(Problem(file, fault, "Split the study."))
            break
        problems += _row_problems(file, number, header, cells, free)
        named = {name: cell for name, cell in zip(header, cells, strict=False) if name}
        body.append(Row(0 if number is None else number, named))
    columns = tuple(filter(None, header))
    return Table(
        file=file,
        columns=columns,
        rows=tuple(body),
        problems=problems,
        decimal_comma=decimal_comma,
        header_row=header_row,
    )


def _row_problems(
    file: str, number: int | None, header: Sequence[str], cells: Sequence[Cell], free: set[str]
) -> Iterator[Problem]:
    """Texts that are too long, dates (the first of a column), and cells under no column name."""
    nameless: list[int] = []
    for index, cell in enumerate(cells):
        name = header[index] if index < len(header) else ""
        if not name and str(cell).strip():
            nameless.append(index)
        elif isinstance(cell, str) and len(cell) > MAX_CELL_CHARACTERS:
            fault = f"the text is longer than {MAX_CELL_CHARACTERS} characters"
            yield Problem(file, fault, "Shorten it.", number, name)
        elif type(cell) is Dated and name not in free:
            free.add(name)
            remedy = "Write what was meant as text, or as a number, in all cells of the column."
            yield Problem(file, "a cell holds a date or time", remedy, number, name, cell)
    if nameless:
        first = nameless[0]
        fault = f"cell {first + 1} has no column name above it"
        if len(nameless) > 1:
            fault = f"{len(nameless)} cells, from cell {first + 1} on, have no column name above "
            fault += "them"
        remedy = "Name the column in the header, or delete the cell; "
        remedy += "a decimal comma in a comma-separated file also does this."
        yield Problem(file, fault, remedy, number, None, str(cells[first]).strip()[:40])


@dataclass(kw_only=True)
class RawStudy:
    """What the files say, as text: settings not yet checked, tables, and what was not read.

    `name` is the title where none is given; `settings_text` holds the settings where they were
    typed as TOML; a table is None where there is none or it cannot be read.
    """

    name: str
    settings_file: str
    settings: Mapping[str, object] = field(default_factory=dict)
    settings_text: str = ""
    runs: Table | None = None
    weighings: Table | None = None
    sieves: Table | None = None
    files: list[SourceFile] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    comments: list[CellComment] = field(default_factory=list)
    attached: Callable[[Study], tuple[CellComment, ...]] | None = None


def split_flat_table(flat: Table) -> tuple[Table, Table] | tuple[None, None]:
    """Split a flat table into run table and weighing table.

    Run-level cells may be written on the first row of a run alone; two different values for one
    run are a problem.  The only row of a run may say nothing of a sieve: it has no weighings then.
    Without the columns that a flat table needs there is nothing to split.
    """
    aperture = APERTURE_MM if APERTURE_MM in flat.columns else APERTURE
    if not flat.is_safe(RUN, TIME, aperture, TARE, GROSS):
        return None, None
    of_run = [n for n in flat.columns if n not in _ONLY_WEIGHING and n not in COMPUTED_COLUMNS]
    of_weighing = [n for n in flat.columns if n in _ONLY_WEIGHING or n in (RUN, NET)]
    remedy = "Make it the same on every row of the run, or give another run another name."
    runs: dict[str, Row] = {}
    for row in flat.rows:
        run = row.text(RUN)
        first = runs.setdefault(run, Row(row.number, {RUN: run}))
        for name in of_run:
            text, before = row.text(name), first.text(name)
            if text and not before:
                first.cells[name] = row.cells[name]
            elif text and text != before and run:
                fault = f"run {run} has {before!r} further up"
                flat.problems.append(Problem(flat.file, fault, remedy, row.number, name, text))
    rows = tuple(row for run, row in runs.items() if run)
    often = Counter(row.text(RUN) for row in flat.rows)
    weighed = tuple(
        row
        for row in flat.rows
        if often[row.text(RUN)] > 1 or any(row.text(name) for name in of_weighing if name != RUN)
    )
    return (
        replace(flat, columns=tuple(of_run), rows=rows, signs_told=True),
        replace(flat, columns=tuple(of_weighing), rows=weighed, signs_told=True),
    )
