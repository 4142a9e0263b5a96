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

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.frozen import ReadOnly
from psdstats.study.forms import Sheet
from psdstats.study.tables import Cell, Row, Source, Table, make_table

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
        "compare.margin_percent": "Too small to matter, %",
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
    words = col.plain_words(typed)
    for key, said in SETTING_WORDS.items():
        if words == col.plain_words(said):
            return key
    found = _OF_BALANCE.fullmatch(typed)
    for name, said in BALANCE_WORDS.items() if found else ():
        if found and col.plain_words(found["what"]) == col.plain_words(said):
            of = tomlkit.key(found["name"] or ONE_BALANCE).as_string()
            return f"balances.{of}.{name}"
    return typed


def with_keys(sheet: Sheet) -> Sheet:
    """Rows of the sheet `study`, settings in words replaced by the keys they stand for."""
    return [
        (number, [setting_key(str(cells[0])), *cells[1:2]])
        for number, cells in sheet
        if [col.plain_words(str(cell)) for cell in cells[:2]] != ["setting", "value"]
    ]


def has_blocks(sheet: Sheet) -> bool:
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

    def __init__(self, sheet: Sheet, source: Source) -> None:
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


def read_bench(sheet: Sheet, source: Source) -> tuple[Table, Table]:
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


def in_words(problems: list[Problem]) -> list[Problem]:
    """The same problems, columns named as the sheet names them."""
    return [
        replace(one, column=shown_name(one.column, one.file)) if one.column else one
        for one in problems
    ]
