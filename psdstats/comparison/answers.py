"""All answers on one quantity, read from one law: families, courses over time, further factors.

The question is asked once, so that the contrasts of every answer share their estimates, scales and
law.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.comparison.analysis import CONDITION, QuantityAnalysis, where_columns
from psdstats.comparison.courses import family_findings, read_courses
from psdstats.comparison.ordered_rows import Direction as Way
from psdstats.comparison.ordered_rows import OrderedQuestion, ordered_question
from psdstats.comparison.plan import Direction, columns_of
from psdstats.comparison.response import ComparisonRemark, Response, cell_texts
from psdstats.findings import (
    BalanceAnswer,
    Contrast,
    ContrastKind,
    Course,
    Ending,
    FactorAnswer,
    Finding,
    FindingKind,
    Numbers,
    Remark,
    Stop,
)
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.models.judged import Judged
from psdstats.models.verdicts import (
    PLAUSIBLE_RUN_TO_RUN_PERCENT,
    VerdictRemark,
    judge,
    undoing_percent,
)
from psdstats.student import critical_t

_TINY = 1e-8
_ENOUGH_PERCENT = 5.0  # a perfect balance shortens an interval by less: the balance is good enough


@dataclass(frozen=True, kw_only=True, eq=False)
class Answers:
    """What one law says.

    Parameters
    ----------
    findings : tuple of Finding
        One a contrast, family by family.
    courses, factors : tuple of Course, of FactorAnswer
        In the order of the further factors' levels.
    tests : dict of str to float
        p of everything at once: "time", "factor", "interaction".
    judged : Judged
        The law.
    asked : OrderedQuestion
        What its rows are.
    """

    findings: tuple[Finding, ...]
    courses: tuple[Course, ...]
    factors: tuple[FactorAnswer, ...]
    tests: Mapping[str, float]
    judged: Judged
    asked: OrderedQuestion


def question_of(one: QuantityAnalysis, families: Sequence[ContrastKind]) -> OrderedQuestion:
    """Everything that is asked of one quantity."""
    plan, design = one.plan, one.design
    way = Way.NONE
    if plan.by == TIME and one.quantity != "span":
        way = Way.FALLING if plan.direction is Direction.FALLING else Way.RISING
    levels = tuple(dict.fromkeys(where for _, where in one.cells))
    pairs = [(str(plan.where), b, a) for a, b in combinations(levels, 2) if _told(one, a, b)]
    return ordered_question(
        one.cells,
        design.mean_row,
        quantity=one.quantity,
        direction=way,
        kinds=families,
        pairs=pairs,
    )


def _told(one: QuantityAnalysis, low: str, high: str) -> bool:
    """Whether two levels of the further factors are told apart within blocks."""
    design = one.design
    shared = [t for t, where in one.cells if where == low and (t, high) in one.cells]
    if not shared:
        return False
    row = design.mean_row(shared[0], high) - design.mean_row(shared[0], low)
    return design.is_told(row)


def answer(
    one: QuantityAnalysis, families: Sequence[ContrastKind], judged: Judged | None = None
) -> Answers:
    """Ask everything of one quantity, and read the answers."""
    plan, level, asked = one.plan, one.response.level, question_of(one, families)
    judged = one.judge(asked.question) if judged is None else judged
    courses, factors = read_courses(
        [judged],
        [asked],
        margin_percent=plan.margin_percent,
        level=level,
        one_family=plan.one_family,
    )[0]
    found = family_findings(judged, asked, margin_percent=plan.margin_percent, level=level)
    return Answers(
        findings=with_missing(one.response, families, found),
        courses=_with_ends(one, courses) if plan.by == TIME else (),
        factors=factors if plan.by == TIME else (),
        tests={name: float(judged.joint_p(k)) for k, name in enumerate(asked.tests)},
        judged=judged,
        asked=asked,
    )


def balance_answer(one: QuantityAnalysis, answers: Answers) -> BalanceAnswer | None:
    """Whether a perfect balance would shorten the headline: the change by the end, at its worst."""
    if one.response.balance is None:
        return None
    heads = [course.change.some([-1]) for course in answers.asked.courses]
    heads = heads or [family.rows for family in answers.asked.families[:1]]
    rows = [row for head in heads for row in head.members]
    if not rows:
        return None
    weights = answers.asked.question.contrasts[rows] @ np.linalg.pinv(one.design.x)
    part = np.einsum("ij,jk,ik->i", weights, one.response.balance, weights)
    left = np.clip(1.0 - part / answers.judged.se[rows] ** 2, 0.0, 1.0)
    shorter = float(100.0 * (1.0 - np.sqrt(left.min())))
    return BalanceAnswer(
        quantity=one.quantity, shorter_percent=shorter, is_enough=shorter < _ENOUGH_PERCENT
    )


def _with_ends(one: QuantityAnalysis, courses: Sequence[Course]) -> tuple[Course, ...]:
    """Courses whose first and last size are those of the table of means."""
    means = condition_means(one)
    wheres = [""] * len(means) if one.plan.where is None else means[one.plan.where].map(level_text)
    places = zip(means[one.plan.by].map(level_text), wheres, strict=True)
    rows = means[["estimate", "lower", "upper"]].to_numpy(dtype=float)
    size = {
        cell: Numbers(estimate=row[0], lower=row[1], upper=row[2])
        for cell, row in zip(places, rows, strict=True)
    }
    return tuple(
        replace(
            course,
            start=size[course.times[0], course.where],
            end=size[course.times[-1], course.where],
        )
        for course in courses
    )


def condition_means(one: QuantityAnalysis) -> pd.DataFrame:
    """Mean of ln size at each condition with its own interval.

    Columns: the factor, the further factors joined, estimate, lower, upper.
    """
    fit, plan, level = one.fit, one.plan, one.response.level
    names = [plan.by, *where_columns(plan)]
    if fit is not None and plan.by in fit.model.factors:
        means = fit.marginal_means(plan.by, by=plan.where, level=level)
        return means[[*names, "estimate", "lower", "upper"]]
    if fit is not None:
        means = fit.marginal_means(CONDITION, level=level).set_index(CONDITION)
        found = means.loc[[" at ".join(cell) for cell in one.design.cells]].reset_index(drop=True)
        own = pd.DataFrame([cell[: len(names)] for cell in one.design.cells], columns=names)
        return own.assign(**found[["estimate", "lower", "upper"]])
    rows = np.array([_mean_weights(one, cell) for cell in one.design.cells])
    half = critical_t(1.0 - level, one.spread.df or np.inf) * np.sqrt(
        np.einsum("ij,jk,ik->i", rows, one.total(), rows)
    )
    own = pd.DataFrame([cell[: len(names)] for cell in one.design.cells], columns=names)
    estimate = rows @ one.y
    return own.assign(estimate=estimate, lower=estimate - half, upper=estimate + half)


def _mean_weights(one: QuantityAnalysis, cell: tuple[str, str]) -> Array:
    """Weights on the runs of the mean of a condition: over the blocks of its level, or its own."""
    x, texts = one.design.x, cell_texts(one.frame, one.plan)
    row = x[[text[1] == cell[1] for text in texts]].max(axis=0)
    count = len(one.design.cells)
    row[:count] = one.design.mean_row(*cell)[:count]
    start = count
    for columns in [*((name,) for name in one.plan.also), *map(columns_of, one.plan.blocks)]:
        end = start + one.frame.groupby(list(columns), observed=True, dropna=False).ngroups
        row[start:end] /= row[start:end].sum()
        start = end
    if one.design.is_told(row):
        return np.asarray(row @ np.linalg.pinv(x), dtype=np.float64)
    own = np.array([text == cell for text in texts], dtype=float)
    return np.asarray(own / own.sum(), dtype=np.float64)


def with_doubt(one: QuantityAnalysis, answers: Answers) -> Answers:
    """Answers by the measurement alone: each with the run-to-run variation that would undo it."""
    asked, judged = answers.asked, answers.judged
    weights = asked.question.contrasts @ np.linalg.pinv(one.design.x)
    percent = undoing_percent(
        judged.estimate,
        judged.se,
        judged.half_width(1.0 - one.response.level) / judged.se,
        leverage=np.square(weights).sum(axis=1),
    )
    courses = zip(answers.courses, asked.courses, strict=False)  # none but of milling time
    return replace(
        answers,
        findings=tuple(map(_doubted, answers.findings)),
        courses=tuple(_in_doubt(own, rows.change.widths(percent)) for own, rows in courses),
        factors=tuple(
            replace(two, control=_doubted(two.control), at=tuple(map(_doubted, two.at)))
            for two in answers.factors
        ),
    )


def _doubted(finding: Finding) -> Finding:
    """A finding on two single runs that is judged by the measurement alone."""
    numbers = finding.numbers
    if not np.isfinite([numbers.estimate, numbers.upper, numbers.u]).all():
        return finding
    critical = (numbers.upper - numbers.estimate) / numbers.u
    return judge(
        finding.subject,
        numbers,
        kind=finding.kind,
        level=finding.level,
        margin_percent=finding.margin_percent,
        undone_by_percent=float(undoing_percent(numbers.estimate, numbers.u, critical)),
    )


def _in_doubt(course: Course, percent: Array) -> Course:
    """A course whose spread nothing tells: a fall may stand, when to stop cannot be told."""
    stop = course.stop
    if stop is not None:
        stop = Stop(
            ending=Ending.CANNOT_BE_TOLD,
            last=stop.last,
            before=stop.before,
            margin_percent=stop.margin_percent,
            is_stated=stop.is_stated,
            reasons=(VerdictRemark.RUN_TO_RUN_UNKNOWN(percent=0.0),),
        )
    stands = np.asarray(course.shown) & (percent >= PLAUSIBLE_RUN_TO_RUN_PERCENT)
    lasting = np.flip(np.logical_and.accumulate(np.flip(stands)))
    return replace(
        course,
        fallen=_doubted(course.fallen),
        shown=tuple(map(bool, stands)),
        since=course.times[1 + int(np.argmax(lasting))] if lasting.any() else None,
        stop=stop,
    )


def with_missing(
    response: Response,
    families: Sequence[ContrastKind],
    found: Sequence[Finding],
    missing: Remark | None = None,
) -> tuple[Finding, ...]:
    """Findings in the order asked, those on levels that are lost told as such."""
    told = {one.subject: one for one in found}
    ordered = []
    for family in families:
        for contrast in response.asked(family).contrasts:
            subject = replace(contrast, quantity=response.quantity)
            untold = _untold(response, subject, missing)
            ordered.append(told.pop(subject, untold))
    return (*ordered, *told.values())


def _untold(response: Response, subject: Contrast, missing: Remark | None) -> Finding:
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
