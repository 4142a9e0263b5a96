"""The order in which runs are computed and shown: by what they are, not by where they stand.

Sums, draws of rearrangements and the order of sentences then come out the same however the rows
of the files are arranged.
"""

from __future__ import annotations

import re
from dataclasses import replace

from psdstats.study.records import Study
from psdstats.study.runs import AsideRun, Run

_FIGURES = re.compile(r"([0-9]+)")
Key = tuple[tuple[int, float, str], ...]


def in_order(study: Study) -> Study:
    """The same study, its runs by group, factors, time, replicate, split and name.

    Parameters
    ----------
    study : Study
        A study; its runs may stand in any order.

    Returns
    -------
    Study
        Sieves stand by name, too.
    """
    sieves = {key: study.sieves[key] for key in sorted(study.sieves, key=natural)}
    return replace(study, runs=tuple(sorted(study.runs, key=place_of)), sieves=sieves)


def natural(text: str) -> Key:
    """Key that sorts names as a person does: a-2 before a-10, capitals beside small letters.

    Examples
    --------
    >>> sorted(["a-10", "B-1", "a-2"], key=natural)
    ['a-2', 'a-10', 'B-1']
    """
    parts = (part for part in _FIGURES.split(text.casefold()) if part)
    cut = tuple((0, float(part), "") if part.isdigit() else (1, 0.0, part) for part in parts)
    return (*cut, (2, 0.0, text))


def place_of(run: Run | AsideRun) -> tuple[object, ...]:
    """Key that sorts runs: group, factors, time, replicate, split, name."""
    levels = tuple(
        (name, *((0, float(one), ()) if isinstance(one, int | float) else (1, 0.0, natural(one))))
        for name, one in sorted(run.factors.items())
    )
    names = (natural(one or "") for one in (run.replicate, run.split, run.name))
    return (natural(run.group), levels, run.milling_time_min, *names)
