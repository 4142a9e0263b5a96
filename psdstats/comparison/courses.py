"""Answers on one size as records: courses over time, factors, the usual families.

What the procedures of `psdstats.comparison.ordered` find on one data set becomes `Course`, `Stop`,
`FactorAnswer` and `Finding`, each number once.  Effects are differences of ln size.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from math import nan

import numpy as np

from psdstats.comparison.ordered import (
    BESIDE,
    DEFAULT_MARGIN_PERCENT,
    KEPT,
    CourseRows,
    FactorFlags,
    OrderedQuestion,
    Rows,
    StopFlags,
    Way,
    from_the_end,
    holm_p,
    in_order_p,
    margins,
    one_course_flags,
    ordered_flags,
    with_handover,
)
from psdstats.comparison.response import ComparisonRemark, Response
from psdstats.findings import (
    Contrast,
    ContrastKind,
    Course,
    Ending,
    FactorAnswer,
    Finding,
    FindingKind,
    Numbers,
    Remark,
    RemarkKind,
    Rule,
    Stop,
    Verdict,
    numbers_of,
)
from psdstats.frozen import Array, Flags
from psdstats.models.judged import Judged
from psdstats.models.verdicts import VerdictRemark, detectable_percent, equivalence_of, judge

FEWEST_TIMES = 4
"""Times of single runs from which a smooth course leaves a spread."""

Answered = tuple[tuple[Course, ...], tuple[FactorAnswer, ...]]

_REACH = 2.5  # standard errors of the last step that a margin needs for a power near 80 per cent


class OrderedRemark(RemarkKind):
    """Why the end cannot be judged, and what would tell."""

    OUT_OF_REACH = "margin out of reach"  # times_as_many: runs it would take
    BEYOND_SIEVES = "beyond the sieves"  # quantity, times: those with open sizes
    FEW_SINGLE_RUNS = "few single runs"  # runs: how many there are
    SINGLE_RUNS = "single runs"


def read_courses(
    judged: Judged,
    asked: OrderedQuestion,
    *,
    margin_percent: float | None = None,
    level: float = 0.95,
    one_family: bool = False,
    beside_shared: bool = False,
) -> Answered:
    """Courses of one size, and what further factors do.

    Parameters
    ----------
    judged : Judged
        Without leading axes.
    asked : OrderedQuestion
        What was asked.
    margin_percent : float, optional
        Change too small to matter, where one was stated; the stop question takes 5 otherwise.
    level : float
        Confidence level.
    one_family : bool
        Falls, factor and stop under one error.
    beside_shared : bool
        Whether half of what stands beside the order of a factor is kept for times at which a size
        lies beyond the sieves.
    """
    rule = Rule(level=level, margin_percent=margin_percent)
    margin = DEFAULT_MARGIN_PERCENT if margin_percent is None else margin_percent
    flags = ordered_flags(
        judged, asked, margin_percent=margin, alpha=1.0 - level, one_family=one_family
    )
    end_p = _end_p(judged, asked, one_family=one_family)
    courses = []
    for place, (rows, fall) in enumerate(zip(asked.courses, flags.falls, strict=True)):
        stop = None
        if flags.stops:
            stop = _stop(judged, asked, rows, flags.stops[place], margin_percent)
        end = rows.change.some([-1])  # the change by the end, with its two-sided interval
        p = end.p_below(judged) if asked.direction else end.p_both(judged)
        plain = -end if asked.direction == Way.RISING else end
        (numbers,) = _numbers(judged, plain, p, np.array([end_p[place]]), rule)
        subject = Contrast(
            high=rows.times[-1],
            low=rows.times[0],
            where=rows.where,
            quantity=asked.quantity,
            family=ContrastKind.AGAINST_FIRST,
        )
        courses.append(
            Course(
                quantity=asked.quantity,
                where=rows.where,
                times=rows.times,
                start=Numbers(),
                end=Numbers(),
                fallen=judge(subject, numbers, kind=FindingKind.FALLEN, **rule),
                shown=tuple(fall.shown.tolist()),
                at_least=tuple(fall.at_least.tolist()),
                since=_first(rows.times[1:], from_the_end(fall.shown)),
                stop=stop,
            )
        )
    gate_p = max(end_p, default=0.0) if one_family else 0.0
    return tuple(courses), _factors(judged, asked, flags.factors, gate_p, rule, 1 + beside_shared)


def _end_p(judged: Judged, asked: OrderedQuestion, *, one_family: bool) -> list[float]:
    """For each course the least error at which the fall by the end is shown."""
    orders, found = in_order_p(judged, asked), list[float]()
    if one_family or asked.beside is None:
        return [float(one) for one in holm_p(np.array([p[-1] for p in orders]))]
    beside = judged.family_p(asked.beside)
    ends = np.cumsum([len(one) for one in orders]) - 1
    for place, end in enumerate(ends):
        in_order = _least(lambda a: with_handover(orders, (1 - BESIDE) * a, KEPT)[place][-1])  # noqa: B023
        found.append(min(in_order, float(beside[end]) / BESIDE, 1.0))
    return found


def _least(shown: Callable[[float], np.bool_]) -> float:
    """The least error at which something is shown; one where it never is."""
    if not shown(1.0):
        return 1.0
    low, high = -40.0, 0.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if shown(float(np.exp(middle))) else (middle, high)
    return float(np.exp(high))


def _first(times: Sequence[str], flags: Flags) -> str | None:
    """The first time flagged; None where none is."""
    return times[int(np.argmax(flags))] if flags.any() else None


def _numbers(
    judged: Judged, rows: Rows, p: Array, p_adjusted: Array, rule: Rule, half: Array | None = None
) -> tuple[Numbers, ...]:
    """Each row with the interval of that row alone, or with half widths that hold together."""
    alpha, value = 1.0 - rule["level"], judged.estimate[..., rows.places] * rows.signs
    se, df = judged.se[..., rows.places], judged.df[..., rows.places]
    lower, upper = rows.lower(judged, 0.5 * alpha), rows.upper(judged, 0.5 * alpha)
    reach = judged.half_width(alpha)[..., rows.places] if half is None else half
    columns = {
        "estimate": value,
        "lower": lower if half is None else value - half,
        "upper": upper if half is None else value + half,
        "lower_single": lower,
        "upper_single": upper,
        "u": se,
        "df": df,
        "p": p,
        "p_adjusted": p_adjusted,
        **detectable_percent(se, df, reach),
    }
    margin = rule["margin_percent"]
    if margin is not None:
        columns |= equivalence_of(judged, rows.family(), margin_percent=margin, alpha=alpha)
    return numbers_of(columns)


def _stop(
    judged: Judged,
    asked: OrderedQuestion,
    rows: CourseRows,
    flags: StopFlags,
    margin_percent: float | None,
) -> Stop:
    margin = DEFAULT_MARGIN_PERCENT if margin_percent is None else margin_percent
    coarser = tuple(t for t, one in zip(rows.times[:-1], flags.coarser, strict=True) if one)
    reasons: tuple[Remark, ...] = ()
    if coarser:
        ending = Ending.COARSER_AGAIN
    elif flags.little[-1]:
        ending = Ending.LITTLE_LEFT
    elif flags.falling:
        ending = Ending.STILL_FALLING
    else:
        ending = Ending.CANNOT_BE_TOLD
        # how many times as many runs would bring the margin within reach, if it is not
        gain, _ = margins(margin, asked.direction)
        many = (_REACH * float(judged.se[..., rows.remaining.places[-1]]) / gain) ** 2
        if np.isfinite(many) and many > 1.0:
            reasons = (OrderedRemark.OUT_OF_REACH(times_as_many=round(many, 1)),)
    return Stop(
        ending=ending,
        last=rows.times[-1],
        before=rows.times[-2],
        margin_percent=margin,
        is_stated=margin_percent is not None,
        since=_first(rows.times, flags.little),
        gain_at_least=float(flags.gain_at_least),
        gain_at_most=float(flags.gain_at_most),
        coarser_after=coarser,
        stayed_within=_first(rows.times, flags.within),
        reasons=reasons,
    )


def _factors(
    judged: Judged,
    asked: OrderedQuestion,
    flags: Sequence[FactorFlags],
    gate_p: float,
    rule: Rule,
    beside: int,
) -> tuple[FactorAnswer, ...]:
    share = 1.0 - BESIDE
    if gate_p > 0.0:
        share /= 2 + bool(asked.direction)
    p = [one.differences.p_both(judged) for one in asked.factors]
    alike: Sequence[Flags | None] = [None] * len(p)
    margin = rule["margin_percent"]
    if margin is not None:
        alike = one_course_flags(judged, asked, margin, 1.0 - rule["level"])
    found = []
    for j, (rows, own, same) in enumerate(zip(asked.factors, flags, alike, strict=True)):
        adjusted = [
            max(_least(lambda a: with_handover(p, share * a)[j][k]), gate_p)  # noqa: B023
            for k in range(len(rows.times))
        ]
        at = _numbers(judged, rows.differences, p[j], np.array(adjusted), rule)
        control: tuple[Numbers, ...] = (Numbers(),)
        if rows.start:  # the difference at the first time, beside the order
            alone = rows.control.p_both(judged)
            own_share = share * BESIDE / (1.0 - BESIDE) / len(p) / beside
            adjusted_alone = np.clip(alone / own_share, gate_p, 1.0)
            control = _numbers(judged, rows.control, alone, adjusted_alone, rule)
        pair = partial(Contrast, quantity=asked.quantity, high=rows.high, low=rows.low)
        first, *later = (
            judge(pair(where=time), numbers, kind=FindingKind.FACTOR, **rule)
            for time, numbers in zip((rows.start, *rows.times), (*control, *at), strict=True)
        )
        found.append(
            FactorAnswer(
                quantity=asked.quantity,
                factor=rows.factor,
                high=rows.high,
                low=rows.low,
                control=first,
                at=tuple(later),
                since=_first(rows.times, own.differs),
                is_one_course=None if same is None else bool(same),
            )
        )
    return tuple(found)


def family_findings(
    judged: Judged,
    asked: OrderedQuestion,
    *,
    margin_percent: float | None = None,
    level: float = 0.95,
) -> tuple[Finding, ...]:
    """The usual two-sided families, each with adjusted p and simultaneous intervals."""
    found, rule = list[Finding](), Rule(level=level, margin_percent=margin_percent)
    for subjects, rows in asked.families:
        family = rows.family()
        half = judged.family_half_width(family, 1.0 - level)
        p, p_adjusted = rows.p_both(judged), judged.family_p(family)
        numbers = _numbers(judged, rows, p, p_adjusted, rule, half)
        found += [judge(one, own, **rule) for one, own in zip(subjects, numbers, strict=True)]
    return tuple(found)


def with_open_times(
    factors: Sequence[FactorAnswer], told: Sequence[Finding], times: Sequence[str]
) -> tuple[FactorAnswer, ...]:
    """Factors with what bounds show at times of open sizes; what they do not show is not told."""
    found, shown = [], list[Finding]()
    for one in told:
        is_apart = not one.numbers.lower < 0.0 < one.numbers.upper
        shown += [one] if one.verdict is Verdict.CHANGED and is_apart else []
    for answer in factors:
        pair = (answer.high, answer.low)
        own = [one for one in shown if (one.subject.high, one.subject.low) == pair]
        if own:
            at = sorted((*answer.at, *own), key=lambda one: times.index(one.subject.where))
            differs = np.array([one.verdict is Verdict.CHANGED for one in at])
            since = _first([one.subject.where for one in at], from_the_end(differs))
            answer = replace(answer, at=tuple(at), since=since)
        found.append(answer)
    return tuple(found)


def with_missing(
    response: Response,
    families: Sequence[ContrastKind],
    found: Sequence[Finding],
    missing: Remark | None = None,
    courses: Sequence[Course] = (),
) -> tuple[Finding, ...]:
    """Findings in the order asked; those on levels that are lost by their bounds, or untold."""
    told = {one.subject: one for one in found}
    changes = {(one.times[-1], one.times[0], one.where): one.fallen for one in courses}
    ordered = []
    for family in families:
        for contrast in response.asked(family).contrasts:
            subject = replace(contrast, quantity=response.quantity)
            own = told.pop(subject, None)
            change = changes.get((subject.high, subject.low, subject.where))
            bounds = _by_bounds(subject, courses)
            if own is not None and change is not None:
                own = _told_once(own, change, bounds)
            ordered.append(own or bounds or _missed(response, subject, missing))
    return (*ordered, *told.values())


def _told_once(own: Finding, change: Finding, bounds: Finding | None) -> Finding:
    """The change of a course in a family: as the course tells it, with limits that hold together.

    Where an end lies beyond the sieves, an estimate from the other runs would be another number.
    """
    if np.isnan(change.numbers.estimate):
        return bounds or replace(change, kind=own.kind, subject=own.subject)
    own = replace(own, numbers=own.numbers.widened(change.numbers))
    is_claim = own.verdict in (Verdict.CHANGED, Verdict.EQUIVALENT)
    if is_claim and change.verdict is not own.verdict:
        own = replace(own, verdict=change.verdict, reasons=change.reasons)
    return own


def _by_bounds(subject: Contrast, courses: Sequence[Course]) -> Finding | None:
    """What a course says of two of its times; None where that is nothing."""
    for course in courses:
        first, *later = course.times
        if course.where != subject.where or subject.high not in later:
            continue
        fallen, stop, gain = course.fallen, course.stop, np.nan
        if subject.low == first:
            at = later.index(subject.high)
            if at == len(later) - 1 and fallen.verdict is not Verdict.CANNOT_BE_TOLD:
                return replace(fallen, kind=FindingKind.LEVELS, subject=subject)
            gain = course.at_least[at] if course.shown[at] else np.nan
        if stop is not None and stop.ending is Ending.STILL_FALLING and not np.isfinite(gain):
            is_step = (subject.high, subject.low) == (stop.last, stop.before)
            gain = stop.gain_at_least if is_step else np.nan
        if np.isfinite(gain):  # a lower limit of it, in the direction of the whole change
            rises = fallen.numbers.lower > 0.0
            return Finding(
                kind=FindingKind.LEVELS,
                subject=subject,
                verdict=Verdict.CHANGED,
                numbers=Numbers(lower=gain, upper=np.inf)
                if rises
                else Numbers(lower=-np.inf, upper=-gain),
                level=fallen.level,
                margin_percent=fallen.margin_percent,
            )
    return None


def _missed(response: Response, subject: Contrast, missing: Remark | None) -> Finding:
    """A contrast that cannot be judged, for the levels that are lost or for another reason."""
    ends = ((level, subject.where) for level in (subject.high, subject.low))
    lost = tuple(response.obstacles[one] for one in ends if one in response.obstacles)
    return judge(
        subject,
        Numbers(),
        kind=FindingKind.LEVELS,
        level=response.level,
        margin_percent=response.plan.margin_percent,
        obstacles=lost or (missing or ComparisonRemark.NO_RUN_LEFT(),),
    )


# ------------------------------------------------------------------ claims taken back


def with_undoing(course: Course, allowed: Course, percent: float, *, by_drift: bool) -> Course:
    """A course of which only that is claimed that a plausible variation would not undo.

    Parameters
    ----------
    course : Course
        Judged without a variation that this trial could not estimate and nobody declared.
    allowed : Course
        The same, judged with as much of it as a trial may well have
        (`psdstats.models.verdicts.PLAUSIBLE_DRIFT_PERCENT` a step,
        `PLAUSIBLE_RUN_TO_RUN_PERCENT` between runs).
    percent : float
        How much of it would undo the change by the end (`undoing_percent`).
    by_drift : bool
        Drift of groups or of one charge; else run-to-run variation.
    """
    undone, unknown = VerdictRemark.UNDONE, VerdictRemark.RUN_TO_RUN_UNKNOWN
    fallen, at_least = course.fallen, course.at_least
    if by_drift:  # limits are claims too: those of the wider law
        undone, unknown = VerdictRemark.UNDONE_BY_DRIFT, VerdictRemark.DRIFT_UNKNOWN
        at_least = tuple(map(min, at_least, allowed.at_least))
        numbers = max(fallen.numbers, allowed.fallen.numbers, key=width)
        fallen = replace(fallen, numbers=numbers)
    why = undone(percent=percent)
    claimed, fallen = fallen, held_back(fallen, allowed.fallen, why)
    if fallen is claimed:
        fallen = replace(fallen, reasons=(*fallen.reasons, unknown(percent=percent)))
    shown = tuple(a and b for a, b in zip(course.shown, allowed.shown, strict=True))
    stop, other = course.stop, allowed.stop
    if stop is not None and other is not None:
        if stop.ending is not Ending.CANNOT_BE_TOLD:
            stop = other if other.ending is stop.ending else _untold(other, why)
        elif other.ending is stop.ending:
            stop = other
    return replace(
        course,
        fallen=fallen,
        shown=shown,
        at_least=tuple(a if b else nan for a, b in zip(at_least, shown, strict=True)),
        since=_first(course.times[1:], from_the_end(np.array(shown))),
        stop=stop,
    )


def held_back(finding: Finding, allowed: Finding, why: Remark) -> Finding:
    """A finding itself, or untold where another law does not make its claim."""
    is_claim = finding.verdict in (Verdict.CHANGED, Verdict.EQUIVALENT)
    if is_claim and allowed.verdict is not finding.verdict:
        return replace(finding, verdict=Verdict.CANNOT_BE_TOLD, reasons=(why,))
    return finding


def width(numbers: Numbers) -> tuple[float, float]:
    """How wide an interval is; of two that are open at one end, how far the other end reaches."""
    reach = -numbers.lower if np.isinf(numbers.upper) else numbers.upper
    return numbers.upper - numbers.lower, reach


def of_single_runs(course: Course, runs: int) -> Course:
    """What single runs can say with the spread about smooth courses, or one declared.

    Four times leave one degree of freedom: "fallen by the end" and nothing else.  Where the end
    cannot be told, more runs at the last two times would tell.  `runs`: times of the longest of the
    courses that the spread is pooled over.
    """
    stop = course.stop
    if runs > FEWEST_TIMES:
        if stop is None or stop.ending is not Ending.CANNOT_BE_TOLD:
            return course
        return replace(course, stop=_untold(stop, OrderedRemark.SINGLE_RUNS()))
    if stop is not None:
        why = OrderedRemark.FEW_SINGLE_RUNS(runs=runs)
        stop = _untold(replace(stop, gain_at_most=nan), why)
    *before, ended = course.shown
    return replace(
        course,
        shown=(*(False for _ in before), ended),
        at_least=(*(nan for _ in before), course.at_least[-1]),
        since=course.times[-1] if ended else None,
        stop=stop,
    )


def _untold(stop: Stop, why: Remark) -> Stop:
    """An end that cannot be told after all, for the sieves first where they say nothing of it."""
    sieves = [one for one in stop.reasons if one.kind is OrderedRemark.BEYOND_SIEVES]
    return replace(
        stop,
        ending=Ending.CANNOT_BE_TOLD,
        since=None,
        gain_at_least=nan,
        coarser_after=(),
        stayed_within=None,
        reasons=(*sieves, why),
    )
