"""Answers on one size as records: courses over time, factors, the usual families.

What the procedures of `psdstats.comparison.ordered` find on one data set becomes `Course`, `Stop`,
`FactorAnswer` and `Finding`, each number once.  Effects are differences of ln size.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import nan

import numpy as np

from psdstats.comparison.ordered import (
    BESIDE,
    DEFAULT_MARGIN_PERCENT,
    KEPT,
    FactorFlags,
    FallFlags,
    Flags,
    StopFlags,
    fall_flags,
    from_the_end,
    in_order_p,
    margins,
    one_course_flags,
    ordered_flags,
    with_handover,
)
from psdstats.comparison.ordered_rows import (
    CourseRows,
    FactorRows,
    FamilyRows,
    OrderedQuestion,
    Rows,
    Way,
)
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
    Stop,
    Verdict,
)
from psdstats.frozen import Array
from psdstats.models.judged import Judged
from psdstats.models.verdicts import (
    VerdictRemark,
    detectable_percent,
    equivalence_of,
    judge,
    multiples,
)

_CLAIMS = (Verdict.CHANGED, Verdict.EQUIVALENT)
_REACH = 2.5  # standard errors of the last step that a margin needs for a power near 80 per cent


class OrderedRemark(RemarkKind):
    """Why the end cannot be judged, and what would tell."""

    OUT_OF_REACH = "margin out of reach"  # times_as_many: runs it would take
    BEYOND_SIEVES = "beyond the sieves"  # quantity, times: those with open sizes
    FEW_SINGLE_RUNS = "few single runs"  # runs: how many there are
    SINGLE_RUNS = "single runs"


def read_courses(
    judged: Sequence[Judged],
    asked: Sequence[OrderedQuestion],
    *,
    margin_percent: float | None = None,
    level: float = 0.95,
    one_family: bool = False,
) -> list[tuple[tuple[Course, ...], tuple[FactorAnswer, ...]]]:
    """Answers on one size, or on several whose falls share one error.

    Parameters
    ----------
    judged, asked : sequence of Judged, of OrderedQuestion
        One entry a size, without leading axes; one by one where each is a question of its own.
    margin_percent : float, optional
        Change too small to matter, where one was stated; the stop question takes 5 otherwise.
    level : float
        Confidence level.
    one_family : bool
        Falls, factor and stop of a size under one error.

    Returns
    -------
    list of (tuple of Course, tuple of FactorAnswer)
        One entry a size.
    """
    alpha = 1.0 - level
    margin = DEFAULT_MARGIN_PERCENT if margin_percent is None else margin_percent
    falls = None if one_family else fall_flags(judged, asked, alpha)
    end_p = _end_p(judged, asked, one_family=one_family)
    found = []
    for place, (one, question) in enumerate(zip(judged, asked, strict=True)):
        flags = ordered_flags(
            one, question, margin_percent=margin, alpha=alpha, one_family=one_family
        )
        reader = _Reader(one, question, margin_percent, level)
        own = flags.falls if falls is None else falls[place]
        stops = flags.stops or (None,) * len(own)
        courses = tuple(
            reader.course(rows, fall, stop, p)
            for rows, fall, stop, p in zip(question.courses, own, stops, end_p[place], strict=True)
        )
        found.append((courses, reader.factors(flags.factors, _gate_p(end_p[place], one_family))))
    return found


def _gate_p(end_p: Sequence[float], one_family: bool) -> float:
    return max(end_p, default=0.0) if one_family else 0.0


def _end_p(
    judged: Sequence[Judged], asked: Sequence[OrderedQuestion], *, one_family: bool
) -> list[list[float]]:
    """For each size and course the least error at which the fall by the end is shown."""
    sizes = list(zip(judged, asked, strict=True))
    orders = [[in_order_p((one, c, bool(q.direction))) for c in q.courses] for one, q in sizes]
    if one_family:
        return [_holm_p([float(p[-1]) for p in own]) for own in orders]
    flat = [p for own in orders for p in own]
    found, place = list[list[float]](), 0
    for one, question in sizes:
        beside = np.empty(0) if question.beside is None else one.family_p(question.beside)
        ends = np.cumsum([len(c.change) for c in question.courses], dtype=int) - 1
        found.append([])
        for end in ends:
            at = place
            in_order = _least(lambda a: with_handover(flat, (1 - BESIDE) * a, KEPT)[at][-1])  # noqa: B023
            found[-1].append(min(in_order, len(asked) * float(beside[end]) / BESIDE, 1.0))
            place += 1
    return found


def _holm_p(p: Sequence[float]) -> list[float]:
    order = np.argsort(p)
    steps = np.maximum.accumulate(np.array(p)[order] * np.arange(len(p), 0, -1))
    found = np.empty(len(p))
    found[order] = np.minimum(steps, 1.0)
    return [float(one) for one in found]


def _least(shown: Callable[[float], np.bool_]) -> float:
    """The least error at which something is shown; one where it never is."""
    if not shown(1.0):
        return 1.0
    low, high = -40.0, 0.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if shown(float(np.exp(middle))) else (middle, high)
    return float(np.exp(high))


@dataclass(frozen=True, eq=False)
class _Reader:
    """Records of one size of one data set."""

    judged: Judged
    asked: OrderedQuestion
    margin_percent: float | None
    level: float

    def course(
        self, rows: CourseRows, fall: FallFlags, stop: StopFlags | None, p_end: float
    ) -> Course:
        shown = from_the_end(fall.shown)
        first = int(np.argmax(shown)) if shown.any() else None
        subject = Contrast(
            high=rows.times[-1],
            low=rows.times[0],
            where=rows.where,
            quantity=self.asked.quantity,
            family=ContrastKind.AGAINST_FIRST,
        )
        end = rows.change.some([-1])
        sided = end.p_below(self.judged) if self.asked.direction else end.p_both(self.judged)
        plain = end if self.asked.direction != Way.RISING else end.turned()
        (numbers,) = self.numbers(plain, p=sided, p_adjusted=np.array([p_end]))
        return Course(
            quantity=self.asked.quantity,
            where=rows.where,
            times=rows.times,
            start=Numbers(),
            end=Numbers(),
            fallen=self.judge(FindingKind.FALLEN, subject, numbers),
            shown=tuple(map(bool, fall.shown)),
            at_least=tuple(map(float, fall.at_least)),
            since=None if first is None else rows.times[1 + first],
            stop=None if stop is None else self.stop(rows, stop),
        )

    def numbers(
        self, rows: Rows, *, p: Array | None = None, p_adjusted: Array | None = None
    ) -> tuple[Numbers, ...]:
        """Each row alone, with the interval of that row alone."""
        value, se = rows.of(self.judged.estimate), rows.widths(self.judged.se)
        each = 0.5 * (1.0 - self.level)
        lower, upper = rows.lower(self.judged, each), rows.upper(self.judged, each)
        half = rows.widths(self.judged.half_width(1.0 - self.level))
        found = {
            "estimate": value,
            "lower": lower,
            "upper": upper,
            "lower_single": lower,
            "upper_single": upper,
            "u": se,
            "df": rows.widths(self.judged.df),
        }
        if p is not None and p_adjusted is not None:
            found |= {"p": p, "p_adjusted": p_adjusted}
            found |= detectable_percent(
                se, rows.widths(self.judged.df), critical=multiples(half, se)
            )
        return _numbers(found | self.equivalence(rows, tested=p is not None))

    def equivalence(self, rows: Rows, *, tested: bool = True) -> dict[str, Array]:
        if self.margin_percent is None or not tested:
            return {}
        return equivalence_of(
            self.judged,
            rows.family(),
            margin_percent=self.margin_percent,
            alpha=1.0 - self.level,
        )

    def judge(self, kind: FindingKind, subject: Contrast, numbers: Numbers) -> Finding:
        return judge(
            subject, numbers, kind=kind, level=self.level, margin_percent=self.margin_percent
        )

    def stop(self, rows: CourseRows, flags: StopFlags) -> Stop:
        margin = DEFAULT_MARGIN_PERCENT if self.margin_percent is None else self.margin_percent
        coarser = tuple(t for t, one in zip(rows.times[:-1], flags.coarser, strict=True) if one)
        if coarser:
            ending = Ending.COARSER_AGAIN
        elif flags.little[-1]:
            ending = Ending.LITTLE_LEFT
        else:
            ending = Ending.STILL_FALLING if flags.falling else Ending.CANNOT_BE_TOLD
        return Stop(
            ending=ending,
            last=rows.times[-1],
            before=rows.times[-2],
            margin_percent=margin,
            is_stated=self.margin_percent is not None,
            since=_first(rows.times, flags.little),
            gain_at_least=float(flags.gain_at_least),
            gain_at_most=float(flags.gain_at_most),
            coarser_after=coarser,
            stayed_within=_first(rows.times, flags.within),
            reasons=self.untold(rows, margin) if ending is Ending.CANNOT_BE_TOLD else (),
        )

    def untold(self, rows: CourseRows, margin_percent: float) -> tuple[Remark, ...]:
        """How many times as many runs would bring the margin within reach, if it is not."""
        gain, _ = margins(margin_percent, self.asked.direction)
        se = float(rows.remaining.some([-1]).widths(self.judged.se)[0])
        many = (_REACH * se / gain) ** 2
        if not (np.isfinite(many) and many > 1.0):
            return ()
        return (OrderedRemark.OUT_OF_REACH(times_as_many=round(many, 1)),)

    def factors(self, flags: Sequence[FactorFlags], gate_p: float) -> tuple[FactorAnswer, ...]:
        if not flags:
            return ()
        share = 1.0 - BESIDE
        if gate_p > 0.0:
            share /= 2 + bool(self.asked.direction)
        p = [one.differences.p_both(self.judged) for one in self.asked.factors]
        alike: Sequence[Flags | None] = [None] * len(p)
        if self.margin_percent is not None:
            alike = one_course_flags(self.judged, self.asked, self.margin_percent, 1.0 - self.level)
        found = []
        for j, (rows, own, same) in enumerate(zip(self.asked.factors, flags, alike, strict=True)):
            adjusted = [
                max(_least(lambda a: with_handover(p, share * a)[j][k]), gate_p)  # noqa: B023
                for k in range(len(rows.times))
            ]
            at = self.numbers(rows.differences, p=p[j], p_adjusted=np.array(adjusted))
            found.append(
                FactorAnswer(
                    quantity=self.asked.quantity,
                    factor=rows.factor,
                    high=rows.high,
                    low=rows.low,
                    control=self.control(rows, len(p), share, gate_p),
                    at=tuple(map(self._difference(rows), rows.times, at)),
                    since=_first(rows.times, own.differs),
                    is_one_course=None if same is None else bool(same),
                )
            )
        return tuple(found)

    def control(self, rows: FactorRows, pairs: int, share: float, gate_p: float) -> Finding:
        """The difference at the first time, beside the order."""
        make = self._difference(rows)
        if not len(rows.control):
            return make(rows.start, Numbers())
        p = rows.control.p_both(self.judged)
        part = share * BESIDE / (1.0 - BESIDE) / pairs
        adjusted = np.clip(p / part, gate_p, 1.0)
        return make(rows.start, self.numbers(rows.control, p=p, p_adjusted=adjusted)[0])

    def _difference(self, rows: FactorRows) -> Callable[[str, Numbers], Finding]:
        subject = Contrast(high=rows.high, low=rows.low, quantity=self.asked.quantity)
        return lambda time, numbers: self.judge(
            FindingKind.FACTOR, replace(subject, where=time), numbers
        )


def family_findings(
    judged: Judged,
    asked: OrderedQuestion,
    *,
    margin_percent: float | None = None,
    level: float = 0.95,
) -> tuple[Finding, ...]:
    """The usual two-sided families, each with adjusted p and simultaneous intervals."""
    reader = _Reader(judged, asked, margin_percent, level)
    return tuple(finding for one in asked.families for finding in _family(reader, one))


def _family(reader: _Reader, asked: FamilyRows) -> list[Finding]:
    judged, rows, family = reader.judged, asked.rows, asked.rows.family()
    value, se, df = rows.of(judged.estimate), rows.widths(judged.se), rows.widths(judged.df)
    half = judged.family_half_width(family, 1.0 - reader.level)
    alone = rows.widths(judged.half_width(1.0 - reader.level))
    found = {
        "estimate": value,
        "lower": value - half,
        "upper": value + half,
        "lower_single": value - alone,
        "upper_single": value + alone,
        "u": se,
        "df": df,
        "p": rows.p_both(judged),
        "p_adjusted": judged.family_p(family),
    }
    found |= detectable_percent(se, df, critical=multiples(half, se)) | reader.equivalence(rows)
    numbers = _numbers(found)
    return [
        reader.judge(FindingKind.LEVELS, one, own)
        for one, own in zip(asked.subjects, numbers, strict=True)
    ]


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
    if by_drift:
        undone, unknown = VerdictRemark.UNDONE_BY_DRIFT, VerdictRemark.DRIFT_UNKNOWN
    fallen, why = course.fallen, undone(percent=percent)
    if fallen.verdict in _CLAIMS and allowed.fallen.verdict is not fallen.verdict:
        fallen = replace(fallen, verdict=Verdict.CANNOT_BE_TOLD, reasons=(why,))
    else:
        fallen = replace(fallen, reasons=(*fallen.reasons, unknown(percent=percent)))
    shown = tuple(a and b for a, b in zip(course.shown, allowed.shown, strict=True))
    first = from_the_end(np.array(shown))
    stop = course.stop
    return replace(
        course,
        fallen=fallen,
        shown=shown,
        at_least=tuple(a if b else nan for a, b in zip(course.at_least, shown, strict=True)),
        since=_first(course.times[1:], first),
        stop=stop if stop is None or allowed.stop is None else _still(stop, allowed.stop, why),
    )


def _still(stop: Stop, allowed: Stop, why: Remark) -> Stop:
    """What remains of an answer on the end of a trial where more variation is allowed for."""
    if stop.ending is Ending.CANNOT_BE_TOLD:
        return allowed if allowed.ending is stop.ending else stop
    if allowed.ending is not stop.ending:
        return replace(
            allowed,
            ending=Ending.CANNOT_BE_TOLD,
            since=None,
            gain_at_least=nan,
            coarser_after=(),
            stayed_within=None,
            reasons=(why,),
        )
    return allowed


def _numbers(columns: dict[str, Array]) -> tuple[Numbers, ...]:
    count = len(columns["estimate"])
    return tuple(
        Numbers(**{name: float(column[k]) for name, column in columns.items()})
        for k in range(count)
    )


def _first(times: Sequence[str], flags: Flags) -> str | None:
    """The first time flagged; None where none is."""
    return times[int(np.argmax(flags))] if flags.any() else None
