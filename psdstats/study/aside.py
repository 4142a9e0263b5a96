"""What is kept and not evaluated: which runs of it stand in the way of the others, what is told."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from psdstats import columns as col
from psdstats.errors import Problem
from psdstats.study.records import Study, TareHandling
from psdstats.study.runs import AsideRun, Run
from psdstats.study.sheets import shown_name

_NAMED = 8  # in one finding; the others are counted


def every_note(study: Study) -> tuple[str, ...]:
    """Notes of a study, and which of its runs and columns are not evaluated."""
    kept = further_columns((*study.runs, *study.aside))
    kept += [name for sieve in study.sieves.values() for name in sieve.further]
    told = [("Not evaluated: column", dict.fromkeys(kept))]
    for status, words in (("planned", "Not weighed yet"), ("abandoned", "Abandoned")):
        own = dict.fromkeys(run.name for run in study.aside if run.status == status)
        told.append((f"{words} and left out:", own))
    return (*study.notes, *(f"{words} {', '.join(own)}." for words, own in told if own))


def further_columns(runs: Sequence[Run | AsideRun]) -> list[str]:
    """Columns of the weighings that are not known, in the order of the files."""
    return list(dict.fromkeys(name for run in runs for one in run.readings for name in one.further))


def unready(study: Study) -> list[Problem]:
    """Runs that nobody called planned or abandoned and that are not wholly weighed."""
    waiting = [run for run in study.aside if run.status not in ("planned", "abandoned")]
    found = [*_without_weighings(waiting), *_weighed_in_part(waiting, study.tares)]
    if not study.runs and not found:
        file = next((one.place.file for run in study.aside for one in run.readings), study.title)
        remedy = "Weigh at least one run."
        found.append(Problem(file, "no run is weighed yet", remedy, None, col.GROSS))
    return found


def _without_weighings(waiting: Sequence[AsideRun]) -> Iterator[Problem]:
    """Runs of which nothing is weighed and no sieve listed, in one problem."""
    bare = [run for run in waiting if not run.readings]
    if bare:
        fault, what = "these runs have no weighings", "their weighings"
        if len(bare) == 1:
            fault, what = "the run has no weighings", "its weighings"
        names = col.listed([run.name for run in bare], _NAMED)
        remedy = f"Add {what}, write planned or abandoned into the column status, or delete the "
        remedy += "row from the run table."
        place = bare[0].place
        yield Problem(place.file, fault, remedy, place.row, col.RUN, names)


def _weighed_in_part(waiting: Sequence[AsideRun], tares: TareHandling) -> Iterator[Problem]:
    """Masses that are missing in runs that are weighed otherwise, in one problem."""
    gaps = [
        (run.name, one, empty)
        for run in waiting
        for one in sorted(run.readings, key=lambda one: one.place.row)
        if (empty := [name for name in (col.TARE, col.GROSS) if getattr(one, name) is None])
    ]
    if gaps:
        _, first, (column, *_) = gaps[0]
        cells = [
            f"{' and '.join(shown_name(each, one.place.file) for each in empty)} of sieve "
            f"{one.sieve} in run {name} (row {one.place.row})"
            for name, one, empty in gaps[:_NAMED]
        ]
        more = f" and of {len(gaps) - _NAMED} further sieves" if len(gaps) > _NAMED else ""
        runs = len({name for name, *_ in gaps})
        counted = "1 run is" if runs == 1 else f"{runs} runs are"
        fault = f"{counted} weighed in part: missing is {', '.join(cells)}{more}"
        remedy = "Weigh what is missing and write its mass in g; else write planned or abandoned "
        remedy += "into the column status."
        if tares is TareHandling.EACH_RUN and any(col.TARE in empty for *_, empty in gaps):
            remedy += ' If each sieve was weighed empty only once, set tares = "once".'
        yield Problem(first.place.file, fault, remedy, first.place.row, column)
