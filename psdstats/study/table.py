"""A table as typed: cells by column name, with the row numbers a spreadsheet shows.

Cells are text, or a decimal number where the source has numbers (workbooks).  Nothing is
interpreted here beyond the header; `columns` declares what the columns mean.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from psdstats.errors import Problem
from psdstats.study.cells import unguarded
from psdstats.study.limits import MAX_CELL_CHARACTERS, MAX_COLUMNS, MAX_ROWS

__all__ = ["Cell", "Row", "Table", "is_blank", "make_table"]

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
    """Give rows of cells their column names.

    Parameters
    ----------
    file : str
        Name for messages.
    rows : iterable of (int, sequence of cells)
        Row numbers and cells; the first row that is not empty is the header.
    known : iterable of str
        Column names that are recognised whatever their case, with blanks for underscores.
    decimal_comma : bool
        Passed on to the table.
    problems : list of Problem
        Receives what is wrong.

    Returns
    -------
    Table or None
        None where there is no header, or one that is too wide.
    """
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
