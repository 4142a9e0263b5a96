"""Zeta and E_n scores of differences, with the joint covariance of the results behind them.

A score compares a difference with its own uncertainty: zeta with the standard uncertainty, E_n with
the expanded one (ISO 13528, from memory).  The usual formulas take the two results as independent.
Here the difference is a weighted sum of results whose covariance is known, so what the results
share (a sieve, a tare, a balance) cancels as far as it is shared.

Which runs enter the comparison of groups, and with which weights.

A group is compared with the plain mean of the other groups at every condition (milling time and
whatever else was set) where both have results, and the differences are averaged over these
conditions.  A cell (group and condition) with a size that the sieves do not bracket is set aside
whole, because leaving out single runs would favour those that stayed inside the stack.

Whether each group agrees with the others, with a verdict in words.

Sizes are compared as ln D, so differences are ratios.  The uncertainty of a difference holds the
joint covariance of the measurement (sieves and balances that groups share cancel, their own do not)
and the scatter between runs of the same kind.  All groups are judged together.  An average over
milling times can hide differences of opposite sign: `by_condition` gives them singly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.columns import BALL_RATIO, TIME, column_words
from psdstats.comparison.groups_result import (
    GroupAgreement,
    GroupEvidence,
    GroupFinding,
    RunScatter,
    judge,
    run_scatter,
)
from psdstats.errors import ModelError
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.multiplicity import simultaneous
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation


@dataclass(frozen=True, kw_only=True, eq=False)
class Scores:
    """Differences and their scores.

    Parameters
    ----------
    labels : tuple of str
        Name of each difference.
    difference, u, zeta, e_n : ndarray, shape (m,)
        Difference, its standard uncertainty, and difference over u and over k u.
    covariance : ndarray, shape (m, m)
        Covariance of the differences.
    coverage_factor : float
        The k of E_n.
    """

    labels: tuple[str, ...]
    difference: Array
    u: Array
    zeta: Array
    e_n: Array
    covariance: Array
    coverage_factor: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a difference: label, difference, u, zeta, e_n, finding.

        `finding` follows common use of ISO 13528: |E_n| ≤ 1 satisfactory; |zeta| from 2 a warning,
        from 3 an action signal.
        """
        return pd.DataFrame(
            {
                "label": self.labels,
                "difference": self.difference,
                "u": self.u,
                "zeta": self.zeta,
                "e_n": self.e_n,
                "finding": [_finding(one) for one in self.zeta],
            }
        )


def difference_scores(
    value: ArrayLike,
    covariance: ArrayLike,
    weights: ArrayLike,
    *,
    labels: tuple[str, ...] | None = None,
    coverage_factor: float = 2.0,
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
        labels=labels or tuple(str(i + 1) for i in range(len(w))),
        difference=difference,
        u=u,
        zeta=zeta,
        e_n=zeta / coverage_factor,
        covariance=joint,
        coverage_factor=coverage_factor,
    )


def _finding(zeta: float) -> str:
    size = abs(zeta)
    if not size >= 2:
        return ""
    return "action signal" if size >= 3 else "warning signal"


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupLayout:
    """Runs used and their codes.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Rows of the run table that are used.
    groups : tuple of str
        All groups of the study, used or not.
    conditions : DataFrame
        One row a condition.
    group, condition : ndarray of int, shape (n,)
        Codes of the runs used.
    set_aside : tuple of str
        Runs that were set aside.
    """

    rows: NDArray[np.intp]
    groups: tuple[str, ...]
    conditions: pd.DataFrame
    group: NDArray[np.intp]
    condition: NDArray[np.intp]
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


def group_layout(
    table: pd.DataFrame, known: NDArray[np.bool_], *, group: str, conditions: Sequence[str]
) -> GroupLayout:
    """Sort the runs into groups and conditions.

    Shapes: known (n_runs,).
    """
    for column in (group, *conditions):
        if column not in table.columns:
            raise ModelError(
                f"There is no column {column!r} in the run table (it has {list(table.columns)})."
            )
    group_codes, groups = pd.factorize(table[group])
    cells = table.groupby(list(conditions), sort=True, dropna=False)
    condition_codes = cells.ngroup().to_numpy()
    named = table[list(conditions)].assign(_code=condition_codes)
    listed = named.drop_duplicates("_code").sort_values("_code").drop(columns="_code")
    bad = set(zip(group_codes[~known], condition_codes[~known], strict=True))
    use = np.array(
        [cell not in bad for cell in zip(group_codes, condition_codes, strict=True)], dtype=bool
    )
    rows = np.flatnonzero(use)
    return GroupLayout(
        rows=rows,
        groups=tuple(str(one) for one in groups),
        conditions=listed.reset_index(drop=True),
        group=group_codes[rows].astype(np.intp),
        condition=condition_codes[rows].astype(np.intp),
        set_aside=tuple(table["run"].to_numpy()[~use]),
    )


_RUN_TO_RUN = "run_to_run"


def group_agreement(
    study: Study,
    propagation: Propagation,
    *,
    quantity: str = "D50",
    time: float | None = None,
    group: str = "group",
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
    if tuple(table["run"]) != propagation.runs:
        raise ModelError("The propagation does not hold the runs of this study; propagate it anew.")
    columns = _conditions(study, table) if conditions is None else list(conditions)
    places = _at_time(table, time)
    covariance = propagation.covariance(quantity, log=True).to_numpy()
    value = propagation.value[:, propagation.quantities.index(quantity)]
    layout = group_layout(
        table.iloc[places].reset_index(drop=True),
        ~np.isnan(value[places]),
        group=group,
        conditions=columns,
    )
    rows = places[layout.rows]
    y, known = np.log(value[rows]), covariance[np.ix_(rows, rows)]
    scatter = run_scatter(y, layout.group, layout.condition, known)
    return GroupAgreement(
        quantity=quantity,
        time_min=time,
        findings=_findings(
            layout,
            y,
            known,
            scatter,
            declared=_RUN_TO_RUN in propagation.sources,
            quantity=quantity,
            margin_percent=margin_percent,
            level=level,
        ),
        by_condition=_by_condition(layout, y, known, scatter, group),
        scatter=scatter,
        level=level,
        margin_percent=margin_percent,
        set_aside=layout.set_aside,
    )


def _at_time(table: pd.DataFrame, time: float | None) -> NDArray[np.intp]:
    if time is None:
        return np.arange(len(table))
    places = np.flatnonzero((table[TIME] == time).to_numpy())
    if not len(places):
        raise ModelError(f"No run has the milling time {time:g} min.")
    return places


def _conditions(study: Study, table: pd.DataFrame) -> list[str]:
    also = study.compare.get("also")
    if isinstance(also, list | tuple):
        return [TIME, *(str(one) for one in also)]
    return [TIME, *([BALL_RATIO] if BALL_RATIO in table.columns else [])]


def sizes_by_run(study: Study, propagation: Propagation, *, quantity: str = "D50") -> pd.DataFrame:
    """Run table with one quantity, as `precision`, `consistency` and `outliers` take it."""
    column = propagation.value[:, propagation.quantities.index(quantity)]
    sizes = pd.Series(column, index=list(propagation.runs), name=quantity)
    return study.runs_frame().join(sizes, on="run")


def _findings(
    layout: GroupLayout,
    y: Array,
    known: Array,
    scatter: RunScatter,
    *,
    declared: bool,
    quantity: str,
    margin_percent: float | None,
    level: float,
) -> tuple[GroupFinding, ...]:
    found = [layout.average_weights(one) for one in range(len(layout.groups))]
    findings = [_untold(layout, i) for i in range(len(layout.groups))]
    total = known + scatter.variance * np.eye(len(y))
    judged = [i for i, (w, _) in enumerate(found) if w is not None and w @ total @ w > 0]
    if not judged:
        return tuple(findings)
    weights = np.array([found[i][0] for i in judged])
    scores = difference_scores(y, total, weights)
    u_known = difference_scores(y, known, weights).u
    leverage = np.sum(weights**2, axis=1)
    df = np.array(list(map(scatter.effective_df, scores.u**2, leverage)), dtype=np.float64)
    tested = simultaneous(scores.zeta, _correlation(scores.covariance), df, level=level)
    for place, i in enumerate(judged):
        evidence = GroupEvidence(
            group=layout.groups[i],
            quantity=quantity,
            conditions=found[i][1],
            runs=int(np.count_nonzero(layout.group == i)),
            difference=float(scores.difference[place]),
            u=float(scores.u[place]),
            u_measurement=float(u_known[place]),
            leverage=float(leverage[place]),
            df=float(df[place]),
            p=float(tested.p[place]),
            p_adjusted=float(tested.p_adjusted[place]),
            critical=float(tested.critical[place]),
            estimated=scatter.df > 0 or declared,
            margin_percent=margin_percent,
            level=level,
        )
        findings[i] = judge(evidence)
    return tuple(findings)


def _untold(layout: GroupLayout, group: int) -> GroupFinding:
    reason = "no uncertainty at all was counted for its difference from the others"
    if not (layout.group == group).any():
        reason = "its sizes are not bracketed by its sieves"
    elif layout.average_weights(group)[0] is None:
        alike = " and ".join(map(column_words, layout.conditions.columns))
        reason = f"no other group has results at the same {alike}"
    return GroupFinding.untold(layout.groups[group], reason)


def _correlation(covariance: Array) -> Array:
    sd = np.sqrt(np.diag(covariance))
    return np.asarray(np.clip(covariance / np.outer(sd, sd), -1.0, 1.0), dtype=np.float64)


def _by_condition(
    layout: GroupLayout, y: Array, known: Array, scatter: RunScatter, group: str
) -> pd.DataFrame:
    """Difference of each group from the others at each condition, one row each."""
    rows = []
    total = known + scatter.variance * np.eye(len(y))
    for number, condition in enumerate(layout.conditions.to_dict("records")):
        for i, name in enumerate(layout.groups):
            weights = layout.weights(i, number)
            if weights is None:
                continue
            score = difference_scores(y, total, weights)
            rows.append(
                {
                    **{str(key): one for key, one in condition.items()},
                    group: name,
                    "difference_percent": 100 * float(np.expm1(score.difference[0])),
                    "u_percent": 100 * float(score.u[0]),
                    "zeta": float(score.zeta[0]),
                    "e_n": float(score.e_n[0]),
                    "finding": score.to_frame()["finding"][0],
                }
            )
    # without a row the columns still say what a condition was
    return pd.DataFrame(rows) if rows else pd.DataFrame(columns=[*layout.conditions, group])
