"""Do the groups agree: at each condition, in how they change, and on average.

Arrays give numbers, and these the records of an analysis; sizes are ln D, so that differences are
ratios.  A group is compared with the plain mean of the other groups.

- At each condition (a milling time at a level of the further factors): against the scatter of runs
  of the same kind where replicates show it.  Without them the scatter about group and condition
  effects that add up serves, each difference being judged by the scatter that is left when its own
  cell is set aside, so that it cannot hide in what it is judged by.
- In rate: the line of a group over the order of the milling times against those of the others,
  written as change from the first to the last time.  Scatter: that about the lines.
- On average over the conditions: scatter about group and condition effects that add up.

Replicates of a cell may lie closer together than cells do: rate and average are judged by the
scatter of the cells' means, and by replicates only where the cells leave none. What is known (the
measurement, with what groups share) and what is estimated are kept apart (`models.posterior`).
Intervals hold for all groups (and conditions) of a question together, and so does equivalence
within a margin, by the one rule of `models.verdicts`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd

from psdstats.columns import BALL_RATIO, GROUP, TIME
from psdstats.comparison.analysis import QuantityAnalysis
from psdstats.comparison.plan import columns_of
from psdstats.comparison.response import level_order
from psdstats.covariance import Covariance, SharedErrors
from psdstats.findings import (
    BenchAnswer,
    Contrast,
    Finding,
    FindingKind,
    Numbers,
    Remark,
    RemarkKind,
    Rule,
    Verdict,
    numbers_of,
)
from psdstats.frozen import Array, Indices, freeze_arrays
from psdstats.models.design_columns import level_text
from psdstats.models.engine import CovarianceParts, squares_of
from psdstats.models.judged import Family
from psdstats.models.posterior import (
    Mixture,
    VariancePosterior,
    freed,
    mixture,
    stated_posterior,
    variance_posterior,
)
from psdstats.models.verdicts import detectable_percent, equivalence_of, judge, undoing_percent

Subjects = list[tuple[int, int | None]]
ENOUGH_DF = 3
"""Replicates with as many degrees of freedom serve by themselves (own rule, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BenchRuns:
    """The runs whose groups are compared.

    Parameters
    ----------
    y : ndarray, shape (n,)
        ln size.
    known : ndarray, shape (n, n)
        Its covariance from the measurement.
    group, condition : ndarray of int, shape (n,)
        Indices from 0.
    order : ndarray, shape (conditions,)
        Place of the milling time of each condition among all milling times.
    further : tuple of ndarray, each of shape (n, r)
        Z of each Z Zᵀ that a further variance multiplies (charges sampled several times).
    stated : tuple of (float, float) or None
        Variance between runs and its degrees of freedom where it does not come from these runs.

    Attributes
    ----------
    cells : ndarray, shape (n, cells)
        Indicators of the combinations of group and condition that hold runs.
    additive : ndarray, shape (n, p)
        Condition and group effects, of full rank.
    """

    y: Array
    known: Covariance
    group: Indices
    condition: Indices
    order: Array
    further: tuple[Array, ...] = ()
    stated: tuple[float, float] | None = None

    cells: Array = field(init=False)
    additive: Array = field(init=False)

    def __post_init__(self) -> None:
        cells = indicators(self.group * len(self.order) + self.condition)
        additive = np.hstack([indicators(self.condition), indicators(self.group)[:, 1:]])
        object.__setattr__(self, "cells", cells)
        object.__setattr__(self, "additive", additive)
        freeze_arrays(self)

    def posterior(self, design: Array) -> VariancePosterior:
        """What the variances may be, from what a design leaves."""
        return variance_posterior(self.y, design, CovarianceParts.of(self.further, self.known))


def indicators(codes: Indices) -> Array:
    """A column for each value of the codes, (n, values)."""
    return np.asarray(np.equal.outer(codes, np.unique(codes)), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """One group against the others.

    Parameters
    ----------
    group : int
        Its code.
    condition : int or None
        Code of the condition; None for rate and average.
    numbers : Numbers
        Of the difference, with its joint interval.
    undone_by_percent : float or None
        Run-to-run SD that would undo the difference, where no scatter could be estimated.
    """

    group: int
    condition: int | None
    numbers: Numbers
    undone_by_percent: float | None = None


def at_conditions(runs: BenchRuns, rule: Rule) -> tuple[Deviation, ...]:
    """Each group at each condition; with two groups one difference a condition."""
    subjects, weights = _compared(runs)
    if not subjects:
        return ()
    # what the measurement gives every run by itself is part of its scatter
    own = runs if runs.stated else replace(runs, known=freed(runs.known))
    if own.stated is not None:
        judged = [_plain(own, weights, stated_posterior(*own.stated))]
    elif _left(own.cells) >= ENOUGH_DF:
        judged = [_plain(own, weights, own.posterior(own.cells))]
    elif isinstance(own.known, SharedErrors):  # one cell of very many moves no scatter
        judged = [_plain(own, weights, own.posterior(own.additive))]
    else:  # each by what is left when its own cell has a parameter of its own
        judged = []
        for (group, condition), row in zip(subjects, weights, strict=True):
            cell = (own.group == group) & (own.condition == condition)
            design = np.column_stack([own.additive, cell])
            if not _left(design):
                return _by_measurement(runs, subjects, weights, rule)
            judged.append(_plain(own, row[None], own.posterior(design)))
    return _answers(subjects, judged, rule)


def in_rate(runs: BenchRuns, rule: Rule) -> tuple[Deviation, ...]:
    """The change of each group from first to last milling time against that of the others.

    Empty with fewer than two times or groups, or where a group has all its runs at one time.
    """
    middle = np.mean([runs.order.min(), runs.order.max()])
    lines = indicators(runs.group) * (runs.order - middle)[runs.condition][:, None]
    steps, groups = float(np.ptp(runs.order)), lines.shape[1]
    if steps == 0 or np.count_nonzero(np.abs(lines).sum(axis=0)) < groups:
        return ()
    design = np.hstack([runs.additive, lines[:, 1:]])
    return _of_design(runs, design, steps, rule)


def on_average(runs: BenchRuns, rule: Rule) -> tuple[Deviation, ...]:
    """Each group averaged over the conditions."""
    return _of_design(runs, runs.additive, 1.0, rule)


def _compared(runs: BenchRuns) -> tuple[Subjects, Array]:
    """Group and condition of every difference there is, and its weights on the runs (q, n).

    Each is the mean of one group minus the plain mean of the others at one condition.
    """
    subjects, rows, groups = Subjects(), [], int(runs.group.max()) + 1
    for condition in range(len(runs.order)):
        here = [(runs.condition == condition) & (runs.group == one) for one in range(groups)]
        for group, own in enumerate(here[:1] if groups == 2 else here):
            others = [mask for mask in here if mask is not own and mask.any()]
            if own.any() and others:
                row = own / own.sum()
                for mask in others:
                    row = row - mask / (mask.sum() * len(others))
                subjects.append((group, condition))
                rows.append(row)
    return subjects, np.array(rows)


def _left(design: Array) -> int:
    return len(design) - int(np.linalg.matrix_rank(design))


def _plain(runs: BenchRuns, rows: Array, posterior: VariancePosterior) -> Mixture:
    """Differences as they stand, with their variance at every point of a posterior."""
    theta, known = posterior.theta, runs.known
    if isinstance(known, SharedErrors):
        squares = np.array([one @ one.T for one in (*(rows @ z for z in runs.further), rows)])
        covariance = rows @ known @ rows.T + np.tensordot(theta, squares[-theta.shape[1] :], 1)
    else:
        parts = squares_of(runs.further, len(runs.y))[-theta.shape[1] :]
        covariance = rows @ (known + np.tensordot(theta, parts, 1)) @ rows.T
    return Mixture(
        weight=posterior.weight,
        centre=np.broadcast_to(rows @ runs.y, (len(theta), len(rows))),
        covariance=covariance,
    )


def _of_design(runs: BenchRuns, design: Array, scale: float, rule: Rule) -> tuple[Deviation, ...]:
    """Each group against the mean of the others, by its coefficient (the last columns)."""
    groups = int(runs.group.max()) + 1
    if groups < 2 or np.linalg.matrix_rank(design) < design.shape[1]:
        return ()
    against = scale * (np.eye(groups) - (1 - np.eye(groups)) / (groups - 1))
    against = against[:1] if groups == 2 else against
    wanted = np.hstack([np.zeros((len(against), design.shape[1] - groups + 1)), against[:, 1:]])
    subjects: Subjects = [(group, None) for group in range(len(against))]
    cells = runs.cells
    spare = cells.shape[1] - design.shape[1]
    if runs.stated is not None:
        posterior = stated_posterior(*runs.stated)
    elif not spare and _left(cells):
        posterior = runs.posterior(cells)
    elif spare:
        means, known = cells.T / cells.sum(axis=0)[:, None], runs.known
        runs = replace(
            runs,
            y=means @ runs.y,
            known=known.averaged(means)
            if isinstance(known, SharedErrors)
            else means @ known @ means.T,
            further=tuple(means @ z for z in runs.further),
        )
        design = means @ design
        posterior = runs.posterior(design)
    else:
        weights = wanted @ np.linalg.pinv(design, rcond=1e-10)
        return _by_measurement(runs, subjects, weights, rule)
    columns = runs.further[len(runs.further) + 1 - posterior.theta.shape[1] :]
    parts = CovarianceParts.of(columns, runs.known)
    found = mixture(runs.y, design, parts, wanted, posterior)
    return _answers(subjects, [found], rule)


def _answers(subjects: Subjects, judged: list[Mixture], rule: Rule) -> tuple[Deviation, ...]:
    """Numbers of every difference; one mixture for all, or one each (then shared by Bonferroni)."""
    alpha, times, count = 1 - rule["level"], len(judged), len(subjects) // len(judged)
    family = Family(members=tuple(range(count)), signs=(1,) * count)
    p = np.concatenate([one.p() for one in judged])
    if times == 1:
        half, adjusted = judged[0].family_half_width(family, alpha), judged[0].family_p(family)
    else:
        half = np.concatenate([one.half_width(alpha / times) for one in judged])
        adjusted = np.minimum(times * p, 1.0)
    estimate, u, df = (
        np.concatenate([getattr(one, name) for one in judged]) for name in ("estimate", "se", "df")
    )
    columns = {
        "estimate": estimate,
        "u": u,
        "df": df,
        "lower": estimate - half,
        "upper": estimate + half,
        "p": p,
        "p_adjusted": adjusted,
        **detectable_percent(u, df, half),
    }
    margin = rule["margin_percent"]
    if margin is not None:
        tested = [
            equivalence_of(one, family, margin_percent=margin, alpha=alpha / times)
            for one in judged
        ]
        columns |= {name: np.concatenate([one[name] for one in tested]) for name in tested[0]}
        columns["equivalence_p"] = np.minimum(times * columns["equivalence_p"], 1.0)
    return tuple(
        Deviation(group=group, condition=condition, numbers=numbers)
        for (group, condition), numbers in zip(subjects, numbers_of(columns), strict=True)
    )


def _by_measurement(
    runs: BenchRuns, subjects: Subjects, weights: Array, rule: Rule
) -> tuple[Deviation, ...]:
    """Differences judged by the measurement alone, and the scatter that would undo each."""
    if not (((weights @ runs.known) * weights).sum(axis=1) > 0).all():
        return ()
    found, joint = [], _plain(runs, weights, stated_posterior(0.0, np.inf))
    for one, row in zip(_answers(subjects, [joint], rule), weights, strict=True):
        own, leverage = one.numbers, float(row @ row)
        critical = (own.upper - own.estimate) / own.u
        undone = float(undoing_percent(own.estimate, own.u, critical, leverage=leverage))
        found.append(replace(one, undone_by_percent=undone))
    return tuple(found)


# ------------------------------------------------------------------ records

_MOST_FURTHER = 2  # variances beside that of runs


class GroupRemark(RemarkKind):
    """Why a group cannot be compared, and what else a reader must know."""

    NOT_BRACKETED = "sizes not bracketed"
    ALONE = "no other group alike"
    NO_UNCERTAINTY = "no uncertainty counted"
    WITHOUT_CONDITION = "runs without a condition"


Found = list[tuple[dict[str, object], Finding]]


def compare_groups(
    one: QuantityAnalysis, rule: Rule, among: Sequence[str] = ()
) -> tuple[tuple[str, ...], tuple[BenchAnswer, ...], Found]:
    """Columns that define a condition, one answer a group, every difference at a condition.

    There is one answer in all for two groups that can be compared, none for one group.
    """
    columns = _condition_columns(one)
    names = dict.fromkeys(among or one.response.placed[GROUP].astype(str))
    if len(names) < 2:
        return columns, (), []
    meets, conditions, runs = _bench_runs(one, columns, list(names))
    at, rate, average = (
        f(runs, rule) if len(meets) > 1 else () for f in (at_conditions, in_rate, on_average)
    )
    judged = partial(_judged, quantity=one.quantity, rule=rule)
    other = meets[1] if len(meets) == 2 else ""
    places = [dict(row) for _, row in conditions.iterrows()]
    levels = [tuple((name, level_text(own)) for name, own in place.items()) for place in places]
    found = Found()
    for each in at:
        where = ", ".join(level for _, level in levels[each.condition or 0])
        finding = judged(each, FindingKind.GROUP, meets[each.group], other, where)
        found.append((places[each.condition or 0], finding))
    last, first = (level_text(end(conditions[TIME])) for end in (max, min)) if rate else ("", "")
    answers = {}
    for code, name in enumerate(meets[:1] if other else meets):
        own = [k for k, each in enumerate(at) if each.group == code]
        rates = [
            judged(r, FindingKind.BENCH_RATE, last, first, "") for r in rate if r.group == code
        ]
        means = [judged(m, FindingKind.GROUP, name, other, "") for m in average if m.group == code]
        nothing = untold_group(name, one.quantity, GroupRemark.NO_UNCERTAINTY(), rule)
        answers[name] = BenchAnswer(
            quantity=one.quantity,
            group=name,
            at=tuple(found[k][1] for k in own) or nothing.at,
            conditions=tuple(levels[at[k].condition or 0] for k in own),
            rate=next(iter(rates), None),
            average=next(iter(means), None),
        )
    used, alone = set(one.frame[GROUP].astype(str)), GroupRemark.ALONE(columns=columns)
    for name in names.keys() - meets:  # alone, or its sizes are bounds
        why = alone if name in used else GroupRemark.NOT_BRACKETED()
        answers[name] = untold_group(name, one.quantity, why, rule)
    told = tuple(answers[name] for name in names if name in answers)
    return columns, _with_beside(one, rule, told), found


def farthest(answer: BenchAnswer) -> float:
    """The largest difference shown, 0 where none is."""
    told = (one for one in (*answer.at, answer.rate, answer.average) if one is not None)
    shown = (abs(one.numbers.estimate) for one in told if one.verdict is Verdict.CHANGED)
    return max(shown, default=0.0)


def _with_beside(
    one: QuantityAnalysis, rule: Rule, answers: tuple[BenchAnswer, ...]
) -> tuple[BenchAnswer, ...]:
    """One group apart moves the mean that the others are against: these are judged without it."""
    far = max(answers, key=farthest)
    if len(answers) < 3 or not farthest(far):
        return answers
    rest = [each.group for each in answers if each is not far]
    still = {each.group: each for each in compare_groups(one, rule, rest)[1] if farthest(each)}
    if len(rest) == 2 and still:  # one answer for both
        still = dict.fromkeys(rest, *still.values())
    return tuple(
        replace(each, beside=still[each.group].beside if each.group in still else far.group)
        if each is not far and farthest(each)
        else each
        for each in answers
    )


def _judged(
    deviation: Deviation,
    kind: FindingKind,
    high: str,
    low: str,
    where: str,
    *,
    quantity: str,
    rule: Rule,
) -> Finding:
    """One difference with its verdict; what a scatter never seen would undo is not equivalent."""
    undone = deviation.undone_by_percent
    return judge(
        Contrast(high=high, low=low, where=where, quantity=quantity),
        deviation.numbers,
        kind=kind,
        within_margin=None if undone is None or rule["margin_percent"] is None else False,
        undone_by_percent=undone,
        **rule,
    )


def untold_group(name: str, quantity: str, why: Remark, rule: Rule) -> BenchAnswer:
    """A group of which nothing can be said."""
    subject = Contrast(high=name, quantity=quantity)
    finding = judge(subject, Numbers(), kind=FindingKind.GROUP, obstacles=(why,), **rule)
    return BenchAnswer(quantity=quantity, group=name, at=(finding,))


def _condition_columns(one: QuantityAnalysis) -> tuple[str, ...]:
    """Columns that define a condition, milling time first.

    Beside the factors of the analysis the ball ratio, which no group has by nature.
    """
    plan, frame = one.plan, one.response.placed
    named = list(plan.factors)
    if BALL_RATIO in frame and BALL_RATIO not in plan.left_out:
        named += [BALL_RATIO] if len(set(frame[BALL_RATIO])) > 1 else []
    rest = [name for name in dict.fromkeys(named) if name not in (GROUP, TIME)]
    timed = TIME in named or plan.by == GROUP
    return (*([TIME] if timed else []), *rest)


def _bench_runs(
    one: QuantityAnalysis, columns: Sequence[str], names: Sequence[str]
) -> tuple[list[str], pd.DataFrame, BenchRuns]:
    """Groups that share a condition with another, the conditions, and their runs as arrays."""
    frame, plan = one.frame.assign(_group=one.frame[GROUP].astype(str)), one.plan
    frame = frame[frame["_group"].isin(names)]
    conditions = frame.groupby(list(columns), sort=True, observed=True, dropna=False)
    frame = frame.assign(_condition=conditions.ngroup())
    groups = frame.groupby("_condition")["_group"].transform("nunique")
    met = set(frame["_group"][groups > 1])
    meets = [name for name in names if name in met]
    table = frame[frame["_group"].isin(meets)]
    first = table.drop_duplicates("_condition").sort_values("_condition")
    held = first[list(columns)].reset_index(drop=True)
    order = level_order(held[TIME]) if TIME in columns else None
    rows, further = table.index.to_numpy(), []
    for block in map(columns_of, plan.blocks):  # within groups, that may vary
        number = table.groupby(list(block), observed=True).ngroup().to_numpy()
        is_alone = table.assign(block=number).groupby(GROUP)["block"].nunique().max() < 2
        if block != (GROUP,) and not is_alone and len(np.unique(number)) < len(table):
            further.append(indicators(number.astype(np.intp)))
    declared = plan.run_to_run if one.design.left < 2 else None
    runs = BenchRuns(
        y=one.y[rows],
        known=one.response.known[np.ix_(rows, rows)],
        group=np.array([meets.index(name) for name in table["_group"]], dtype=np.intp),
        condition=np.unique(table["_condition"], return_inverse=True)[1].astype(np.intp),
        order=np.zeros(len(held)) if order is None else order.to_numpy(dtype=float),
        further=tuple(further[:_MOST_FURTHER]),
        stated=None if declared is None else ((declared.percent / 100) ** 2, declared.df),
    )
    return meets, held, runs
