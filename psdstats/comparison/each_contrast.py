"""Contrasts that are each judged by their own spread, whatever other levels do.

Values are natural logarithms.  Where a grouping crosses the levels, a contrast is the mean of the
differences within groups, and its error is the spread of those differences (paired t, groups − 1
degrees of freedom).  Without a grouping it is the difference of the means of two sets of runs, each
with its own spread (B. L. Welch, Biometrika 34 (1947) 28; from memory).

Errors that all groups share (one stack of sieves, whose apertures err alike for all) do not show in
the spread of their differences.  The known measurement covariance tells how large they are, and
only this part of it is added.  Families are held together by Holm's rule, which needs no
correlations: those estimated from a handful of groups are worth little.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.plan import ComparisonPlan
from psdstats.frozen import Array
from psdstats.models.contrasts import ContrastResult, contrast_matrix, contrast_table, within_each
from psdstats.models.design_columns import level_text
from psdstats.models.multiplicity import Adjustment
from psdstats.student import critical_t


@dataclass(frozen=True, kw_only=True, eq=False)
class Units:
    """Values that differ by chance alone: differences within groups, or single runs.

    Parameters
    ----------
    rows : ndarray, shape (u, n)
        Each unit as weights of the n runs; u is 2 or more.
    weight : float
        What their mean counts for.
    """

    rows: Array
    weight: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """An estimate on the log scale.

    Parameters
    ----------
    value, variance : float
        Estimate of a difference (or mean) of ln size, and its variance.
    df : float
        Degrees of freedom of that variance; infinite where all of it is known.
    """

    value: float
    variance: float
    df: float


def own_spread(units: Sequence[Units], y: Array, known: Array) -> Estimate:
    """Weighted sum of the means of sets of units, with the variance they show.

    Shapes: y (n,), known (n, n).

    Notes
    -----
    With a the weights of the estimate in y and, for each set, its mean square s² of u units and the
    known covariance K of these: variance Σ w² s²/u + max(0, aᵀ K_y a − Σ w² k/u), where k is the
    mean of the diagonal of K less the mean of the rest, that is what K adds to the expectation of
    s².  Degrees of freedom by Welch and Satterthwaite, the known part counting as infinite.
    """
    shown = np.array([u.weight**2 * np.var(u.rows @ y, ddof=1) / len(u.rows) for u in units])
    seen = sum(
        u.weight**2 * _in_mean_square(u.rows @ known @ u.rows.T) / len(u.rows) for u in units
    )
    total = np.sum([u.weight * u.rows.mean(axis=0) for u in units], axis=0)
    variance = float(shown.sum() + max(total @ known @ total - seen, 0.0))
    freedom = np.array([len(u.rows) - 1 for u in units])
    doubt = float((shown**2 / freedom).sum())
    return Estimate(
        value=float(total @ y), variance=variance, df=variance**2 / doubt if doubt > 0 else np.inf
    )


def _in_mean_square(covariance: Array) -> float:
    """Expectation of the mean square of values of this covariance and one mean."""
    count = len(covariance)
    diagonal = float(np.trace(covariance))
    return diagonal / count - (float(covariance.sum()) - diagonal) / (count * (count - 1))


def own_contrasts(
    frame: pd.DataFrame,
    known: Array,
    plan: ComparisonPlan,
    family: str,
    *,
    at_levels: Sequence[str],
    level: float,
) -> ContrastResult | None:
    """One family of contrasts, each with its own spread.

    Shapes: known (n, n).
    """
    labels = [level_text(one) for one in sorted(frame[plan.by].unique())]
    planned = contrast_matrix(labels, family)
    if plan.at_each is not None:
        planned = within_each(planned, at_levels)
    y, layout = frame["ln_value"].to_numpy(), _Layout.of(frame, plan)
    kept, found = [], []
    for number, (high, low) in enumerate(zip(planned.high, planned.low, strict=True)):
        units = layout.difference(high, low)
        estimate = own_spread(units, y, known) if units else None
        if estimate is not None and estimate.variance > 0:
            kept.append(number)
            found.append(estimate)
    if not kept:
        return None
    table = contrast_table(
        np.eye(len(kept)),
        [one.value for one in found],
        np.diag([one.variance for one in found]),
        [one.df for one in found],
        labels=[planned.labels[number] for number in kept],
        high=[planned.high[number] for number in kept],
        low=[planned.low[number] for number in kept],
        kind=planned.kind,
        adjust=Adjustment.HOLM,
        level=level,
    )
    unknown = np.where(np.eye(len(kept)) > 0, table.covariance, np.nan)
    return replace(table, covariance=unknown)


def own_means(
    frame: pd.DataFrame, known: Array, plan: ComparisonPlan, *, level: float
) -> pd.DataFrame:
    """Mean of each level (within each level of ``at_each``), each with its own spread.

    Shapes: known (n, n).
    """
    y, layout = frame["ln_value"].to_numpy(), _Layout.of(frame, plan)
    columns = [*([] if plan.at_each is None else [plan.at_each]), plan.by]
    rows = []
    for values, part in frame.groupby(columns, sort=True):
        units = layout.mean(part.index.to_numpy())
        estimate, half = float(y[part.index].mean()), float("nan")
        if units:
            found = own_spread(units, y, known)
            estimate = found.value
            half = float(critical_t(1.0 - level, found.df)) * found.variance**0.5
        row = dict(zip(columns, values, strict=True))
        rows.append(
            row | {"estimate": estimate, "lower": estimate - half, "upper": estimate + half}
        )
    return pd.DataFrame(rows)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Layout:
    """Which runs stand where: place (level, "level at level"), group, levels of further factors."""

    place: NDArray[np.object_]
    group: NDArray[np.object_] | None
    condition: NDArray[np.object_]

    @classmethod
    def of(cls, frame: pd.DataFrame, plan: ComparisonPlan) -> _Layout:
        place = frame[plan.by].map(level_text)
        if plan.at_each is not None:
            place = place + " at " + frame[plan.at_each].map(level_text)
        grouping = plan.crossing
        columns = (grouping,) if isinstance(grouping, str) else grouping
        return cls(
            place=place.to_numpy(dtype=object),
            group=None if columns is None else _tuples(frame, columns),
            condition=_tuples(frame, plan.also),
        )

    def difference(self, high: str, low: str) -> list[Units]:
        """The units of one contrast; none where fewer than two of a kind are left."""
        top, bottom = self.place == high, self.place == low
        if self.group is not None:
            rows = [
                _mean(self._cells(group & top, shared)) - _mean(self._cells(group & bottom, shared))
                for group in (self.group == one for one in _distinct(self.group))
                if (shared := self._conditions(group & top) & self._conditions(group & bottom))
            ]
            return [Units(rows=np.array(rows))] if len(rows) > 1 else []
        shared = self._conditions(top) & self._conditions(bottom)
        units = [
            Units(rows=rows, weight=sign / len(shared))
            for sign, runs in ((1.0, top), (-1.0, bottom))
            for rows in self._single_runs(runs, shared)
        ]
        return units if all(len(one.rows) > 1 for one in units) else []

    def mean(self, runs: NDArray[np.intp]) -> list[Units]:
        """The units of one mean."""
        here = np.zeros(len(self.place), dtype=bool)
        here[runs] = True
        if self.group is not None:
            parts = (here & (self.group == one) for one in _distinct(self.group[here]))
            rows = [_mean(self._cells(part, self._conditions(part))) for part in parts]
            return [Units(rows=np.array(rows))] if len(rows) > 1 else []
        conditions = self._conditions(here)
        units = [
            Units(rows=rows, weight=1.0 / len(conditions))
            for rows in self._single_runs(here, conditions)
        ]
        return units if all(len(one.rows) > 1 for one in units) else []

    def _conditions(self, runs: NDArray[np.bool_]) -> set[object]:
        return set(self.condition[runs])

    def _cells(self, runs: NDArray[np.bool_], conditions: set[object]) -> list[Array]:
        """Weights of the mean of the runs under each condition."""
        cells = (runs & (self.condition == one) for one in _distinct(conditions))
        return [cell / np.count_nonzero(cell) for cell in cells]

    def _single_runs(self, runs: NDArray[np.bool_], conditions: set[object]) -> list[Array]:
        """For each condition the runs under it, one row a run."""
        identity = np.eye(len(self.place))
        return [identity[runs & (self.condition == one)] for one in _distinct(conditions)]


def _mean(rows: list[Array]) -> Array:
    return np.asarray(np.mean(rows, axis=0), dtype=np.float64)


def _distinct(values: Iterable[object]) -> list[object]:
    """Each value once, in an order that does not depend on hashing."""
    return sorted(set(values), key=repr)


def _tuples(frame: pd.DataFrame, columns: Sequence[str]) -> NDArray[np.object_]:
    """The levels of several columns as one text a run."""
    levels = [frame[column].map(level_text) for column in columns]
    texts = [repr(tuple(one.iloc[row] for one in levels)) for row in range(len(frame))]
    return np.array(texts, dtype=object)
