"""What the answers of a trial attain: many trials like it, of known truth, through the same door.

Each trial is simulated from the estimates of the study (`psdstats.planning.trial_like`) and
analysed as the study was.  Counted are intervals that hold the truth, claims that are false, and
findings of the study that come again.  The estimates are taken for the truth, so that what is
attained is that of trials like the study, not of the study itself.  Effects are differences of ln
size.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import pandas as pd

from psdstats.comparison.analysis import analyse
from psdstats.comparison.answers import way_of
from psdstats.comparison.compare import compare_analysis
from psdstats.comparison.ordered import margins
from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import Comparison, QuantityComparison
from psdstats.errors import PlanError, PsdstatsError
from psdstats.findings import Course, Ending, FactorAnswer, Finding, FindingKind, Stop, Verdict
from psdstats.limits import ATTAINED, SEED, WORKERS
from psdstats.planning.trial_like import TrialLike, trial_like
from psdstats.present import Shown
from psdstats.processes import mapped
from psdstats.uncertainty.inputs import Source

_ROUND_OFF = 1e-9


class AttainedKind(StrEnum):
    """What is counted in simulated trials."""

    CHANGE = "change by the end"
    FAMILY = "intervals of a family"
    FALL = "false fall"
    BOUND = "bound too high"
    STOP = "false stop"
    FACTOR = "false difference"
    EQUIVALENT = "false equivalence"
    FALLEN_AGAIN = "end found again"
    SINCE_AGAIN = "since found again"
    STOP_AGAIN = "stop found again"
    FACTOR_AGAIN = "difference found again"

    @property
    def is_error(self) -> bool:
        """Whether it counts false claims."""
        return self in (type(self).FALL, type(self).BOUND, *_OTHER_ERRORS)

    @property
    def is_coverage(self) -> bool:
        """Whether it counts intervals that hold the truth."""
        return self in (type(self).CHANGE, type(self).FAMILY)


_OTHER_ERRORS = (AttainedKind.STOP, AttainedKind.FACTOR, AttainedKind.EQUIVALENT)
Key = tuple[AttainedKind, str, str]


@dataclass(frozen=True, kw_only=True)
class AttainedShare:
    """In how many of the trials something held.

    Parameters
    ----------
    kind : AttainedKind
        What.
    quantity, where : str
        Of which quantity, at which level, family or time; empty where of all.
    hits, trials : int
        How often, of how many trials that had it.
    """

    kind: AttainedKind
    quantity: str
    where: str
    hits: int
    trials: int

    @property
    def share(self) -> float:
        """Hits over trials."""
        return self.hits / self.trials

    @property
    def error(self) -> float:
        """Monte Carlo standard error of the share; at 0 or 1 that of half a trial more."""
        middle = (self.hits + 0.5) / (self.trials + 1)
        return float(np.sqrt(middle * (1 - middle) / self.trials))


@dataclass(frozen=True, kw_only=True, repr=False)
class Attained(Shown):
    """What the answers of a study attain in trials like it.

    Parameters
    ----------
    level : float
        Level that intervals and findings claim.
    trials, failed : int
        Trials simulated, and how many of them could not be compared.
    seed : int
        Seed of the trials.
    shares : tuple of AttainedShare
        Coverage, errors and findings that come again.
    """

    level: float
    trials: int
    failed: int
    seed: int
    shares: tuple[AttainedShare, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a share: kind, quantity, where, share, error, hits, trials."""
        columns = ("kind", "quantity", "where", "share", "error", "hits", "trials")
        rows = [[getattr(one, name) for name in columns] for one in self.shares]
        return pd.DataFrame(rows, columns=columns)


def attained(
    comparison: Comparison,
    *,
    trials: int = 200,
    seed: int = 0,
    sources: Iterable[str | Source] | None = None,
    workers: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Attained:
    """Simulate trials like a study and count what its answers attain.

    Parameters
    ----------
    comparison : Comparison
        The answers of the study.
    trials : int
        How many trials.
    seed : int
        Seed; trial k is the same whatever their number and the workers'.
    sources : iterable of (str or Source), optional
        Sources counted, as in `compare`.
    workers : int
        Processes, of which at most the cores are started.
    cluster : str, optional
        Address of a Dask scheduler.
    progress : callable, optional
        Called with trials done and in all.

    Returns
    -------
    Attained

    Raises
    ------
    PlanError
        If no trial is asked for, or none could be compared.
    """
    ATTAINED.require("trials", trials)
    WORKERS.require("workers", workers)
    SEED.require("seed", seed)
    like = trial_like(comparison.analysis, sources)
    once = _Once(like=like, comparison=_asked_of(comparison), sources=like.sources)
    seeds = np.random.SeedSequence(seed).spawn(trials)
    found = []
    for one in mapped(once, seeds, workers=workers, cluster=cluster):
        found.append(one)
        if progress is not None:
            progress(len(found), trials)
    done = [one for one in found if one is not None]
    if not done:
        raise PlanError("None of the simulated trials could be compared; look at the readings.")
    counts: dict[Key, list[bool]] = defaultdict(list)
    for one in done:
        for key, hit in one.items():
            counts[key].append(hit)
    order = sorted(counts, key=lambda key: list(AttainedKind).index(key[0]))
    return Attained(
        level=comparison.level,
        trials=trials,
        failed=trials - len(done),
        seed=seed,
        shares=tuple(
            AttainedShare(
                kind=kind,
                quantity=quantity,
                where=where,
                hits=sum(counts[kind, quantity, where]),
                trials=len(counts[kind, quantity, where]),
            )
            for kind, quantity, where in order
        ),
    )


@dataclass(frozen=True, kw_only=True)
class _Asked:
    """What a study was asked, and the findings that may come again; goes to other processes."""

    plan: ComparisonPlan
    level: float
    across_quantities: bool
    families: tuple[str, ...]
    courses: Mapping[str, tuple[Course, ...]]
    factors: Mapping[str, tuple[FactorAnswer, ...]]


def _asked_of(comparison: Comparison) -> _Asked:
    known = ("all pairs", "against first", "successive")
    return _Asked(
        plan=comparison.plan,
        level=comparison.level,
        across_quantities=comparison.across_quantities,
        families=tuple(one for one in comparison.families if one in known),
        courses={one.quantity: one.courses for one in comparison.results},
        factors={one.quantity: one.factors for one in comparison.results},
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Once:
    """One trial, simulated and judged."""

    like: TrialLike
    comparison: _Asked
    sources: tuple[Source, ...]

    def __call__(self, seed: np.random.SeedSequence) -> dict[Key, bool] | None:
        """What held; None where the trial could not be compared."""
        asked = self.comparison
        many = len(asked.courses) if asked.across_quantities else 1
        try:
            analysis = analyse(
                self.like.draw(np.random.default_rng(seed)),
                asked.plan,
                quantities=tuple(asked.courses),
                level=1.0 - (1.0 - asked.level) / many,
                sources=self.sources,
            )
            found = compare_analysis(
                analysis,
                families=asked.families or None,
                level=asked.level,
                across_quantities=asked.across_quantities,
            )
        except PsdstatsError:
            return None
        held: dict[Key, bool] = {}
        for one in found.results:
            truth = _Truth(self.like.truth[one.quantity], asked.plan, one.quantity)
            for kind, where, hit in _held(one, truth, asked):
                held[kind, one.quantity, where] = hit
        return held


@dataclass(frozen=True)
class _Truth:
    """Mean ln size of each condition of one quantity."""

    ln_size: Mapping[tuple[str, str], float]
    plan: ComparisonPlan
    quantity: str

    @property
    def margins(self) -> tuple[float, float]:
        """Gain and distance of ln size that the margin is."""
        return margins(self.plan.margin_percent, way_of(self.plan, self.quantity))

    def of(self, finding: Finding) -> float:
        """The difference a finding is about."""
        subject = finding.subject
        ends = [(subject.high, subject.where), (subject.low, subject.where)]
        if finding.kind is FindingKind.FACTOR:
            ends = [(subject.where, subject.high), (subject.where, subject.low)]
        high, low = (self.ln_size.get(one, np.nan) for one in ends)
        return float(high - low)

    def gain(self, course: Course, since: str, until: str) -> float:
        """By how much the size went the way it should between two times."""
        first, last = (self.ln_size[time, course.where] for time in (since, until))
        return (first - last) * (int(way_of(self.plan, self.quantity)) or 1)


Held = tuple[AttainedKind, str, bool]


def _held(one: QuantityComparison, truth: _Truth, asked: _Asked) -> Iterator[Held]:
    """Whatever can be counted of one quantity of one trial."""
    by_family: dict[str, list[bool]] = defaultdict(list)
    for finding in one.findings:
        if _has_interval(finding) and np.isfinite(truth.of(finding)):
            by_family[finding.subject.family.value].append(_covers(finding, truth))
    yield from ((AttainedKind.FAMILY, name, all(own)) for name, own in by_family.items())
    for course in one.courses:
        if _has_interval(course.fallen):
            yield AttainedKind.CHANGE, course.where, _covers(course.fallen, truth)
    differences = [found for answer in one.factors for found in (answer.control, *answer.at)]
    if one.courses:
        yield AttainedKind.FALL, "", any(_false_fall(each, truth) for each in one.courses)
        if way_of(truth.plan, truth.quantity):
            yield AttainedKind.BOUND, "", any(_high_bound(each, truth) for each in one.courses)
    stops = [(course, course.stop) for course in one.courses if course.stop is not None]
    if stops:
        yield AttainedKind.STOP, "", any(_false_stop(*each, truth) for each in stops)
    if differences:
        yield AttainedKind.FACTOR, "", any(_false_change(each, truth) for each in differences)
    claims = [*one.findings, *differences]
    if asked.plan.margin_percent is not None and claims:
        wrong = any(_false_equivalence(each, truth) for each in claims)
        yield AttainedKind.EQUIVALENT, "", wrong
    yield from _again(one, asked)


def _has_interval(finding: Finding) -> bool:
    """Whether it has an end; sizes beyond the sieves have one."""
    return bool(np.isfinite([finding.numbers.lower, finding.numbers.upper]).any())


def _covers(finding: Finding, truth: _Truth) -> bool:
    true, numbers = truth.of(finding), finding.numbers
    return not (numbers.lower > true + _ROUND_OFF or numbers.upper < true - _ROUND_OFF)


def _way(finding: Finding) -> float:
    """Sign of a change; of its bounds where there is no estimate."""
    numbers = finding.numbers
    if np.isfinite(numbers.estimate):
        return float(np.sign(numbers.estimate))
    return float(numbers.lower > 0.0) - float(numbers.upper < 0.0)


def _false_change(finding: Finding, truth: _Truth) -> bool:
    """Said to be changed, which it is not, or the other way."""
    if finding.verdict is not Verdict.CHANGED:
        return False
    return bool(truth.of(finding) * _way(finding) <= _ROUND_OFF)


def _false_equivalence(finding: Finding, truth: _Truth) -> bool:
    apart = truth.margins[1] + _ROUND_OFF
    return finding.verdict is Verdict.EQUIVALENT and abs(truth.of(finding)) > apart


def _false_fall(course: Course, truth: _Truth) -> bool:
    gains = [truth.gain(course, course.times[0], time) for time in course.times[1:]]
    if not way_of(truth.plan, truth.quantity):
        gains = [abs(one) for one in gains]
    shown = zip(course.shown, gains, strict=True)
    return any(said and gain <= _ROUND_OFF for said, gain in shown)


def _high_bound(course: Course, truth: _Truth) -> bool:
    gains = [truth.gain(course, course.times[0], time) for time in course.times[1:]]
    bounds = zip(course.at_least, gains, strict=True)
    return any(least > max(gain, 0.0) + _ROUND_OFF for least, gain in bounds)


def _false_stop(course: Course, stop: Stop, truth: _Truth) -> bool:
    """Any claim about the end of a trial that is not so."""
    gain, apart = truth.margins
    left = {time: truth.gain(course, time, stop.last) for time in course.times[:-1]}
    after = list(left)
    claims = [left[stop.before] < stop.gain_at_least, left[stop.before] > stop.gain_at_most]
    claims += [left[time] >= -_ROUND_OFF for time in stop.coarser_after]
    if stop.since is not None:
        claims += [left[time] >= gain for time in after[after.index(stop.since) :]]
    if stop.stayed_within is not None:
        claims += [abs(left[time]) >= apart for time in after[after.index(stop.stayed_within) :]]
    if stop.ending is Ending.STILL_FALLING:
        claims.append(left[stop.before] <= _ROUND_OFF)
    return any(claims)


def _again(one: QuantityComparison, asked: _Asked) -> Iterator[Held]:
    """Whether what the study found is found in this trial."""
    courses = {each.where: each for each in one.courses}
    for first in asked.courses[one.quantity]:
        now = courses.get(first.where)
        same = now is not None and _same(first.fallen, now.fallen)
        yield AttainedKind.FALLEN_AGAIN, first.where, same
        if first.since is not None:
            reached = now is not None and _reached(first.times, first.since, now.since)
            yield AttainedKind.SINCE_AGAIN, first.where, reached
        if first.stop is not None:
            ended = now is not None and now.stop is not None
            same = ended and now is not None and _ending(now.stop) is first.stop.ending
            yield AttainedKind.STOP_AGAIN, first.where, same
    found = {
        (each.high, each.low, own.subject.where): own for each in one.factors for own in each.at
    }
    for answer in asked.factors[one.quantity]:
        for own in answer.at:
            place = own.subject.where
            then = found.get((answer.high, answer.low, place))
            label = replace(own.subject, where=place).label
            yield AttainedKind.FACTOR_AGAIN, label, then is not None and _same(own, then)


def _ending(stop: Stop | None) -> Ending | None:
    return None if stop is None else stop.ending


def _same(first: Finding, now: Finding) -> bool:
    """Whether the verdict is the same, and a change goes the same way."""
    turned = first.verdict is Verdict.CHANGED and _way(first) != _way(now)
    return first.verdict is now.verdict and not turned


def _reached(times: Sequence[str], since: str, now: str | None) -> bool:
    """Whether it holds since the same time or an earlier one."""
    return now in times and times.index(str(now)) <= times.index(since)
