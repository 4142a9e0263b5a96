"""Whether the groups of a trial agree, read from its analysis, and sorted into records.

Sizes are compared as ln D, so differences are ratios, each group against the plain mean of the
others (two groups: the first against the second); `benches` has the statistics.  A condition is a
level of the factor compared at levels of the further factors.  What groups share in measuring (a
sieve, a tare, a balance) cancels as far as it is shared, by the known covariance of the analysis.

A score compares a difference with its own uncertainty: zeta with the standard uncertainty, E_n with
the expanded one (ISO 13528, from memory).  The usual formulas take the two results as independent;
here the covariance is in the uncertainty, and so is the scatter between runs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from psdstats.columns import BALL_RATIO, GROUP, RUN, TIME
from psdstats.comparison.advice import differs
from psdstats.comparison.analysis import (
    Analysis,
    QuantityAnalysis,
    Spread,
    analyse,
)
from psdstats.comparison.benches import (
    BenchRuns,
    Deviation,
    at_conditions,
    in_rate,
    indicators,
    on_average,
)
from psdstats.comparison.plan import columns_of, plan_comparison
from psdstats.comparison.spread import level_order
from psdstats.errors import ModelError
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
)
from psdstats.limits import LEVEL, MARGIN_PERCENT
from psdstats.models.design_columns import level_text
from psdstats.models.verdicts import judge
from psdstats.present import Shown
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation

_MOST_FURTHER = 2  # variances beside that of runs
_COVERAGE_FACTOR = 2.0  # of the expanded uncertainty in E_n
_WARNING, _ACTION = 2.0, 3.0  # of |zeta|, common use of ISO 13528 (from memory)


class GroupRemark(RemarkKind):
    """Why a group cannot be compared, and what else a reader must know."""

    NOT_BRACKETED = "sizes not bracketed"
    ALONE = "no other group alike"
    NO_UNCERTAINTY = "no uncertainty counted"
    WITHOUT_CONDITION = "runs without a condition"


def zeta(numbers: Numbers) -> float:
    """A difference over its standard uncertainty."""
    return numbers.estimate / numbers.u if numbers.u > 0 else math.nan


def signal(score: float) -> str:
    """What |zeta| from 2 and from 3 is called (ISO 13528, from memory).

    Examples
    --------
    >>> signal(-3.2)
    'action signal'
    """
    size = abs(score)
    if size >= _ACTION:
        return "action signal"
    return "warning signal" if size >= _WARNING else ""


def overall(answer: BenchAnswer) -> Verdict:
    """One word for a group: a difference anywhere, else agreement at every condition."""
    if differs(answer):
        return Verdict.CHANGED
    for verdict in (Verdict.EQUIVALENT, Verdict.CANNOT_BE_TOLD):
        if all(one.verdict is verdict for one in answer.at):
            return verdict
    return Verdict.NOT_SHOWN


@dataclass(frozen=True, kw_only=True, repr=False)
class GroupAgreement(Shown):
    """Agreement of all groups in one quantity.

    Parameters
    ----------
    quantity : str
        What was compared.
    conditions : tuple of str
        Columns that define a condition.
    answers : tuple of BenchAnswer
        One a group, in the order of the study; one in all for two groups.
    by_condition : DataFrame
        Condition columns, group column, difference_percent with the limits of its joint interval,
        u_percent, p_adjusted, verdict, zeta, e_n, finding (the signal of zeta).
    spread : Spread
        Standard deviations between runs, cells, groups and of their drift.
    level : float
        Confidence level, joint over the groups (and conditions) of a question.
    margin_percent : float or None
        Difference that is too small to matter.
    set_aside : tuple of str
        Runs of cells with a size that is not bracketed.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> found = psdstats.comparison.group_agreement(study)
    >>> print(found.summary().split(":")[0])
    Alder differs from the other groups
    """

    quantity: str
    conditions: tuple[str, ...]
    answers: tuple[BenchAnswer, ...]
    by_condition: pd.DataFrame
    spread: Spread
    level: float
    margin_percent: float | None
    set_aside: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a group: verdict, where it differs, and its average and rate.

        Columns: group, quantity, verdict, differs_at (number of conditions); for the average,
        without prefix, and for the rate, with ``rate_``: ratio, ratio_lower, ratio_upper,
        difference_percent, lower_percent, upper_percent, u_percent, df, p, p_adjusted.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("four_benches"))
        >>> found = psdstats.comparison.group_agreement(study)
        >>> found.to_frame()[["group", "difference_percent", "verdict"]].round(1)
           group  difference_percent    verdict
        0  Alder                 2.9    changed
        1  Birch                -0.1  not shown
        2  Cedar                -2.8  not shown
        3  Rowan                 0.1  not shown
        """
        return pd.DataFrame(
            [
                {
                    "group": one.group,
                    "quantity": self.quantity,
                    "verdict": overall(one).value,
                    "differs_at": sum(at.verdict is Verdict.CHANGED for at in one.at),
                    **_columns(one.average),
                    **{f"rate_{name}": value for name, value in _columns(one.rate).items()},
                }
                for one in self.answers
            ]
        )


def _columns(finding: Finding | None) -> dict[str, float]:
    numbers = Numbers() if finding is None else finding.numbers
    ends = np.array([numbers.estimate, numbers.lower, numbers.upper])
    names = ("ratio", "ratio_lower", "ratio_upper")
    percents = ("difference_percent", "lower_percent", "upper_percent")
    return {
        **dict(zip(names, np.exp(ends).tolist(), strict=True)),
        **dict(zip(percents, (100 * np.expm1(ends)).tolist(), strict=True)),
        "u_percent": 100 * numbers.u,
        "df": numbers.df,
        "p": numbers.p,
        "p_adjusted": numbers.p_adjusted,
    }


def group_agreement(
    study: Study,
    propagation: Propagation | None = None,
    *,
    quantity: str = "D50",
    at_each: Sequence[str] | str | None = None,
    margin_percent: float | None = None,
    level: float = 0.95,
    analysis: Analysis | None = None,
) -> GroupAgreement:
    """Compare every group with the mean of the others: at each condition, in rate, on average.

    Parameters
    ----------
    study : Study
        The study.
    propagation : Propagation, optional
        A joint result of this study made with `measurement_sources`; its sources and rule count
        then.
    quantity : {"D10", "D50", "D90", "span"}, default="D50"
        What is compared.
    at_each : str or sequence of str, optional
        Further factors that make a condition beside milling time; by default all that are crossed
        with it.
    margin_percent : float or None, default=None
        Difference that is too small to matter, per cent; None where none was stated.
    level : float, default=0.95
        Confidence level, joint over the groups (and conditions) of a question.
    analysis : Analysis, optional
        That of the study, where it was made.

    Returns
    -------
    GroupAgreement
        What a comparison of the trial says of its groups, and the differences at every condition.

    Raises
    ------
    ModelError
        If a column is missing, or the runs of study and propagation differ.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> found = psdstats.comparison.group_agreement(study)
    >>> found.conditions, len(found.by_condition)
    (('milling_time_min', 'ball_ratio'), 40)
    """
    LEVEL.require("level", level, ModelError)
    if margin_percent is not None:
        MARGIN_PERCENT.require("margin_percent", margin_percent, ModelError)
    runs = study.runs_frame()
    if propagation is not None and tuple(runs[RUN]) != propagation.runs:
        raise ModelError("The propagation does not hold the runs of this study; propagate it anew.")
    names = tuple(map(str, dict.fromkeys(runs[GROUP])))
    columns: tuple[str, ...] = (TIME,)
    spread, set_aside, rows = Spread(), tuple[str, ...](), list[dict[str, object]]()
    rule = Rule(level=level, margin_percent=margin_percent)
    alone = GroupRemark.ALONE(columns=columns)
    answers: tuple[BenchAnswer, ...] = (_untold(names[0], quantity, alone, rule),)
    if len(names) > 1:
        if analysis is None:
            plan = plan_comparison(study, at_each=at_each, margin_percent=margin_percent)
            analysis = analyse(
                study, plan, quantities=[quantity], level=level, propagation=propagation
            )
        one = analysis[quantity]
        spread, set_aside = one.spread, one.response.set_aside
        columns, answers, found = _compared(one, rule)
        rows = [_of_condition(place, finding) for place, finding in found]
    return GroupAgreement(
        quantity=quantity,
        conditions=columns,
        answers=answers,
        # without a row the columns still say what a condition was
        by_condition=pd.DataFrame(rows) if rows else pd.DataFrame(columns=[*columns, GROUP]),
        spread=spread,
        set_aside=set_aside,
        **rule,
    )


def _of_condition(place: Mapping[str, object], finding: Finding) -> dict[str, object]:
    """One row a difference at a condition."""
    own, score = _columns(finding), zeta(finding.numbers)
    names = ("difference_percent", "lower_percent", "upper_percent", "u_percent", "p_adjusted")
    return {
        **place,
        GROUP: finding.subject.high,
        **{name: own[name] for name in names},
        "verdict": finding.verdict.value,
        "zeta": score,
        "e_n": score / _COVERAGE_FACTOR,
        "finding": signal(score),
    }


def sizes_by_run(study: Study, propagation: Propagation, *, quantity: str = "D50") -> pd.DataFrame:
    """Run table with one quantity, as `precision`, `consistency` and `outliers` take it."""
    column = propagation.value[:, propagation.quantities.index(quantity)]
    sizes = pd.Series(column, index=list(propagation.runs), name=quantity)
    return study.runs_frame().join(sizes, on=RUN)


def bench_answers(
    one: QuantityAnalysis, *, level: float, margin_percent: float | None
) -> tuple[BenchAnswer, ...]:
    """Each group against the others; two groups are one answer.

    Empty where there is one group, or groups are what is compared.
    """
    rule = Rule(level=level, margin_percent=margin_percent)
    return () if GROUP in one.plan.factors else _compared(one, rule)[1]


Found = list[tuple[dict[str, object], Finding]]


def _compared(
    one: QuantityAnalysis, rule: Rule
) -> tuple[tuple[str, ...], tuple[BenchAnswer, ...], Found]:
    """Columns that define a condition, one answer a group, every difference at a condition.

    There is one answer in all for two groups that can be compared, none for one group.
    """
    columns, names = _condition_columns(one), dict.fromkeys(one.response.placed[GROUP].astype(str))
    if len(names) < 2:
        return columns, (), []
    meets, conditions, runs = _bench_runs(one, columns, list(names))
    at, rate, average = (
        f(runs, **rule) if len(meets) > 1 else () for f in (at_conditions, in_rate, on_average)
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
        nothing = _untold(name, one.quantity, GroupRemark.NO_UNCERTAINTY(), rule)
        answers[name] = BenchAnswer(
            quantity=one.quantity,
            group=name,
            at=tuple(found[k][1] for k in own) or nothing.at,
            conditions=tuple(levels[at[k].condition or 0] for k in own),
            rate=next(iter(rates), None),
            average=next(iter(means), None),
        )
    used = set(one.frame[GROUP].astype(str))
    for name in names.keys() - meets:  # alone, or its sizes are bounds
        alone = GroupRemark.ALONE(columns=columns)
        why = alone if name in used else GroupRemark.NOT_BRACKETED()
        answers[name] = _untold(name, one.quantity, why, rule)
    return columns, tuple(answers[name] for name in names if name in answers), found


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


def _untold(name: str, quantity: str, why: Remark, rule: Rule) -> BenchAnswer:
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
