"""Rows of the tables as typed entries: one of the run table, one of the weighing table.

An entry with a cell that cannot be read is left out and its problem noted, so that the rest can
still be looked at.

Masses of the weighing entries: filling tares weighed once, and setting unweighed runs apart.

Masses in g.  A run none of whose sieves has a gross mass is not weighed yet and is left out with
a note; a run with some masses missing is a problem.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from psdstats.columns import TIME
from psdstats.errors import Problem
from psdstats.study.records import TareHandling
from psdstats.study.tables import (
    COMPUTED_COLUMNS,
    RUN_COLUMNS,
    SIEVE_COLUMNS,
    WEIGHING_COLUMNS,
    CellReader,
    Row,
    Table,
)

_RESERVED_FACTORS = frozenset(WEIGHING_COLUMNS) - {"run"}


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
    """One row of the weighing table; None where a cell is empty."""

    row: int
    run: str
    sieve: str | None
    aperture_um: float
    tare: Decimal | None
    gross: Decimal | None
    gross_again: Decimal | None
    remark: str


@dataclass(frozen=True, kw_only=True)
class SieveEntry:
    """One row of the sieve table."""

    row: int
    sieve: str
    nominal_um: float
    certified_um: float | None
    expanded_uncertainty_um: float | None
    coverage_factor: float | None
    standard: str | None


def _floated(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def read_run_entries(table: Table, problems: list[Problem]) -> list[RunEntry]:
    """Read the run table: names once each, times, and every further column as a factor."""
    reader = CellReader(table, problems)
    if not reader.require("run", TIME) or reader.complain_of_mixed_signs():
        return []
    factors = [name for name in table.columns if name not in (*RUN_COLUMNS, *COMPUTED_COLUMNS)]
    for name in [name for name in factors if name in _RESERVED_FACTORS]:
        factors.remove(name)
        remedy = "Move it to the weighings, or rename it."
        reader.complain(table.header_row, name, "the column belongs to the weighings", remedy)
    numeric = {name: reader.factor_is_number(name) for name in factors}
    grouped = any(row.text("group") for row in table.rows)
    entries: dict[str, RunEntry] = {}
    for row in table.rows:
        before = len(problems)
        run = reader.name(row, "run")
        time = reader.number(row, TIME, needed=True)
        group = reader.name(row, "group") if grouped else "all"
        sample = reader.number(row, "sample_mass_g")
        values = _factors(reader, row, numeric)
        if run in entries:
            fault = f"run {run} is also in row {entries[run].row}"
            reader.complain(row.number, "run", fault, "Give every run a name of its own.")
        if len(problems) == before and run and group and time is not None:
            entries[run] = RunEntry(
                row=row.number,
                run=run,
                group=group,
                milling_time_min=float(time),
                replicate=row.text("replicate") or None,
                sample_mass_g=_floated(sample),
                balance=row.text("balance") or None,
                factors=values,
            )
    return list(entries.values())


def _factors(reader: CellReader, row: Row, numeric: Mapping[str, bool]) -> dict[str, str | float]:
    values: dict[str, str | float] = {}
    shaking = reader.number(row, "shaking_time_min")
    if shaking is not None:
        values["shaking_time_min"] = float(shaking)
    for name, is_number in numeric.items():
        value = reader.factor_number(row, name) if is_number else row.text(name)
        if value is not None and value != "":
            values[name] = value
    return values


def read_weighing_entries(
    table: Table, problems: list[Problem]
) -> tuple[list[WeighingEntry], set[str]]:
    """Read the weighing table; empty masses are left for the caller to judge."""
    reader = CellReader(table, problems)
    if not _has_weighing_columns(reader):
        return [], {row.text("run") for row in table.rows}
    in_mm = "aperture_mm" in table.columns
    entries: list[WeighingEntry] = []
    spoiled: set[str] = set()
    for row in table.rows:
        before = len(problems)
        run = reader.name(row, "run", "Repeat the name on every row.")
        aperture = _aperture(reader, row, "aperture_mm" if in_mm else "aperture_um")
        masses = [reader.number(row, name) for name in ("tare_g", "gross_g", "gross_again_g")]
        if len(problems) == before and run and aperture is not None:
            entries.append(
                WeighingEntry(
                    row=row.number,
                    run=run,
                    sieve=row.text("sieve") or None,
                    aperture_um=float(aperture * 1000 if in_mm else aperture),
                    tare=masses[0],
                    gross=masses[1],
                    gross_again=masses[2],
                    remark=row.text("remark"),
                )
            )
            _compare_net(reader, row, masses[0], masses[1])
        else:
            spoiled.add(row.text("run"))
    return entries, spoiled


def _has_weighing_columns(reader: CellReader) -> bool:
    table = reader.table
    known = (*WEIGHING_COLUMNS, *COMPUTED_COLUMNS)
    for name in table.columns:
        if name not in known:
            remedy = (
                f"Known columns are {', '.join(WEIGHING_COLUMNS)}; what describes a whole run "
                "belongs in the run table."
            )
            reader.complain(table.header_row, name, "the column is not known", remedy)
    apertures = [name for name in ("aperture_um", "aperture_mm") if name in table.columns]
    if len(apertures) == 2:
        fault = "the aperture is given both in µm and in mm"
        reader.complain(table.header_row, "aperture_mm", fault, "Keep one of the two columns.")
        return False
    aperture = apertures[0] if apertures else "aperture_um"
    complete = reader.require("run", aperture, "tare_g", "gross_g")
    return complete and not reader.complain_of_mixed_signs()


def _aperture(reader: CellReader, row: Row, column: str) -> Decimal | None:
    if row.text(column).lower() == "pan":
        return Decimal(0)
    return reader.number(row, column, needed=True)


def _compare_net(reader: CellReader, row: Row, tare: Decimal | None, gross: Decimal | None) -> None:
    """Check a net mass that was typed (or computed by a spreadsheet) against its readings."""
    if "net_g" not in reader.table.columns or tare is None or gross is None:
        return
    text = row.text("net_g")
    try:
        net = Decimal(text.replace(",", "."))
    except ArithmeticError:
        return
    if net.is_finite() and abs(net - (gross - tare)) > Decimal("1e-6"):
        remedy = "Correct the reading that was typed wrongly, or delete the column net_g."
        fault = f"the net mass is not gross minus tare, {gross - tare} g"
        reader.complain(row.number, "net_g", fault, remedy, value=text)


def read_sieve_entries(table: Table, problems: list[Problem]) -> list[SieveEntry]:
    """Read the sieve table: one physical sieve a row."""
    reader = CellReader(table, problems)
    for name in table.columns:
        if name not in SIEVE_COLUMNS:
            remedy = f"Known columns are {', '.join(SIEVE_COLUMNS)}."
            reader.complain(table.header_row, name, "the column is not known", remedy)
    if not reader.require("sieve", "nominal_um") or reader.complain_of_mixed_signs():
        return []
    entries: dict[str, SieveEntry] = {}
    for row in table.rows:
        before = len(problems)
        sieve = reader.name(row, "sieve")
        nominal = reader.number(row, "nominal_um", needed=True)
        others = {
            name: _floated(reader.number(row, name))
            for name in ("certified_um", "expanded_uncertainty_um", "coverage_factor")
        }
        if sieve in entries:
            fault = f"sieve {sieve} is also in row {entries[sieve].row}"
            reader.complain(row.number, "sieve", fault, "Keep one row for each sieve.")
        if len(problems) == before and sieve and nominal is not None:
            entries[sieve] = SieveEntry(
                row=row.number,
                sieve=sieve,
                nominal_um=float(nominal),
                standard=row.text("standard") or None,
                **others,
            )
    return list(entries.values())


def pan_key(group: str) -> str:
    """Name of the pan of a group's stack, where the files give it none."""
    return f"{group} pan"


def with_sieve_keys(
    entries: Iterable[WeighingEntry],
    groups: Mapping[str, str],
    *,
    named: bool,
    file: str,
    spoiled: set[str],
    problems: list[Problem],
) -> list[WeighingEntry]:
    """Give every entry a sieve key: as typed, or from group and aperture."""
    keyed: list[WeighingEntry] = []
    for entry in entries:
        group = groups[entry.run]
        if entry.sieve is not None:
            keyed.append(entry)
        elif entry.aperture_um == 0:
            keyed.append(replace(entry, sieve=pan_key(group)))
        elif not named:
            keyed.append(replace(entry, sieve=f"{group} {entry.aperture_um:.12g} µm"))
        else:
            spoiled.add(entry.run)
            problems.append(
                Problem(
                    file=file,
                    row=entry.row,
                    column="sieve",
                    fault="the cell is empty",
                    remedy="Name the physical sieve, or delete the whole column.",
                )
            )
    return keyed


def fill_tares(
    entries: list[WeighingEntry], tares: TareHandling, file: str, problems: list[Problem]
) -> list[WeighingEntry]:
    """Repeat the tare of a sieve that was weighed once; two different ones are a problem."""
    if tares is TareHandling.EACH_RUN:
        return entries
    known: dict[str | None, WeighingEntry] = {}
    for entry in entries:
        if entry.tare is None:
            continue
        first = known.setdefault(entry.sieve, entry)
        if first.tare != entry.tare:
            problems.append(
                Problem(
                    file=file,
                    row=entry.row,
                    column="tare_g",
                    value=str(entry.tare),
                    fault=f"sieve {entry.sieve} has the tare {first.tare} g in row {first.row}, "
                    'but tares = "once"',
                    remedy='Write the same tare, or set tares = "each run".',
                )
            )
    return [
        replace(entry, tare=known[entry.sieve].tare)
        if entry.tare is None and entry.sieve in known
        else entry
        for entry in entries
    ]


def complete_runs(
    runs: Iterable[str],
    entries: list[WeighingEntry],
    tares: TareHandling,
    file: str,
    problems: list[Problem],
) -> tuple[dict[str, list[WeighingEntry]], list[str]]:
    """Sort entries by run."""
    by_run: dict[str, list[WeighingEntry]] = {run: [] for run in runs}
    for entry in entries:
        if entry.run in by_run:
            by_run[entry.run].append(entry)
    waiting: list[str] = []
    complete: dict[str, list[WeighingEntry]] = {}
    for run, members in by_run.items():
        if not members:
            problems.append(
                Problem(
                    file=file,
                    column="run",
                    value=run,
                    fault="the run has no weighings",
                    remedy="Add its weighings, or delete it from the run table.",
                )
            )
        elif all(entry.gross is None for entry in members):
            waiting.append(run)
        else:
            missing = [
                _empty(entry, column, tares, file)
                for entry in members
                for column, mass in (("tare_g", entry.tare), ("gross_g", entry.gross))
                if mass is None
            ]
            problems += missing
            if not missing:
                complete[run] = members
    return complete, waiting


def _empty(entry: WeighingEntry, column: str, tares: TareHandling, file: str) -> Problem:
    remedy = f"Weigh sieve {entry.sieve} of run {entry.run} and write its mass in g."
    if column == "tare_g" and tares is TareHandling.EACH_RUN:
        remedy += ' If each sieve was weighed empty only once, set tares = "once".'
    return Problem(
        file=file, row=entry.row, column=column, fault="the cell is empty", remedy=remedy
    )
