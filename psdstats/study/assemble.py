"""From entries to records: sieves, balances, runs, and the study they make.

What the files leave open is a problem with a remedy, or an assumption stated in the notes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from psdstats.columns import (
    APERTURE,
    BALANCE,
    GROSS,
    GROUP,
    REPLICATE,
    RUN,
    SAMPLE_MASS,
    TIME,
)
from psdstats.errors import Problem
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import EDITIONS
from psdstats.study.cells import decimals_written, number_text
from psdstats.study.entries import (
    RunEntry,
    WeighingEntry,
    complete_runs,
    read_run_entries,
    read_sieve_entries,
    read_weighing_entries,
    with_sieve_keys,
    with_tares,
)
from psdstats.study.records import Balance, Place, Reading, Run, Study, TareHandling
from psdstats.study.settings import check_settings
from psdstats.study.tables import RawStudy, Table

_ONE_BALANCE = "balance"  # its name where the files name none


def assemble(raw: RawStudy, problems: list[Problem]) -> Study | None:
    """Build the records; None where the files say too little."""
    given: Mapping[str, Any] = raw.settings
    wrong = check_settings(given, raw.settings_file)
    problems += wrong
    table = raw.weighings
    if raw.runs is None or table is None:
        return None
    runs = read_run_entries(raw.runs)
    entries, spoiled = read_weighing_entries(table)
    if not runs and not problems:
        problems.append(Problem(raw.runs.file, "no run is listed", "Write one row a run."))
    if wrong or not runs:
        return None
    notes = [*map(str, given.get("notes", ())), *raw.notes]
    groups = {entry.run: entry.group for entry in runs}
    entries, named = with_sieve_keys(entries, groups, spoiled, raw.runs, table)
    sieves = _sieves(raw, entries, table)
    tares = TareHandling(given.get("tares", TareHandling.EACH_RUN))
    if tares is TareHandling.ONCE:
        entries = with_tares(entries, table)
    whole = [run for run in groups if run not in spoiled]
    by_run, waiting = complete_runs(whole, entries, tares, table)
    if not named:
        notes.append(
            "The weighings name no sieves: each group is taken to use one physical stack for all "
            "its runs."
        )
    if waiting:
        notes.append(f"Not weighed yet and left out: {', '.join(waiting)}.")
    chosen, balances = _balances(raw, runs, by_run, notes, problems)
    problems += _compare_problems(raw, runs)
    records = tuple(
        _run(entry, chosen[entry.run], by_run[entry.run], table.file)
        for entry in runs
        if entry.run in by_run and entry.run in chosen
    )
    if not records and waiting:
        remedy = "Weigh at least one run."
        problems.append(Problem(table.file, "no run is weighed yet", remedy, None, GROSS))
    return _study(raw, records, sieves, balances, notes) if records else None


def _study(
    raw: RawStudy,
    runs: tuple[Run, ...],
    sieves: Mapping[str, Sieve],
    balances: Mapping[str, Balance],
    notes: Iterable[str],
) -> Study:
    """The study of the runs that are weighed, with its settings."""
    given: Mapping[str, Any] = raw.settings
    optional = ("density_g_per_cm3", "shape_factor", "rule", "tares")
    settings: dict[str, Any] = {name: given[name] for name in optional if name in given}
    for name in ("uncertainty", "checks", "compare"):
        settings[name] = {key: one for key, one in given.get(name, {}).items() if one != {}}
    return Study(
        title=str(given.get("title", "")).strip() or raw.name,
        material=str(given.get("material", "")).strip(),
        runs=runs,
        sieves=sieves,
        balances=balances,
        files=tuple(raw.files),
        notes=tuple(dict.fromkeys(notes)),
        settings_text=raw.settings_text,
        **settings,
    )


def listed_sieves(raw: RawStudy, problems: list[Problem]) -> dict[str, Sieve]:
    """Sieves of the sieve table or of the settings, by key; without those that cannot be so."""
    tables = raw.settings.get("sieves", {})
    file = raw.settings_file
    listed: Mapping[str, tuple[int | None, Mapping[str, Any]]] = {}
    if raw.sieves is not None:
        file, listed = raw.sieves.file, read_sieve_entries(raw.sieves)
        if tables:
            fault = f"sieves are listed both here and in {file}"
            remedy = "Keep one of the two lists."
            problems.append(Problem(raw.settings_file, fault, remedy, None, "sieves"))
    elif isinstance(tables, Mapping):
        listed = {key: (None, table) for key, table in tables.items()}
    sieves: dict[str, Sieve] = {}
    for key, (row, fields) in listed.items():
        given = {name: value for name, value in fields.items() if value is not None}
        standard = given.get("standard", "ISO 3310-1")
        if standard not in EDITIONS:
            fault = f"the standard {standard!r} of sieve {key} is not known"
            remedy = f"Write one of {', '.join(EDITIONS)}."
            problems.append(Problem(file, fault, remedy, row, "standard"))
        elif "expanded_uncertainty_um" in given and "certified_um" not in given:
            fault = f"sieve {key} has an expanded uncertainty and no certified aperture"
            remedy = "Write the average aperture from the certificate."
            problems.append(Problem(file, fault, remedy, row, "certified_um"))
        else:
            sieves[key] = Sieve(key=key, **given)
    return sieves


def _sieves(raw: RawStudy, entries: Iterable[WeighingEntry], table: Table) -> dict[str, Sieve]:
    """Physical sieves by key, listed or found in the weighings; two apertures are a problem."""
    sieves = listed_sieves(raw, table.problems)
    remedy = "Correct the aperture, or name the sieve that was really used."
    seen: dict[str, WeighingEntry] = {}
    for entry in entries:
        first = seen.setdefault(entry.sieve, entry)
        known = sieves.get(entry.sieve)
        expected = first.aperture_um if known is None else known.nominal_um
        if entry.aperture_um != expected:
            where = f"row {first.row}" if known is None else "the sieve table"
            fault = f"sieve {entry.sieve} has {expected:.12g} µm in {where}"
            found = number_text(entry.aperture_um)
            table.problems.append(Problem(table.file, fault, remedy, entry.row, APERTURE, found))
    for key, entry in seen.items():
        if entry.aperture_um > 0 and key not in sieves:
            sieves[key] = Sieve(key=key, nominal_um=entry.aperture_um)
    return sieves


def _balances(
    raw: RawStudy,
    runs: Iterable[RunEntry],
    weighed: Mapping[str, Sequence[WeighingEntry]],
    notes: list[str],
    problems: list[Problem],
) -> tuple[dict[str, str], dict[str, Balance]]:
    """Balance of each run, and balances: as described, or with the finest step of the readings."""
    settings: Mapping[str, Any] = raw.settings
    given: Mapping[str, Mapping[str, Any]] = settings.get("balances", {})
    only = next(iter(given), _ONE_BALANCE) if len(given) <= 1 else None
    remedy = f"Write one of {', '.join(given)}, or describe it in {raw.settings_file} under "
    chosen: dict[str, str] = {}
    masses: dict[str, list[Decimal]] = {}
    for entry in runs:
        name = entry.balance or only
        if name is None or (given and name not in given):
            file = raw.runs.file if raw.runs else raw.name
            fault = "the balance of this run is not known"
            wrong = Problem(file, fault, f"{remedy}[balances.NAME].", entry.row, BALANCE, name)
            problems.append(wrong)
            continue
        chosen[entry.run] = name
        for one in weighed.get(entry.run, ()):
            read = (one.tare, one.gross, one.gross_again)
            masses.setdefault(name, []).extend(mass for mass in read if mass is not None)
    balances: dict[str, Balance] = {}
    for name, table in given.items():
        balances[name] = Balance(name=name, **table)
        if "repeatability_g" not in table:
            notes.append(f"Balance {name} states no repeatability: it is taken as 0 g.")
    for name in (name for name in masses if name not in given):
        step_g = float(Decimal(1).scaleb(-max(map(decimals_written, masses[name]), default=0)))
        balances[name] = Balance(name=name, resolution_g=step_g)
        notes.append(
            f"Balance {name!r} is not described: its resolution is taken as {step_g:g} g, "
            "the finest step of the readings, and its repeatability as 0 g."
        )
    return chosen, balances


def _compare_problems(raw: RawStudy, runs: Iterable[RunEntry]) -> list[Problem]:
    """Names in [compare] that are no columns of the run table."""
    given: Mapping[str, Any] = raw.settings
    known = [GROUP, TIME, REPLICATE, BALANCE, SAMPLE_MASS, RUN]
    known += dict.fromkeys(name for entry in runs for name in entry.factors)
    remedy = f"Write one of {', '.join(known)}."
    found: list[Problem] = []
    for key in ("by", "within", "also", "at_each"):
        names = given.get("compare", {}).get(key, [])
        for name in [names] if isinstance(names, str) else names:
            found += [
                Problem(raw.settings_file, "the run table has no such column", remedy, None,
                        f"compare.{key}", part)
                for part in ([name] if isinstance(name, str) else name)
                if part not in known
            ]  # fmt: skip
    return found


def _run(entry: RunEntry, balance: str, weighings: list[WeighingEntry], file: str) -> Run:
    """The record of a run whose sieves are all weighed."""
    readings = [
        Reading(
            sieve=found.sieve,
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
