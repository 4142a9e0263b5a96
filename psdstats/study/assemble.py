"""From tables to records: runs, weighings, sieves, balances, and the study they make.

A row with a cell that cannot be read is left out and its problem noted, so that the rest can still
be looked at.  Runs that are planned, abandoned or not wholly weighed are put aside with all that is
written of them; `unready` says which of these stand in the way of evaluating the others.  What the
files leave open is a problem with a remedy, or an assumption stated in the notes.  Masses in g.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from decimal import Decimal
from difflib import get_close_matches
from typing import Any

from psdstats import columns as col
from psdstats.errors import Problem, StudyError
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import EDITIONS
from psdstats.study.cells import CellComment, decimals_written, note_problem, number_text, to_number
from psdstats.study.records import Balance, Study, TareHandling
from psdstats.study.runs import AsideReading, AsideRun, Place, Reading, Run
from psdstats.study.settings import RETIRED, STRATA, check_settings
from psdstats.study.tables import (
    APERTURE_MM,
    COMPUTED_COLUMNS,
    NET,
    RUN_COLUMNS,
    RUN_LABELS,
    SIEVE_COLUMNS,
    SIEVE_TEXTS,
    WEIGHING_COLUMNS,
    RawStudy,
    Row,
    Table,
)  # fmt: skip

_ONE_BALANCE = "balance"  # its name where the files name none
_OF_WEIGHINGS = (*WEIGHING_COLUMNS, *COMPUTED_COLUMNS)
_BESIDE = (col.SIEVE, col.APERTURE, "remark", "further")  # a reading's masses
_NEARLY = 0.75  # likeness from which a name is taken for a known one mistyped


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
    further: Mapping[str, str]


def read_runs(table: Table) -> list[AsideRun]:
    """Read the run table, as runs without readings; every further column is a factor."""
    if not table.is_safe(col.RUN, col.TIME):
        return []
    factors = _factors(table)
    grouped = any(row.text(col.GROUP) for row in table.rows)
    entries: dict[str, AsideRun] = {}
    for row in table.rows:
        before = len(table.problems)
        run = table.name(row, col.RUN)
        time = table.number(row, col.TIME, needed=True)
        group = table.name(row, col.GROUP) if grouped else "all"
        sample = table.number(row, col.SAMPLE_MASS)
        labels: dict[str, Any] = {name: row.text(name) or None for name in RUN_LABELS}
        levels = {n: table.number(row, n) if f else row.text(n) for n, f in factors.items()}
        noted = _noted(table, row)
        if run in entries:
            fault = f"run {run} is also in row {entries[run].place.row}"
            own = "Give every run a name of its own."
            table.problems.append(Problem(table.file, fault, own, row.number, col.RUN))
        if len(table.problems) == before and run and group and time is not None:
            entries[run] = AsideRun(
                name=run,
                place=Place(table.file, row.number),
                group=group,
                milling_time_min=float(time),
                sample_mass_g=None if sample is None else float(sample),
                **labels,
                factors={
                    name: level if isinstance(level, str) else float(level)
                    for name, level in levels.items()
                    if level is not None and level != ""
                },
                noted=noted,
            )
    return list(entries.values())


def _factors(table: Table) -> dict[str, bool]:
    """Columns that are factors of the trial, and whether all their cells hold numbers."""
    factors = {col.SHAKING_TIME: True} if col.SHAKING_TIME in table.columns else {}
    for name in table.columns:
        if name in WEIGHING_COLUMNS and name != col.RUN:
            remedy = "Move it to the weighings, or rename it."
            fault = "the column belongs to the weighings"
            table.problems.append(Problem(table.file, fault, remedy, table.header_row, name))
        elif name not in (*RUN_COLUMNS, *COMPUTED_COLUMNS):
            texts = (row.text(name) for row in table.rows)
            factors[name] = all(to_number(text) is not None for text in texts if text)
    return factors


def _noted(table: Table, row: Row) -> dict[str, str]:
    """What is noted of a run; one that cannot be so is a problem."""
    noted = {name: row.text(name) for name in col.NOTED if row.text(name)}
    if col.STATUS in noted:
        noted[col.STATUS] = noted[col.STATUS].lower()
    found = (note_problem(name, text, table.file, row.at(name)) for name, text in noted.items())
    table.problems.extend(problem for problem in found if problem)
    return noted


def read_weighing_entries(table: Table) -> tuple[list[WeighingEntry], set[str]]:
    """Read the weighing table, and name the runs with rows that cannot be read."""
    if not _has_weighing_columns(table):
        return [], {row.text(col.RUN) for row in table.rows}
    further = [name for name in table.columns if name not in _OF_WEIGHINGS]
    column = APERTURE_MM if APERTURE_MM in table.columns else col.APERTURE
    in_um = 1000 if column == APERTURE_MM else 1
    entries: list[WeighingEntry] = []
    spoiled: set[str] = set()
    for row in table.rows:
        before = len(table.problems)
        run = table.name(row, col.RUN, "Repeat the name on every row.")
        pan = row.text(column).lower() == "pan"
        aperture = Decimal(0) if pan else table.number(row, column, needed=True)
        tare, gross, again = (
            table.number(row, name) for name in (col.TARE, col.GROSS, col.GROSS_AGAIN)
        )
        if len(table.problems) > before or not run or aperture is None:
            spoiled.add(row.text(col.RUN))
            continue
        entries.append(
            WeighingEntry(
                row=row.number,
                run=run,
                sieve=row.text(col.SIEVE),
                aperture_um=float(aperture * in_um),
                tare=tare,
                gross=gross,
                gross_again=again,
                remark=row.text("remark"),
                further={name: row.text(name) for name in further if row.text(name)},
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
    """Whether the table has what a weighing table needs; notes columns that look misplaced.

    A column that is not known is kept, unless it belongs to the runs or is nearly a known one.
    """
    remedy = f"Known columns are {', '.join(WEIGHING_COLUMNS)}; what describes a whole run "
    remedy += "belongs in the run table."
    table.problems.extend(
        Problem(table.file, "the column is not known", remedy, table.header_row, name)
        for name in table.columns
        if name not in _OF_WEIGHINGS
        and (name in RUN_COLUMNS or get_close_matches(name, _OF_WEIGHINGS, 1, _NEARLY))
    )
    if {col.APERTURE, APERTURE_MM} <= set(table.columns):
        fault, remedy = "the aperture is given both in µm and in mm", "Keep one of the two columns."
        table.problems.append(Problem(table.file, fault, remedy, table.header_row, APERTURE_MM))
        return False
    aperture = APERTURE_MM if APERTURE_MM in table.columns else col.APERTURE
    return table.is_safe(col.RUN, aperture, col.TARE, col.GROSS)


def read_sieve_entries(table: Table) -> dict[str, tuple[int | None, dict[str, object]]]:
    """Read the sieve table: row and fields of each physical sieve, by its name.

    A column that is not known is kept, unless it is nearly a known one.
    """
    remedy = f"Known columns are {', '.join(SIEVE_COLUMNS)}."
    further = [name for name in table.columns if name not in SIEVE_COLUMNS]
    table.problems.extend(
        Problem(table.file, "the column is not known", remedy, table.header_row, name)
        for name in further
        if get_close_matches(name, SIEVE_COLUMNS, 1, _NEARLY)
    )
    entries: dict[str, tuple[int | None, dict[str, object]]] = {}
    if not table.is_safe(*SIEVE_COLUMNS[:2]):
        return entries
    for row in table.rows:
        before = len(table.problems)
        sieve = table.name(row, col.SIEVE)
        values: dict[str, object] = {
            name: row.text(name) or None
            if name in SIEVE_TEXTS
            else table.number(row, name, needed=name == "nominal_um")
            for name in SIEVE_COLUMNS[1:]
        }
        values["further"] = {name: row.text(name) for name in further if row.text(name)}
        if sieve in entries:
            fault = f"sieve {sieve} is also in row {entries[sieve][0]}"
            remedy = "Keep one row for each sieve."
            table.problems.append(Problem(table.file, fault, remedy, row.number, col.SIEVE))
        if len(table.problems) == before and sieve:
            entries[sieve] = row.number, values
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
    told = {row.text(col.RUN) for row in runs.rows}
    known: list[WeighingEntry] = []
    for entry in entries:
        if entry.run in groups:
            known.append(entry)
        elif entry.run not in told:
            told.add(entry.run)
            fault, remedy = f"the run is not in {runs.file}", "Add it there, or correct its name."
            table.problems.append(Problem(table.file, fault, remedy, entry.row, col.RUN, entry.run))
    sieves = [entry.sieve for entry in known if entry.aperture_um > 0]
    named = any(sieves) or not sieves
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
            table.problems.append(Problem(table.file, fault, remedy, entry.row, col.SIEVE))
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
            table.problems.append(Problem(table.file, fault, remedy, entry.row, col.TARE, tare))
    return [
        replace(entry, tare=known[entry.sieve].tare)
        if entry.tare is None and entry.sieve in known
        else entry
        for entry in entries
    ]


def sorted_out(
    runs: Iterable[AsideRun], entries: Iterable[WeighingEntry], spoiled: set[str]
) -> tuple[dict[str, list[WeighingEntry]], dict[str, list[WeighingEntry]]]:
    """Weighings of the runs to evaluate, and of those put aside; runs with spoiled rows in none."""
    by_run: dict[str, list[WeighingEntry]] = {}
    for entry in entries:
        by_run.setdefault(entry.run, []).append(entry)
    weighed: dict[str, list[WeighingEntry]] = {}
    aside: dict[str, list[WeighingEntry]] = {}
    for run in (run for run in runs if run.name not in spoiled):
        members = by_run.get(run.name, [])
        whole = members and all(None not in (entry.tare, entry.gross) for entry in members)
        done = whole and run.noted.get(col.STATUS, "done") == "done"
        (weighed if done else aside)[run.name] = members
    return weighed, aside


def assemble(raw: RawStudy, problems: list[Problem]) -> Study | None:
    """Build the records; None where the files say too little."""
    given: Mapping[str, Any] = raw.settings
    wrong = check_settings(given, raw.settings_file)
    problems += wrong
    table = raw.weighings
    if raw.runs is None or table is None:
        return None
    runs = read_runs(raw.runs)
    entries, spoiled = read_weighing_entries(table)
    if not runs and not problems:
        problems.append(Problem(raw.runs.file, "no run is listed", "Write one row a run."))
    if wrong or not runs:
        return None
    notes = [*map(str, given.get("notes", ())), *raw.notes]
    groups = {run.name: run.group for run in runs}
    entries, named = with_sieve_keys(entries, groups, spoiled, raw.runs, table)
    sieves = _sieves(raw, entries, spoiled, table)
    tares = TareHandling(given.get("tares", TareHandling.EACH_RUN))
    if tares is TareHandling.ONCE:
        entries = with_tares(entries, table)
    by_run, aside = sorted_out(runs, entries, spoiled)
    notes += _refuse_silence(raw, named=named)
    weighed = [run for run in runs if run.name in by_run]
    chosen, balances = _balances(raw, weighed, by_run, notes, problems)
    problems += [*_compare_problems(raw, runs), *_split_problems(weighed)]
    records = tuple(
        _run(run, chosen[run.name], _readings(by_run[run.name], table.file, Reading))
        for run in weighed
        if run.name in chosen
    )
    others = tuple(
        replace(run, readings=_readings(aside[run.name], table.file, AsideReading))
        for run in runs
        if run.name in aside
    )
    if not records and not others:
        return None
    return _study(raw, records, others, sieves, balances, notes)


def _refuse_silence(raw: RawStudy, *, named: bool) -> list[str]:
    """What is told of sieves without names, and of settings that an earlier release had."""
    given: Mapping[str, Any] = raw.settings
    sieves = "The weighings name no sieves: each group is taken to use one physical stack for all "
    return [
        *([] if named else [sieves + "its runs."]),
        *(
            f"{raw.settings_file}: [uncertainty] {key} has no effect any more, for what the curve "
            "may do between two sieves counts by default. Remove the line; "
            f"{instead} = false leaves it out."
            for key, instead in RETIRED.items()
            if key in given.get("uncertainty", ())
        ),
    ]


def _study(
    raw: RawStudy,
    runs: tuple[Run, ...],
    aside: tuple[AsideRun, ...],
    sieves: Mapping[str, Sieve],
    balances: Mapping[str, Balance],
    notes: Iterable[str],
) -> Study:
    """The study of the runs, with its settings."""
    given: Mapping[str, Any] = raw.settings
    optional = ("density_g_per_cm3", "shape_factor", "rule", "tares")
    settings: dict[str, Any] = {name: given[name] for name in optional if name in given}
    for name in ("uncertainty", "checks", "compare", "limits"):
        settings[name] = {key: one for key, one in given.get(name, {}).items() if one != {}}
    for key in RETIRED:
        settings["uncertainty"].pop(key, None)
    return Study(
        title=str(given.get("title", "")).strip() or raw.name,
        material=str(given.get("material", "")).strip(),
        author=str(given.get("author", "")).strip(),
        date=str(given.get("date", "")).strip(),
        runs=runs,
        aside=aside,
        sieves=sieves,
        balances=balances,
        files=tuple(raw.files),
        comments=(*raw.comments, *(CellComment(**one) for one in given.get("comments", ()))),
        unread=tuple(raw.unread),
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
    for key, (row, stated) in listed.items():
        given = {name: value for name, value in stated.items() if value is not None}
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
            try:
                sieves[key] = Sieve(key=key, **given)
            except StudyError as cause:
                problems += [replace(one, file=file, row=row) for one in cause.problems]
    return sieves


def _sieves(
    raw: RawStudy, entries: Iterable[WeighingEntry], spoiled: set[str], table: Table
) -> dict[str, Sieve]:
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
            spoiled.add(entry.run)
            table.problems.append(
                Problem(table.file, fault, remedy, entry.row, col.APERTURE, found)
            )
    for key, entry in seen.items():
        if entry.aperture_um > 0 and key not in sieves:
            sieves[key] = Sieve(key=key, nominal_um=entry.aperture_um)
    return sieves


def _balances(
    raw: RawStudy,
    runs: Iterable[AsideRun],
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
    for run in runs:
        name = run.balance or only
        if name is None or (given and name not in given):
            fault, own = "the balance of this run is not known", f"{remedy}[balances.NAME]."
            place = run.place.row, col.BALANCE, name
            problems.append(Problem(run.place.file, fault, own, *place))
            continue
        chosen[run.name] = name
        for one in weighed.get(run.name, ()):
            read = (one.tare, one.gross, one.gross_again)
            masses.setdefault(name, []).extend(mass for mass in read if mass is not None)
    balances: dict[str, Balance] = {}
    for name, table in given.items():
        balances[name] = Balance(name=name, **table)
        if "repeatability_g" not in table and balances[name].has_data_sheet:
            notes.append(f"Balance {name} states no repeatability: it is taken as 0 g.")
    for name in (name for name in masses if name not in given):
        step_g = float(Decimal(1).scaleb(-max(map(decimals_written, masses[name]), default=0)))
        balances[name] = Balance(name=name, resolution_g=step_g)
        notes.append(
            f"Balance {name!r} is not described: its resolution is taken as {step_g:g} g, "
            "the finest step of the readings."
        )
    return chosen, balances


def _compare_problems(raw: RawStudy, runs: Iterable[AsideRun]) -> list[Problem]:
    """Names in [compare] that are no columns of the run table."""
    given: Mapping[str, Any] = raw.settings
    columns = [col.GROUP, col.TIME, *RUN_LABELS, col.SAMPLE_MASS, col.RUN]
    columns += dict.fromkeys(name for run in runs for name in run.factors)
    found: list[Problem] = []
    for key in ("by", "within", "also", "at_each", "leave_out"):
        names = given.get("compare", {}).get(key, [])
        known = [*columns, *(STRATA if key == "leave_out" else ())]
        for name in [names] if isinstance(names, str) else names:
            found += [
                Problem(raw.settings_file, "the run table has no such column",
                        f"Write one of {', '.join(known)}.", None, f"compare.{key}", part)
                for part in ([name] if isinstance(name, str) else name)
                if part not in known
            ]  # fmt: skip
    return found


def _split_problems(runs: Iterable[AsideRun]) -> list[Problem]:
    """Runs that say they are the same split of the same sample."""
    seen: dict[tuple[object, ...], str] = {}
    found: list[Problem] = []
    for run in (run for run in runs if run.split):
        first = seen.setdefault((*run.sample, run.split), run.name)
        if first != run.name:
            fault = f"run {first} is this split of the same sample"
            remedy = "Number the splits of a sample, or give another sample another replicate."
            place = (run.place.row, col.SPLIT, run.split)
            found.append(Problem(run.place.file, fault, remedy, *place))
    return found


def _run(listed: AsideRun, balance: str, readings: tuple[Any, ...]) -> Run:
    """A run whose sieves are all weighed."""
    known = {one.name: getattr(listed, one.name) for one in fields(listed)}
    return Run(**{**known, "balance": balance, "readings": readings})


def _readings(
    weighings: Iterable[WeighingEntry], file: str, kind: type[Reading | AsideReading]
) -> tuple[Any, ...]:
    """Records of one kind of the readings of a run, by increasing aperture."""
    readings = []
    for found in sorted(weighings, key=lambda one: one.aperture_um):
        read = {col.TARE: found.tare, col.GROSS: found.gross, col.GROSS_AGAIN: found.gross_again}
        masses: Mapping[str, Any] = {n: None if g is None else float(g) for n, g in read.items()}
        beside = {name: getattr(found, name) for name in _BESIDE}
        readings.append(kind(**masses, **beside, place=Place(file, found.row)))
    return tuple(readings)
