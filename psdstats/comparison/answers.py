"""All answers on one quantity, read from one law: families, courses over time, further factors.

The question is asked once, so that the contrasts of every answer share their estimates, scales and
law.

What to do next, as it follows from what a comparison found: one remark a remedy.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations
from math import nan

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.comparison.analysis import QuantityAnalysis, SpreadBasis
from psdstats.comparison.benches import GroupRemark, farthest
from psdstats.comparison.courses import (
    Answered,
    OrderedRemark,
    family_findings,
    held_back,
    of_single_runs,
    read_courses,
    width,
    with_missing,
    with_open_times,
    with_undoing,
)
from psdstats.comparison.open_sizes import (
    Law,
    OpenRuns,
    Step,
    law_of_whole_levels,
    open_differences,
    open_pairs,
    read_open_courses,
    with_estimate,
)
from psdstats.comparison.ordered import OrderedQuestion, Way, ordered_question
from psdstats.comparison.plan import ComparisonPlan, Direction, PlanRemark, SpreadRule, columns_of
from psdstats.comparison.response import ComparisonRemark, cell_texts, indicators, where_columns
from psdstats.covariance import weighed
from psdstats.errors import ModelError
from psdstats.findings import (
    BalanceAnswer,
    BenchAnswer,
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
    Verdict,
)
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.models.judged import Judged, Question
from psdstats.models.verdicts import (
    PLAUSIBLE_DRIFT_PERCENT,
    PLAUSIBLE_RUN_TO_RUN_PERCENT,
    VerdictRemark,
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
    means : DataFrame
        As `condition_means` gives it.
    """

    findings: tuple[Finding, ...]
    courses: tuple[Course, ...]
    factors: tuple[FactorAnswer, ...]
    tests: Mapping[str, float]
    judged: Judged
    asked: OrderedQuestion
    means: pd.DataFrame


def way_of(plan: ComparisonPlan, quantity: str) -> Way:
    """Which way milling is expected to move a size; span, and other factors, have none."""
    if plan.by != TIME or quantity in plan.undirected:
        return Way.NONE
    return Way.FALLING if plan.direction is Direction.FALLING else Way.RISING


def question_of(
    one: QuantityAnalysis, families: Sequence[ContrastKind], *, factors: bool = True
) -> OrderedQuestion:
    """Everything that is asked of one quantity.

    Levels of the further factors are compared that differ in one factor and that blocks tell apart.
    """
    plan, design, pairs = one.plan, one.design, list[tuple[str, str, str]]()
    levels: dict[str, list[object]] = {}
    if factors and plan.where is not None:
        table = one.frame.assign(_where=[where for _, where in cell_texts(one.frame, plan)])
        own = table.drop_duplicates("_where").set_index("_where")[list(plan.at_each)]
        levels = {where: row for where, *row in own.itertuples(name=None)}
    known = dict.fromkeys(where for _, where in one.cells)
    for low, high in combinations(known, 2) if levels else ():
        shared = [t for t, where in one.cells if where == low and (t, high) in one.cells]
        apart = sum(a != b for a, b in zip(levels[low], levels[high], strict=True))
        if apart == 1 and shared:
            row = design.mean_row(shared[0], high) - design.mean_row(shared[0], low)
            if design.is_told(row):
                pairs.append((str(plan.where), high, low))
    return ordered_question(
        one.cells,
        design.mean_row,
        quantity=one.quantity,
        direction=way_of(plan, one.quantity),
        kinds=families,
        pairs=pairs,
    )


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
    judged, means = one.judge(asked.question), condition_means(one)
    found = family_findings(judged, asked, margin_percent=plan.margin_percent, level=level)
    courses, factors = _ordered(one, asked, judged)
    courses, found = _with_what_is_unknown(one, courses, found, families)
    courses = _with_ends(one, courses, means)
    return Answers(
        findings=with_missing(one.response, families, found, courses=courses),
        courses=courses,
        factors=factors,
        tests={name: float(judged.joint_p(k)) for k, name in enumerate(asked.tests)},
        judged=judged,
        asked=asked,
        means=means,
    )


def _ordered(one: QuantityAnalysis, asked: OrderedQuestion, judged: Judged) -> Answered:
    """Courses and factors; sizes beyond the sieves decide by their bounds.

    Levels of a further factor are compared in order where both lie within the sieves, from the last
    such time back; beside the order where their bounds keep them apart (`_with_bounds`).
    """
    if one.plan.by != TIME:
        return (), ()
    plan, level = one.plan, one.response.level
    read = partial(
        read_courses, margin_percent=plan.margin_percent, level=level, one_family=plan.one_family
    )
    whole = one.with_open()
    if whole is None:
        return read(judged, asked)
    frame, design, question = whole.frame, whole.design, question_of(whole, (), factors=False)
    texts = cell_texts(frame, plan)
    blocks = sorted({name for block in plan.blocks for name in columns_of(block)})
    keys = [tuple(row) for row in frame[blocks].astype(str).to_numpy().tolist()]
    runs = OpenRuns(
        cells=tuple(texts),
        lower=frame["ln_lower"].to_numpy(dtype=float),
        upper=frame["ln_upper"].to_numpy(dtype=float),
        alike=tuple(zip(texts, keys, strict=True)),
        is_stated=plan.in_hand,
    )

    def law_of(asked: Question) -> Law:  # where all corners take too long, linear in the values
        plain = partial(law_of_whole_levels, design.x, design.columns, whole.known, asked, runs)
        return whole.law(asked, plain)

    pairs = () if plan.one_family else ((row.high, row.low) for row in asked.factors)
    steps = open_pairs(runs, whole.cells, pairs)
    courses, factors = read(judged, asked, beside_shared=bool(steps))
    try:
        found = read_open_courses(question, runs, law_of(question.question), **read.keywords)
        inside = {one.fallen.subject: one.fallen for one in courses}
        courses = tuple(with_estimate(one, inside.get(one.fallen.subject)) for one in found)
        return courses, _with_bounds(whole, runs, factors, steps, law_of)
    except ModelError:  # too little lies within the sieves to know any scatter
        return courses, factors


def _with_bounds(
    whole: QuantityAnalysis,
    runs: OpenRuns,
    factors: tuple[FactorAnswer, ...],
    steps: Sequence[Step],
    law_of: Callable[[Question], Law],
) -> tuple[FactorAnswer, ...]:
    """Factors with the times at which bounds show that two levels differ."""
    design, margin = whole.design, whole.plan.margin_percent
    rule = Rule(level=whole.response.level, margin_percent=margin)
    judged = partial(judge, within_margin=None if margin is None else False, **rule)
    rows = {
        step: design.mean_row(*step[0]) - design.mean_row(*step[1])
        for step in steps
        if runs.are_apart(*step)
    }
    rows = {step: row for step, row in rows.items() if design.is_told(row)}
    if not rows:
        return factors
    law = law_of(Question(contrasts=np.array(list(rows.values()))))
    told = open_differences(runs, law, list(rows), len(steps), rule["level"])
    shown = list[Finding]()
    for ((time, high), (_, low)), numbers in zip(rows, told, strict=True):
        subject = Contrast(high=high, low=low, where=time, quantity=whole.quantity)
        shown.append(judged(subject, numbers, kind=FindingKind.FACTOR))
    return with_open_times(factors, shown, list(dict.fromkeys(time for time, _ in whole.cells)))


def _with_what_is_unknown(
    one: QuantityAnalysis,
    courses: tuple[Course, ...],
    found: tuple[Finding, ...],
    families: Sequence[ContrastKind],
) -> tuple[tuple[Course, ...], tuple[Finding, ...]]:
    """What single runs, two groups or one charge leave unknown, and what would undo a claim."""
    basis = one.spread.basis
    if courses and one.design.left < 1:
        if basis is SpreadBasis.NONE:
            return _undone(one, courses, run_percent=PLAUSIBLE_RUN_TO_RUN_PERCENT)[0], found
        if basis is SpreadBasis.SMOOTH_COURSES:
            longest = max(len(course.times) for course in courses)
            courses = tuple(of_single_runs(course, longest) for course in courses)
    if courses and drift_is_unknown(one):
        return _undone(one, courses, found, families, drift_percent=PLAUSIBLE_DRIFT_PERCENT)
    return courses, found


def drift_is_unknown(one: QuantityAnalysis) -> bool:
    """Whether groups or a charge may drift, and are too few to show it, and nobody declared it."""
    plan = one.plan
    if plan.spread is not SpreadRule.DRIFTING or plan.drift is not None:
        return False
    several = one.frame[plan.by].nunique() > 2
    may_drift = bool(plan.blocks) or charges_sampled(plan) is not None
    return several and "drift" not in one.design.part_names and may_drift


def charges_sampled(plan: ComparisonPlan) -> int | None:
    """How many charges were sampled at several times; None where none was."""
    told = (one["charges"] for one in plan.remarks if one.kind is PlanRemark.ONE_CHARGE)
    return next((int(str(one)) for one in told), None)


def _undone(
    one: QuantityAnalysis,
    courses: Sequence[Course],
    found: Sequence[Finding] = (),
    families: Sequence[ContrastKind] = (),
    *,
    run_percent: float | None = None,
    drift_percent: float | None = None,
) -> tuple[tuple[Course, ...], tuple[Finding, ...]]:
    """Courses and findings of which only that is claimed that a plausible variation leaves."""
    allowed = one.with_spread(run_percent=run_percent, drift_percent=drift_percent)
    asked, level = question_of(allowed, families), one.response.level
    judged = allowed.judge(asked.question)
    others = {course.where: course for course in _ordered(allowed, asked, judged)[0]}
    weights = one.weights(asked.question)
    lines = one.drift_lines if run_percent is None else np.eye(len(one.frame))
    ends = {rows.where: weights[rows.change.places[-1]] for rows in asked.courses}
    told = []
    for course in courses:
        own = ends.get(course.where)  # none where the last size is a bound
        percent = np.nan if own is None else _undoing(course.fallen.numbers, own @ lines, level)
        other = others.get(course.where)
        if other is not None and other.times == course.times:
            course = with_undoing(course, other, percent, by_drift=run_percent is None)
        told.append(course)
    wider = family_findings(judged, asked, margin_percent=one.plan.margin_percent, level=level)
    places = [place for _, rows in asked.families for place in rows.places]
    other_laws = {law.subject: (law, place) for law, place in zip(wider, places, strict=True)}
    kept = []
    for finding in found:
        law, place = other_laws[finding.subject]
        percent = _undoing(finding.numbers, weights[place] @ lines, level)
        why = VerdictRemark.UNDONE_BY_DRIFT(percent=percent)
        wide = replace(finding, numbers=max(finding.numbers, law.numbers, key=width))
        kept.append(held_back(wide, law, why))
    return tuple(told), tuple(kept)


def _undoing(numbers: Numbers, along: Array, level: float) -> float:
    """How much of a stated variation would undo a change; NaN where that cannot be told.

    What is stated is known: it adds its normal limit to the interval in quadrature.
    """
    leverage, half = float(np.square(along).sum()), numbers.upper - numbers.estimate
    if not (np.isfinite(numbers.estimate) and half > 0 and leverage > 0):
        return np.nan
    known = critical_t(1.0 - level, np.inf)
    return float(undoing_percent(numbers.estimate, half / known, known, leverage=leverage))


def balance_answer(one: QuantityAnalysis, answers: Answers) -> BalanceAnswer | None:
    """Whether a perfect balance would shorten the headline: the change by the end, at its worst."""
    if one.response.balance is None:
        return None
    rows = [int(course.change.places[-1]) for course in answers.asked.courses]
    rows = rows or [row for _, own in answers.asked.families[:1] for row in own.places.tolist()]
    if not rows:
        return None
    weights = one.weights(answers.asked.question)[rows]
    part = ((weights @ one.response.balance) * weights).sum(axis=1)
    left = np.clip(1.0 - part / answers.judged.se[rows] ** 2, 0.0, 1.0)
    shorter = float(100.0 * (1.0 - np.sqrt(left.min())))
    return BalanceAnswer(
        quantity=one.quantity, shorter_percent=shorter, is_enough=shorter < _ENOUGH_PERCENT
    )


def _with_ends(
    one: QuantityAnalysis, courses: Sequence[Course], means: pd.DataFrame
) -> tuple[Course, ...]:
    """Courses whose first and last size are those of the table of means, where they are known."""
    wheres = [""] * len(means) if one.plan.where is None else means[one.plan.where].map(level_text)
    cells = zip(means[one.plan.by].map(level_text), wheres, strict=True)
    rows = means[["estimate", "lower", "upper"]].to_numpy(dtype=float).tolist()
    size = {
        cell: Numbers(estimate=value, lower=lower, upper=upper)
        for cell, (value, lower, upper) in zip(cells, rows, strict=True)
    }
    found = []
    for course in courses:
        start, end = (
            size.get((course.times[k], course.where), bound) if np.isnan(bound.lower) else bound
            for k, bound in ((0, course.start), (-1, course.end))
        )
        found.append(replace(course, start=start, end=end))
    return tuple(found)


def condition_means(one: QuantityAnalysis) -> pd.DataFrame:
    """Mean of ln size at each condition, over its groups as they ran, with its own interval.

    Columns: the factor, the further factors joined, estimate, lower, upper (NaN where the spread of
    the mean cannot be told).  Where another group would lie is not in the interval.

    The variance of weights on the runs is that of the measurement, of runs and cells (scatter), and
    of the drift of groups that did not run at the condition; drift of those that did is part of
    what ran.  Degrees of freedom: Welch-Satterthwaite, of scatter alone; of cells those that
    replicates leave.
    """
    lines, known, spread = one.drift_lines, one.response.known, one.spread
    run, cell, drift = np.nan_to_num([spread.run, spread.cell, spread.drift]) ** 2
    cells = [indicators(one.frame, columns_of(columns)) for columns in one.plan.cells[:1]]
    in_cells = np.hstack([lines[:, :0], *cells])
    shared = np.hstack([drift**0.5 * lines, cell**0.5 * in_cells])
    weights, ran = _mean_weights(one, weighed(known, run, shared, one.design.x))
    measured = ((weights @ known) * weights).sum(axis=1)
    # the likelihood takes some scatter for drift, which is scatter of a mean of what ran
    left = lines - one.design.x @ (np.linalg.pinv(one.design.x, rcond=1e-10) @ lines)
    run += drift * np.square(left).sum() / max(one.design.left, 1)
    scatter = run * np.square(weights).sum(axis=1)
    scatter += cell * np.square(weights @ in_cells).sum(axis=1)
    declared = drift if one.plan.drift is None else (one.plan.drift.percent / 100) ** 2
    variance = measured + scatter + declared * np.square(weights @ lines - ran).sum(axis=1)
    alike, rest = spread.df, one.design.left - spread.df
    own_df = rest if cell > 0.0 and rest > 0.0 else alike or np.inf
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(scatter > 0.0, own_df * np.square(variance / scatter), np.inf)
    is_unknown = rest > 0.0 and alike == 0.0
    critical = np.nan if is_unknown else critical_t(1.0 - one.response.level, df)
    value, half = weights @ one.y, critical * np.sqrt(variance)
    names = [one.plan.by, *where_columns(one.plan)]
    own = pd.DataFrame([each[: len(names)] for each in one.design.cells], columns=names)
    return own.assign(estimate=value, lower=value - half, upper=value + half)


def _mean_weights(one: QuantityAnalysis, solved: Array) -> tuple[Array, Array]:
    """Weights on the runs of the mean of each condition, and its drift lines as it ran.

    A mean is over the blocks of its level, each charge alike; of what the runs do not tell, it is
    over its own runs.  `solved` is x weighed by how sure runs are.
    """
    x, start, texts = one.design.x, len(one.design.cells), cell_texts(one.frame, one.plan)
    rows = []
    for cell in one.design.cells:
        blocks = np.unique(x[[text[1] == cell[1] for text in texts], start:], axis=0)
        row = np.concatenate([one.design.mean_row(*cell)[:start], blocks.mean(axis=0)])
        own = x[[text == cell for text in texts]].mean(axis=0)
        rows.append(row if one.design.is_told(row) else own)
    size, turn = np.linalg.svd(x, full_matrices=False)[1:]
    basis = turn[size > 1e-9 * size[0]].T
    back = basis @ np.linalg.solve(basis.T @ x.T @ solved @ basis, (solved @ basis).T)
    place = x[:, :start].T @ one.drift_lines.sum(axis=1) / x[:, :start].sum(axis=0)
    share = np.array(rows)[:, -one.drift_lines.shape[1] :] if one.plan.blocks else 1.0
    return np.array(rows) @ back, place[:, None] * share


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


RUNS_EACH = 3
"""Runs at each of the last two times whose scatter shows that little was left: with three each a
level last step is shown within 5 % in 53 to 82 % of trials, with two each in 32 to 52 %."""


class AdviceRemark(RemarkKind):
    """What would tell what could not be told, and what a finding asks for."""

    REPEAT_LAST_TIMES = "repeat last two times"  # before, last, runs
    MORE_RUNS = "more runs at end"  # before, last
    MILL_LONGER = "mill longer"  # last
    FINER_SIEVE = "finer sieve"  # below_um
    COARSER_SIEVE = "coarser sieve"  # above_um
    KNOW_RUN_TO_RUN = "know run-to-run"
    KNOW_DRIFT = "know drift"  # charges: how many, where they and not groups drift; or is_own
    LOOK_AT_GROUP = "look at a group"  # group
    LOOK_AT_START = "levels differ before milling"  # factor, time
    BETTER_BALANCE = "better balance"  # shorter_percent


def advise(
    courses: Sequence[Course],
    factors: Sequence[FactorAnswer] = (),
    benches: Sequence[BenchAnswer] = (),
    balance: BalanceAnswer | None = None,
    *,
    single_runs: bool = False,
    scatter_unknown: bool = False,
    drift_unknown: bool = False,
    charges: int | None = None,
    open_um: tuple[float, float] = (nan, nan),
) -> tuple[Remark, ...]:
    """What the findings on one quantity ask for, the most telling first.

    Parameters
    ----------
    courses, factors, benches, balance : records
        What was found.
    single_runs : bool
        Whether there is one run a time, so that no replicates show the scatter of runs.
    scatter_unknown : bool
        Whether the scatter between runs was neither estimated nor declared.
    drift_unknown : bool
        Whether groups, or charges, may drift apart and there are too few of them to show it,
        were all sizes within the sieves.
    charges : int, optional
        How many charges there are, where these drift and no groups do.
    open_um : (float, float)
        Finest size that a run lies below, and coarsest that one lies above, where it has no value;
        NaN where no sieve would tell.
    """
    stops = [one.stop for one in courses if one.stop is not None]
    found = [AdviceRemark.KNOW_RUN_TO_RUN()] if scatter_unknown else []
    below_um, above_um = open_um
    for stop in (one for one in stops if one.ending is Ending.CANNOT_BE_TOLD):
        kinds = {one.kind for one in stop.reasons}
        if OrderedRemark.BEYOND_SIEVES in kinds and np.isfinite(below_um):
            found.append(AdviceRemark.FINER_SIEVE(below_um=below_um))
        elif VerdictRemark.UNDONE_BY_DRIFT in kinds:
            continue  # what would tell is the drift, or the sizes beyond the sieves
        elif single_runs:
            repeat = AdviceRemark.REPEAT_LAST_TIMES
            found.append(repeat(before=stop.before, last=stop.last, runs=RUNS_EACH))
        else:
            found.append(AdviceRemark.MORE_RUNS(before=stop.before, last=stop.last))
    # sizes beyond the sieves at either end of the trial, or anywhere where no course is left
    sized = [one for one in courses if one.stop is not None]
    ends = [own for one in sized for own in (one.start, one.end) if np.isnan(own.estimate)]
    ends += [] if courses else [Numbers(upper=below_um), Numbers(lower=above_um)]
    if np.isfinite(below_um) and any(np.isfinite(own.upper) for own in ends):
        found.append(AdviceRemark.FINER_SIEVE(below_um=below_um))
    above = [own for own in ends if np.isfinite(own.lower) and not np.isfinite(own.upper)]
    if np.isfinite(above_um) and above:
        found.append(AdviceRemark.COARSER_SIEVE(above_um=above_um))
    if drift_unknown:
        why = [at.reasons[0].kind if at.reasons else None for one in benches for at in one.at]
        is_own = set(why) == {GroupRemark.ALONE}  # more such groups would show no drift
        told = {"charges": charges} if charges is not None else {"is_own": True} if is_own else {}
        found.append(AdviceRemark.KNOW_DRIFT(**told))
    falling = [one for one in stops if one.ending is Ending.STILL_FALLING]
    found += [AdviceRemark.MILL_LONGER(last=one.last) for one in falling]
    apart = (one.group for one in benches if farthest(one) and not one.beside)
    found += [AdviceRemark.LOOK_AT_GROUP(group=group) for group in apart]
    early = [one for one in factors if one.control.verdict is Verdict.CHANGED]
    look = AdviceRemark.LOOK_AT_START
    found += [look(factor=one.factor, time=one.control.subject.where) for one in early]
    if balance is not None and not balance.is_enough:
        found.append(AdviceRemark.BETTER_BALANCE(shorter_percent=balance.shorter_percent))
    return tuple(dict.fromkeys(found))


def differs(answer: BenchAnswer) -> bool:
    """Whether a group is shown to differ from the others anywhere."""
    return farthest(answer) > 0.0
