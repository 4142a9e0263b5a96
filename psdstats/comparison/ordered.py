"""Procedures in the order of time: fallen and since when, when to stop, does a factor matter.

Milling has a direction, so effects are taken in order, one-sided, from the last time back; every
sentence of an answer is true together with 95 per cent.  Effects are differences of ln size, signed
so that the direction asked for lies below zero; procedures take any `Judged` and know no model.

Three questions, each with its own 5 per cent:

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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.comparison.ordered_rows import (
    CourseRows,
    OrderedQuestion,
    Rows,
    Way,
)
from psdstats.frozen import Array
from psdstats.models.judged import Family, Judged, Side

Flags = NDArray[np.bool_]

BESIDE = 0.2  # share of the error for what stands beside the order
KEPT = 0.6  # share of a level's error that its bound keeps when the rest is handed on
LAST_STEP, OTHER_STEPS, BEYOND = 0.9, 0.5, 0.1  # shares of the stop question
DEFAULT_MARGIN_PERCENT = 5.0
"""What is too little to go on milling for, where no margin was stated (own rule, no source)."""


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


Part = tuple[Judged, CourseRows, bool]  # a course, and whether it has a direction


def in_order_p(part: Part) -> Array:
    """Return p of each change in its order: the last alone, earlier ones each paired with it."""
    judged, course, directed = part
    if not directed:
        return course.change.p_both(judged)
    alone = course.change.p_below(judged)
    pairs = [judged.family_p(pair.family(Side.BELOW))[..., :1] for pair in course.pairs]
    return np.concatenate([*pairs, alone[..., -1:]], axis=-1)


def _end_bound(part: Part, share: float, *, handing_on: bool) -> Array:
    """How far the end lies below the first time at least, (...,); negative where not shown."""
    judged, course, _ = part
    limits = [judged.family_upper(one.family(Side.BELOW), share)[..., 1] for one in course.pairs]
    if handing_on or not limits:
        own = share * (KEPT if handing_on else 1.0)
        limits.append(course.change.some([-1]).upper(judged, own)[..., 0])
    return np.asarray(-np.max(limits, axis=0))


def fall_flags(
    judged: Sequence[Judged], asked: Sequence[OrderedQuestion], alpha: float
) -> list[tuple[FallFlags, ...]]:
    """The question of falls, for one size or several that share its error."""
    order, beside = (1.0 - BESIDE) * alpha, BESIDE * alpha / len(asked)
    parts = [
        (one, c, bool(q.direction)) for one, q in zip(judged, asked, strict=True) for c in q.courses
    ]
    orders = with_handover(list(map(in_order_p, parts)), order, KEPT)
    found, place = list[tuple[FallFlags, ...]](), 0
    for one, question in zip(judged, asked, strict=True):
        if question.beside is None:
            found.append(())
            continue
        wide = _beside(one, question, beside)
        falls = []
        for course in question.courses:
            own, wide = wide[..., : len(course.change)], wide[..., len(course.change) :]
            part, shown = parts[place], orders[place]
            end = np.full(own.shape[:-1], np.nan)
            if part[2]:
                end = _end_bound(part, order / len(parts), handing_on=len(parts) > 1)
            falls.append(_fall(shown, own, end, directed=part[2]))
            place += 1
        found.append(tuple(falls))
    return found


def _beside(judged: Judged, asked: OrderedQuestion, alpha: float) -> Array:
    """By how much each change lies below zero at least by the largest of all; positive: shown."""
    family = asked.beside or Family((), ())
    if not asked.direction:
        return alpha - judged.family_p(family)
    return np.asarray(-judged.family_upper(family, alpha))


def _fall(in_order: Flags, wide: Array, end: Array, *, directed: bool) -> FallFlags:
    shown = in_order | (wide > 0.0)
    if not directed:
        return FallFlags(shown=shown, at_least=np.full(wide.shape, np.nan))
    at_least = np.where(wide > 0.0, wide, np.where(in_order, 0.0, np.nan))
    by_end = np.where(in_order[..., -1], np.maximum(end, 0.0), np.nan)
    at_least[..., -1] = np.fmax(at_least[..., -1], by_end)
    return FallFlags(shown=shown, at_least=at_least)


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
    gain, apart = margins(margin_percent, asked.direction)
    family = asked.guard
    again = None if family is None else judged.family_p(family) < guard
    found = []
    for course in asked.courses:
        rows, share = course.remaining, alpha / len(asked.courses)
        coarser = np.zeros(rows.of(judged.estimate).shape, dtype=bool)
        if again is not None and len(rows) > 1:
            coarser[..., 1:], again = again[..., : len(rows) - 1], again[..., len(rows) - 1 :]
        found.append(_stop(judged, rows, gain, apart, share, coarser))
    return tuple(found)


def _stop(
    judged: Judged, rows: Rows, gain: float, apart: float, share: float, coarser: Flags
) -> StopFlags:
    other = OTHER_STEPS * share
    limits = np.full(len(rows), other)
    limits[-1] = LAST_STEP * share
    little = from_the_end(rows.p_below(judged, gain) < limits)
    inside = (rows.p_below(judged, apart) < limits) & (rows.p_above(judged, -apart) < other)
    falling = (rows.p_above(judged)[..., -1] < other) & ~little[..., -1]
    step = rows.some([-1])
    least, beyond = (step.lower(judged, one * share)[..., 0] for one in (OTHER_STEPS, BEYOND))
    # below the margin the bound costs nothing: there "less than the margin" would be true
    at_least = np.maximum(np.minimum(least, gain), beyond)
    at_most = step.upper(judged, LAST_STEP * share)[..., 0]
    untold = ~little[..., -1] & ~falling & ~coarser.any(axis=-1)
    return StopFlags(
        little=little,
        within=from_the_end(little & inside),
        coarser=coarser,
        falling=falling,
        gain_at_least=np.where(falling, at_least, np.nan),
        gain_at_most=np.where(untold, at_most, np.nan),
    )


def factor_flags(judged: Judged, asked: OrderedQuestion, alpha: float) -> tuple[FactorFlags, ...]:
    """The question of the factor: all pairs of levels together."""
    if not asked.factors:
        return ()
    p = [one.differences.p_both(judged) for one in asked.factors]
    orders = with_handover(p, (1.0 - BESIDE) * alpha)
    limit = BESIDE * alpha / len(p)
    found = []
    for one, differs in zip(asked.factors, orders, strict=True):
        control = np.zeros(differs.shape[:-1], dtype=bool)
        if len(one.control):
            control = one.control.p_both(judged)[..., 0] < limit
        found.append(FactorFlags(control=control, differs=differs))
    return tuple(found)


def one_course_flags(
    judged: Judged, asked: OrderedQuestion, margin_percent: float, alpha: float
) -> tuple[Flags, ...]:
    """For each pair of levels whether every difference of changes is shown within the margin."""
    apart = float(np.log1p(margin_percent / 100.0))
    found = []
    for one in asked.factors:
        below, above = (
            rows.p_below(judged, apart) for rows in (one.interactions, one.interactions.turned())
        )
        inside = np.maximum(below, above) < alpha
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
    if one_family and asked.courses:
        return _strict_flags(judged, asked, margin_percent, alpha)
    return OrderedFlags(
        falls=fall_flags([judged], [asked], alpha)[0],
        stops=stop_flags(judged, asked, margin_percent, alpha, BESIDE * alpha),
        factors=factor_flags(judged, asked, alpha),
    )


def _strict_flags(
    judged: Judged, asked: OrderedQuestion, margin_percent: float, alpha: float
) -> OrderedFlags:
    """Everything under one alpha: the ends by Holm, then equal parts where all are shown."""
    parts: list[Part] = [(judged, one, bool(asked.direction)) for one in asked.courses]
    p = [in_order_p(one) for one in parts]
    ended = _holm(np.stack([one[..., -1] for one in p], axis=-1), alpha)
    gate = np.asarray(ended.all(axis=-1))
    questions = 1 + bool(asked.direction) + bool(asked.factors)
    third = alpha / questions
    earlier = with_handover([one[..., :-1] for one in p], third, KEPT)
    falls = []
    for j, part in enumerate(parts):
        shown = np.concatenate([earlier[j] & gate[..., None], ended[..., [j]]], axis=-1)
        end = np.full(gate.shape, np.nan)
        if part[2]:
            end = _end_bound(part, third / len(parts), handing_on=len(parts) > 1)
        never = np.full(shown.shape, -1.0)
        falls.append(_fall(shown, never, np.where(gate, end, 0.0), directed=part[2]))
    stops = stop_flags(judged, asked, margin_percent, third, BESIDE * alpha)
    factors = factor_flags(judged, asked, third)
    return OrderedFlags(
        falls=tuple(falls),
        stops=tuple(_gated(one, gate) for one in stops),
        factors=tuple(
            FactorFlags(control=one.control & gate, differs=one.differs & gate[..., None])
            for one in factors
        ),
    )


def _gated(stop: StopFlags, gate: Flags) -> StopFlags:
    """The stop question where it may be asked; no limits where it may not."""
    return StopFlags(
        little=stop.little & gate[..., None],
        within=stop.within & gate[..., None],
        coarser=stop.coarser,
        falling=stop.falling & gate,
        gain_at_least=np.where(gate, stop.gain_at_least, np.nan),
        gain_at_most=np.where(gate, stop.gain_at_most, np.nan),
    )


def _holm(p: Array, alpha: float) -> Flags:
    """Holm's step-down rule over the last axis."""
    count = p.shape[-1]
    order = np.argsort(p, axis=-1)
    passed = np.take_along_axis(p, order, axis=-1) < alpha / np.arange(count, 0, -1)
    passed = np.logical_and.accumulate(passed, axis=-1)
    shown = np.zeros(p.shape, dtype=bool)
    np.put_along_axis(shown, order, passed, axis=-1)
    return shown
