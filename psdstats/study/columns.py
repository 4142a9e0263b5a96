"""What the columns of the tables mean, and reading one cell as what its column wants.

Units are in the names: aperture in µm (or mm, by the column's name), masses in g, times in min.
"""

from __future__ import annotations

from decimal import Decimal

from psdstats.errors import Problem
from psdstats.study.cells import has_decimal_comma, has_decimal_point, to_number
from psdstats.study.limits import MAX_APERTURE_UM, MAX_MASS_G, MIN_APERTURE_UM
from psdstats.study.table import Row, Table

__all__ = [
    "COMPUTED_COLUMNS",
    "FLAT_COLUMNS",
    "NUMBER_COLUMNS",
    "RUN_COLUMNS",
    "SIEVE_COLUMNS",
    "TEXT_COLUMNS",
    "WEIGHING_COLUMNS",
    "CellReader",
]

RUN_COLUMNS = (
    "run",
    "group",
    "milling_time_min",
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
        "milling_time_min",
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
