"""Sizes beyond the sieves: bounds stand in for open values, and decide what they can.

An open value lies between a bound and what is conceivable: all sizes of a condition as far as half
of the finest sieve, or twice the coarsest; one size beside others no further than runs may scatter.
A span without a D10 lies between what the sieve and what a D10 of zero would make it: it starts at
the sieve and goes as far as its D10 does.  A range that was stated is taken whole.

A claim is made where the whole analysis makes it at every corner of what is so conceivable.  With
one estimated variance a one-sided limit is concave in the values (linear minus t times a norm), so
that corners are enough: a limit is right as often as with full information, and no claim is firmer
for one value less, nor than the values themselves would make it.  Intervals are printed with the
room between what is conceivable and what is possible, so that they hold the bounds of their sizes.

Corners are all tried where they are few; runs alike count once.  Where they are many the worst one
of each limit is sought by changing one kind of run at a time, which is exact where the law is
linear in the values, as that of `law_of_whole_levels` is: variances from the levels without open
values alone, for designs that are too large to be fitted at every corner.

Own work; error rates in ``tests/calibration/results/ordered_findings.md``.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np

from psdstats.comparison.courses import OrderedRemark, read_courses
from psdstats.comparison.ordered import BESIDE, Cell, OrderedQuestion, Way
from psdstats.covariance import Covariance, SharedErrors
from psdstats.errors import ModelError
from psdstats.findings import Course, Ending, Finding, Numbers, Remark, Verdict
from psdstats.frozen import Array, Flags, Indices, freeze_arrays
from psdstats.models.engine import CovarianceParts, fit_batch
from psdstats.models.judged import Judged, Question, StudentJudged
from psdstats.models.kenward_roger import adjusted_covariance
from psdstats.models.likelihood import Criterion
from psdstats.models.verdicts import PLAUSIBLE_RUN_TO_RUN_PERCENT, judge

REACH = float(np.log(2.0))  # how far beyond a sieve sizes are conceivable (own rule, no source)
SCATTER = 4.0 * PLAUSIBLE_RUN_TO_RUN_PERCENT / 100.0  # how far beyond it beside others
_MOST_CORNERS = 1024
_SEARCHED = 0.05  # level of the limits whose worst corners are sought
_TINY = 1e-9

Law = Callable[[Array], Judged]


@dataclass(frozen=True, kw_only=True, eq=False)
class OpenRuns:
    """The runs of one size, some of them beyond the sieves.

    Parameters
    ----------
    cells : tuple of (str, str)
        Time and level of the further factors of each run.
    lower, upper : ndarray, shape (n,)
        Ends of ln size: the same where it is known, one of them infinite beyond the sieves.
    alike : tuple of hashable
        What tells runs apart to the analysis, such as cell and group; those with one label and the
        same ends count once.
    is_stated : bool
        Whether a size with two ends may lie anywhere between them; else it is a span.

    Attributes
    ----------
    is_open : ndarray of bool, shape (n,)
        Runs without a value.
    near : ndarray, shape (n,)
        Values with open ones at their bound.
    bounds : dict of (str, str) to Numbers
        Of the mean of each cell that holds an open run.

    Raises
    ------
    ModelError
        Where neither end of a size is known.
    """

    cells: tuple[Cell, ...]
    lower: Array
    upper: Array
    alike: tuple[Hashable, ...]
    is_stated: bool = False
    is_open: Flags = field(init=False)
    near: Array = field(init=False)
    bounds: Mapping[Cell, Numbers] = field(init=False)

    def __post_init__(self) -> None:
        if not (np.isfinite(self.lower) | np.isfinite(self.upper)).all():
            raise ModelError(
                "A run without a value and without a bound on either side can say nothing; leave "
                "it out."
            )
        is_open, bounds = self.lower != self.upper, dict[Cell, Numbers]()
        for cell in dict.fromkeys(self.cells):
            here = [one == cell for one in self.cells]
            if is_open[here].any():
                lower, upper = (float(end[here].mean()) for end in (self.lower, self.upper))
                bounds[cell] = Numbers(lower=lower, upper=upper)
        near = np.where(np.isfinite(self.lower), self.lower, self.upper)
        for name, value in {"is_open": is_open, "near": near, "bounds": bounds}.items():
            object.__setattr__(self, name, value)
        freeze_arrays(self)

    def moves(self, scatter: float) -> list[Array]:
        """What may lie beyond its bound: for each kind the displacements (k + 1, n) of 0 to k.

        Kinds are runs alike, as far as they scatter, then whole cells, as far as is conceivable.
        """
        alike: dict[Hashable, list[int]] = {}
        for place in np.flatnonzero(self.is_open):
            ends = (self.alike[place], self.lower[place], self.upper[place])
            alike.setdefault(ends, []).append(int(place))
        found = []
        for own in alike.values():
            steps = np.zeros((len(own) + 1, len(self.cells)))
            steps[:, own] = np.tri(len(own) + 1, len(own), -1) * self._reach(own, scatter)
            found.append(steps)
        for cell in self.bounds:
            here = [k for k, one in enumerate(self.cells) if one == cell]
            further = self._reach(here, REACH) - self._reach(here, scatter)
            if self.is_open[here].all() and further:
                found.append(np.zeros((2, len(self.cells))))
                found[-1][1, here] = further
        return found

    def _reach(self, places: list[int], most: float) -> float:
        """How far these runs may all be beyond their bounds, with its sign."""
        lower, upper = self.lower[places], self.upper[places]
        below, above = np.isinf(lower), np.isinf(upper)
        if not (below | above).any():
            share = 1.0 if self.is_stated else -np.expm1(-most)
            return float(np.log1p(share * np.expm1(upper - lower)).min())
        if below.all():
            return -most
        return most if above.all() else 0.0

    def are_apart(self, high: Cell, low: Cell) -> bool:
        """Whether the bounds of two means do not meet, without which nothing can be shown."""
        (a, b), (c, d) = (
            [end[[one == cell for one in self.cells]].mean() for end in (self.lower, self.upper)]
            for cell in (high, low)
        )
        return bool(b < c or d < a)

    def room(self, high: Cell, low: Cell) -> tuple[float, float]:
        """How far the difference of two cells may lie below and above all that corners try."""
        far = self.near + np.sum([one[-1] for one in self.moves(SCATTER)], axis=0)
        below, above = (
            np.minimum(self.near, far) - self.lower,
            self.upper - np.maximum(self.near, far),
        )
        a, b = ([one == cell for one in self.cells] for cell in (high, low))
        return below[a].mean() + above[b].mean(), above[a].mean() + below[b].mean()


def _weakest(name: str, over: Callable[..., Array] = np.max) -> Callable[..., Array]:
    """A test or limit of `Judged` as the weakest over corners (its first axis) has it."""

    def weakest(self: WorstCase, *asked: object) -> Array:
        return np.asarray(over(getattr(self.corners, name)(*asked), axis=0))

    return weakest


@dataclass(frozen=True, kw_only=True, eq=False)
class WorstCase(Judged):
    """The weakest that each test and limit is over the corners of what is open.

    Parameters
    ----------
    corners : Judged
        Its first axis: corners, the first one with every open value at its bound.
    """

    corners: Judged

    def __post_init__(self) -> None:
        object.__setattr__(self, "estimate", self.corners.estimate[0])
        object.__setattr__(self, "se", self.corners.se.max(axis=0))
        object.__setattr__(self, "df", self.corners.df.min(axis=0))

    p_below = _weakest("p_below")
    p_above = _weakest("p_above")
    half_width = _weakest("half_width")
    family_p = _weakest("family_p")
    family_half_width = _weakest("family_half_width")
    joint_p = _weakest("joint_p")
    upper = _weakest("upper")
    lower = _weakest("lower", np.min)
    family_upper = _weakest("family_upper")


def read_open_courses(
    asked: OrderedQuestion,
    runs: OpenRuns,
    law: Law,
    *,
    margin_percent: float | None = None,
    level: float = 0.95,
    one_family: bool = False,
) -> tuple[Course, ...]:
    """Courses of one size of which some runs lie beyond the sieves.

    Parameters
    ----------
    asked : OrderedQuestion
        Asked over all runs, open ones included.
    runs : OpenRuns
        Their cells and bounds.
    law : callable
        Judges many data sets of these runs, shape (N, n): ``LevelLaw(…).judge``, or
        `law_of_whole_levels` where fits at every corner would take too long.
    margin_percent, level, one_family
        As in `read_courses`.

    Returns
    -------
    tuple of Course
        A difference with an open end has no estimate but a bound on one side; sizes are bounds
        where they are open, and left to the caller where they are not.

    Notes
    -----
    "Less than the margin left" is so claimed where sizes of the end are open only if it holds with
    each of them at the smallest conceivable, "still falling" where it holds against the bounds.
    """

    def read(scatter: float) -> tuple[Course, ...]:
        worst = WorstCase(corners=law(corner_values(runs, law, scatter)))
        return read_courses(
            worst, asked, margin_percent=margin_percent, level=level, one_family=one_family
        )[0]

    courses, wide = read(SCATTER), None
    for place, one in enumerate(courses):
        at_the_floor = one.stop is not None and one.stop.ending is Ending.LITTLE_LEFT
        if at_the_floor and (one.times[-1], one.where) in runs.bounds:
            wide = wide or read(REACH)
            courses = (*courses[:place], replace(one, stop=wide[place].stop), *courses[place + 1 :])
    return tuple(_bounded(runs, asked, one) for one in courses)


# ------------------------------------------------------------------ corners


def corner_values(runs: OpenRuns, law: Law, scatter: float = SCATTER) -> Array:
    """Data sets (N, n), each with every open value at one of its ends; first all at their bounds.

    All of them up to 1024, runs alike counted once; else those that a search for the worst of each
    limit passes.
    """
    moves = runs.moves(scatter)
    most = [len(one) for one in moves]
    if np.prod(np.array(most, dtype=float)) <= _MOST_CORNERS:
        every = list(product(*map(range, most)))
        return _moved(runs, moves, np.array(every, dtype=np.intp).reshape(len(every), len(most)))
    return _moved(runs, moves, _sought(runs, moves, law))


def _moved(runs: OpenRuns, moves: Sequence[Array], counts: Indices) -> Array:
    """Data sets with so many of each kind beyond their bounds."""
    found = np.tile(runs.near, (len(counts), 1))
    for own, count in zip(moves, counts.T, strict=True):
        found += own[count]
    return found


def _sought(runs: OpenRuns, moves: Sequence[Array], law: Law) -> Indices:
    """Counts passed by the search: from none and all beyond, the best change of one kind."""
    most = np.array([len(one) - 1 for one in moves], dtype=np.intp)
    steps = np.array([(j, k) for j, one in enumerate(most) for k in range(one + 1)])
    seen: dict[tuple[int, ...], Array] = {}

    def look(counts: Indices) -> None:
        new = [one for one in dict.fromkeys(map(tuple, counts.tolist())) if one not in seen]
        if new:
            judged = law(_moved(runs, moves, np.array(new)))
            limits = np.hstack([judged.upper(_SEARCHED), -judged.lower(_SEARCHED)])
            seen.update(zip(new, limits, strict=True))

    look(np.stack([0 * most, most]))
    best = np.full(next(iter(seen.values())).shape, -np.inf)
    while True:
        limits, found = np.array(list(seen.values())), np.array(list(seen))
        better = limits.max(axis=0) > best + _TINY
        if not better.any():
            return found
        best = limits.max(axis=0)
        for place in np.unique(limits.argmax(axis=0)[better]):
            near = np.tile(found[place], (len(steps), 1))
            near[np.arange(len(steps)), steps[:, 0]] = steps[:, 1]
            look(near)


# ------------------------------------------------------------------ records


def _bounded(runs: OpenRuns, asked: OrderedQuestion, course: Course) -> Course:
    """A course in which what is open is a bound."""
    first, last = ((course.times[k], course.where) for k in (0, -1))
    fallen, best, stop = course.fallen, course.at_least[-1], course.stop
    if first in runs.bounds or last in runs.bounds:
        # no estimate but a bound where it has an end, which may decide
        old, (below, above) = fallen.numbers, runs.room(last, first)
        lower, upper = old.lower - below, old.upper + above
        shown = fallen.verdict is Verdict.CHANGED and not lower < 0.0 < upper
        fallen = judge(
            fallen.subject,
            Numbers(lower=lower, upper=upper, p=old.p, p_adjusted=old.p_adjusted),
            kind=fallen.kind,
            level=fallen.level,
            margin_percent=fallen.margin_percent,
            within_margin=None if fallen.margin_percent is None else False,
            obstacles=() if shown else (_beyond(runs, asked, first, last),),
        )
        if np.isfinite(best) and asked.direction:
            end = "upper" if asked.direction is Way.FALLING else "lower"
            bound = -int(asked.direction) * best
            fallen = replace(fallen, numbers=replace(fallen.numbers, **{end: bound}))
    if stop is not None:
        step = [(time, course.where) for time in (stop.before, stop.last)]
        if any(cell in runs.bounds for cell in step):
            below, above = runs.room(*step)
            if np.isinf(above if asked.direction is Way.FALLING else below):
                stop = replace(stop, gain_at_most=np.nan)
            if stop.ending is Ending.CANNOT_BE_TOLD:
                stop = replace(stop, reasons=(_beyond(runs, asked, *step),))
    return replace(
        course,
        start=runs.bounds.get(first, course.start),
        end=runs.bounds.get(last, course.end),
        fallen=fallen,
        stop=stop,
    )


def with_estimate(course: Course, inside: Finding | None) -> Course:
    """A course whose two ends all runs have: estimated from the sizes in hand, limits of both.

    `inside` is its change as the runs without open sizes alone have it.
    """
    numbers = course.fallen.numbers
    if inside is None or not np.isfinite([numbers.estimate, inside.numbers.estimate]).all():
        return course
    return replace(course, fallen=replace(course.fallen, numbers=inside.numbers.widened(numbers)))


def _beyond(runs: OpenRuns, asked: OrderedQuestion, *cells: Cell) -> Remark:
    times = tuple(cell[0] for cell in cells if cell in runs.bounds)
    return OrderedRemark.BEYOND_SIEVES(quantity=asked.quantity, times=times)


# ------------------------------------------------------------------ levels of a further factor

Pair = tuple[str, str]
Step = tuple[Cell, Cell]


def open_pairs(runs: OpenRuns, cells: Sequence[Cell], pairs: Iterable[Pair]) -> list[Step]:
    """Two levels, high and low, at each time after their first at which one size is open."""
    found = list[Step]()
    for high, low in pairs:
        shared = [time for time, where in cells if where == high and (time, low) in cells]
        steps = [((time, high), (time, low)) for time in shared[1:]]
        found += [one for one in steps if runs.bounds.keys() & set(one)]
    return found


def open_differences(
    runs: OpenRuns, law: Law, steps: Sequence[Step], count: int, level: float
) -> Iterator[Numbers]:
    """Bounds of the differences of two levels at times, which a law judges in this order.

    They are some of ``count`` that share half of the error beside the order in equal parts
    (Bonferroni), so that it does not matter which of them are looked at.
    """
    worst, alpha = WorstCase(corners=law(corner_values(runs, law))), 1.0 - level
    p = np.minimum(2.0 * np.minimum(worst.p_below(), worst.p_above()), 1.0)
    lower, upper = worst.lower(0.5 * alpha), worst.upper(0.5 * alpha)
    for k, step in enumerate(steps):
        below, above = runs.room(*step)
        yield Numbers(
            lower=float(lower[k] - below),
            upper=float(upper[k] + above),
            p=float(p[k]),
            p_adjusted=float(min(p[k] * count / (0.5 * BESIDE), 1.0)),
        )


# ------------------------------------------------------------------ what a law of open runs needs


def known_where_open(known: Covariance, is_open: Flags) -> Covariance:
    """Known covariance in which open runs have that of known ones on average.

    Shapes: known (n, n), rows of open runs ignored; is_open (n,).  Bounds are apertures, which runs
    on one sieve share, so that open runs err together; that widens any mean of them.
    """
    inside = ~is_open
    if isinstance(known, SharedErrors):
        own = np.where(inside, known.own, 0.0)
        kept = SharedErrors(own, np.where(inside[:, None], known.shared, 0.0))
        mean = (own.sum() + np.square(kept.shared).sum()) / max(inside.sum(), 1)
        return kept.plus(np.sqrt(mean) * is_open[:, None])
    found = np.where(np.outer(inside, inside), known, 0.0)
    if is_open.any() and inside.any():
        found[np.ix_(is_open, is_open)] = np.diagonal(known)[inside].mean()
    return np.asarray(found)


def law_of_whole_levels(
    x: Array,
    columns: Sequence[Array],
    known: Covariance,
    question: Question,
    runs: OpenRuns,
) -> Law:
    """A law linear in the values: plain means, with variances from levels without open values.

    Shapes: x (n, p), known (n, n); columns (n, r) of each variance but that of single runs.

    Raises
    ------
    ModelError
        Where fewer than two such levels are left, or no degree of freedom.

    Notes
    -----
    A level is a time at all levels of the further factors.  Variances by restricted likelihood,
    degrees of freedom by Satterthwaite's rule.
    """
    open_times = {cell[0] for cell, one in zip(runs.cells, runs.is_open, strict=True) if one}
    whole = np.array([cell[0] not in open_times for cell in runs.cells])
    if len({cell[0] for cell, one in zip(runs.cells, whole, strict=True) if one}) < 2:
        raise ModelError("Fewer than two levels lie within the sieves; no variance can be had.")
    size, turn = np.linalg.svd(x[whole], full_matrices=False)[1:]
    basis = turn[size > _TINY * size[0]].T
    if basis.shape[1] >= whole.sum():
        raise ModelError("The levels within the sieves leave no degree of freedom.")
    inner = CovarianceParts.of([z[whole] for z in columns], known[np.ix_(whole, whole)])
    fit = fit_batch(runs.near[whole], x[whole] @ basis, inner, criterion=Criterion.REML).row(0)
    spread = adjusted_covariance(fit, drop_edges=True).theta_covariance
    weights = question.contrasts @ np.linalg.pinv(x, rcond=1e-10)
    moved_by = [*(weights @ z for z in columns), weights]
    slopes = np.column_stack([np.square(one).sum(axis=1) for one in moved_by])
    joint = weights @ known @ weights.T
    for variance, one in zip(fit.theta, moved_by, strict=True):
        joint = joint + variance * one @ one.T
    variance = np.diagonal(joint)
    se = np.sqrt(variance)
    moved = np.einsum("qk,kl,ql->q", slopes, spread, slopes)
    with np.errstate(divide="ignore"):
        df = np.where(moved > 0.0, 2.0 * variance**2 / moved, np.inf)

    def law(values: Array) -> StudentJudged:
        estimate = values @ weights.T
        return StudentJudged(
            estimate=estimate,
            se=np.broadcast_to(se, estimate.shape),
            df=np.broadcast_to(df, estimate.shape),
            correlation=joint / np.outer(se, se),
            jointly=question.jointly,
        )

    return law
