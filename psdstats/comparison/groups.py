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
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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
    Verdict,
)
from psdstats.frozen import Array
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


def bench_answers(
    one: QuantityAnalysis, *, level: float, margin_percent: float | None
) -> tuple[BenchAnswer, ...]:
    """Each group against the others; two groups are one answer.

    Empty where there is one group, or groups are what is compared.
    """
    return () if GROUP in one.plan.factors else _Compared(one, level, margin_percent).answers


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
        0  Alder                 3.2    changed
        1  Birch                -0.1  not shown
        2  Cedar                -2.9  not shown
        3  Rowan                -0.1  not shown
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
    ends = (numbers.estimate, numbers.lower, numbers.upper)
    ratios, changes = np.exp(ends), 100 * np.expm1(ends)
    return {
        **dict(zip(("ratio", "ratio_lower", "ratio_upper"), ratios.tolist(), strict=True)),
        **dict(
            zip(
                ("difference_percent", "lower_percent", "upper_percent"),
                changes.tolist(),
                strict=True,
            )
        ),
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
    if len(names) < 2:
        return _one_group(names[0], quantity, level, margin_percent)
    if analysis is None:
        plan = plan_comparison(study, at_each=at_each, margin_percent=margin_percent)
        analysis = analyse(study, plan, quantities=[quantity], level=level, propagation=propagation)
    one = analysis[quantity]
    found = _Compared(one, level, margin_percent)
    return GroupAgreement(
        quantity=quantity,
        conditions=found.columns,
        answers=found.answers,
        by_condition=found.by_condition(),
        spread=one.spread,
        level=level,
        margin_percent=margin_percent,
        set_aside=one.response.set_aside,
    )


def _one_group(
    name: str, quantity: str, level: float, margin_percent: float | None
) -> GroupAgreement:
    """Nothing to compare."""
    alone = judge(
        Contrast(high=name, quantity=quantity),
        Numbers(),
        kind=FindingKind.GROUP,
        level=level,
        margin_percent=margin_percent,
        obstacles=(GroupRemark.ALONE(columns=(TIME,)),),
    )
    return GroupAgreement(
        quantity=quantity,
        conditions=(TIME,),
        answers=(BenchAnswer(quantity=quantity, group=name, at=(alone,)),),
        by_condition=pd.DataFrame(columns=[TIME, GROUP]),
        spread=Spread(),
        level=level,
        margin_percent=margin_percent,
        set_aside=(),
    )


def sizes_by_run(study: Study, propagation: Propagation, *, quantity: str = "D50") -> pd.DataFrame:
    """Run table with one quantity, as `precision`, `consistency` and `outliers` take it."""
    column = propagation.value[:, propagation.quantities.index(quantity)]
    sizes = pd.Series(column, index=list(propagation.runs), name=quantity)
    return study.runs_frame().join(sizes, on=RUN)


@dataclass(frozen=True, eq=False)
class _Compared:
    """The groups of one quantity, compared."""

    one: QuantityAnalysis
    level: float
    margin_percent: float | None

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """Columns that define a condition, milling time first.

        Beside the factors of the analysis the ball ratio, which no group has by nature.
        """
        plan, frame = self.one.plan, self.one.response.placed
        named = list(plan.factors)
        if BALL_RATIO in frame and BALL_RATIO not in plan.left_out:
            named += [BALL_RATIO] if len(set(frame[BALL_RATIO])) > 1 else []
        rest = [name for name in dict.fromkeys(named) if name not in (GROUP, TIME)]
        timed = TIME in named or plan.by == GROUP
        return (*([TIME] if timed else []), *rest)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """All groups in the order of the study."""
        return tuple(map(str, dict.fromkeys(self.one.response.placed[GROUP])))

    @cached_property
    def codes(self) -> NDArray[np.intp]:
        """Condition of each run used."""
        table = self.one.frame.groupby(list(self.columns), sort=True, observed=True, dropna=False)
        return table.ngroup().to_numpy().astype(np.intp)

    @cached_property
    def meets(self) -> tuple[str, ...]:
        """Groups that share a condition with another one."""
        held = pd.crosstab(self.one.frame[GROUP].astype(str), self.codes).to_numpy() > 0
        shared = (held & (held.sum(axis=0) >= 2)).any(axis=1)
        found = sorted(set(self.one.frame[GROUP].astype(str)))
        meeting = {name for name, is_met in zip(found, shared, strict=True) if is_met}
        return tuple(name for name in self.names if name in meeting)

    @cached_property
    def table(self) -> pd.DataFrame:
        """The runs of groups that can be compared, with the code of their condition."""
        frame = self.one.frame.assign(condition_code=self.codes)
        return frame[frame[GROUP].astype(str).isin(self.meets)]

    @cached_property
    def conditions(self) -> pd.DataFrame:
        """One row a condition."""
        first = self.table.drop_duplicates("condition_code").sort_values("condition_code")
        return first[list(self.columns)].reset_index(drop=True)

    @cached_property
    def runs(self) -> BenchRuns:
        """The runs as arrays."""
        table, rows = self.table, self.table.index.to_numpy()
        order = level_order(self.conditions[TIME]) if TIME in self.columns else None
        return BenchRuns(
            y=self.one.y[rows],
            known=self.one.response.known[np.ix_(rows, rows)],
            group=np.array([self.meets.index(str(name)) for name in table[GROUP]], dtype=np.intp),
            condition=np.unique(table["condition_code"], return_inverse=True)[1].astype(np.intp),
            order=np.zeros(len(self.conditions)) if order is None else order.to_numpy(dtype=float),
            further=self._further(),
            stated=self._stated(),
        )

    def _further(self) -> tuple[Array, ...]:
        """Columns of blocks within groups that may vary."""
        table, found = self.table, []
        for columns in map(columns_of, self.one.plan.blocks):
            number = table.groupby(list(columns), observed=True).ngroup().to_numpy()
            is_alone = table.assign(block=number).groupby(GROUP)["block"].nunique().max() < 2
            if columns == (GROUP,) or is_alone or len(np.unique(number)) == len(table):
                continue
            found.append(indicators(number.astype(np.intp)))
        return tuple(found[:_MOST_FURTHER])

    def _stated(self) -> tuple[float, float] | None:
        """A declared variance of runs, where they do not show their own."""
        declared = self.one.plan.run_to_run
        if declared is None or self.one.design.left > 1:
            return None
        return (declared.percent / 100) ** 2, declared.df

    @cached_property
    def found(self) -> tuple[tuple[Deviation, ...], ...]:
        """At the conditions, in rate, on average."""
        if len(self.meets) < 2:
            return (), (), ()
        return tuple(
            f(self.runs, level=self.level, margin_percent=self.margin_percent)
            for f in (at_conditions, in_rate, on_average)
        )

    @cached_property
    def answers(self) -> tuple[BenchAnswer, ...]:
        """One a group; one in all for two groups that can be compared."""
        if len(self.names) < 2:
            return ()
        at, rate, average = self.found
        own = self.meets[:1] if len(self.meets) == 2 else self.meets
        told = {
            name: BenchAnswer(
                quantity=self.one.quantity,
                group=name,
                at=tuple(self._at(one) for one in at if one.group == code)
                or (self._obstacle(name, GroupRemark.NO_UNCERTAINTY()),),
                conditions=tuple(self._levels(one) for one in at if one.group == code),
                rate=next((self._rate(one) for one in rate if one.group == code), None),
                average=next((self._average(one) for one in average if one.group == code), None),
            )
            for code, name in enumerate(own)
        }
        left = [name for name in self.names if name not in self.meets]
        told |= {name: self._untold(name) for name in left}
        return tuple(told[name] for name in self.names if name in told)

    def _place(self, deviation: Deviation) -> dict[str, Any]:
        """Levels of the condition of a difference, by column."""
        row = self.conditions.iloc[deviation.condition or 0]
        return {name: row[name] for name in self.columns}

    def _levels(self, deviation: Deviation) -> tuple[tuple[str, str], ...]:
        return tuple((name, level_text(one)) for name, one in self._place(deviation).items())

    def _at(self, deviation: Deviation) -> Finding:
        where = ", ".join(level for _, level in self._levels(deviation))
        return self._judged(deviation, self._subject(deviation, where), FindingKind.GROUP)

    def _average(self, deviation: Deviation) -> Finding:
        return self._judged(deviation, self._subject(deviation), FindingKind.GROUP)

    def _rate(self, deviation: Deviation) -> Finding:
        times = self.conditions[TIME]
        subject = Contrast(
            high=level_text(times.max()), low=level_text(times.min()), quantity=self.one.quantity
        )
        return self._judged(deviation, subject, FindingKind.BENCH_RATE)

    def _subject(self, deviation: Deviation, where: str = "") -> Contrast:
        return Contrast(
            high=self.meets[deviation.group],
            low=self.meets[1] if len(self.meets) == 2 else "",
            where=where,
            quantity=self.one.quantity,
        )

    def _judged(self, deviation: Deviation, subject: Contrast, kind: FindingKind) -> Finding:
        undone = deviation.undone_by
        unknown = undone is not None and self.margin_percent is not None
        return judge(
            subject,
            deviation.numbers,
            kind=kind,
            level=self.level,
            margin_percent=self.margin_percent,
            within_margin=False if unknown else None,
            undone_by_percent=None if undone is None else 100 * undone,
        )

    def _untold(self, name: str) -> BenchAnswer:
        """A group that shares no condition, or whose sizes are bounds."""
        used = (self.one.frame[GROUP].astype(str) == name).any()
        why = GroupRemark.ALONE(columns=self.columns) if used else GroupRemark.NOT_BRACKETED()
        return BenchAnswer(quantity=self.one.quantity, group=name, at=(self._obstacle(name, why),))

    def _obstacle(self, name: str, why: Remark) -> Finding:
        return judge(
            Contrast(high=name, quantity=self.one.quantity),
            Numbers(),
            kind=FindingKind.GROUP,
            level=self.level,
            margin_percent=self.margin_percent,
            obstacles=(why,),
        )

    def by_condition(self) -> pd.DataFrame:
        """One row a difference at a condition."""
        rows = []
        for one in self.found[0]:
            finding, score = self._at(one), zeta(one.numbers)
            own = _columns(finding)
            names = ("difference_percent", "lower_percent", "upper_percent", "u_percent")
            rows.append(
                {
                    **self._place(one),
                    GROUP: finding.subject.high,
                    **{name: own[name] for name in names},
                    "p_adjusted": own["p_adjusted"],
                    "verdict": finding.verdict.value,
                    "zeta": score,
                    "e_n": score / _COVERAGE_FACTOR,
                    "finding": signal(score),
                }
            )
        # without a row the columns still say what a condition was
        return pd.DataFrame(rows) if rows else pd.DataFrame(columns=[*self.columns, GROUP])
