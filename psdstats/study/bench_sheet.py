"""The sheets of a recording workbook that people fill in: blocks of runs, and settings in words.

On the sheet `bench` each run is a block: names of what is known of the run with the values in the
row below, a few such pairs; then one row a sieve under their headings; then totals, which the
spreadsheet computes and nobody reads.  Cells outside the blocks are refused, not passed over.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

import tomlkit

from psdstats.columns import APERTURE, RUN, RUN_REMARK, SIEVE, WEIGHED_BY, WEIGHED_ON
from psdstats.errors import Problem
from psdstats.frozen import ReadOnly
from psdstats.study.forms import Sheet
from psdstats.study.tables import (
    APERTURE_MM,
    COMPUTED_COLUMNS,
    FLAT_COLUMNS,
    SIEVE_COLUMNS,
    Cell,
    Row,
    Table,
    column_of,
    heading,
    make_table,
    plain_words,
)

BENCH, RUN_LIST = "bench", "run list"
"""Names of the sheet with the blocks, and of the list of runs that repeats what stands there."""
TOTAL, LOSS = "Total", "Loss, g"
"""What the two rows below the sieves of a block begin with."""

ONE_BALANCE = "balance"
"""Name of a balance that needs none."""
SETTING_WORDS: Mapping[str, str] = ReadOnly(
    {
        "title": "Title",
        "material": "Material",
        "author": "Author",
        "date": "Date of the trial",
        "density_g_per_cm3": "Particle density, g/cm³",
        "tares": "Sieves weighed empty",
        "compare.margin_percent": "Change too small to matter, %",
        "compare.target_um": "Size to reach, µm",
    }
)
"""Settings as the sheet `study` names them."""
BALANCE_WORDS: Mapping[str, str] = ReadOnly(
    {
        "resolution_g": "resolution, g",
        "repeatability_g": "repeatability, g",
        "repeatability_weighings": "weighings behind the repeatability",
        "linearity_g": "largest linearity error, g",
        "capacity_g": "largest load, g",
    }
)
"""Settings of a balance, said after its name."""

_KNOWN = (*FLAT_COLUMNS, *COMPUTED_COLUMNS)
_DATE, _FREE = re.compile(r"\d{4}-\d\d-\d\d"), (WEIGHED_ON, WEIGHED_BY, RUN_REMARK)
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
    words = plain_words(typed)
    for key, said in SETTING_WORDS.items():
        if words == plain_words(said):
            return key
    found = _OF_BALANCE.fullmatch(typed)
    for field, said in BALANCE_WORDS.items() if found else ():
        if found and plain_words(found["what"]) == plain_words(said):
            name = tomlkit.key(found["name"] or ONE_BALANCE).as_string()
            return f"balances.{name}.{field}"
    return typed


def with_keys(sheet: Sheet) -> Sheet:
    """Rows of the sheet `study`, settings in words replaced by the keys they stand for."""
    return [
        (number, [setting_key(str(cells[0])), *cells[1:2]])
        for number, cells in sheet
        if [plain_words(str(cell)) for cell in cells[:2]] != ["setting", "value"]
    ]


def has_blocks(sheet: Sheet) -> bool:
    """Whether a sheet holds blocks of runs, not a table with one row a weighing."""
    first = {column_of(str(cells[0]), (RUN, SIEVE)) for _, cells in sheet}
    return {RUN, SIEVE} <= first


def read_bench(sheet: Sheet, name: str, problems: list[Problem]) -> tuple[Table, Table]:
    """Run table and weighing table of the blocks, rows as the sheet counts them."""
    rows = dict(sheet)
    runs: list[Row] = []
    weighings: list[Row] = []
    done = 0
    for number, cells in sheet:
        if number <= done:
            continue
        first = column_of(str(cells[0]), (RUN, SIEVE))
        if first == RUN:
            done = _read_block(rows, number, name, runs, weighings, problems)
        elif first != SIEVE or runs:
            found = next(text for text in map(str, cells) if text.strip()).strip()[:40]
            remedy = "Move what stands here to a remark of a run, or delete it."
            problems.append(Problem(name, "the row belongs to no run", remedy, number, None, found))
    return (
        _table(name, runs, problems, (RUN,)),
        _table(name, weighings, problems, (RUN, SIEVE)),
    )


def _table(name: str, rows: list[Row], problems: list[Problem], first: Iterable[str]) -> Table:
    """The table of rows that stood apart."""
    columns = dict.fromkeys((*first, *(column for row in rows for column in row.cells)))
    start = rows[0].number - 1 if rows else 1
    return Table(
        file=name, columns=tuple(columns), rows=tuple(rows), problems=problems, header_row=start
    )


def _read_block(
    rows: dict[int, list[Cell]],
    start: int,
    name: str,
    runs: list[Row],
    weighings: list[Row],
    problems: list[Problem],
) -> int:
    """Read the block that starts in a row; the last row that belongs to it."""
    facts: dict[str, Cell] = {}
    places: dict[str, int] = {}
    number = start
    while number in rows and _first(rows, number) != SIEVE:
        for row in _rows(rows, number, number + 2, name, problems):
            problems += _dates(row, name)
            facts |= row.cells
            places |= dict.fromkeys(row.cells, row.number)
        number += 2
    cells = {column if column in _KNOWN else "_".join(column.split()): facts[column]
             for column in facts}  # fmt: skip
    runs.append(Row(start + 1, cells, places))
    if number not in rows:
        remedy = "Restore the rows of the block as they were printed."
        problems.append(Problem(name, "the block lists no sieves", remedy, start, RUN))
        return number - 1
    end = number + 1
    while end in rows and not _is_total(rows, number, end):
        end += 1
    run = cells.get(RUN, "")
    weighings += [
        replace(row, cells={RUN: run, **row.cells})
        for row in _rows(rows, number, end, name, problems)
    ]
    if end not in rows:
        return end - 1
    losses = end + 1 in rows and plain_words(str(rows[end + 1][0])) == plain_words(LOSS)
    return end + losses


def _dates(row: Row, name: str) -> list[Problem]:
    """Cells that a spreadsheet took for dates, where no date belongs."""
    fault, remedy = "a cell holds a date", "Format the cell as text and type it again."
    return [
        Problem(name, fault, remedy, row.number, column, text)
        for column, text in ((column, str(cell)) for column, cell in row.cells.items())
        if column not in _FREE and _DATE.fullmatch(text)
    ]


def _first(rows: dict[int, list[Cell]], number: int) -> str:
    """What the first cell of a row names."""
    return column_of(str(rows[number][0]), (RUN, SIEVE))


def _is_total(rows: dict[int, list[Cell]], head: int, number: int) -> bool:
    """Whether a row holds the total of a block: it says so and has no aperture."""
    columns = [column_of(str(cell), _KNOWN) for cell in rows[head]]
    place = next((columns.index(n) for n in (APERTURE, APERTURE_MM) if n in columns), 1)
    cells = rows[number]
    named = plain_words(str(cells[0])) == plain_words(TOTAL)
    return named and not (len(cells) > place and str(cells[place]).strip())


def _rows(
    rows: dict[int, list[Cell]], head: int, end: int, name: str, problems: list[Problem]
) -> tuple[Row, ...]:
    """Rows below a row of headings."""
    part = [(number, rows[number]) for number in range(head, end) if number in rows]
    table = make_table(name, part, known=_KNOWN, decimal_comma=True, problems=problems)
    return table.rows if table is not None else ()


def shown_name(column: str, file: str) -> str:
    """Name of a column as the file has it: in words on the sheet `bench`."""
    known = file.lower() == BENCH and column in (*_KNOWN, *SIEVE_COLUMNS)
    return heading(column) if known else column


def in_words(problems: list[Problem]) -> list[Problem]:
    """The same problems, columns named as the sheet names them."""
    return [
        replace(one, column=shown_name(one.column, one.file)) if one.column else one
        for one in problems
    ]
