"""By what spread the levels of a factor are compared; values are natural logarithms of sizes.

Drift.  Benches that mill at different rates agree at 0 min and drift apart.  A model with one
variance for all levels judges late times too surely: in simulated trials its 95 % intervals hold
the truth in 83 % (tests/calibration/results/time_effect.md).  So groups are given a line of their
own in the order of the levels (a random slope, zero at the first level); where it is estimated at
zero it is dropped, and costs little.  What remains is checked: with u = P y, the residuals of the
fitted model weighted by its covariance (P of restricted maximum likelihood),

- widening: the slope of u² in the order of the levels, over the sum of u²;
- drift, where the groups have no lines in the model: the sum over groups of (Σ order · u)².

Each is compared with what the model makes of it in trials drawn from it (parametric bootstrap), and
the smaller p counts as often as there are figures.  The check finds about half of the trials whose
scatter grows as much as simulated there; that it is silent proves nothing.

One run at each time.  Three courses with three parameters each, a parabola in sqrt(t), a parabola
in ln(1 + t/t1) and an exponential approach to a limit, leave residual variances on n - 3 degrees of
freedom; the mean of the two smallest is used.  Contrasts are judged from the raw values: lack of
fit makes intervals wide, never narrow.  Error that drifts from run to run (one charge sampled again
and again, wear) looks like course and is not covered.  Own work; error rates in
``tests/calibration/results/ordered_findings.md``.

Each contrast by its own spread, whatever other levels do.  Where a grouping crosses the levels, a
contrast is the mean of the differences within groups, and its error is the spread of those
differences (paired t, groups − 1 degrees of freedom).  Without a grouping it is the difference of
the means of sets of runs, each with its own spread (B. L. Welch, Biometrika 34 (1947) 28; from
memory).  Errors that all groups share (one stack of sieves, whose apertures err alike for all) do
not show in the spread of their differences.  The known measurement covariance tells how large they
are, and only this part of it is added.  Families are held together by Holm's rule, which needs no
correlations: those estimated from a handful of groups are worth little.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.plan import ComparisonPlan, columns_of
from psdstats.frozen import Array
from psdstats.models.contrasts import Adjustment, ContrastMatrix, ContrastResult, contrast_table
from psdstats.models.design_columns import RandomSlope, level_text
from psdstats.models.mixed_model import MixedModelFit
from psdstats.student import critical_t

_DRAWS = 999
_SEED = 0
PARAMETERS = 3  # of each smooth course
_RATES = np.geomspace(0.1, 40.0, 60)  # of the approach, over the longest time
_FEWEST = 3  # levels, and groups that hold as many of them (own rule, no source)


def level_order(column: pd.Series) -> pd.Series | None:
    """Place of each run's level among the levels, from 0; None unless levels are numbers."""
    levels = sorted(column.unique().tolist())
    if not all(isinstance(one, (int, float)) for one in levels):
        return None
    return column.map({level: float(place) for place, level in enumerate(levels)})


def drift_slope(frame: pd.DataFrame, plan: ComparisonPlan, *, order: str) -> RandomSlope | None:
    """The line of each group in the order of the levels, where the runs can show one."""
    grouping = plan.crossing
    if grouping is None or order not in frame:
        return None
    held = frame.groupby(list(columns_of(grouping)), observed=True)[plan.by].nunique()
    if int((held >= _FEWEST).sum()) < _FEWEST:
        return None
    return RandomSlope(grouping, order, correlated=False)


def smooth_spread(times: Sequence[Array], ln_sizes: Sequence[Array]) -> tuple[float, float] | None:
    """Standard deviation of ln size about smooth courses, and its degrees of freedom.

    Shapes: one array (n,) a course, times in minutes; a course is one level of the further factors
    in one block.  Courses of fewer than four times say nothing; None where none is longer.

    Examples
    --------
    >>> times = np.array([0.0, 5.0, 10.0, 20.0, 40.0])
    >>> sd, df = smooth_spread([times], [6.0 - 0.1 * np.sqrt(times) + [0, 0.02, -0.02, 0.02, 0]])
    >>> round(sd, 3), df
    (0.026, 2.0)
    """
    squares = df = 0.0
    for t, y in zip(times, ln_sizes, strict=True):
        if len(np.unique(t)) >= PARAMETERS + 1:
            squares += float(residual_squares(np.asarray(t, float), np.asarray(y, float)))
            df += len(t) - PARAMETERS
    return (float(np.sqrt(squares / df)), df) if df else None


def residual_squares(t: Array, y: Array) -> Array:
    """Mean (...,) of the two smallest residual sums of squares of three courses; y (..., n)."""
    ones, root = np.ones_like(t), np.sqrt(t)
    log = np.log1p(t / t[t > 0.0].min())
    approach = np.exp(-np.multiply.outer(_RATES / t.max(), t))
    sums = [
        _squares(np.column_stack([ones, root, t]), y),
        _squares(np.column_stack([ones, log, log**2]), y),
        np.min([_squares(np.column_stack([ones, one]), y) for one in approach], axis=0),
    ]
    return np.asarray(np.sort(sums, axis=0)[:2].mean(axis=0))


def _squares(basis: Array, y: Array) -> Array:
    """Residual sums of squares (...,) of y (..., n)."""
    flat = y.reshape(-1, y.shape[-1]).T
    residual = flat - basis @ np.linalg.lstsq(basis, flat, rcond=None)[0]
    return np.asarray(np.square(residual).sum(axis=0).reshape(y.shape[:-1]))


@dataclass(frozen=True, kw_only=True)
class Misfit:
    """What the check of the spread found.

    Parameters
    ----------
    p : float
        Of the model's spread.
    first, last : str
        First and last level.
    first_percent, last_percent : float
        Standard deviation of the runs about the fixed part at these levels, per cent of the size.
    """

    p: float
    first: str
    last: str
    first_percent: float
    last_percent: float


def find_misfit(fit: MixedModelFit, plan: ComparisonPlan) -> Misfit | None:
    """Check the spread of a fitted comparison over a factor with numeric levels."""
    frame = fit.model.frame
    place = level_order(frame[plan.by])
    if place is None or place.max() < _FEWEST - 1:
        return None
    order = place.to_numpy(dtype=float)
    noise = np.random.default_rng(_SEED).standard_normal((_DRAWS, len(order)))
    weighted = _weighted_residuals(fit, noise)
    p = [float(np.mean(one >= one[0])) for one in _figures(weighted, frame, plan, order, fit)]
    plain = fit.response - fit.fixed.matrix @ fit.estimates.beta
    ends = [plain[order == 0], plain[order == order.max()]]
    percent = [100.0 * float(np.sqrt((one**2).sum() / max(len(one) - 1, 1))) for one in ends]
    levels = sorted(frame[plan.by].unique())
    return Misfit(
        p=min(1.0, len(p) * min(p)),
        first=level_text(levels[0]),
        last=level_text(levels[-1]),
        first_percent=percent[0],
        last_percent=percent[1],
    )


def _weighted_residuals(fit: MixedModelFit, noise: Array) -> Array:
    """P times the response (first), and times draws of the model made of white noise (m, n)."""
    found = fit.estimates
    v = found.parts.covariance(found.theta)
    size, vectors = np.linalg.eigh(v)
    root = np.sqrt(np.maximum(size, 0.0))
    span = found.parts.span
    if span is not None:
        drawn = span.freed(noise, (vectors * root) @ vectors.T)
        rows = np.vstack([(fit.response - fit.fixed.matrix @ found.beta) / span.sd, drawn])
        return np.asarray(span.freed(rows, _projector(v, found.design)) / span.sd)
    drawn = (noise * root) @ vectors.T
    return np.vstack([fit.response[None], drawn]) @ _projector(v, fit.fixed.matrix)


def _figures(
    weighted: Array, frame: pd.DataFrame, plan: ComparisonPlan, order: Array, fit: MixedModelFit
) -> list[Array]:
    """Each figure of the trial (first) and of the drawn trials."""
    squares = weighted**2
    slope = squares @ (order - order.mean()) / squares.sum(axis=1)
    figures = [np.abs(slope - slope[1:].mean())]
    has_lines = any(isinstance(one, RandomSlope) for one in fit.model.random)
    if plan.crossing is not None and not has_lines:
        columns = list(columns_of(plan.crossing))
        number = frame.groupby(columns, sort=False).ngroup().to_numpy()
        lines = (number[:, None] == np.arange(number.max() + 1)) * order[:, None]
        figures.append(((weighted @ lines) ** 2).sum(axis=1))
    return figures


def _projector(v: Array, design: Array) -> Array:
    """P = V⁻¹ − V⁻¹X(XᵀV⁻¹X)⁻¹XᵀV⁻¹."""
    inverse = np.linalg.inv(v)
    weighted = inverse @ design
    return np.asarray(
        inverse - weighted @ np.linalg.pinv(design.T @ weighted, hermitian=True) @ weighted.T
    )


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
    asked: ContrastMatrix,
    *,
    levels: Sequence[str],
    level: float,
) -> ContrastResult | None:
    """One family of contrasts of the levels (within each of ``at_each``), each with its own spread.

    Shapes: known (n, n).
    """
    y, layout = frame["ln_value"].to_numpy(), _Layout.of(frame, plan)
    kept, found = [], []
    for contrast, row in zip(asked.contrasts, asked.weights, strict=True):
        of_level = row.reshape(-1, len(levels)).sum(axis=0)  # one level of at_each holds them all
        chosen = {one: w for one, w in zip(levels, of_level, strict=True) if w}
        units = layout.difference(chosen, contrast.where)
        estimate = own_spread(units, y, known) if units else None
        if estimate is not None and estimate.variance > 0:
            kept.append(contrast)
            found.append(estimate)
    if not kept:
        return None
    table = contrast_table(
        replace(asked, weights=np.eye(len(kept)), contrasts=tuple(kept)),
        [one.value for one in found],
        np.diag([one.variance for one in found]),
        [one.df for one in found],
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
    columns = [*([] if plan.where is None else [plan.where]), plan.by]
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
    """Which runs stand where: level, level of ``at_each``, group, levels of further factors."""

    level: NDArray[np.object_]
    where: NDArray[np.object_]
    group: NDArray[np.object_] | None
    condition: NDArray[np.object_]

    @classmethod
    def of(cls, frame: pd.DataFrame, plan: ComparisonPlan) -> _Layout:
        level = frame[plan.by].map(level_text).to_numpy(dtype=object)
        where = np.full(len(frame), "", dtype=object)
        if plan.where is not None:
            where = frame[plan.where].map(level_text).to_numpy(dtype=object)
        grouping = plan.crossing
        return cls(
            level=level,
            where=where,
            group=None if grouping is None else _tuples(frame, columns_of(grouping)),
            condition=_tuples(frame, plan.also),
        )

    def difference(self, weights: Mapping[str, float], where: str) -> list[Units]:
        """The units of one weighted sum of levels; none where fewer than two of a kind are left."""
        runs = {one: (self.level == one) & (self.where == where) for one in weights}
        if self.group is None:
            shared = set.intersection(*(self._conditions(here) for here in runs.values()))
            units = [
                Units(rows=rows, weight=weight / len(shared))
                for one, weight in weights.items()
                for rows in self._single_runs(runs[one], shared)
            ]
            return units if all(len(one.rows) > 1 for one in units) else []
        rows = []
        for group in (self.group == one for one in _distinct(self.group)):
            own = {one: here & group for one, here in runs.items()}
            shared = set.intersection(*(self._conditions(here) for here in own.values()))
            if shared:
                means = {one: _mean(self._cells(here, shared)) for one, here in own.items()}
                rows.append(sum(weight * means[one] for one, weight in weights.items()))
        return [Units(rows=np.array(rows))] if len(rows) > 1 else []

    def mean(self, runs: NDArray[np.intp]) -> list[Units]:
        """The units of one mean."""
        here = np.zeros(len(self.level), dtype=np.bool_)
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
        identity = np.eye(len(self.level))
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
