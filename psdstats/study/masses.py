"""Masses of the weighing entries: filling tares weighed once, and setting unweighed runs apart.

Masses in g.  A run none of whose sieves has a gross mass is not weighed yet and is left out with
a note; a run with some masses missing is a problem.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from psdstats.errors import Problem
from psdstats.study.entries import WeighingEntry
from psdstats.study.records import TareHandling

__all__ = ["complete_runs", "fill_tares", "pan_key", "with_sieve_keys"]


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
    """Give every entry a sieve key: as typed, or from group and aperture.

    Parameters
    ----------
    entries : iterable of WeighingEntry
        Entries whose run is known.
    groups : mapping of str to str
        Group by run.
    named : bool
        Whether the weighings name their sieves; the pan may then still go without a name.
    file : str
        Name for messages.
    spoiled : set of str
        Receives the runs of the entries that are left out.
    problems : list of Problem
        Receives sieves without a name.
    """
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
    """Sort entries by run.

    Returns
    -------
    (dict of str to list of WeighingEntry, list of str)
        The runs whose every mass is there, and the names of those not weighed yet.
    """
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
