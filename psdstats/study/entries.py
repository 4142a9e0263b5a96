"""Rows of the tables as typed entries: runs, weighings, sieves.

An entry with a cell that cannot be read is left out and its problem noted, so that the rest can
still be looked at.  Masses in g.  A run none of whose sieves has a gross mass is not weighed yet
and is left out with a note; a run with some masses missing is a problem.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from psdstats.columns import (
    APERTURE,
    BALANCE,
    GROSS,
    GROSS_AGAIN,
    GROUP,
    REPLICATE,
    RUN,
    SAMPLE_MASS,
    SHAKING_TIME,
    SIEVE,
    TARE,
    TIME,
)
from psdstats.errors import Problem
from psdstats.study.cells import to_number
from psdstats.study.records import TareHandling
from psdstats.study.tables import (
    APERTURE_MM,
    COMPUTED_COLUMNS,
    NET,
    RUN_COLUMNS,
    SIEVE_COLUMNS,
    WEIGHING_COLUMNS,
    Table,
)


@dataclass(frozen=True, kw_only=True)
class RunEntry:
    """One row of the run table."""

    row: int
    run: str
    group: str
    milling_time_min: float
    replicate: str | None
    sample_mass_g: float | None
    balance: str | None
    factors: Mapping[str, str | float]


@dataclass(frozen=True, kw_only=True)
class WeighingEntry:
    """One row of the weighing table; None where a cell is empty, the text empty for no sieve."""

    row: int
    run: str
    sieve: str
    aperture_um: float
    tare: Decimal | None
    gross: Decimal | None
    gross_again: Decimal | None
    remark: str


def read_run_entries(table: Table) -> list[RunEntry]:
    """Read the run table: names once each, times, and every further column as a factor."""
    if not table.is_safe(RUN, TIME):
        return []
    factors = {SHAKING_TIME: True} if SHAKING_TIME in table.columns else {}
    for name in table.columns:
        if name in WEIGHING_COLUMNS and name != RUN:
            remedy = "Move it to the weighings, or rename it."
            fault = "the column belongs to the weighings"
            table.problems.append(Problem(table.file, fault, remedy, table.header_row, name))
        elif name not in (*RUN_COLUMNS, *COMPUTED_COLUMNS):
            texts = (row.text(name) for row in table.rows)
            factors[name] = all(to_number(text) is not None for text in texts if text)
    grouped = any(row.text(GROUP) for row in table.rows)
    entries: dict[str, RunEntry] = {}
    for row in table.rows:
        before = len(table.problems)
        run = table.name(row, RUN)
        time = table.number(row, TIME, needed=True)
        group = table.name(row, GROUP) if grouped else "all"
        sample = table.number(row, SAMPLE_MASS)
        levels = {n: table.number(row, n) if f else row.text(n) for n, f in factors.items()}
        if run in entries:
            fault = f"run {run} is also in row {entries[run].row}"
            own = "Give every run a name of its own."
            table.problems.append(Problem(table.file, fault, own, row.number, RUN))
        if len(table.problems) == before and run and group and time is not None:
            entries[run] = RunEntry(
                row=row.number,
                run=run,
                group=group,
                milling_time_min=float(time),
                replicate=row.text(REPLICATE) or None,
                sample_mass_g=None if sample is None else float(sample),
                balance=row.text(BALANCE) or None,
                factors={
                    name: level if isinstance(level, str) else float(level)
                    for name, level in levels.items()
                    if level is not None and level != ""
                },
            )
    return list(entries.values())


def read_weighing_entries(table: Table) -> tuple[list[WeighingEntry], set[str]]:
    """Read the weighing table, and name the runs with rows that cannot be read."""
    if not _has_weighing_columns(table):
        return [], {row.text(RUN) for row in table.rows}
    column = APERTURE_MM if APERTURE_MM in table.columns else APERTURE
    in_um = 1000 if column == APERTURE_MM else 1
    entries: list[WeighingEntry] = []
    spoiled: set[str] = set()
    for row in table.rows:
        before = len(table.problems)
        run = table.name(row, RUN, "Repeat the name on every row.")
        pan = row.text(column).lower() == "pan"
        aperture = Decimal(0) if pan else table.number(row, column, needed=True)
        tare, gross, again = (table.number(row, name) for name in (TARE, GROSS, GROSS_AGAIN))
        if len(table.problems) > before or not run or aperture is None:
            spoiled.add(row.text(RUN))
            continue
        entries.append(
            WeighingEntry(
                row=row.number,
                run=run,
                sieve=row.text(SIEVE),
                aperture_um=float(aperture * in_um),
                tare=tare,
                gross=gross,
                gross_again=again,
                remark=row.text("remark"),
            )
        )
        net = to_number(row.text(NET))  # typed, or computed by a spreadsheet
        if net is None or tare is None or gross is None:
            continue
        if abs(net - (gross - tare)) > Decimal("1e-6"):
            fault = f"the net mass is not gross minus tare, {gross - tare} g"
            remedy = "Correct the reading that was typed wrongly, or delete the column net_g."
            found = Problem(table.file, fault, remedy, row.number, NET, row.text(NET))
            table.problems.append(found)
    return entries, spoiled


def _has_weighing_columns(table: Table) -> bool:
    """Whether the table has what a weighing table needs; notes columns that are not known."""
    remedy = f"Known columns are {', '.join(WEIGHING_COLUMNS)}; what describes a whole run "
    remedy += "belongs in the run table."
    table.problems.extend(
        Problem(table.file, "the column is not known", remedy, table.header_row, name)
        for name in table.columns
        if name not in (*WEIGHING_COLUMNS, *COMPUTED_COLUMNS)
    )
    if {APERTURE, APERTURE_MM} <= set(table.columns):
        fault, remedy = "the aperture is given both in µm and in mm", "Keep one of the two columns."
        table.problems.append(Problem(table.file, fault, remedy, table.header_row, APERTURE_MM))
        return False
    aperture = APERTURE_MM if APERTURE_MM in table.columns else APERTURE
    return table.is_safe(RUN, aperture, TARE, GROSS)


def read_sieve_entries(table: Table) -> dict[str, tuple[int | None, dict[str, object]]]:
    """Read the sieve table: row and fields of each physical sieve, by its name."""
    remedy = f"Known columns are {', '.join(SIEVE_COLUMNS)}."
    table.problems.extend(
        Problem(table.file, "the column is not known", remedy, table.header_row, name)
        for name in table.columns
        if name not in SIEVE_COLUMNS
    )
    entries: dict[str, tuple[int | None, dict[str, object]]] = {}
    if not table.is_safe(*SIEVE_COLUMNS[:2]):
        return entries
    for row in table.rows:
        before = len(table.problems)
        sieve = table.name(row, SIEVE)
        values: dict[str, object] = {
            name: table.number(row, name, needed=name == "nominal_um")
            for name in SIEVE_COLUMNS[1:-1]
        }
        if sieve in entries:
            fault = f"sieve {sieve} is also in row {entries[sieve][0]}"
            remedy = "Keep one row for each sieve."
            table.problems.append(Problem(table.file, fault, remedy, row.number, SIEVE))
        if len(table.problems) == before and sieve:
            entries[sieve] = row.number, values | {"standard": row.text("standard") or None}
    return entries


def with_sieve_keys(
    entries: Iterable[WeighingEntry],
    groups: Mapping[str, str],
    spoiled: set[str],
    runs: Table,
    table: Table,
) -> tuple[list[WeighingEntry], bool]:
    """Entries of known runs, each with a sieve key as typed or from group and aperture.

    Also whether sieves are named; an unnamed one among them is left out and is a problem, as is a
    run that the run table lacks.
    """
    told = {row.text(RUN) for row in runs.rows}
    known: list[WeighingEntry] = []
    for entry in entries:
        if entry.run in groups:
            known.append(entry)
        elif entry.run not in told:
            told.add(entry.run)
            fault, remedy = f"the run is not in {runs.file}", "Add it there, or correct its name."
            table.problems.append(Problem(table.file, fault, remedy, entry.row, RUN, entry.run))
    named = any(entry.sieve and entry.aperture_um > 0 for entry in known)
    remedy = "Name the physical sieve, or delete the whole column."
    keyed: list[WeighingEntry] = []
    for entry in known:
        group = groups[entry.run]
        if entry.sieve:
            keyed.append(entry)
        elif entry.aperture_um == 0:
            keyed.append(replace(entry, sieve=f"{group} pan"))
        elif not named:
            keyed.append(replace(entry, sieve=f"{group} {entry.aperture_um:.12g} µm"))
        else:
            fault = "the cell is empty"
            table.problems.append(Problem(table.file, fault, remedy, entry.row, SIEVE))
            spoiled.add(entry.run)
    return keyed, named


def with_tares(entries: list[WeighingEntry], table: Table) -> list[WeighingEntry]:
    """Repeat the tare of a sieve that was weighed once; two different ones are a problem."""
    known: dict[str, WeighingEntry] = {}
    remedy = 'Write the same tare, or set tares = "each run".'
    for entry in entries:
        first = entry if entry.tare is None else known.setdefault(entry.sieve, entry)
        if first.tare != entry.tare:
            fault = f"sieve {entry.sieve} has the tare {first.tare} g in row {first.row}, but "
            fault += 'tares = "once"'
            tare = str(entry.tare)
            table.problems.append(Problem(table.file, fault, remedy, entry.row, TARE, tare))
    return [
        replace(entry, tare=known[entry.sieve].tare)
        if entry.tare is None and entry.sieve in known
        else entry
        for entry in entries
    ]


def complete_runs(
    runs: Iterable[str], entries: list[WeighingEntry], tares: TareHandling, table: Table
) -> tuple[dict[str, list[WeighingEntry]], list[str]]:
    """Entries of each run that is weighed, and the names of those that wait."""
    by_run: dict[str, list[WeighingEntry]] = {run: [] for run in runs}
    for entry in entries:
        if entry.run in by_run:
            by_run[entry.run].append(entry)
    waiting: list[str] = []
    complete: dict[str, list[WeighingEntry]] = {}
    for run, members in by_run.items():
        before = len(table.problems)
        if not members:
            remedy = "Add its weighings, or delete it from the run table."
            fault = "the run has no weighings"
            table.problems.append(Problem(table.file, fault, remedy, None, RUN, run))
        elif all(entry.gross is None for entry in members):
            waiting.append(run)
            continue
        for entry in members:
            for column, mass in ((TARE, entry.tare), (GROSS, entry.gross)):
                if mass is None:
                    remedy = f"Weigh sieve {entry.sieve} of run {run} and write its mass in g."
                    if column == TARE and tares is TareHandling.EACH_RUN:
                        remedy += " If each sieve was weighed empty only once, set "
                        remedy += 'tares = "once".'
                    problem = Problem(table.file, "the cell is empty", remedy, entry.row, column)
                    table.problems.append(problem)
        if len(table.problems) == before:
            complete[run] = members
    return complete, waiting
