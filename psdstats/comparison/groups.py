"""Whether each group agrees with the others: differences, scores, and a finding a group.

A group is compared with the plain mean of the other groups at every condition (milling time and
whatever else was set) where both have results, and the differences are averaged over these
conditions.  Sizes are compared as ln D, so differences are ratios.  An average over milling times
can hide differences of opposite sign: `by_condition` gives them singly.

The uncertainty of a difference holds the joint covariance of the measurement (what groups share, a
sieve, a tare, a balance, cancels as far as it is shared) and the scatter between runs of the same
kind: that of replicates where there are any, else the scatter about group and condition effects
that add up; the part that the measurement explains is taken off, so nothing is counted twice.  All
groups are judged together.

A score compares a difference with its own uncertainty: zeta with the standard uncertainty, E_n with
the expanded one (ISO 13528, from memory).  The usual formulas take the two results as independent;
here the difference is a weighted sum of results whose covariance is known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.columns import BALL_RATIO, GROUP, RUN, TIME
from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Remark, RemarkKind
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.design_columns import need_columns
from psdstats.models.equivalence import smallest_detectable
from psdstats.models.multiplicity import simultaneous
from psdstats.models.verdicts import judge, undoing_percent
from psdstats.present import present
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation, in_open_cell
from psdstats.uncertainty.sources.run_to_run import RunToRun


class GroupRemark(RemarkKind):
    """Why a group cannot be compared, and what else a reader must know."""

    NOT_BRACKETED = "sizes not bracketed"
    ALONE = "no other group alike"
    NO_UNCERTAINTY = "no uncertainty counted"
    WITHOUT_CONDITION = "runs without a condition"


class ScatterSource(StrEnum):
    """Where the run-to-run variance comes from."""

    REPLICATES = "replicates"
    TABLE = "group by condition table"
    NONE = "not estimated"


@dataclass(frozen=True, kw_only=True, eq=False)
class Scores:
    """Differences and their scores.

    Parameters
    ----------
    difference, u, zeta, e_n : ndarray, shape (m,)
        Difference, its standard uncertainty, and difference over u and over k u.
    covariance : ndarray, shape (m, m)
        Covariance of the differences.
    """

    difference: Array
    u: Array
    zeta: Array
    e_n: Array
    covariance: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def signals(self) -> tuple[str, ...]:
        """Common use of ISO 13528: |zeta| from 2 a warning signal, from 3 an action signal."""
        size = np.abs(self.zeta)
        names = np.where(size >= 3, "action signal", np.where(size >= 2, "warning signal", ""))
        return tuple(names.tolist())


def difference_scores(
    value: ArrayLike, covariance: ArrayLike, weights: ArrayLike, *, coverage_factor: float = 2.0
) -> Scores:
    """Scores of weighted differences of results.

    Shapes: value (n,), covariance (n, n), weights (m, n).

    Notes
    -----
    ``u² = wᵀ C w``, ``zeta = d/u``, ``E_n = d/(k u)``.  For two independent results this is
    ``E_n = (x₁ - x₂)/√(U₁² + U₂²)``.

    Examples
    --------
    >>> difference_scores([10.4, 10.0], [[0.03, 0], [0, 0.01]], [[1, -1]]).e_n
    array([1.])
    """
    y = np.asarray(value, dtype=np.float64)
    spread = np.asarray(covariance, dtype=np.float64)
    w = np.atleast_2d(np.asarray(weights, dtype=np.float64))
    if spread.shape != (len(y), len(y)) or w.shape[1] != len(y):
        raise ModelError(
            f"There are {len(y)} results, but the covariance has shape {spread.shape} and the "
            f"weights {w.shape}; give ({len(y)}, {len(y)}) and (m, {len(y)})."
        )
    if not coverage_factor > 0:
        raise ModelError(f"The coverage factor is {coverage_factor:g}; give a positive one.")
    joint = w @ spread @ w.T
    u = np.sqrt(np.clip(np.diag(joint), 0.0, None))
    difference = w @ y
    zeta = difference / np.where(u > 0, u, np.nan)
    return Scores(
        difference=difference, u=u, zeta=zeta, e_n=zeta / coverage_factor, covariance=joint
    )


@dataclass(frozen=True, kw_only=True)
class RunScatter:
    """Variance between runs of the same kind.

    Parameters
    ----------
    variance : float
        Run-to-run variance beyond the measurement; 0 where the measurement explains all.
    mean_square : float
        Mean square it comes from, with the measurement's part.
    df : int
        Degrees of freedom of the mean square; 0 where there is none.
    source : ScatterSource
        Where it comes from.
    """

    variance: float = 0.0
    mean_square: float = 0.0
    df: int = 0
    source: ScatterSource = ScatterSource.NONE

    def effective_df(self, u_squared: float, leverage: float) -> float:
        """Satterthwaite degrees of freedom of u² = known part + variance · leverage."""
        part = self.mean_square * leverage
        if self.df == 0 or part <= 0:
            return float("inf")
        return self.df * (u_squared / part) ** 2


def run_scatter(
    y: Array, group: NDArray[np.intp], condition: NDArray[np.intp], known: Array
) -> RunScatter:
    """Estimate the run-to-run variance.

    Shapes: y (n,), group, condition (n,), known (n, n).

    Notes
    -----
    With M the projector on what group and condition leave, ``E yᵀMy = tr(M V) + ν σ²``.
    """
    cells = np.unique(np.column_stack([group, condition]), axis=0, return_inverse=True)[1]
    within = _dummies(cells.ravel())
    additive = np.hstack([_dummies(group), _dummies(condition)])
    for design, source in ((within, ScatterSource.REPLICATES), (additive, ScatterSource.TABLE)):
        df = len(y) - int(np.linalg.matrix_rank(design))
        if df > 0:
            left = np.eye(len(y)) - design @ np.linalg.pinv(design)
            mean_square = float(y @ left @ y) / df
            explained = float(np.sum(left * known)) / df
            return RunScatter(
                variance=max(0.0, mean_square - explained),
                mean_square=mean_square,
                df=df,
                source=source,
            )
    return RunScatter()


def _dummies(codes: NDArray[np.intp]) -> Array:
    return np.asarray(np.equal.outer(codes, np.unique(codes)), dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class GroupDifference:
    """How one group compares with the others.

    Parameters
    ----------
    finding : Finding
        Its verdict; numbers are those of the difference of ln size from the mean of the other
        groups, with its joint interval.
    conditions, runs : int
        Conditions compared, and runs of the group in them.
    u_measurement : float
        The part of the measurement in the standard uncertainty.
    zeta, e_n : float
        Difference over u and over 2 u.
    """

    finding: Finding
    conditions: int = 0
    runs: int = 0
    u_measurement: float = math.nan
    zeta: float = math.nan
    e_n: float = math.nan

    @property
    def group(self) -> str:
        """Name of the group."""
        return self.finding.subject.high


@dataclass(frozen=True, kw_only=True)
class GroupAgreement:
    """Agreement of all groups in one quantity.

    Parameters
    ----------
    quantity : str
        What was compared.
    time_min : float or None
        The one milling time, or None for all.
    conditions : tuple of str
        Columns that define a condition.
    groups : tuple of GroupDifference
        One a group, in the order of the study.
    by_condition : DataFrame
        Condition columns, group column, difference_percent, u_percent, zeta, e_n, finding.
    scatter : RunScatter
        Run-to-run variance used.
    level : float
        Confidence level, joint over the groups.
    margin_percent : float or None
        Difference that is too small to matter.
    set_aside : tuple of str
        Runs of cells with a size that is not bracketed.
    """

    quantity: str
    time_min: float | None
    conditions: tuple[str, ...]
    groups: tuple[GroupDifference, ...]
    by_condition: pd.DataFrame
    scatter: RunScatter
    level: float
    margin_percent: float | None
    set_aside: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """One row a group: verdict, difference as ratio and per cent, uncertainty, scores."""
        rows = []
        for one in self.groups:
            numbers = one.finding.numbers
            ends = (numbers.estimate, numbers.lower, numbers.upper)
            ratios, changes = np.exp(ends), 100 * np.expm1(ends)
            rows.append(
                {
                    "group": one.group,
                    "quantity": self.quantity,
                    "conditions": one.conditions,
                    "runs": one.runs,
                    "ratio": ratios[0],
                    "ratio_lower": ratios[1],
                    "ratio_upper": ratios[2],
                    "difference_percent": changes[0],
                    "lower_percent": changes[1],
                    "upper_percent": changes[2],
                    "u_percent": 100 * numbers.u,
                    "u_measurement_percent": 100 * one.u_measurement,
                    "df": numbers.df,
                    "p": numbers.p,
                    "p_adjusted": numbers.p_adjusted,
                    "zeta": one.zeta,
                    "e_n": one.e_n,
                    "verdict": str(one.finding.verdict),
                }
            )
        return pd.DataFrame(rows)

    def summary(self) -> str:
        """One sentence a group, then what the uncertainty rests on."""
        return str(present("summary", self))


def group_agreement(
    study: Study,
    propagation: Propagation,
    *,
    quantity: str = "D50",
    time: float | None = None,
    group: str = GROUP,
    conditions: Sequence[str] | None = None,
    margin_percent: float | None = None,
    level: float = 0.95,
) -> GroupAgreement:
    """Compare every group with the mean of the others.

    Parameters
    ----------
    study : Study
        The study.
    propagation : Propagation
        Sizes of its runs with joint covariance, in the order of the study.
    quantity : {"D10", "D50", "D90", "span"}, default="D50"
        What is compared.
    time : float or None, default=None
        One milling time, min; None averages over all times.
    group : str, default="group"
        Column of the groups.
    conditions : sequence of str or None, default=None
        Columns that define runs of the same kind; by default milling time and the further factors
        that the study names for its comparison (or the ball ratio, where there is one).
    margin_percent : float or None, default=None
        Difference that is too small to matter, per cent; None where none was stated.
    level : float, default=0.95
        Confidence level, joint over the groups.

    Returns
    -------
    GroupAgreement
        One finding a group, and the differences at every condition.

    Raises
    ------
    ModelError
        If a column or the time is missing, or the runs of study and propagation differ.
    """
    table = study.runs_frame()
    if tuple(table[RUN]) != propagation.runs:
        raise ModelError("The propagation does not hold the runs of this study; propagate it anew.")
    columns = _conditions(study, table) if conditions is None else list(conditions)
    places = np.arange(len(table)) if time is None else np.flatnonzero(table[TIME] == time)
    if not len(places):
        raise ModelError(f"No run has the milling time {time:g} min.")
    sizes = _sorted(table, propagation, places, quantity, group, columns)
    scatter = run_scatter(sizes.y, sizes.group, sizes.condition, sizes.known)
    total = sizes.known + scatter.variance * np.eye(len(sizes.y))
    asked = _Question(
        quantity=quantity,
        level=level,
        margin_percent=margin_percent,
        estimated=scatter.df > 0 or RunToRun.name in propagation.sources,
    )
    found = _judged(sizes, total, scatter, asked)
    return GroupAgreement(
        quantity=quantity,
        time_min=time,
        conditions=tuple(columns),
        groups=tuple(
            found[i] if i in found else _untold(sizes, i, asked) for i in range(len(sizes.groups))
        ),
        by_condition=_by_condition(sizes, total, group),
        scatter=scatter,
        level=level,
        margin_percent=margin_percent,
        set_aside=sizes.set_aside,
    )


def _conditions(study: Study, table: pd.DataFrame) -> list[str]:
    also = study.compare.get("also")
    if isinstance(also, list | tuple):
        return [TIME, *(str(one) for one in also)]
    return [TIME, *([BALL_RATIO] if BALL_RATIO in table.columns else [])]


def sizes_by_run(study: Study, propagation: Propagation, *, quantity: str = "D50") -> pd.DataFrame:
    """Run table with one quantity, as `precision`, `consistency` and `outliers` take it."""
    column = propagation.value[:, propagation.quantities.index(quantity)]
    sizes = pd.Series(column, index=list(propagation.runs), name=quantity)
    return study.runs_frame().join(sizes, on=RUN)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sizes:
    """Runs used: ln size, covariance and codes; all groups, used or not; one row a condition."""

    y: Array  # (n,)
    known: Array  # (n, n)
    group: NDArray[np.intp]  # (n,)
    condition: NDArray[np.intp]  # (n,)
    groups: tuple[str, ...]
    conditions: pd.DataFrame
    set_aside: tuple[str, ...]

    def weights(self, group: int, condition: int) -> Array | None:
        """Weights of one group minus the mean of the others at one condition, (n,).

        None where the group or all others have no result there.
        """
        here = self.condition == condition
        own = here & (self.group == group)
        others = [here & (self.group == one) for one in range(len(self.groups)) if one != group]
        others = [mask for mask in others if mask.any()]
        if not own.any() or not others:
            return None
        weights = own / own.sum()
        for mask in others:
            weights = weights - mask / (mask.sum() * len(others))
        return np.asarray(weights, dtype=np.float64)

    def average_weights(self, group: int) -> tuple[Array | None, int]:
        """Weights averaged over the conditions that can be compared, and their number."""
        found = [self.weights(group, one) for one in range(len(self.conditions))]
        usable = [one for one in found if one is not None]
        return (np.mean(usable, axis=0) if usable else None), len(usable)


def _sorted(
    table: pd.DataFrame,
    propagation: Propagation,
    places: NDArray[np.intp],
    quantity: str,
    group: str,
    conditions: list[str],
) -> _Sizes:
    """Sort the runs at some places of the table into groups and conditions."""
    need_columns(table, (group, *conditions), table="run table")
    value = propagation.value[places, propagation.quantities.index(quantity)]
    table = table.iloc[places].reset_index(drop=True)
    groups, names = pd.factorize(table[group])
    codes = table.groupby(conditions, sort=True, dropna=False).ngroup().to_numpy()
    _, first = np.unique(codes, return_index=True)
    aside = in_open_cell(table, np.isnan(value), [group, *conditions])
    rows = places[~aside]
    return _Sizes(
        y=np.log(value[~aside]),
        known=propagation.covariance(quantity, log=True).to_numpy()[np.ix_(rows, rows)],
        group=groups[~aside].astype(np.intp),
        condition=codes[~aside].astype(np.intp),
        groups=tuple(str(one) for one in names),
        conditions=table[conditions].iloc[first].reset_index(drop=True),
        set_aside=tuple(table.loc[aside, RUN]),
    )


@dataclass(frozen=True, kw_only=True)
class _Question:
    """What is asked of every group; whether run-to-run variation is part of the uncertainty."""

    quantity: str
    level: float
    margin_percent: float | None
    estimated: bool

    def answer(
        self,
        group: str,
        numbers: Numbers,
        *,
        undone_by_percent: float | None = None,
        obstacles: tuple[Remark, ...] = (),
    ) -> Finding:
        """Judge one group; within the margin where its joint interval lies inside it."""
        within = None
        if self.margin_percent is not None:
            reach = max(abs(numbers.lower), abs(numbers.upper))
            within = self.estimated and reach < math.log1p(self.margin_percent / 100)
        return judge(
            Contrast(high=group, quantity=self.quantity),
            numbers,
            kind=FindingKind.GROUP,
            level=self.level,
            margin_percent=self.margin_percent,
            within_margin=within,
            obstacles=obstacles,
            undone_by_percent=None if self.estimated else undone_by_percent,
        )


def _judged(
    sizes: _Sizes, total: Array, scatter: RunScatter, asked: _Question
) -> dict[int, GroupDifference]:
    """A finding for each group that can be compared, all judged together."""
    averages = [sizes.average_weights(one) for one in range(len(sizes.groups))]
    judged = [i for i, (w, _) in enumerate(averages) if w is not None and w @ total @ w > 0]
    if not judged:
        return {}
    weights = np.array([averages[i][0] for i in judged])
    scores = difference_scores(sizes.y, total, weights)
    u_known = difference_scores(sizes.y, sizes.known, weights).u
    numbers, undoing = _numbers(scores, scatter, np.sum(weights**2, axis=1), asked.level)
    return {
        i: GroupDifference(
            finding=asked.answer(
                sizes.groups[i], numbers[place], undone_by_percent=float(undoing[place])
            ),
            conditions=averages[i][1],
            runs=int(np.count_nonzero(sizes.group == i)),
            u_measurement=float(u_known[place]),
            zeta=float(scores.zeta[place]),
            e_n=float(scores.e_n[place]),
        )
        for place, i in enumerate(judged)
    }


def _numbers(
    scores: Scores, scatter: RunScatter, leverage: Array, level: float
) -> tuple[list[Numbers], Array]:
    """Numbers of each difference, and the run-to-run SD that would undo it, per cent, (m,)."""
    df = np.array(list(map(scatter.effective_df, scores.u**2, leverage)), dtype=np.float64)
    correlation = np.clip(scores.covariance / np.outer(scores.u, scores.u), -1.0, 1.0)
    tested = simultaneous(scores.zeta, correlation, df, level=level)
    half = tested.critical * scores.u
    seen = smallest_detectable(scores.u, df, critical=tested.critical).decrease_percent
    columns = {
        "estimate": scores.difference,
        "lower": scores.difference - half,
        "upper": scores.difference + half,
        "u": scores.u,
        "df": df,
        "p": tested.p,
        "p_adjusted": tested.p_adjusted,
        "detectable_decrease_percent": seen,
    }
    numbers = [
        Numbers(**{name: float(column[place]) for name, column in columns.items()})
        for place in range(len(df))
    ]
    return numbers, undoing_percent(scores.difference, scores.u, tested.critical, leverage=leverage)


def _untold(sizes: _Sizes, group: int, asked: _Question) -> GroupDifference:
    obstacle = GroupRemark.NO_UNCERTAINTY()
    if not (sizes.group == group).any():
        obstacle = GroupRemark.NOT_BRACKETED()
    elif sizes.average_weights(group)[0] is None:
        obstacle = GroupRemark.ALONE(columns=tuple(sizes.conditions.columns))
    finding = asked.answer(sizes.groups[group], Numbers(), obstacles=(obstacle,))
    return GroupDifference(finding=finding)


def _by_condition(sizes: _Sizes, total: Array, group: str) -> pd.DataFrame:
    """Difference of each group from the others at each condition, one row each."""
    rows = []
    for number, condition in enumerate(sizes.conditions.to_dict("records")):
        for i, name in enumerate(sizes.groups):
            weights = sizes.weights(i, number)
            if weights is None:
                continue
            score = difference_scores(sizes.y, total, weights)
            rows.append(
                {
                    **{str(key): one for key, one in condition.items()},
                    group: name,
                    "difference_percent": 100 * float(np.expm1(score.difference[0])),
                    "u_percent": 100 * float(score.u[0]),
                    "zeta": float(score.zeta[0]),
                    "e_n": float(score.e_n[0]),
                    "finding": score.signals[0],
                }
            )
    # without a row the columns still say what a condition was
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=[*sizes.conditions, group])
