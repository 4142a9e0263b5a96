"""From a study as typed to the typed records, with every problem collected on the way.

Units: aperture in µm, mass in g, time in min.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from psdstats.errors import Problem
from psdstats.sieves.sieve import Sieve
from psdstats.study.entries import (
    RunEntry,
    WeighingEntry,
    read_run_entries,
    read_weighing_entries,
)
from psdstats.study.equipment import choose_balances, collect_sieves, make_balances
from psdstats.study.masses import complete_runs, fill_tares, with_sieve_keys
from psdstats.study.raw import RawStudy
from psdstats.study.records import Place, Reading, Run, Study, TareHandling
from psdstats.study.settings import check_settings

__all__ = ["assemble"]


def assemble(raw: RawStudy, problems: list[Problem]) -> Study | None:
    """Build the records.

    Parameters
    ----------
    raw : RawStudy
        Settings and tables as typed.
    problems : list of Problem
        Receives everything that is wrong.

    Returns
    -------
    Study or None
        The study of all runs that can be read, even where there are problems with others; None
        where there is no such run or the settings are wrong.
    """
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
        sieves=MappingProxyType(weighed.sieves),
        balances=MappingProxyType(balances),
        tares=weighed.tares,
        files=tuple(raw.files),
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
    known = ["group", "milling_time_min", "replicate", "balance", "sample_mass_g", "run"]
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
        factors=MappingProxyType(dict(entry.factors)),
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
        found[name] = _frozen(given.get(name, {}))
    return found


def _frozen(value: object) -> object:
    """Read-only copy: tables become read-only mappings, inner lists tuples of names."""
    if isinstance(value, Mapping):
        return MappingProxyType({key: _frozen(part) for key, part in value.items() if part != {}})
    if isinstance(value, list):
        return [tuple(part) if isinstance(part, list) else part for part in value]
    return value
