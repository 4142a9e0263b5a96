"""All answers on one quantity, read from one law: families, courses over time, further factors.

The question is asked once, so that the contrasts of every answer share their estimates, scales and
law.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from psdstats.columns import TIME
from psdstats.comparison.analysis import QuantityAnalysis, condition_means
from psdstats.comparison.courses import family_findings, read_courses
from psdstats.comparison.ordered_rows import Direction as Way
from psdstats.comparison.ordered_rows import OrderedQuestion, ordered_question
from psdstats.comparison.plan import Direction
from psdstats.comparison.response import ComparisonRemark, Response
from psdstats.findings import (
    BalanceAnswer,
    Contrast,
    ContrastKind,
    Course,
    FactorAnswer,
    Finding,
    FindingKind,
    Numbers,
    Remark,
)
from psdstats.models.design_columns import level_text
from psdstats.models.judged import Judged
from psdstats.models.verdicts import judge

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
    levels = tuple(dict.fromkeys(where for _, where in design.cells))
    pairs = [(str(plan.where), b, a) for a, b in combinations(levels, 2) if _told(one, a, b)]
    return ordered_question(
        design.cells,
        design.mean_row,
        quantity=one.quantity,
        direction=way,
        kinds=families,
        pairs=pairs,
    )


def _told(one: QuantityAnalysis, low: str, high: str) -> bool:
    """Whether two levels of the further factors are told apart within blocks."""
    design = one.design
    shared = [t for t, where in design.cells if where == low and (t, high) in design.cells]
    if not shared:
        return False
    row = design.mean_row(shared[0], high) - design.mean_row(shared[0], low)
    inside = np.linalg.pinv(design.x) @ (design.x @ row)
    return bool(np.abs(inside - row).max() < _TINY)


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
