"""Everything that is asked of one size over time, and what is shown of it in the order of time.

`ordered_question` gathers what is asked as rows of one question: weights on the coefficients of
whatever model was fitted, each kept once up to its sign.  The procedures take any `Judged` of it.

Milling has a direction, so effects are taken in order, one-sided, from the last time back; every
sentence of an answer is true together with 95 per cent.  Effects are differences of ln size, signed
so that the direction asked for lies below zero.  Three questions, each with its own 5 per cent:

- *falls*: change against the first time.  In order at 4 per cent: the last time alone, each earlier
  one by the larger of two t (itself and the last), until one fails; the fall by the end gets a
  bound with the widest of these critical values.  Beside it at 1 per cent any time may be shown by
  the largest of all.  Several levels share the 4 per cent; one that is shown back to its first time
  hands on what its bound does not need.
- *stop*: what was still to come after each time, one-sided against the margin, from the last step
  back: 4.5 per cent for the last step, 2.5 for the ones before and for "still falling", which has a
  bound of its own at 0.5 per cent above the margin.  "Coarser again" is a guard with 1 per cent
  more.
- *factor*: difference of two levels, two-sided, from the last time back at 4 per cent; at the first
  time, where none is expected, beside it at 1 per cent.

As one family (`one_family`) "fallen by the end" comes first at all levels, by Holm's rule; only
where all are shown the 5 per cent go on, in equal parts, to earlier times, factor and stop.

Own work; error rates in ``tests/calibration/results/ordered_findings.md``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import combinations
from typing import TypeVar

import numpy as np

from psdstats.findings import Contrast, ContrastKind
from psdstats.frozen import Array, Flags, Indices
from psdstats.models.contrasts import contrast_matrix
from psdstats.models.judged import Family, Judged, Question, Side

Cell = tuple[str, str]

BESIDE = 0.2  # share of the error for what stands beside the order
KEPT = 0.6  # share of a level's error that its bound keeps when the rest is handed on
LAST_STEP, OTHER_STEPS, BEYOND = 0.9, 0.5, 0.1  # shares of the stop question
DEFAULT_MARGIN_PERCENT = 5.0
"""What is too little to go on milling for, where no margin was stated (own rule, no source)."""


class Way(IntEnum):
    """Which way a size is expected to go."""

    FALLING = 1
    NONE = 0
    RISING = -1


# ------------------------------------------------------------------ what is asked


@dataclass(frozen=True, eq=False)
class Rows:
    """Signed rows of a question: places and signs, (m,)."""

    places: Indices
    signs: Array

    def p_below(self, judged: Judged, limit: float = 0.0) -> Array:
        """Return p that the signed contrast is not below the limit."""
        below, above = (
            judged.p_below(limit)[..., self.places],
            judged.p_above(-limit)[..., self.places],
        )
        return np.where(self.signs > 0, below, above)

    def p_above(self, judged: Judged, limit: float = 0.0) -> Array:
        """Return p that the signed contrast is not above the limit."""
        return (-self).p_below(judged, -limit)

    def p_both(self, judged: Judged) -> Array:
        """Two-sided p of no difference."""
        both = np.minimum(self.p_below(judged), self.p_above(judged))
        return np.asarray(np.minimum(2.0 * both, 1.0))

    def upper(self, judged: Judged, alpha: float) -> Array:
        """One-sided upper limits of the signed contrasts."""
        high, low = judged.upper(alpha), judged.lower(alpha)
        return np.where(self.signs > 0, high[..., self.places], -low[..., self.places])

    def lower(self, judged: Judged, alpha: float) -> Array:
        """One-sided lower limits of the signed contrasts."""
        return np.asarray(-(-self).upper(judged, alpha))

    def __neg__(self) -> Rows:
        return Rows(self.places, -self.signs)

    def some(self, places: Sequence[int] | slice) -> Rows:
        """Some of the rows."""
        return Rows(self.places[places], self.signs[places])

    def family(self, side: Side = Side.BOTH) -> Family:
        """The rows as a family."""
        return Family(tuple(self.places.tolist()), tuple(self.signs.astype(int).tolist()), side)


def joined(parts: Iterable[Rows]) -> Rows:
    """Rows one after another."""
    parts = list(parts)
    at = [one.places for one in parts] or [np.empty(0, dtype=np.intp)]
    return Rows(np.concatenate(at), np.concatenate([one.signs for one in parts] or [np.empty(0)]))


@dataclass(frozen=True, kw_only=True)
class CourseRows:
    """Rows of one level: changes against its first time, what remained until its last."""

    where: str
    times: tuple[str, ...]
    change: Rows  # signed: in the direction asked it lies below zero
    remaining: Rows  # so signed that a gain lies above zero
    pairs: tuple[Family, ...]  # each change before the last, with the last


@dataclass(frozen=True, kw_only=True)
class FactorRows:
    """Rows of two levels: their difference at the first time and later, and of their changes."""

    factor: str
    high: str
    low: str
    start: str  # first time of both; empty where it is not shared
    control: Rows
    times: tuple[str, ...]  # later times of both
    differences: Rows
    interactions: Rows


@dataclass(frozen=True, kw_only=True, eq=False)
class OrderedQuestion:
    """One question that serves every answer on one size, and what its rows are.

    Parameters
    ----------
    question : Question
        Rows, families and sets that are tested at once.
    quantity : str
        Such as "D50".
    direction : Way
        Which way it is expected to go.
    courses : tuple of CourseRows
        One a level that holds two times or more.
    factors : tuple of FactorRows
        Pairs of levels.
    families : tuple of (tuple of Contrast, Rows)
        The usual two-sided families, with what each row compares.
    tests : tuple of str
        Names of ``question.jointly``: "time", "factor", "interaction".
    beside, guard : Family or None
        Every change at every level; the end against every time between, at every level.
    """

    question: Question
    quantity: str
    direction: Way
    courses: tuple[CourseRows, ...]
    factors: tuple[FactorRows, ...]
    families: tuple[tuple[tuple[Contrast, ...], Rows], ...]
    tests: tuple[str, ...]
    beside: Family | None
    guard: Family | None


def ordered_question(
    cells: Sequence[Cell],
    mean_row: Callable[[str, str], Array],
    *,
    quantity: str = "",
    direction: Way = Way.FALLING,
    kinds: Sequence[ContrastKind] = (),
    pairs: Sequence[tuple[str, str, str]] | None = None,
) -> OrderedQuestion:
    """Ask everything of one size at once.

    Parameters
    ----------
    cells : sequence of (str, str)
        Times and levels of the further factors that were run, times in order; a time may be missing
        at a level.  Without a further factor the level is "".
    mean_row : callable
        Weights of the mean of a cell on the coefficients, from time and level.
    quantity : str
        Such as "D50".
    direction : Way
        Which way it is expected to go.
    kinds : sequence of ContrastKind
        Usual families wanted beside.
    pairs : sequence of (factor, high, low), optional
        Levels to compare; default every pair, of a factor without a name.

    Examples
    --------
    >>> cells = [("0", ""), ("6", "")]
    >>> asked = ordered_question(cells, lambda *cell: np.eye(2)[cells.index(cell)])
    >>> asked.question.contrasts
    array([[-1.,  1.]])
    """
    times = {w: [t for t, one in cells if one == w] for w in dict.fromkeys(w for _, w in cells)}
    row = {(t, w): np.asarray(mean_row(t, w), dtype=float) for t, w in cells}
    rows = list[Array]()
    courses = tuple(
        _course_rows(rows, [row[t, w] for t in own], w, own, direction)
        for w, own in times.items()
        if len(own) > 1
    )
    wanted = [("", b, a) for a, b in combinations(times, 2)] if pairs is None else pairs
    factors = tuple(_factor_rows(rows, row, times, *one) for one in wanted)
    families = _usual_families(rows, row, times, kinds, quantity)
    side = Side.BELOW if direction else Side.BOTH
    beside = joined(one.change for one in courses).family(side) if courses else None
    between = joined(one.remaining.some(slice(1, None)) for one in courses)
    guard = between.family(Side.BELOW) if direction and len(between.places) else None
    tests = _tests(courses, factors)
    every = [beside, guard, *(pair for one in courses for pair in one.pairs if direction)]
    every += [own.family() for _, own in families]
    question = Question(
        contrasts=np.array(rows),
        families=tuple(dict.fromkeys(one for one in every if one is not None)),
        jointly=tuple(tests.values()),
    )
    return OrderedQuestion(
        question=question,
        quantity=quantity,
        direction=direction,
        courses=courses,
        factors=factors,
        families=families,
        tests=tuple(tests),
        beside=beside,
        guard=guard,
    )


def _usual_families(
    rows: list[Array],
    row: Mapping[Cell, Array],
    times: Mapping[str, Sequence[str]],
    kinds: Sequence[ContrastKind],
    quantity: str,
) -> tuple[tuple[tuple[Contrast, ...], Rows], ...]:
    """Families of contrasts within each level, their rows added to those of the question."""
    families = list[tuple[tuple[Contrast, ...], Rows]]()
    for kind in kinds:
        subjects, found = list[Contrast](), list[Array]()
        for where, own in times.items():
            if len(own) > 1:
                asked = contrast_matrix(own, kind)
                subjects += [
                    replace(one, where=where, quantity=quantity) for one in asked.contrasts
                ]
                found += list(asked.weights @ np.array([row[t, where] for t in own]))
        if found:
            families.append((tuple(subjects), _added(rows, found)))
    return tuple(families)


def _added(rows: list[Array], found: Iterable[Array], sign: int = 1) -> Rows:
    """Places of rows among those asked so far, which they join where they are new."""
    at, signs = list[int](), list[int]()
    for row in found:
        for way in (1, -1):
            near = [k for k, one in enumerate(rows) if np.abs(one - way * row).max() <= 1e-12]
            if near:
                break
        else:
            way, near = 1, [len(rows)]
            rows.append(row)
        at.append(near[0])
        signs.append(sign * way)
    return Rows(np.array(at, dtype=np.intp), np.array(signs, dtype=float))


def _course_rows(
    rows: list[Array], row: Sequence[Array], where: str, times: Sequence[str], direction: Way
) -> CourseRows:
    sign = int(direction) or 1
    change = _added(rows, [one - row[0] for one in row[1:]], sign)
    last = len(times) - 2
    return CourseRows(
        where=where,
        times=tuple(times),
        change=change,
        remaining=_added(rows, [one - row[-1] for one in row[:-1]], sign),
        pairs=tuple(change.some([k, last]).family(Side.BELOW) for k in range(last)),
    )


def _factor_rows(
    rows: list[Array],
    row: Mapping[Cell, Array],
    times: Mapping[str, Sequence[str]],
    factor: str,
    high: str,
    low: str,
) -> FactorRows:
    shared = [t for t in times[high] if t in times[low]]
    difference = {t: row[t, high] - row[t, low] for t in shared}
    starts = bool(shared) and shared[0] == times[high][0] == times[low][0]
    later = shared[1:] if starts else shared
    return FactorRows(
        factor=factor,
        high=high,
        low=low,
        start=shared[0] if starts else "",
        control=_added(rows, [difference[shared[0]]] if starts else []),
        times=tuple(later),
        differences=_added(rows, [difference[t] for t in later]),
        interactions=_added(rows, [difference[t] - difference[shared[0]] for t in shared[1:]]),
    )


def _tests(
    courses: Sequence[CourseRows], factors: Sequence[FactorRows]
) -> dict[str, tuple[int, ...]]:
    """Independent rows of the tests of everything at once."""
    against = [one for one in factors if one.low == factors[0].low]
    found = {
        "time": [one.change for one in courses],
        "factor": [part for one in against for part in (one.control, one.differences)],
        "interaction": [one.interactions for one in against],
    }
    members = {name: tuple(joined(rows).places.tolist()) for name, rows in found.items()}
    return {name: own for name, own in members.items() if own}


# ------------------------------------------------------------------ what is shown


@dataclass(frozen=True, kw_only=True, eq=False)
class FallFlags:
    """Times after the first that are shown, and by how much at least: arrays (..., m)."""

    shown: Flags
    at_least: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class StopFlags:
    """Arrays (..., m) for the times before the last; the others (...,).  Limits are of gains."""

    little: Flags
    within: Flags
    coarser: Flags
    falling: Flags
    gain_at_least: Array
    gain_at_most: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class FactorFlags:
    """Whether two levels differ at the first time (...,) and at each later one (..., m)."""

    control: Flags
    differs: Flags


@dataclass(frozen=True, kw_only=True, eq=False)
class OrderedFlags:
    """All answers on one size as arrays: one entry a course and a pair of levels."""

    falls: tuple[FallFlags, ...]
    stops: tuple[StopFlags, ...]
    factors: tuple[FactorFlags, ...]


def from_the_end(passed: Flags) -> Flags:
    """Whether this and every later entry passed: an order stops at its first failure."""
    return np.logical_and.accumulate(passed[..., ::-1], axis=-1)[..., ::-1]


def with_handover(p: Sequence[Array], alpha: float, kept: float = 0.0) -> list[Flags]:
    """Orders, each from its last entry back, that share alpha in equal parts.

    One that is shown to its very beginning hands its share on to the others in equal parts, but for
    the part ``kept`` of its first share, which pays for a bound.  The chance of any false statement
    is at most alpha.  Shapes: p one array (..., m) an order; m may be 0.
    """
    first = alpha / max(len(p), 1)
    shape = (*np.broadcast_shapes(*(one.shape[:-1] for one in p)), len(p)) if p else (0,)
    share, done = np.full(shape, first), np.zeros(shape, dtype=bool)
    while True:
        shown = [from_the_end(one < share[..., [j]]) for j, one in enumerate(p)]
        ended = np.stack([one.all(axis=-1) for one in shown], axis=-1) if p else done
        new = ended & ~done
        if not new.any():
            return shown
        done = done | new
        given = np.where(new, share - kept * first, 0.0).sum(axis=-1, keepdims=True)
        left = (~done).sum(axis=-1, keepdims=True)
        share = np.where(done, share, share + given / np.maximum(left, 1))


def holm_p(p: Array) -> Array:
    """Adjusted p by Holm's step-down rule, over the last axis."""
    order = np.argsort(p, axis=-1)
    steps = np.take_along_axis(p, order, axis=-1) * np.arange(p.shape[-1], 0, -1)
    found = np.empty(p.shape)
    steps = np.minimum(np.maximum.accumulate(steps, axis=-1), 1.0)
    np.put_along_axis(found, order, steps, axis=-1)
    return found


def in_order_p(judged: Judged, asked: OrderedQuestion) -> list[Array]:
    """For each course p of each change in its order: the last alone, earlier ones with it."""
    if not asked.direction:
        return [one.change.p_both(judged) for one in asked.courses]
    found = []
    for one in asked.courses:
        pairs = [judged.family_p(pair)[..., :1] for pair in one.pairs]
        found.append(np.concatenate([*pairs, one.change.p_below(judged)[..., -1:]], axis=-1))
    return found


def fall_flags(judged: Judged, asked: OrderedQuestion, alpha: float) -> tuple[FallFlags, ...]:
    """The question of falls: in order at all levels, and beside it by the largest of all."""
    if asked.beside is None:
        return ()
    order, beside = (1.0 - BESIDE) * alpha, BESIDE * alpha
    if asked.direction:
        wide = -judged.family_upper(asked.beside, beside)
    else:
        wide = beside - judged.family_p(asked.beside)
    shown = with_handover(in_order_p(judged, asked), order, KEPT)
    return _falls(judged, asked, shown, wide, order)


def _falls(
    judged: Judged, asked: OrderedQuestion, shown: Sequence[Flags], wide: Array, order: float
) -> tuple[FallFlags, ...]:
    """Falls shown in order or beside it, with their bounds.

    ``wide`` (..., changes of all courses) is by how much each change lies below zero at least by
    the largest of all; positive: shown.
    """
    found, share = [], order / len(asked.courses)
    handing_on = len(asked.courses) > 1
    for course, own in zip(asked.courses, shown, strict=True):
        apart, wide = wide[..., : len(course.change.places)], wide[..., len(course.change.places) :]
        at_least = np.full(apart.shape, np.nan)
        if asked.direction:
            limits = [judged.family_upper(pair, share)[..., 1] for pair in course.pairs]
            if handing_on or not limits:
                part = share * (KEPT if handing_on else 1.0)
                limits.append(course.change.some([-1]).upper(judged, part)[..., 0])
            by_end = np.where(own[..., -1], np.maximum(-np.max(limits, axis=0), 0.0), np.nan)
            at_least = np.where(apart > 0.0, apart, np.where(own, 0.0, np.nan))
            at_least[..., -1] = np.fmax(at_least[..., -1], by_end)
        found.append(FallFlags(shown=own | (apart > 0.0), at_least=at_least))
    return tuple(found)


def margins(margin_percent: float | None, direction: Way) -> tuple[float, float]:
    """The margin, or what stands for it, as a gain of ln size and as a distance either way."""
    share = (DEFAULT_MARGIN_PERCENT if margin_percent is None else margin_percent) / 100.0
    apart = float(np.log1p(share))
    return (float(-np.log1p(-share)) if direction > 0 else apart), apart


def stop_flags(
    judged: Judged, asked: OrderedQuestion, margin_percent: float, alpha: float, guard: float
) -> tuple[StopFlags, ...]:
    """The question when to stop, each level at its part of alpha; empty without a direction."""
    if not asked.direction:
        return ()
    again = np.empty(0, dtype=bool)
    if asked.guard is not None:
        again = judged.family_p(asked.guard) < guard
    found, share = [], alpha / max(len(asked.courses), 1)
    gain, apart = margins(margin_percent, asked.direction)
    for course in asked.courses:
        rows, step = course.remaining, course.remaining.some([-1])
        limits = np.full(len(rows.places), OTHER_STEPS * share)
        limits[-1] = LAST_STEP * share
        below_gain = rows.p_below(judged, gain)
        coarser = np.zeros(below_gain.shape, dtype=bool)
        between = len(rows.places) - 1
        if between:
            coarser[..., 1:], again = again[..., :between], again[..., between:]
        little = from_the_end(below_gain < limits)
        inside = rows.p_below(judged, apart) < limits
        inside &= rows.p_above(judged, -apart) < OTHER_STEPS * share
        falling = (rows.p_above(judged)[..., -1] < OTHER_STEPS * share) & ~little[..., -1]
        least, beyond = (step.lower(judged, s * share)[..., 0] for s in (OTHER_STEPS, BEYOND))
        # below the margin the bound costs nothing: there "less than the margin" would be true
        at_least = np.maximum(np.minimum(least, gain), beyond)
        at_most = step.upper(judged, LAST_STEP * share)[..., 0]
        untold = ~little[..., -1] & ~falling & ~coarser.any(axis=-1)
        found.append(
            StopFlags(
                little=little,
                within=from_the_end(little & inside),
                coarser=coarser,
                falling=falling,
                gain_at_least=np.where(falling, at_least, np.nan),
                gain_at_most=np.where(untold, at_most, np.nan),
            )
        )
    return tuple(found)


def factor_flags(judged: Judged, asked: OrderedQuestion, alpha: float) -> tuple[FactorFlags, ...]:
    """The question of the factor: all pairs of levels together."""
    p = [one.differences.p_both(judged) for one in asked.factors]
    found = []
    orders = with_handover(p, (1.0 - BESIDE) * alpha)
    for one, differs in zip(asked.factors, orders, strict=True):
        control = np.zeros(differs.shape[:-1], dtype=bool)
        if len(one.control.places):
            control = one.control.p_both(judged)[..., 0] < BESIDE * alpha / len(p)
        found.append(FactorFlags(control=control, differs=differs))
    return tuple(found)


def one_course_flags(
    judged: Judged, asked: OrderedQuestion, margin_percent: float, alpha: float
) -> tuple[Flags, ...]:
    """For each pair of levels whether every difference of changes is shown within the margin."""
    apart = float(np.log1p(margin_percent / 100.0))
    found = []
    for rows in (one.interactions for one in asked.factors):
        inside = np.maximum(rows.p_below(judged, apart), rows.p_above(judged, -apart)) < alpha
        found.append(np.asarray(inside.all(axis=-1) & (inside.shape[-1] > 0)))
    return tuple(found)


def ordered_flags(
    judged: Judged,
    asked: OrderedQuestion,
    *,
    margin_percent: float = DEFAULT_MARGIN_PERCENT,
    alpha: float = 0.05,
    one_family: bool = False,
) -> OrderedFlags:
    """All answers on one size as arrays."""
    guard = BESIDE * alpha
    if not (one_family and asked.courses):
        return OrderedFlags(
            falls=fall_flags(judged, asked, alpha),
            stops=stop_flags(judged, asked, margin_percent, alpha, guard),
            factors=factor_flags(judged, asked, alpha),
        )
    # everything under one alpha: the ends by Holm, then equal parts where all are shown
    p = in_order_p(judged, asked)
    ended = holm_p(np.stack([one[..., -1] for one in p], axis=-1)) < alpha
    gate = np.asarray(ended.all(axis=-1))
    third = alpha / (1 + bool(asked.direction) + bool(asked.factors))
    earlier = with_handover([one[..., :-1] for one in p], third, KEPT)
    shown = [
        np.concatenate([one & gate[..., None], ended[..., [j]]], axis=-1)
        for j, one in enumerate(earlier)
    ]
    never = np.full((*gate.shape, sum(one.shape[-1] for one in p)), -1.0)
    falls = _falls(judged, asked, shown, never, third)
    for one in falls:  # shown by the end without a bound where another level's is not shown
        end = one.at_least[..., -1]
        one.at_least[..., -1] = np.where(gate, end, np.minimum(end, 0.0))
    stops = stop_flags(judged, asked, margin_percent, third, guard)
    factors = factor_flags(judged, asked, third)
    return OrderedFlags(
        falls=falls,
        stops=tuple(replace(_gated(one, gate), coarser=one.coarser) for one in stops),
        factors=tuple(_gated(one, gate) for one in factors),
    )


Gated = TypeVar("Gated", StopFlags, FactorFlags)


def _gated(flags: Gated, gate: Flags) -> Gated:
    """Flags and limits that count only where the gate (...,) is open."""
    found = {}
    for name, one in vars(flags).items():
        is_open = gate[..., None] if one.ndim > gate.ndim else gate
        found[name] = one & is_open if one.dtype == bool else np.where(is_open, one, np.nan)
    return replace(flags, **found)
