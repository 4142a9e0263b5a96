"""All answers on one quantity, read from one law: families, courses over time, further factors.

The question is asked once, so that the contrasts of every answer share their estimates, scales and
law.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.comparison.analysis import CONDITION, QuantityAnalysis, SpreadBasis
from psdstats.comparison.courses import family_findings, read_courses, with_undoing
from psdstats.comparison.open_sizes import OpenRuns, law_of_whole_levels, read_open_courses
from psdstats.comparison.ordered_rows import OrderedQuestion, Way, ordered_question
from psdstats.comparison.plan import (
    ComparisonPlan,
    Direction,
    LevelTest,
    PlanRemark,
    SpreadRule,
    columns_of,
)
from psdstats.comparison.response import ComparisonRemark, Response, cell_texts
from psdstats.comparison.single_runs import of_single_runs
from psdstats.comparison.trial_design import where_columns
from psdstats.errors import ModelError
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
    Verdict,
)
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.models.judged import Judged
from psdstats.models.verdicts import (
    PLAUSIBLE_DRIFT_PERCENT,
    PLAUSIBLE_RUN_TO_RUN_PERCENT,
    judge,
    undoing_percent,
)
from psdstats.student import critical_t

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


def way_of(plan: ComparisonPlan, quantity: str) -> Way:
    """Which way milling is expected to move a size; span, and other factors, have none."""
    if plan.by != TIME or quantity in plan.undirected:
        return Way.NONE
    return Way.FALLING if plan.direction is Direction.FALLING else Way.RISING


def question_of(
    one: QuantityAnalysis, families: Sequence[ContrastKind], *, factors: bool = True
) -> OrderedQuestion:
    """Everything that is asked of one quantity."""
    pairs = _pairs(one) if factors else []
    return ordered_question(
        one.cells,
        one.design.mean_row,
        quantity=one.quantity,
        direction=way_of(one.plan, one.quantity),
        kinds=families,
        pairs=[(str(one.plan.where), high, low) for low, high in pairs if _told(one, low, high)],
    )


def _pairs(one: QuantityAnalysis) -> list[tuple[str, str]]:
    """Levels of the further factors that differ in one factor, low and high."""
    if one.plan.where is None:
        return []
    table = one.frame.assign(_where=[where for _, where in cell_texts(one.frame, one.plan)])
    own = table.drop_duplicates("_where").set_index("_where")[list(one.plan.at_each)]
    levels = {where: row for where, *row in own.itertuples(name=None)}
    known = dict.fromkeys(where for _, where in one.cells)
    return [
        (low, high)
        for low, high in combinations(known, 2)
        if sum(a != b for a, b in zip(levels[low], levels[high], strict=True)) == 1
    ]


def _told(one: QuantityAnalysis, low: str, high: str) -> bool:
    """Whether two levels of the further factors are told apart within blocks."""
    design = one.design
    shared = [t for t, where in one.cells if where == low and (t, high) in one.cells]
    if not shared:
        return False
    row = design.mean_row(shared[0], high) - design.mean_row(shared[0], low)
    return design.is_told(row)


def obstacle(one: QuantityAnalysis) -> Remark | None:
    """Why the runs left cannot be compared; None where they can."""
    frame, plan = one.frame, one.plan
    if frame[plan.by].nunique() < 2:
        return ComparisonRemark.FEW_LEVELS(quantity=one.quantity, column=plan.by)
    for columns in map(columns_of, plan.within):
        if frame.groupby(list(columns), observed=True).ngroups < 2:
            return ComparisonRemark.ONE_GROUP(quantity=one.quantity, columns=columns)
    if (
        one.design.left < 1
        and one.spread.basis is SpreadBasis.NONE
        and not np.asarray(one.known).any()
    ):
        return ComparisonRemark.NO_SPREAD()
    if len({where for _, where in one.cells}) < len(one.cells):
        return None
    apart = [one.response.obstacles[cell] for cell in one.design.unlinked]
    return next(iter(apart), ComparisonRemark.FEW_LEVELS(quantity=one.quantity, column=plan.by))


def answer(one: QuantityAnalysis, families: Sequence[ContrastKind]) -> Answers:
    """Ask everything of one quantity, and read the answers."""
    plan, level, asked = one.plan, one.response.level, question_of(one, families)
    judged = one.judge(asked.question)
    found = family_findings(judged, asked, margin_percent=plan.margin_percent, level=level)
    courses: tuple[Course, ...] = ()
    factors: tuple[FactorAnswer, ...] = ()
    if plan.by == TIME:
        courses, factors = _ordered(one, asked, judged)
        courses = _with_ends(one, _with_what_is_unknown(one, courses))
    return Answers(
        findings=with_missing(one.response, families, found, courses=courses),
        courses=courses,
        factors=factors,
        tests={name: float(judged.joint_p(k)) for k, name in enumerate(asked.tests)},
        judged=judged,
        asked=asked,
    )


Ordered = tuple[tuple[Course, ...], tuple[FactorAnswer, ...]]


def _ordered(one: QuantityAnalysis, asked: OrderedQuestion, judged: Judged) -> Ordered:
    """Courses and factors; sizes beyond the sieves decide courses by their bounds.

    Levels of a further factor are compared where both lie within the sieves, from the last such
    time back.
    """
    plan = one.plan
    options = {
        "margin_percent": plan.margin_percent,
        "level": one.response.level,
        "one_family": plan.one_family,
    }
    courses, factors = read_courses([judged], [asked], **options)[0]  # type: ignore[arg-type]
    whole = one.with_open()
    if whole is None:
        return courses, factors
    runs, question = _open_runs(whole), question_of(whole, (), factors=False)
    try:
        law = _open_law(whole, question, runs)
        return read_open_courses(question, runs, law, **options)[0], factors  # type: ignore[arg-type]
    except ModelError:  # too little lies within the sieves to know any scatter
        return courses, factors


def _open_runs(whole: QuantityAnalysis) -> OpenRuns:
    frame, plan = whole.frame, whole.plan
    texts = cell_texts(frame, plan)
    blocks = sorted({name for one in plan.blocks for name in columns_of(one)})
    keys = [tuple(row) for row in frame[blocks].astype(str).to_numpy().tolist()]
    return OpenRuns(
        cells=tuple(texts),
        lower=frame["ln_lower"].to_numpy(dtype=float),
        upper=frame["ln_upper"].to_numpy(dtype=float),
        alike=tuple(zip(texts, keys, strict=True)),
    )


def _open_law(
    whole: QuantityAnalysis, asked: OrderedQuestion, runs: OpenRuns
) -> Callable[[Array], Judged]:
    """The law at every corner; where that would take too long, one linear in the values."""
    design = whole.design
    calibrated = whole.plan.test is LevelTest.CALIBRATED
    if design.left < 1 or (calibrated and not whole.is_large(asked.question)):
        return whole.law(asked.question)
    return law_of_whole_levels(design.x, design.columns, whole.known, asked.question, runs)


def _with_what_is_unknown(one: QuantityAnalysis, courses: tuple[Course, ...]) -> tuple[Course, ...]:
    """What single runs, two groups or one charge leave unknown, and what would undo a claim."""
    spread = one.spread
    if one.design.left < 1:
        if spread.basis is SpreadBasis.NONE:
            allowed = one.with_run_to_run(PLAUSIBLE_RUN_TO_RUN_PERCENT)
            return _undone(one, allowed, courses, by_drift=False)
        if spread.basis is SpreadBasis.SMOOTH_COURSES:
            longest = max(len(course.times) for course in courses)
            courses = tuple(of_single_runs(course, longest) for course in courses)
    if drift_is_unknown(one):
        return _undone(one, one.with_drift(PLAUSIBLE_DRIFT_PERCENT), courses, by_drift=True)
    return courses


def drift_is_unknown(one: QuantityAnalysis) -> bool:
    """Whether groups or a charge may drift, and are too few to show it, and nobody declared it."""
    plan = one.plan
    if plan.spread is not SpreadRule.DRIFTING or plan.drift is not None:
        return False
    one_charge = any(remark.kind is PlanRemark.ONE_CHARGE for remark in plan.remarks)
    several = one.frame[plan.by].nunique() > 2
    return several and "drift" not in one.design.part_names and (bool(plan.blocks) or one_charge)


def _undone(
    one: QuantityAnalysis, allowed: QuantityAnalysis, courses: tuple[Course, ...], *, by_drift: bool
) -> tuple[Course, ...]:
    """Courses of which only that is claimed that a plausible variation would not undo."""
    asked = question_of(allowed, ())
    judged = allowed.judge(asked.question)
    others = {course.where: course for course in _ordered(allowed, asked, judged)[0]}
    weights = one.weights(asked.question)
    lines = one.drift_lines if by_drift else np.eye(len(one.frame))
    ends = {rows.where: weights[rows.change.members[-1]] for rows in asked.courses}
    found = []
    for course in courses:
        end = ends.get(course.where)  # none where the last size is a bound
        percent = np.nan if end is None else _undoing(course, float(np.square(end @ lines).sum()))
        other = others.get(course.where)
        if other is not None and other.times == course.times:
            course = with_undoing(course, other, percent, by_drift=by_drift)
        found.append(course)
    return tuple(found)


def _undoing(course: Course, leverage: float) -> float:
    """Variation that would undo the change by the end, per cent; NaN where that is a bound."""
    numbers = course.fallen.numbers
    if not (np.isfinite(numbers.estimate) and numbers.u > 0 and leverage > 0):
        return float("nan")
    critical = (numbers.upper - numbers.estimate) / numbers.u
    return float(undoing_percent(numbers.estimate, numbers.u, critical, leverage=leverage))


def balance_answer(one: QuantityAnalysis, answers: Answers) -> BalanceAnswer | None:
    """Whether a perfect balance would shorten the headline: the change by the end, at its worst."""
    if one.response.balance is None:
        return None
    heads = [course.change.some([-1]) for course in answers.asked.courses]
    heads = heads or [family.rows for family in answers.asked.families[:1]]
    rows = [row for head in heads for row in head.members]
    if not rows:
        return None
    weights = one.weights(answers.asked.question)[rows]
    part = ((weights @ one.response.balance) * weights).sum(axis=1)
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

    def of(time: str, course: Course, bound: Numbers) -> Numbers:
        is_bound = not np.isnan([bound.lower, bound.upper]).all()
        return bound if is_bound else size.get((time, course.where), bound)

    return tuple(
        replace(
            course,
            start=of(course.times[0], course, course.start),
            end=of(course.times[-1], course, course.end),
        )
        for course in courses
    )


def condition_means(one: QuantityAnalysis) -> pd.DataFrame:
    """Mean of ln size at each condition with its own interval.

    Columns: the factor, the further factors joined, estimate, lower, upper (NaN where the spread of
    the mean cannot be told).
    """
    fit, plan, level = one.fit, one.plan, one.response.level
    names = [plan.by, *where_columns(plan)]
    if fit is not None and plan.by in fit.model.factors:
        means = _with_known_spread(fit.marginal_means(plan.by, by=plan.where, level=level))
        return means[[*names, "estimate", "lower", "upper"]]
    if fit is not None:
        means = _with_known_spread(fit.marginal_means(CONDITION, level=level))
        means = means.set_index(CONDITION)
        found = means.loc[[" at ".join(cell) for cell in one.design.cells]].reset_index(drop=True)
        own = pd.DataFrame([cell[: len(names)] for cell in one.design.cells], columns=names)
        return own.assign(**found[["estimate", "lower", "upper"]])
    rows = np.array([_mean_weights(one, cell) for cell in one.design.cells])
    half = critical_t(1.0 - level, one.spread.df or np.inf) * np.sqrt(
        ((rows @ one.total()) * rows).sum(axis=1)
    )
    own = pd.DataFrame([cell[: len(names)] for cell in one.design.cells], columns=names)
    estimate = rows @ one.y
    return own.assign(estimate=estimate, lower=estimate - half, upper=estimate + half)


def _with_known_spread(means: pd.DataFrame) -> pd.DataFrame:
    """Without intervals that rest on less than one degree of freedom: they bound nothing."""
    is_unknown = means["df"] < 1.0
    return means.assign(**{end: means[end].mask(is_unknown) for end in ("lower", "upper")})


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
        return np.asarray(row @ np.linalg.pinv(x, rcond=1e-10), dtype=np.float64)
    own = np.array([text == cell for text in texts], dtype=float)
    return np.asarray(own / own.sum(), dtype=np.float64)


def doubted(finding: Finding) -> Finding:
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


def with_missing(
    response: Response,
    families: Sequence[ContrastKind],
    found: Sequence[Finding],
    missing: Remark | None = None,
    courses: Sequence[Course] = (),
) -> tuple[Finding, ...]:
    """Findings in the order asked; those on levels that are lost by their bounds, or untold."""
    told = {one.subject: one for one in found}
    ordered = []
    for family in families:
        for contrast in response.asked(family).contrasts:
            subject = replace(contrast, quantity=response.quantity)
            own = told.pop(subject, None) or _by_bounds(subject, courses)
            ordered.append(own or _untold(response, subject, missing))
    return (*ordered, *told.values())


def _by_bounds(subject: Contrast, courses: Sequence[Course]) -> Finding | None:
    """What a course says of two of its times; None where that is nothing."""
    for course in courses:
        first, *later = course.times
        stop = course.stop
        if course.where != subject.where or subject.high not in later:
            continue
        fallen, at = course.fallen, later.index(subject.high)
        is_fallen, last = subject.low == first, at == len(later) - 1
        if is_fallen and last and fallen.verdict is not Verdict.CANNOT_BE_TOLD:
            return replace(fallen, kind=FindingKind.LEVELS, subject=subject)
        if is_fallen and course.shown[at] and np.isfinite(course.at_least[at]):
            return _bounded(fallen, subject, course.at_least[at])
        if stop is None or stop.ending is not Ending.STILL_FALLING:
            continue
        is_step = (subject.high, subject.low) == (stop.last, stop.before)
        if is_step and np.isfinite(stop.gain_at_least):
            return _bounded(fallen, subject, stop.gain_at_least)
    return None


def _bounded(fallen: Finding, subject: Contrast, gain: float) -> Finding:
    """A change of which a lower limit is known, in the direction of the whole change."""
    rises = fallen.numbers.lower > 0.0
    numbers = Numbers(lower=gain, upper=np.inf) if rises else Numbers(lower=-np.inf, upper=-gain)
    return Finding(
        kind=FindingKind.LEVELS,
        subject=subject,
        verdict=Verdict.CHANGED,
        numbers=numbers,
        level=fallen.level,
        margin_percent=fallen.margin_percent,
    )


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
