"""How runs are labelled: names that read alike, levels that are no numbers, times hardly meant.

Alike are names that differ in upper and lower case, in how an accent is stored, in blanks, dashes
and underlines, in signs that show nothing, or in letters of another script.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import combinations, pairwise

import numpy as np

from psdstats.columns import BALL_RATIO, column_words
from psdstats.frozen import Array
from psdstats.study.cells import to_number
from psdstats.study.flags import Flag, Spot, at
from psdstats.study.records import Study
from psdstats.study.runs import Run, chord_um

Step = Callable[[str], str]
Limits = Mapping[str, float]
Flags = Iterator[Flag]

_OTHER_SCRIPTS = str.maketrans("аеорсухіјѕԁнкмтвАЕОРСУХІЈЅНКМТВαορνιτκΑΒΕΖΗΙΚΜΝΟΡΤΥΧ",
                               "aeopcyxijsdhkmtbAEOPCYXIJSHKMTBaopvitkABEZHIKMNOPTYX")  # fmt: skip
_DASHES = dict.fromkeys(map(ord, "‐‑‒–—―−_"), "-")
_BLANKS = re.compile(r"(?<!\d)\s+|\s+(?!\d)")  # "1 1" is not "11"
_NOTHING = ("Cf", "Cc")
_TIME_UNITS = ((60.0, "h"), (1440.0, "days"), (1.0 / 60.0, "s"))
_TIME_ROUNDING = 0.03  # 0.17 h are 10 min
_SIZES = (0.5, 0.9, 0.1)  # undersize at the size that is looked at, where most runs have it
_LEVEL, _COURSE, _CELL, _RUN, _BEND = 0.08, 0.03, 0.02, 0.035, 0.034
_WEIGHT = 4.0  # runs as which the scale of all of these is known beforehand
_ANYWHERE, _NO_TIME = 100.0, 0.35
_LOOKED_AT, _TOGETHER, _FEWEST = 12, 80, 2
_RATIO = re.compile(r"([0-9.,]+)\s*:\s*1")


def _without_nothing(name: str) -> str:
    """A name without signs that show nothing, such as a zero-width space."""
    selectors = ("\u034f", *map(chr, range(0xFE00, 0xFE10)))
    return "".join(
        sign
        for sign in name
        if sign not in selectors and (unicodedata.category(sign) not in _NOTHING or sign == "\t")
    )


_STEPS: Mapping[str, Step] = {
    "signs that show nothing": _without_nothing,
    "how a letter is stored": lambda name: unicodedata.normalize("NFKC", name),
    "dashes": lambda name: name.translate(_DASHES),
    "blanks": lambda name: " ".join(_BLANKS.sub("", name).split()),
    "letters of another script": lambda name: name.translate(_OTHER_SCRIPTS),
    "upper and lower case": str.casefold,
}


def plain_name(name: str, *, but: str = "") -> str:
    r"""A name without what a reader does not see, all of it or all but one kind.

    Examples
    --------
    >>> plain_name("Op  A"), plain_name("op\u200bA"), plain_name("Run 1 1"), plain_name("5–a")
    ('opa', 'opa', 'run1 1', '5-a')
    """
    for kind, step in _STEPS.items():
        name = name if kind == but else step(name)
    return name


def similar_names(study: Study, _: object) -> Iterator[Flag]:
    """Names of one kind that read alike; the rarer one is named."""
    for kind, spots in _names_of(study).items():
        for name, usual in _usual_names(spots).items():
            if name != usual:
                says = f"{kind} {_visible(usual)} and {_visible(name)} read alike and count as "
                says += f"two: they differ in {' and in '.join(_ways(name, usual))}"
                for spot in spots[name]:
                    yield Flag("similar_names", says, spot, common=says)


def _usual_names(spots: Mapping[str, Sequence[object]]) -> dict[str, str]:
    """The most frequent of the names that read like each name."""
    by_plain: dict[str, list[str]] = defaultdict(list)
    for name in spots:
        by_plain[plain_name(name)].append(name)
    return {
        name: max(names, key=lambda one: len(spots[one]))
        for names in by_plain.values()
        for name in names
    }


def _ways(name: str, usual: str) -> list[str]:
    """In what two names that read alike differ."""
    alone = [way for way, step in _STEPS.items() if step(name) == step(usual)]
    return alone[:1] or [
        way for way in _STEPS if plain_name(name, but=way) != plain_name(usual, but=way)
    ]


def _visible(name: str) -> str:
    """A name in which signs that show nothing, and odd blanks, are written as their number."""
    return "".join(
        sign
        if sign == " " or (_without_nothing(sign) and not sign.isspace())
        else f"<U+{ord(sign):04X}>"
        for sign in name
    )


def _names_of(study: Study) -> dict[str, dict[str, list[Spot]]]:
    """Names by their kind, with the places of each."""
    found: dict[str, dict[str, list[Spot]]] = defaultdict(lambda: defaultdict(list))
    groups: dict[str, list[Run]] = defaultdict(list)
    for run in study.runs:
        groups[run.group].append(run)
        labels = {"runs": run.name, "groups": run.group, "charges": run.charge}
        labels["replicates"] = run.replicate
        for name, level in run.factors.items():
            found["columns"].setdefault(name, [Spot()])
            if isinstance(level, str):
                labels[f"levels of {column_words(name)}"] = level
        for kind, label in labels.items():
            if label:
                found[kind][label].append(at(run))
    usual = _usual_names(groups)
    for run in study.runs:
        for one in run.readings:
            if one.aperture_um > 0:  # one named after its group changes with the group's name
                own = one.sieve.removeprefix(run.group)
                name = one.sieve if own == one.sieve else f"{usual[run.group]}{own}"
                found["sieves"][name].append(at(run, one))
    for sieve in study.sieves.values():
        for name in filter(None, (sieve.certificate, sieve.reference)):
            found["certificates"][name].append(Spot(sieve=sieve.key))
    return found


def mixed_levels(study: Study, _: object) -> Iterator[Flag]:
    """Factors that are numbers in some runs and words in others, so that none is a number."""
    for name in dict.fromkeys(name for run in study.runs for name in run.factors):
        own = [(run, run.factors[name]) for run in study.runs if name in run.factors]
        words = [(run, one) for run, one in own if isinstance(one, str) and to_number(one) is None]
        if not words or len(words) == len(own):
            continue
        levels = dict.fromkeys(str(level) for _, level in words)
        shown = ", ".join([*levels][:3])
        says = f"{column_words(name)} counts as words in all runs, since {shown} is no number"
        ratios = [found[1] for one in levels if (found := _RATIO.fullmatch(one))]
        remedy = "Write numbers alone, or words in every run."
        if len(ratios) == len(levels):
            remedy = f"Write {', '.join(ratios)} for {shown}, as in the other runs."
        for run, _ in words:
            yield Flag("mixed_levels", says, at(run), common=says, remedy=remedy)


def time_range(study: Study, limits: Limits) -> Flags:
    """Milling times that are hardly meant."""
    for run in study.runs:
        minutes = run.milling_time_min
        if minutes == 0 or limits["shortest_min"] <= minutes <= limits["longest_min"]:
            continue
        short = minutes < limits["shortest_min"]
        limit = limits["shortest_min" if short else "longest_min"]
        says = f"the milling time {minutes:g} min is {'shorter' if short else 'longer'} than "
        yield Flag("time_range", f"{says}{limit:g} min", at(run), minutes, limit)


def time_unit(study: Study, _: Limits) -> Flags:
    """Groups whose times are those of the others in another unit."""
    times: dict[str, set[float]] = {run.group: set() for run in study.runs}
    for run in study.runs:
        if run.milling_time_min > 0:
            times[run.group].add(run.milling_time_min)
    odd: set[str] = set()
    for factor, unit in _TIME_UNITS:
        for group, own in times.items():
            others = {one for name in times if name not in {group, *odd} for one in times[name]}
            meant = {one: _near(one * factor, others) for one in own}
            doubtful = len(own) > 1 or len(own) == len(others) == 1
            fit = 2 * len(own & others) > len(own)  # most of them, as they stand
            if group in odd or None in meant.values() or not doubtful or fit:
                continue
            odd.add(group)
            told = f"the times of group {group} are those of the other groups in {unit}"
            for run in study.runs:
                minutes, other_min = run.milling_time_min, meant.get(run.milling_time_min)
                if run.group == group and other_min is not None:
                    says = f"{told}: {minutes:g} for {other_min:g} min"
                    yield Flag("time_unit", says, at(run), minutes, other_min, told)


def _near(minutes: float, others: Iterable[float]) -> float | None:
    """The time of others that is meant by a rounded one; None where there is none."""
    return next((one for one in others if abs(minutes / one - 1.0) < _TIME_ROUNDING), None)


def wrong_time(study: Study, limits: Limits) -> Flags:
    """Runs whose size is that of another milling time, or of none.

    Notes
    -----
    ln size is taken as a line in log2(1 + t/t1), t1 the shortest time, that bends a little (an
    integrated random walk, q = 0.034).  Groups lie beside it by 8 %, fall by 3 % a doubling more or
    less and lie 2 % beside that at each time; runs scatter by 3.5 %.  One factor makes all of it
    larger or smaller and is known as from four runs.  A run, or two exchanged, is judged by all the
    others, and so are all runs of one group and time together, where there are several groups; one
    of no time lies 35 % off (own choices; tests/calibration/wrong_times.py measures).
    """
    for runs in _courses(study):
        level = max(_SIZES, key=lambda one: sum(chord_um(run, one) < math.inf for run in runs))
        left = known = [run for run in runs if chord_um(run, level) < math.inf]
        odd: list[dict[str, float]] = []
        while len(left) > _FEWEST:
            odds, times = _best_times(left, level)
            if odds < math.log(limits["odds"]):
                break
            odd.append(times)
            left = [run for run in left if run.name not in times]
        if len({run.milling_time_min for run in known}) == len(known):
            yield from _rise(known, {name for times in odd for name in times}, level)
            continue
        for times in odd:
            yield from _look_like([run for run in known if run.name in times], times, left, level)


def _courses(study: Study) -> Iterator[list[Run]]:
    """Runs that differ in time and group alone; words of whole groups set no runs apart."""
    apart: list[str] = []
    for name in dict.fromkeys(name for run in study.runs for name in run.factors):
        seen = {(run.group, run.milling_time_min, run.factors.get(name)) for run in study.runs}
        times = Counter(level for _, level in {(time, level) for _, time, level in seen})
        of_group = len({(group, level) for group, _, level in seen}) == len(
            {one[0] for one in seen}
        )
        words = name != BALL_RATIO and any(isinstance(level, str) for level in times)
        apart += [name] if min(times.values()) > 1 and not (of_group and words) else []
    alike: dict[tuple[object, ...], list[Run]] = defaultdict(list)
    for run in study.runs:
        alike[tuple(run.factors.get(name) for name in apart)].append(run)
    for runs in alike.values():
        parts = -(-len(runs) // _TOGETHER)
        yield from (runs[first::parts] for first in range(parts))


def _best_times(runs: Sequence[Run], level: float) -> tuple[float, dict[str, float]]:
    """Ln odds of the likeliest wrong time or exchange; which time each run has, its own if none."""
    minutes = [run.milling_time_min for run in runs]
    groups = np.array([run.group for run in runs])
    ln_um = np.log([chord_um(run, level) for run in runs])
    u = np.log2(1.0 + np.array(minutes) / min(filter(None, minutes), default=1.0))
    written = _covariance(u, groups) + _RUN**2 * np.eye(len(u))
    precision = np.linalg.inv(written)
    off = -np.abs(precision @ ln_um) / np.sqrt(np.diag(precision))
    far = [int(r) for r in np.argsort(off, kind="stable")[:_LOOKED_AT]]
    tried = [{r: r} for r in far]  # of no time
    tried += [{r: minutes.index(t)} for r in far for t in dict.fromkeys(minutes) if t != minutes[r]]
    both = [(r, q) for r, q in combinations(far, 2) if groups[r] == groups[q]]
    tried += [{r: q, q: r} for r, q in both if minutes[r] != minutes[q]]
    tried += [] if len({*groups}) == 1 else _whole_cells([*zip(groups, minutes, strict=True)], far)
    odds = []
    for one in tried:
        at, noise = u.copy(), np.full(len(u), _RUN**2)
        at[[*one]], noise[[r for r, q in one.items() if r == q]] = u[[*one.values()]], _NO_TIME**2
        odds.append(_ln_evidence(_covariance(at, groups) + np.diag(noise), ln_um))
    best = int(np.argmax(odds))
    times = {runs[r].name: minutes[q] for r, q in tried[best].items()}
    return odds[best] - _ln_evidence(written, ln_um), times


def _whole_cells(
    cells: Sequence[tuple[str, float]], far: Sequence[int]
) -> Iterator[dict[int, int]]:
    """All runs of a group and time, with a time that it lacks or exchanged with another's runs."""
    rows = {cell: [r for r, one in enumerate(cells) if one == cell] for cell in cells}
    for group, own in dict.fromkeys(cells[r] for r in far):
        for time, r in {time: r for r, (_, time) in enumerate(cells)}.items():
            runs, back = rows[group, own], rows.get((group, time), [])
            if time != own and max(len(runs), len(back)) > 1:
                yield dict.fromkeys(runs, (back or [r])[0]) | dict.fromkeys(back, runs[0])


def _covariance(u: Array, groups: Array) -> Array:
    """Of mean ln sizes at so many doublings of the time."""
    low, high, both = np.minimum.outer(u, u), np.maximum.outer(u, u), np.outer(u, u)
    own = _LEVEL**2 + _COURSE**2 * both + _CELL**2 * (low == high)
    bend = _BEND * (low**2 * high / 2.0 - low**3 / 6.0)
    return np.asarray(_ANYWHERE + both + bend + own * (groups[:, None] == groups))


def _ln_evidence(covariance: Array, ln_um: Array) -> float:
    """Of sizes whose covariance is known but for one factor."""
    root = np.linalg.cholesky(covariance)
    whole = _WEIGHT + (np.linalg.solve(root, ln_um) ** 2).sum()
    return float(-np.log(np.diag(root)).sum() - (_WEIGHT + len(ln_um)) / 2.0 * math.log(whole))


def _look_like(
    odd: Sequence[Run], times: Mapping[str, float], sound: Sequence[Run], level: float
) -> Flags:
    """What is told of runs that are wrong together, those of one time once, beside sound ones."""
    for run in odd:
        own, other, there = run.milling_time_min, times[run.name], list[str]()
        for time in dict.fromkeys((other, own)):
            alike = [one for one in sound if one.milling_time_min == time]
            alike = [one for one in alike if one.group == run.group] or alike
            there += [f"{_um(alike, level)} at {time:g} min"] if alike else []
        like = f"{other:g} min" if other != own else "no time"
        cell = [one for one in odd if one.milling_time_min == own]
        looks = (
            f"its {len(cell)} curves look like those" if cell[1:] else "its curve looks like that"
        )
        says = f"group {run.group}, {own:g} min"
        says += f", replicate {run.replicate}" if run.replicate and not cell[1:] else ""
        says += f": {looks} of {like}, not of {own:g} min (D{100.0 * level:.0f} {_um(cell, level)}"
        says += f"; others have {' and '.join(there)})" if there else ")"
        for name in [one.name for one in odd if one not in cell][:1]:
            both = f"its sample and that of run {name}"
            both = both if len(odd) == 2 else f"its samples and those of {like}"
            says += f", as if {both} were exchanged"
        found, limit = (other, own) if other != own else (None, None)
        yield Flag("wrong_time", says, _listed_at(run), found, limit, common=says)


def _um(runs: Sequence[Run], level: float) -> str:
    """Sizes of some runs, from the smallest to the largest."""
    sizes = sorted(chord_um(run, level) for run in runs)
    return f"{' to '.join(dict.fromkeys(f'{one:.3g}' for one in (sizes[0], sizes[-1])))} µm"


def _rise(runs: Sequence[Run], odd: Collection[str], level: float) -> Flags:
    """Where single runs become coarser with time: which of the two is wrong, they do not tell."""
    steps = [
        (chord_um(after, level) / chord_um(before, level), before, after)
        for before, after in pairwise(sorted(runs, key=lambda run: run.milling_time_min))
        if before.name in odd or after.name in odd
    ]
    rise, *both = max(steps, key=lambda one: one[0], default=(0.0,))
    told = [f"{_um([run], level)} at {run.milling_time_min:g} min (run {run.name})" for run in both]
    says = f"D{100.0 * level:.0f} rises from {' to '.join(told)}, though milling makes it finer"
    remedy = "Look at both labels: single runs do not tell which is wrong, or if powder clumped."
    for run in both if rise > 1.0 else ():
        yield Flag("wrong_time", says, _listed_at(run), common=says, remedy=remedy)


def _listed_at(run: Run) -> Spot:
    """Where a run is listed with its time."""
    return Spot(run.place.file or None, run.place.row or None, run.name)


LABEL_CHECKS = (similar_names, mixed_levels, time_range, time_unit, wrong_time)
