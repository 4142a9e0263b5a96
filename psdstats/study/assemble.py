"""Sieves and balances of a study, from its tables and settings, or inferred with a note.

Units: aperture in µm, mass in g.

From a study as typed to the typed records, with every problem collected on the way.

Units: aperture in µm, mass in g, time in min.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from psdstats.columns import TIME
from psdstats.errors import Problem
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import EDITIONS
from psdstats.study.cells import decimals_written, number_text
from psdstats.study.entries import (
    RunEntry,
    SieveEntry,
    WeighingEntry,
    complete_runs,
    fill_tares,
    read_run_entries,
    read_sieve_entries,
    read_weighing_entries,
    with_sieve_keys,
)
from psdstats.study.records import Balance, Place, Reading, Run, Study, TareHandling
from psdstats.study.settings import check_settings
from psdstats.study.tables import RawStudy

DEFAULT_BALANCE = "balance"
"""Name of the balance where the files name none."""


def collect_sieves(
    raw: RawStudy, entries: Iterable[WeighingEntry], problems: list[Problem]
) -> dict[str, Sieve]:
    """Physical sieves by key, from the sieve table or settings and from the weighings.

    Two apertures for one sieve, in the weighings or between weighings and sieve table, are a
    problem.
    """
    sieves = listed_sieves(raw, problems)
    file = raw.weighings.file if raw.weighings else raw.name
    seen: dict[str, WeighingEntry] = {}
    for entry in entries:
        if entry.sieve is None:
            continue
        first = seen.setdefault(entry.sieve, entry)
        known = sieves.get(entry.sieve)
        expected = first.aperture_um if known is None else known.nominal_um
        where = f"row {first.row}" if known is None else "the sieve table"
        if entry.aperture_um != expected:
            problems.append(
                Problem(
                    file=file,
                    row=entry.row,
                    column="aperture_um",
                    value=number_text(entry.aperture_um),
                    fault=f"sieve {entry.sieve} has {expected:.12g} µm in {where}",
                    remedy="Correct the aperture, or name the sieve that was really used.",
                )
            )
    for key, entry in seen.items():
        if entry.aperture_um > 0 and key not in sieves:
            sieves[key] = Sieve(key=key, nominal_um=entry.aperture_um)
    return sieves


def listed_sieves(raw: RawStudy, problems: list[Problem]) -> dict[str, Sieve]:
    """Sieves of the sieve table or of the settings, by key."""
    return {
        entry.sieve: _sieve(entry)
        for entry in _entries(raw, problems)
        if _certificate_fault(entry) is None
    }


def _sieve(entry: SieveEntry) -> Sieve:
    return Sieve(
        key=entry.sieve,
        nominal_um=entry.nominal_um,
        certified_um=entry.certified_um,
        expanded_uncertainty_um=entry.expanded_uncertainty_um,
        coverage_factor=2.0 if entry.coverage_factor is None else entry.coverage_factor,
        standard=entry.standard or "ISO 3310-1",
    )


def _entries(raw: RawStudy, problems: list[Problem]) -> list[SieveEntry]:
    tables = raw.settings.get("sieves", {})
    listed: list[SieveEntry] = []
    file = raw.settings_file
    if raw.sieves is not None:
        file = raw.sieves.file
        listed = read_sieve_entries(raw.sieves, problems)
        if tables:
            problems.append(
                Problem(
                    file=raw.settings_file,
                    column="sieves",
                    fault=f"sieves are listed both here and in {raw.sieves.file}",
                    remedy="Keep one of the two lists.",
                )
            )
    elif isinstance(tables, Mapping):
        listed = [SieveEntry(row=0, sieve=key, **_values(table)) for key, table in tables.items()]
    for entry in listed:
        fault = _certificate_fault(entry)
        if fault is not None:
            problems.append(
                Problem(
                    file=file,
                    row=entry.row or None,
                    column=fault[0],
                    fault=fault[1],
                    remedy=fault[2],
                )
            )
    return listed


def _values(table: Mapping[str, object]) -> dict[str, Any]:
    names = ("nominal_um", "certified_um", "expanded_uncertainty_um", "coverage_factor")
    return {
        **{name: float(str(table[name])) if name in table else None for name in names},
        "standard": table.get("standard"),
    }


def _certificate_fault(entry: SieveEntry) -> tuple[str, str, str] | None:
    """Column, fault and remedy of an incomplete certificate."""
    if entry.standard is not None and entry.standard not in EDITIONS:
        fault = f"the standard {entry.standard!r} of sieve {entry.sieve} is not known"
        return "standard", fault, f"Write one of {', '.join(EDITIONS)}."
    if entry.expanded_uncertainty_um is not None and entry.certified_um is None:
        fault = f"sieve {entry.sieve} has an expanded uncertainty and no certified aperture"
        return "certified_um", fault, "Write the average aperture from the certificate."
    if entry.nominal_um <= 0:
        fault = f"sieve {entry.sieve} has no aperture"
        return "nominal_um", fault, "Leave the pan out of the sieve list."
    return None


def choose_balances(
    runs: Iterable[RunEntry], raw: RawStudy, problems: list[Problem]
) -> dict[str, str]:
    """Name of the balance of each run."""
    given = raw.settings.get("balances", {})
    known = tuple(given) if isinstance(given, Mapping) else ()
    chosen: dict[str, str] = {}
    for entry in runs:
        name = entry.balance
        if name is None and len(known) <= 1:
            name = known[0] if known else DEFAULT_BALANCE
        if name is None or (known and name not in known):
            problems.append(
                Problem(
                    file=raw.runs.file if raw.runs else raw.name,
                    row=entry.row,
                    column="balance",
                    value=name,
                    fault="the balance of this run is not known",
                    remedy=f"Write one of {', '.join(known)}, or describe it in "
                    f"{raw.settings_file} under [balances.NAME].",
                )
            )
        else:
            chosen[entry.run] = name
    return chosen


def make_balances(
    raw: RawStudy,
    chosen: Mapping[str, str],
    weighings: Mapping[str, list[WeighingEntry]],
    notes: list[str],
) -> dict[str, Balance]:
    """Balances by name: as described, or with the resolution inferred from the readings."""
    given = raw.settings.get("balances", {})
    balances: dict[str, Balance] = {}
    if isinstance(given, Mapping):
        for name, table in given.items():
            balances[name] = Balance(name=name, **{key: float(v) for key, v in table.items()})
            if "repeatability_g" not in table:
                notes.append(f"Balance {name} states no repeatability: it is taken as 0 g.")
    for name in dict.fromkeys(chosen[run] for run in weighings):
        if name in balances:
            continue
        readings = [
            mass
            for run, entries in weighings.items()
            if chosen[run] == name
            for entry in entries
            for mass in (entry.tare, entry.gross, entry.gross_again)
            if mass is not None
        ]
        resolution_g = _inferred_resolution_g(readings)
        balances[name] = Balance(name=name, resolution_g=resolution_g)
        notes.append(
            f"Balance {name!r} is not described: its resolution is taken as {resolution_g:g} g, "
            "the finest step of the readings, and its repeatability as 0 g."
        )
    return balances


def _inferred_resolution_g(readings: Iterable[Decimal]) -> float:
    decimals = max((decimals_written(reading) for reading in readings), default=0)
    return float(Decimal(1).scaleb(-decimals))


def assemble(raw: RawStudy, problems: list[Problem]) -> Study | None:
    """Build the records."""
    wrong = check_settings(raw.settings, raw.settings_file)
    problems += wrong
    if raw.runs is None or raw.weighings is None:
        return None
    runs = read_run_entries(raw.runs, problems)
    entries, spoiled = read_weighing_entries(raw.weighings, problems)
    if not runs and not problems:
        problems.append(
            Problem(file=raw.runs.file, fault="no run is listed", remedy="Write one row a run.")
        )
    if wrong or not runs:
        return None
    weighed = _sort_weighings(raw, raw.weighings.file, runs, entries, spoiled, problems)
    notes = _notes(raw, weighed)
    chosen = choose_balances(runs, raw, problems)
    by_run = {run: found for run, found in weighed.by_run.items() if run in chosen}
    balances = make_balances(raw, chosen, by_run, notes)
    problems += _compare_problems(raw, runs)
    records = tuple(
        _run(entry, chosen[entry.run], by_run[entry.run], raw.weighings.file)
        for entry in runs
        if entry.run in by_run
    )
    if not records:
        problems += _nothing_weighed(raw.weighings.file, weighed.waiting)
        return None
    return Study(
        runs=records,
        sieves=weighed.sieves,
        balances=balances,
        tares=weighed.tares,
        files=tuple(raw.files),
        settings_text=raw.settings_text,
        notes=tuple(notes),
        **_plain_settings(raw),
    )


@dataclass(frozen=True, kw_only=True)
class _Weighed:
    """The weighings, sorted by run, and what goes with them."""

    by_run: dict[str, list[WeighingEntry]]
    waiting: list[str]
    sieves: dict[str, Sieve]
    tares: TareHandling
    named: bool


def _sort_weighings(
    raw: RawStudy,
    file: str,
    runs: list[RunEntry],
    entries: list[WeighingEntry],
    spoiled: set[str],
    problems: list[Problem],
) -> _Weighed:
    """Complete the weighings of the known runs and sort them by run."""
    tares = TareHandling(str(raw.settings.get("tares", TareHandling.EACH_RUN)))
    entries = _of_known_runs(entries, runs, raw, problems)
    groups = {entry.run: entry.group for entry in runs}
    named = any(entry.sieve is not None and entry.aperture_um > 0 for entry in entries)
    entries = with_sieve_keys(
        entries, groups, named=named, file=file, spoiled=spoiled, problems=problems
    )
    sieves = collect_sieves(raw, entries, problems)
    entries = fill_tares(entries, tares, file, problems)
    whole = [run for run in groups if run not in spoiled]
    by_run, waiting = complete_runs(whole, entries, tares, file, problems)
    return _Weighed(by_run=by_run, waiting=waiting, sieves=sieves, tares=tares, named=named)


def _of_known_runs(
    entries: Iterable[WeighingEntry],
    runs: Iterable[RunEntry],
    raw: RawStudy,
    problems: list[Problem],
) -> list[WeighingEntry]:
    """Leave out weighings of runs that the run table lacks; note those that it really lacks."""
    readable = {entry.run for entry in runs}
    listed = {row.text("run") for row in raw.runs.rows} if raw.runs else set()
    told: set[str] = set()
    kept: list[WeighingEntry] = []
    for entry in entries:
        if entry.run in readable:
            kept.append(entry)
        elif entry.run not in listed | told and raw.runs and raw.weighings:
            told.add(entry.run)
            problems.append(
                Problem(
                    file=raw.weighings.file,
                    row=entry.row,
                    column="run",
                    value=entry.run,
                    fault=f"the run is not in {raw.runs.file}",
                    remedy="Add it there, or correct its name.",
                )
            )
    return kept


def _notes(raw: RawStudy, weighed: _Weighed) -> list[str]:
    given = raw.settings.get("notes", ())
    notes = [str(note) for note in given] if isinstance(given, list) else []
    notes += raw.notes
    if not weighed.named:
        notes.append(
            "The weighings name no sieves: each group is taken to use one physical stack for all "
            "its runs."
        )
    if weighed.waiting:
        notes.append(f"Not weighed yet and left out: {', '.join(weighed.waiting)}.")
    return list(dict.fromkeys(notes))


def _nothing_weighed(file: str, waiting: list[str]) -> list[Problem]:
    if not waiting:
        return []
    return [
        Problem(
            file=file,
            column="gross_g",
            fault="no run is weighed yet",
            remedy="Weigh at least one run.",
        )
    ]


def _compare_problems(raw: RawStudy, runs: Iterable[RunEntry]) -> list[Problem]:
    """Names in [compare] that are no columns of the run table."""
    compare = raw.settings.get("compare", {})
    known = ["group", TIME, "replicate", "balance", "sample_mass_g", "run"]
    known += dict.fromkeys(name for entry in runs for name in entry.factors)
    names = [
        (f"compare.{key}", part)
        for key in ("by", "within", "also", "at_each")
        for part in (_parts(compare.get(key)) if isinstance(compare, Mapping) else [])
        if part not in known
    ]
    return [
        Problem(
            file=raw.settings_file,
            column=key,
            value=part,
            fault="the run table has no such column",
            remedy=f"Write one of {', '.join(known)}.",
        )
        for key, part in names
    ]


def _parts(names: object) -> Iterator[str]:
    """Every column name in a name, a list of names, or a list with lists of names."""
    if isinstance(names, str):
        yield names
    elif isinstance(names, list):
        for name in names:
            yield from _parts(name)


def _run(entry: RunEntry, balance: str, weighings: list[WeighingEntry], file: str) -> Run:
    readings = [
        Reading(
            sieve=str(found.sieve),
            aperture_um=found.aperture_um,
            tare_g=float(found.tare),
            gross_g=float(found.gross),
            gross_again_g=None if found.gross_again is None else float(found.gross_again),
            remark=found.remark,
            place=Place(file, found.row),
        )
        for found in weighings
        if found.tare is not None and found.gross is not None
    ]
    return Run(
        name=entry.run,
        group=entry.group,
        milling_time_min=entry.milling_time_min,
        readings=tuple(sorted(readings, key=lambda reading: reading.aperture_um)),
        balance=balance,
        replicate=entry.replicate,
        sample_mass_g=entry.sample_mass_g,
        factors=entry.factors,
    )


def _plain_settings(raw: RawStudy) -> dict[str, Any]:
    """Settings that become fields of the study as they are."""
    given = raw.settings
    found: dict[str, Any] = {
        "title": str(given.get("title", "")).strip() or raw.name,
        "material": str(given.get("material", "")).strip(),
    }
    for name in ("density_g_per_cm3", "shape_factor"):
        if name in given:
            found[name] = float(str(given[name]))
    if "rule" in given:
        found["rule"] = given["rule"]
    for name in ("uncertainty", "checks", "compare"):
        table = given.get(name, {})
        if isinstance(table, Mapping):
            found[name] = {key: value for key, value in table.items() if value != {}}
    return found
