"""A table as typed: cells by column name, with the row numbers a spreadsheet shows.

Cells are text, or a decimal number where the source has numbers (workbooks).  Nothing is
interpreted here beyond the header; `columns` declares what the columns mean.

What the columns of the tables mean, and reading one cell as what its column wants.

Units are in the names: aperture in µm (or mm, by the column's name), masses in g, times in min.

A study as typed, before its cells are read: settings and tables, from whichever form.

A flat table is split here into the run table and the weighing table that the other forms have.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from psdstats.columns import TIME
from psdstats.errors import Problem
from psdstats.study.cells import (
    MAX_APERTURE_UM,
    MAX_CELL_CHARACTERS,
    MAX_COLUMNS,
    MAX_MASS_G,
    MAX_ROWS,
    MIN_APERTURE_UM,
    has_decimal_comma,
    has_decimal_point,
    to_number,
    unguarded,
)
from psdstats.study.records import SourceFile

Cell = str | Decimal
"""What one cell holds; an empty cell is the empty text."""


@dataclass(frozen=True)
class Row:
    """One row that is not empty: its number (the first row of the file is 1) and its cells."""

    number: int
    cells: dict[str, Cell]

    def text(self, column: str) -> str:
        """Text of a cell, without blanks around it; empty where there is no such column."""
        return unguarded(str(self.cells.get(column, "")))


@dataclass(frozen=True, kw_only=True)
class Table:
    """A header and its rows.

    Parameters
    ----------
    file : str
        File name, or sheet name of a workbook.
    columns : tuple of str
        Header, in the order typed.
    rows : tuple of Row
        Rows that hold anything.
    decimal_comma : bool, default=True
        Whether numbers in text cells may have a decimal comma (not so in comma-separated files).
    header_row : int, default=1
        Row number of the header.
    """

    file: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool = True
    header_row: int = 1


def is_blank(cell: Cell) -> bool:
    """Whether a cell holds nothing."""
    return isinstance(cell, str) and not cell.strip()


def make_table(
    file: str,
    rows: Iterable[tuple[int, Sequence[Cell]]],
    *,
    known: Iterable[str],
    decimal_comma: bool,
    problems: list[Problem],
) -> Table | None:
    """Give rows of cells their column names."""
    known_names = set(known)
    header: tuple[str, ...] | None = None
    header_row = 1
    body: list[Row] = []
    for number, cells in rows:
        if all(is_blank(cell) for cell in cells):
            continue
        if header is None:
            header = tuple(_column_name(str(cell), known_names) for cell in cells)
            header_row = number
            problems += _header_problems(file, number, header)
            if len(header) > MAX_COLUMNS:
                return None
            continue
        if len(body) >= MAX_ROWS:
            fault = f"the table has more than {MAX_ROWS} rows"
            problems.append(Problem(file=file, fault=fault, remedy="Split the study."))
            break
        problems += _row_problems(file, number, header, cells)
        body.append(Row(number, {n: c for n, c in zip(header, cells, strict=False) if n}))
    if header is None:
        problems.append(
            Problem(file=file, fault="the table is empty", remedy="Write a header and one row.")
        )
        return None
    return Table(
        file=file,
        columns=tuple(name for name in header if name),
        rows=tuple(body),
        decimal_comma=decimal_comma,
        header_row=header_row,
    )


def _column_name(text: str, known: set[str]) -> str:
    name = unguarded(text)
    plain = "_".join(name.lower().split())
    return plain if plain in known else name


def _header_problems(file: str, row: int, header: Sequence[str]) -> list[Problem]:
    if len(header) > MAX_COLUMNS:
        fault = f"the table has more than {MAX_COLUMNS} columns"
        return [Problem(file=file, row=row, fault=fault, remedy="Leave out what is not needed.")]
    found: list[Problem] = []
    for index, name in enumerate(header):
        if name and name in header[:index]:
            found.append(
                Problem(
                    file=file,
                    row=row,
                    column=name,
                    fault="two columns have this name",
                    remedy="Rename or delete one of them.",
                )
            )
        if len(name) > MAX_CELL_CHARACTERS:
            found.append(_too_long(file, row, name[:20]))
    return found


def _row_problems(
    file: str, number: int, header: Sequence[str], cells: Sequence[Cell]
) -> list[Problem]:
    found: list[Problem] = []
    nameless: list[int] = []
    for index, cell in enumerate(cells):
        name = header[index] if index < len(header) else ""
        if not name and not is_blank(cell):
            nameless.append(index)
        elif isinstance(cell, str) and len(cell) > MAX_CELL_CHARACTERS:
            found.append(_too_long(file, number, name))
    if nameless:
        found.append(_nameless(file, number, nameless, str(cells[nameless[0]]).strip()[:40]))
    return found


def _nameless(file: str, row: int, places: Sequence[int], first: str) -> Problem:
    """One problem for all the cells of a row that stand under no column name."""
    fault = f"cell {places[0] + 1} has no column name above it"
    if len(places) > 1:
        fault = f"{len(places)} cells, from cell {places[0] + 1} on, have no column name above them"
    return Problem(
        file=file,
        row=row,
        value=first,
        fault=fault,
        remedy="Name the column in the header, or delete the cell; "
        "a decimal comma in a comma-separated file also does this.",
    )


def _too_long(file: str, row: int, column: str) -> Problem:
    return Problem(
        file=file,
        row=row,
        column=column,
        fault=f"the text is longer than {MAX_CELL_CHARACTERS} characters",
        remedy="Shorten it.",
    )


RUN_COLUMNS = (
    "run",
    "group",
    TIME,
    "replicate",
    "sample_mass_g",
    "shaking_time_min",
    "balance",
)
"""Columns of the run table with a meaning of their own; every other one is a factor."""

WEIGHING_COLUMNS = (
    "run",
    "sieve",
    "aperture_um",
    "aperture_mm",
    "tare_g",
    "gross_g",
    "gross_again_g",
    "remark",
)
"""Columns of the weighing table."""

SIEVE_COLUMNS = (
    "sieve",
    "nominal_um",
    "certified_um",
    "expanded_uncertainty_um",
    "coverage_factor",
    "standard",
)
"""Columns of the sieve table."""

COMPUTED_COLUMNS = ("net_g", "recovered_g", "loss_g", "loss_percent")
"""Columns of the recording sheet that a spreadsheet computes; they are not read."""

FLAT_COLUMNS = tuple(dict.fromkeys((*RUN_COLUMNS, *WEIGHING_COLUMNS)))
"""Columns of a flat file; every other one is a factor of its run."""

TEXT_COLUMNS = frozenset({"run", "group", "replicate", "balance", "sieve", "remark", "standard"})
"""Columns that are text even where they look like numbers."""

NUMBER_COLUMNS = frozenset(
    {
        TIME,
        "sample_mass_g",
        "shaking_time_min",
        "aperture_um",
        "aperture_mm",
        "tare_g",
        "gross_g",
        "gross_again_g",
        *SIEVE_COLUMNS[1:-1],
    }
)
"""Columns that hold numbers only."""

_MOST_NAMES = 20  # listed in a message
_APERTURES = frozenset({"aperture_um", "aperture_mm", "nominal_um", "certified_um"})
_MASSES = frozenset({"tare_g", "gross_g", "gross_again_g", "sample_mass_g"})
_POSITIVE = frozenset(
    {
        "nominal_um",
        "certified_um",
        "expanded_uncertainty_um",
        "coverage_factor",
        "sample_mass_g",
        "shaking_time_min",
    }
)


class CellReader:
    """Reads the cells of one table and collects what is wrong with them.

    Parameters
    ----------
    table : Table
        The table.
    problems : list of Problem
        Receives what is wrong.
    """

    def __init__(self, table: Table, problems: list[Problem]) -> None:
        self.table = table
        self.problems = problems

    def complain(
        self, row: int | None, column: str | None, fault: str, remedy: str, value: str | None = None
    ) -> None:
        """Note a problem in this table."""
        self.problems.append(
            Problem(
                file=self.table.file,
                row=row,
                column=column,
                value=value,
                fault=fault,
                remedy=remedy,
            )
        )

    def require(self, *columns: str) -> bool:
        """Whether the table has these columns; notes those that are missing."""
        missing = [name for name in columns if name not in self.table.columns]
        found = ", ".join(self.table.columns[:_MOST_NAMES])
        for name in missing:
            self.complain(
                self.table.header_row,
                name,
                "the column is missing",
                f"Add it, or rename one of the columns found: {found}.",
            )
        return not missing

    def name(self, row: Row, column: str, remedy: str = "Write a name.") -> str | None:
        """Text that must be there; None, with a problem noted, where it is not."""
        text = row.text(column)
        if text:
            return text
        self.complain(row.number, column, "the cell is empty", remedy)
        return None

    def number(self, row: Row, column: str, *, needed: bool = False) -> Decimal | None:
        """Read a number within the limits of its column; None where there is none."""
        text = row.text(column)
        if not text:
            if needed:
                self.complain(row.number, column, "the cell is empty", _empty_remedy(column))
            return None
        value = self._plain_number(row, column, text)
        if value is None:
            return None
        wrong = _out_of_limits(column, value)
        if wrong is not None:
            self.complain(row.number, column, *wrong, value=text)
            return None
        return value

    def factor_is_number(self, column: str) -> bool:
        """Whether every value of a column is a number (empty cells do not count)."""
        texts = [row.text(column) for row in self.table.rows]
        return all(to_number(text) is not None for text in texts if text)

    def factor_number(self, row: Row, column: str) -> float | None:
        """Read a cell of a column in which every value is a number."""
        text = row.text(column)
        value = self._plain_number(row, column, text) if text else None
        return None if value is None else float(value)

    def _plain_number(self, row: Row, column: str, text: str) -> Decimal | None:
        value = to_number(text)
        if value is None:
            self.complain(
                row.number, column, "this is not a number", _number_remedy(text), value=text[:40]
            )
        elif isinstance(row.cells[column], Decimal):
            return value
        elif has_decimal_comma(text) and not self.table.decimal_comma:
            self.complain(
                row.number,
                column,
                "a decimal comma in a comma-separated file could also be a thousands separator",
                "Write a decimal point, or separate the columns with semicolons.",
                value=text,
            )
            return None
        return value

    def complain_of_mixed_signs(self) -> bool:
        """Whether the table has decimal points and decimal commas; notes the first of each.

        One of them could be a thousands separator, so that no number of the table is safe.
        """
        signs = {".": has_decimal_point, ",": has_decimal_comma}
        first: dict[str, str] = {}
        columns = [name for name in self.table.columns if name not in TEXT_COLUMNS]
        for row in self.table.rows:
            for name in columns:
                cell = row.cells.get(name, "")
                for sign, has in signs.items():
                    if sign not in first and isinstance(cell, str) and has(cell):
                        first[sign] = f"{cell.strip()!r} in row {row.number}"
        if not self.table.decimal_comma or len(first) < len(signs):
            return False
        self.complain(
            None,
            None,
            f"decimal points and decimal commas are mixed ({first['.']}, {first[',']})",
            "Write all numbers of the table with the same decimal sign.",
        )
        return True


def _empty_remedy(column: str) -> str:
    if column in _APERTURES:
        return "Write the nominal aperture; the pan has aperture 0."
    if column in _MASSES:
        return "Write the mass in g."
    return "Write a number."


def _number_remedy(text: str) -> str:
    if text.lower() in {"nan", "na", "n/a", "-", "--", "none", "inf"}:
        return "Leave the cell empty where nothing was measured, or measure it."
    if to_number("".join(sign for sign in text if sign not in ".,' \u2019\u202f\u00a0")):
        return "Write the number with one decimal sign and no thousands separators."
    if text[0] in "0123456789":
        return "Write the number alone, its unit is in the column name."
    return "Write a number."


def _out_of_limits(column: str, value: Decimal) -> tuple[str, str] | None:
    """Fault and remedy of a value outside the limits of its column."""
    if value < 0:
        return "the number is negative", "Correct the sign, or measure again."
    if column in _POSITIVE and value == 0:
        return "the number is zero", "Write a number above zero, or leave the cell empty."
    if column in _MASSES and value > Decimal(MAX_MASS_G):
        return f"the mass is above {MAX_MASS_G:.0f} g", "Look for a lost decimal sign."
    if column in _APERTURES:
        return _aperture_out_of_limits(column, value)
    return None


def _aperture_out_of_limits(column: str, value: Decimal) -> tuple[str, str] | None:
    in_mm = column == "aperture_mm"
    aperture_um = value * 1000 if in_mm else value
    if aperture_um > Decimal(MAX_APERTURE_UM):
        fault = f"the aperture is above {MAX_APERTURE_UM:.0f} µm"
        other = "Apertures in µm belong in a column aperture_um."
        return fault, other if in_mm else "Look for a lost decimal sign."
    if 0 < aperture_um < Decimal(MIN_APERTURE_UM):
        fault = f"the aperture is below {MIN_APERTURE_UM:g} µm"
        other = "Apertures in mm belong in a column aperture_mm."
        return fault, "Look for a decimal sign too many." if in_mm else other
    return None


_ONLY_WEIGHING = frozenset(WEIGHING_COLUMNS) - {"run"}


@dataclass(kw_only=True)
class RawStudy:
    """What the files say, as text.

    Parameters
    ----------
    name : str
        Name of the study's file or folder, the title where none is given.
    settings_file : str
        Name of the file or sheet the settings come from.
    settings : mapping
        Settings, not yet checked.
    settings_text : str
        Their text, where they were typed as TOML.
    runs, weighings, sieves : Table or None
        The tables; None where there is none or it cannot be read.
    files : list of SourceFile
        What was read.
    notes : list of str
        What was not read, as sentences.
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


def split_flat_table(
    flat: Table, problems: list[Problem]
) -> tuple[Table, Table] | tuple[None, None]:
    """Split a flat table into run table and weighing table.

    Run-level cells may be written on the first row of a run alone; two different values for one
    run are a problem.  Without the columns that a flat table needs there is nothing to split.
    """
    aperture = "aperture_mm" if "aperture_mm" in flat.columns else "aperture_um"
    needed = ("run", TIME, aperture, "tare_g", "gross_g")
    if not CellReader(flat, problems).require(*needed):
        return None, None
    run_columns = tuple(
        name for name in flat.columns if name not in _ONLY_WEIGHING and name not in COMPUTED_COLUMNS
    )
    weighing_columns = tuple(
        name for name in flat.columns if name in _ONLY_WEIGHING or name in ("run", "net_g")
    )
    runs: dict[str, Row] = {}
    for row in flat.rows:
        run = row.text("run")
        first = runs.setdefault(run, Row(row.number, {"run": run}))
        for name in run_columns:
            text, before = row.text(name), first.text(name)
            if text and not before:
                first.cells[name] = row.cells[name]
            elif text and text != before and run:
                problems.append(
                    Problem(
                        file=flat.file,
                        row=row.number,
                        column=name,
                        value=text,
                        fault=f"run {run} has {before!r} further up",
                        remedy="Make it the same on every row of the run, or give another run "
                        "another name.",
                    )
                )
    rows = tuple(row for run, row in runs.items() if run)
    return (
        _like(flat, run_columns, rows),
        _like(flat, weighing_columns, flat.rows),
    )


def _like(flat: Table, columns: tuple[str, ...], rows: tuple[Row, ...]) -> Table:
    return Table(
        file=flat.file,
        columns=columns,
        rows=rows,
        decimal_comma=flat.decimal_comma,
        header_row=flat.header_row,
    )
