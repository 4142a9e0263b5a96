"""From tables to records: runs, weighings, sieves, balances, and the study they make.

A row with a cell that cannot be read is left out and its problem noted, so that the rest can still
be looked at.  Runs that are planned, abandoned or not wholly weighed are put aside with all that is
written of them; `unready` says which of these stand in the way of evaluating the others.  What the
files leave open is a problem with a remedy, or an assumption stated in the notes.  Masses in g.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from psdstats import columns as col
from psdstats.errors import StudyError
from psdstats.sieves.standards import EDITIONS, Sieve
from psdstats.study.cells import CellComment, decimals_written, note_problem, number_text, to_number
from psdstats.study.records import Balance, Study, TareHandling
from psdstats.study.runs import AsideReading, AsideRun, Place, Reading, Run
from psdstats.study.settings import RETIRED, STRATA, check_settings
from psdstats.study.tables import RawStudy, ReadCell, Row, Table

_ONE_BALANCE = "balance"  # its name where the files name none
_MASSES = (col.TARE, col.GROSS, col.GROSS_AGAIN)
_WEIGHED = (*col.WEIGHING_COLUMNS, *col.COMPUTED_COLUMNS)


@dataclass
class Weighing:
    """One row of the weighing table: its run, and the cells that make a reading."""

    run: str
    place: Place
    cells: dict[str, Any]

    def __getitem__(self, column: str) -> Any:
        return self.cells[column]

    @property
    def is_whole(self) -> bool:
        """Whether the sieve was weighed, empty and loaded."""
        return self[col.TARE] is not None and self[col.GROSS] is not None


def read_runs(table: Table) -> list[AsideRun]:
    """Read the run table, as runs without readings; every further column is a factor."""
    if not table.is_safe(col.RUN, col.TIME):
        return []
    factors = _factors(table)
    grouped = any(row.text(col.GROUP) for row in table.rows)
    of_run: dict[str, ReadCell] = {
        col.TIME: table.needed,
        col.GROUP: table.name if grouped else lambda *_: "all",
        col.SAMPLE_MASS: table.number,
        **dict.fromkeys(col.RUN_LABELS, table.text),
    }
    reads = of_run | factors | dict.fromkeys(col.NOTED, lambda *cell: _noted(table, *cell))
    return [
        AsideRun(
            name=run,
            place=Place(table.file, row.number),
            **{name: cells[name] for name in of_run},
            factors={name: cells[name] for name in factors if cells[name] is not None},
            noted={name: cells[name] for name in col.NOTED if cells[name]},
        )
        for run, row, cells in table.named_rows(col.RUN, reads)
    ]


def _factors(table: Table) -> dict[str, ReadCell]:
    """Columns that are factors of the trial: numbers where all their cells hold one."""
    factors: dict[str, ReadCell] = {}
    factors |= {col.SHAKING_TIME: table.number} if col.SHAKING_TIME in table.columns else {}
    for name in table.columns:
        if name in col.WEIGHING_COLUMNS and name != col.RUN:
            remedy = "Move it to the weighings, or rename it."
            fault = "the column belongs to the weighings"
            table.refuse(fault, remedy, table.header_row, name)
        elif name not in (*col.RUN_COLUMNS, *col.COMPUTED_COLUMNS):
            texts = (row.text(name) for row in table.rows)
            numeric = all(to_number(text) is not None for text in texts if text)
            factors[name] = table.number if numeric else table.text
    return factors


def _noted(table: Table, row: Row, column: str) -> str:
    """What is noted of a run; one that cannot be so is a problem."""
    text = row.text(column)
    text = text.lower() if column == col.STATUS else text
    problem = note_problem(column, text, table.file, row.at(column)) if text else None
    table.problems += [problem] if problem else []
    return text


def read_weighings(table: Table) -> tuple[list[Weighing], set[str]]:
    """Read the weighing table, and name the runs with rows that cannot be read.

    A column that is not known is kept, unless it belongs to the runs or is nearly a known one.
    """
    remedy = f"Known columns are {', '.join(col.WEIGHING_COLUMNS)}; what describes a whole run "
    remedy += "belongs in the run table."
    further = table.unknown(_WEIGHED, remedy, misplaced=col.RUN_COLUMNS)
    both = {col.APERTURE, col.APERTURE_MM} <= set(table.columns)
    if both:
        fault, remedy = "the aperture is given both in µm and in mm", "Keep one of the two columns."
        table.refuse(fault, remedy, table.header_row, col.APERTURE_MM)
    if both or not table.is_safe(col.RUN, table.aperture, col.TARE, col.GROSS):
        return [], {row.text(col.RUN) for row in table.rows}
    reads = {
        col.RUN: lambda row, name: table.name(row, name, "Repeat the name on every row."),
        table.aperture: lambda row, name: _aperture_um(table, row, name),
        **dict.fromkeys(_MASSES, table.number),
    }
    weighings: list[Weighing] = []
    spoiled: set[str] = set()
    for row in table.rows:
        cells = table.read(row, reads)
        if cells is None:
            spoiled.add(row.text(col.RUN))
            continue
        run, aperture_um = cells.pop(col.RUN), cells.pop(table.aperture)
        cells |= {name: row.text(name) for name in (col.SIEVE, col.REMARK)}
        cells["further"] = {name: row.text(name) for name in further if row.text(name)}
        cells[col.APERTURE] = float(aperture_um)
        weighings.append(Weighing(run, Place(table.file, row.number), cells))
        _refuse_other_net(table, row, weighings[-1])
    return weighings, spoiled


def _aperture_um(table: Table, row: Row, column: str) -> Decimal | None:
    """Aperture, of the pan 0."""
    if row.text(column).lower() == "pan":
        return Decimal(0)
    aperture = table.needed(row, column)
    return aperture * 1000 if aperture is not None and column == col.APERTURE_MM else aperture


def _refuse_other_net(table: Table, row: Row, weighing: Weighing) -> None:
    """Refuse a net mass, typed or computed by a spreadsheet, that is not gross minus tare."""
    net = to_number(row.text(col.NET))
    if net is not None and weighing.is_whole:
        computed = weighing[col.GROSS] - weighing[col.TARE]
        if abs(net - computed) > Decimal("1e-6"):
            fault = f"the net mass is not gross minus tare, {computed} g"
            remedy = "Correct the reading that was typed wrongly, or delete the column net_g."
            table.refuse(fault, remedy, row.number, col.NET, row.text(col.NET))


def _of_known_runs(
    weighings: Iterable[Weighing], runs: Table, known: Mapping[str, AsideRun], table: Table
) -> list[Weighing]:
    """Weighings of the runs that are listed; a run that the run table lacks is a problem."""
    told = {row.text(col.RUN) for row in runs.rows}
    found: list[Weighing] = []
    for one in weighings:
        if one.run in known:
            found.append(one)
        elif one.run not in told:
            told.add(one.run)
            remedy = "Add it there, or correct its name."
            table.refuse(f"the run is not in {runs.file}", remedy, one.place.row, col.RUN, one.run)
    return found


def _name_sieves(
    weighings: Iterable[Weighing], runs: Mapping[str, AsideRun], spoiled: set[str], table: Table
) -> bool:
    """Name sieves after group and aperture unless the table names them; whether it does.

    An unnamed one among named ones is a problem.
    """
    sieves = [one[col.SIEVE] for one in weighings if one[col.APERTURE] > 0]
    named = any(sieves) or not sieves
    for one in weighings:
        group, aperture_um = runs[one.run].group, one[col.APERTURE]
        if one[col.SIEVE]:
            continue
        if aperture_um == 0:
            one.cells[col.SIEVE] = f"{group} pan"
        elif not named:
            one.cells[col.SIEVE] = f"{group} {aperture_um:.12g} µm"
        else:
            remedy = "Name the physical sieve, or delete the whole column."
            table.refuse("the cell is empty", remedy, one.place.row, col.SIEVE)
            spoiled.add(one.run)
    return named


def _repeat_tares(weighings: Iterable[Weighing], table: Table) -> None:
    """Repeat the tare of a sieve that was weighed once; two different ones are a problem."""
    known: dict[str, Weighing] = {}
    remedy = 'Write the same tare, or set tares = "each run".'
    for one in (one for one in weighings if one[col.TARE] is not None):
        first = known.setdefault(one[col.SIEVE], one)
        if first[col.TARE] != one[col.TARE]:
            fault = f"sieve {one[col.SIEVE]} has the tare {first[col.TARE]} g in row "
            fault += f'{first.place.row}, but tares = "once"'
            table.refuse(fault, remedy, one.place.row, col.TARE, str(one[col.TARE]))
    for one in weighings:
        if one[col.TARE] is None and one[col.SIEVE] in known:
            one.cells[col.TARE] = known[one[col.SIEVE]][col.TARE]


def assemble(raw: RawStudy) -> Study | None:
    """Build the records; None where the files say too little."""
    sound = check_settings(raw.settings, raw)
    table = raw.weighings
    if raw.runs is None or table is None:
        return None
    runs = {run.name: run for run in read_runs(raw.runs)}
    weighings, spoiled = read_weighings(table)
    if not runs and not raw.problems:
        raw.runs.refuse("no run is listed", "Write one row a run.")
    if not sound or not runs:
        return None
    weighings = _of_known_runs(weighings, raw.runs, runs, table)
    named = _name_sieves(weighings, runs, spoiled, table)
    weighings = [one for one in weighings if one[col.SIEVE]]
    sieves = _sieves(raw, weighings, spoiled, table)
    if raw.settings.get("tares") == TareHandling.ONCE:
        _repeat_tares(weighings, table)
    by_run: dict[str, list[Weighing]] = defaultdict(list)
    for one in weighings:
        by_run[one.run].append(one)
    listed = [run for run in runs.values() if run.name not in spoiled]
    done = [run for run in listed if _is_done(run, by_run[run.name])]
    raw.notes[:0] = map(str, raw.settings.get("notes", ()))
    raw.notes += _refuse_silence(raw, named=named)
    chosen, balances = _balances(raw, done, by_run)
    _refuse_compared(raw, runs.values())
    _refuse_same_splits(raw, done)
    records: list[Run] = []
    aside: list[AsideRun] = []
    whole = {run.name for run in done}
    for run in listed:
        if run.name not in whole:
            aside.append(replace(run, readings=_readings(by_run[run.name], AsideReading)))
        elif run.name in chosen:
            own = {"balance": chosen[run.name], "readings": _readings(by_run[run.name], Reading)}
            records.append(Run(**vars(run) | own))
    if not records and not aside:
        return None
    return _study(raw, runs=tuple(records), aside=tuple(aside), sieves=sieves, balances=balances)


def _is_done(run: AsideRun, weighings: list[Weighing]) -> bool:
    """Whether a run is weighed as a whole and nobody calls it planned or abandoned."""
    whole = bool(weighings) and all(one.is_whole for one in weighings)
    return whole and run.noted.get(col.STATUS, "done") == "done"


def _readings(weighings: Iterable[Weighing], kind: type[Reading | AsideReading]) -> tuple[Any, ...]:
    """Records of one kind of the readings of a run, by increasing aperture."""
    ordered = sorted(weighings, key=lambda one: float(one[col.APERTURE]))
    return tuple(kind(**one.cells, place=one.place) for one in ordered)


def _refuse_silence(raw: RawStudy, *, named: bool) -> list[str]:
    """What is told of sieves without names, and of settings that an earlier release had."""
    sieves = "The weighings name no sieves: each group is taken to use one physical stack for all "
    return [
        *([] if named else [sieves + "its runs."]),
        *(
            f"{raw.file}: [uncertainty] {key} has no effect any more, for what the curve "
            "may do between two sieves counts by default. Remove the line; "
            f"{instead} = false leaves it out."
            for key, instead in RETIRED.items()
            if key in raw.settings.get("uncertainty", ())
        ),
    ]


def _study(raw: RawStudy, **records: Any) -> Study:
    """The study of the runs, with its settings."""
    given = raw.settings
    optional = ("density_g_per_cm3", "shape_factor", "rule", "tares")
    settings: dict[str, Any] = {name: given[name] for name in optional if name in given}
    for name in ("uncertainty", "checks", "compare", "limits"):
        settings[name] = {key: one for key, one in given.get(name, {}).items() if one != {}}
    for key in RETIRED:
        settings["uncertainty"].pop(key, None)
    for name in ("title", "material", "author", "date"):
        settings[name] = str(given.get(name, "")).strip()
    settings["title"] = settings["title"] or raw.name
    return Study(
        files=tuple(raw.files),
        comments=(*raw.comments, *(CellComment(**one) for one in given.get("comments", ()))),
        unread=tuple(raw.unread),
        notes=tuple(dict.fromkeys(raw.notes)),
        settings_text=raw.settings_text,
        **settings,
        **records,
    )


def listed_sieves(raw: RawStudy) -> dict[str, Sieve]:
    """Sieves of the sieve table or of the settings, by key; without those that cannot be so."""
    tables = raw.settings.get("sieves", {})
    source = raw if raw.sieves is None else raw.sieves
    listed: Iterable[tuple[str, int | None, Mapping[str, Any]]] = ()
    if raw.sieves is not None:
        listed = _sieve_rows(raw.sieves)
        if tables:
            fault = f"sieves are listed both here and in {raw.sieves.file}"
            raw.refuse(fault, "Keep one of the two lists.", None, "sieves")
    elif isinstance(tables, Mapping):
        listed = ((key, None, table) for key, table in tables.items())
    sieves: dict[str, Sieve] = {}
    for key, row, stated in listed:
        given = {name: value for name, value in stated.items() if value is not None}
        standard = given.get("standard", "ISO 3310-1")
        if standard not in EDITIONS:
            fault = f"the standard {standard!r} of sieve {key} is not known"
            source.refuse(fault, f"Write one of {', '.join(EDITIONS)}.", row, "standard")
        elif "expanded_uncertainty_um" in given and "certified_um" not in given:
            fault = f"sieve {key} has an expanded uncertainty and no certified aperture"
            remedy = "Write the average aperture from the certificate."
            source.refuse(fault, remedy, row, "certified_um")
        else:
            try:
                sieves[key] = Sieve(key=key, **given)
            except StudyError as cause:
                raw.problems += [replace(one, file=source.file, row=row) for one in cause.problems]
    return sieves


def _sieve_rows(table: Table) -> list[tuple[str, int, dict[str, Any]]]:
    """Name, row and fields of each physical sieve of the sieve table.

    A column that is not known is kept, unless it is nearly a known one.
    """
    remedy = f"Known columns are {', '.join(col.SIEVE_COLUMNS)}."
    further = table.unknown(col.SIEVE_COLUMNS, remedy)
    if not table.is_safe(*col.SIEVE_COLUMNS[:2]):
        return []
    reads: dict[str, ReadCell] = {
        **dict.fromkeys(col.SIEVE_COLUMNS[1:], table.number),
        **dict.fromkeys(col.SIEVE_TEXTS, table.text),
        "nominal_um": table.needed,
    }
    found = table.named_rows(col.SIEVE, reads)
    return [
        (sieve, row.number, cells | {"further": {n: row.text(n) for n in further if row.text(n)}})
        for sieve, row, cells in found
    ]


def _sieves(
    raw: RawStudy, weighings: Iterable[Weighing], spoiled: set[str], table: Table
) -> dict[str, Sieve]:
    """Physical sieves by key, listed or found in the weighings; two apertures are a problem."""
    sieves = listed_sieves(raw)
    remedy = "Correct the aperture, or name the sieve that was really used."
    seen: dict[str, Weighing] = {}
    for one in weighings:
        key, aperture_um = one[col.SIEVE], one[col.APERTURE]
        first, known = seen.setdefault(key, one), sieves.get(key)
        expected_um = first[col.APERTURE] if known is None else known.nominal_um
        if aperture_um != expected_um:
            where = f"row {first.place.row}" if known is None else "the sieve table"
            fault = f"sieve {key} has {expected_um:.12g} µm in {where}"
            spoiled.add(one.run)
            table.refuse(fault, remedy, one.place.row, col.APERTURE, number_text(aperture_um))
    for key, one in seen.items():
        if one[col.APERTURE] > 0 and key not in sieves:
            sieves[key] = Sieve(key=key, nominal_um=one[col.APERTURE])
    return sieves


def _balances(
    raw: RawStudy, runs: Iterable[AsideRun], by_run: Mapping[str, list[Weighing]]
) -> tuple[dict[str, str], dict[str, Balance]]:
    """Balance of each run, and balances: as described, or with the finest step of the readings."""
    given: Mapping[str, Mapping[str, Any]] = raw.settings.get("balances", {})
    only = next(iter(given), _ONE_BALANCE) if len(given) <= 1 else None
    chosen: dict[str, str] = {}
    decimals: dict[str, int] = {}
    for run in runs:
        name = run.balance or only
        if name is None or (given and name not in given):
            remedy = f"Write one of {', '.join(given)}, or describe it in {raw.file} under "
            remedy += "[balances.NAME]."
            fault, runs_file = "the balance of this run is not known", raw.part(run.place.file)
            runs_file.refuse(fault, remedy, run.place.row, col.BALANCE, name)
            continue
        chosen[run.name] = name
        masses = [one[mass] for one in by_run[run.name] for mass in _MASSES]
        written = [decimals_written(mass) for mass in masses if mass is not None]
        decimals[name] = max(decimals.get(name, 0), *written)
    balances: dict[str, Balance] = {}
    for name, table in given.items():
        balances[name] = Balance(name=name, **table)
        if "repeatability_g" not in table and balances[name].has_data_sheet:
            raw.notes.append(f"Balance {name} states no repeatability: it is taken as 0 g.")
    for name in (name for name in decimals if name not in given):
        step_g = float(Decimal(1).scaleb(-decimals[name]))
        balances[name] = Balance(name=name, resolution_g=step_g)
        raw.notes.append(
            f"Balance {name!r} is not described: its resolution is taken as {step_g:g} g, "
            "the finest step of the readings."
        )
    return chosen, balances


def _refuse_compared(raw: RawStudy, runs: Iterable[AsideRun]) -> None:
    """Refuse names in [compare] that are no columns of the run table."""
    columns = [col.GROUP, col.TIME, *col.RUN_LABELS, col.SAMPLE_MASS, col.RUN]
    columns += dict.fromkeys(name for run in runs for name in run.factors)
    for key in ("by", "within", "also", "at_each", "leave_out"):
        names = raw.settings.get("compare", {}).get(key, [])
        known = [*columns, *(STRATA if key == "leave_out" else ())]
        for name in [names] if isinstance(names, str) else names:
            for part in [name] if isinstance(name, str) else name:
                if part not in known:
                    fault = "the run table has no such column"
                    remedy = f"Write one of {', '.join(known)}."
                    raw.refuse(fault, remedy, None, f"compare.{key}", part)


def _refuse_same_splits(raw: RawStudy, runs: Iterable[AsideRun]) -> None:
    """Refuse runs that say they are the same split of the same sample."""
    seen: dict[tuple[object, ...], str] = {}
    for run in (run for run in runs if run.split):
        first = seen.setdefault((*run.sample, run.split), run.name)
        if first != run.name:
            fault = f"run {first} is this split of the same sample"
            remedy = "Number the splits of a sample, or give another sample another replicate."
            raw.part(run.place.file).refuse(fault, remedy, run.place.row, col.SPLIT, run.split)
