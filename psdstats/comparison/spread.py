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

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from psdstats.comparison.plan import ComparisonPlan, columns_of
from psdstats.comparison.response import cell_texts, indicators, level_order, where_columns
from psdstats.findings import Contrast, Numbers, numbers_of
from psdstats.frozen import Array, Flags
from psdstats.models.contrasts import Adjustment, ContrastMatrix, contrast_table
from psdstats.models.design_columns import RandomSlope, level_text
from psdstats.models.judged import Family, StudentJudged
from psdstats.models.mixed_model import MixedModelFit
from psdstats.models.verdicts import detectable_percent, equivalence_of
from psdstats.student import critical_t

_DRAWS = 999
_SEED = 0
PARAMETERS = 3  # of each smooth course
_RATES = np.geomspace(0.1, 40.0, 60)  # of the approach, over the longest time
_FEWEST = 3  # levels, and groups that hold as many of them (own rule, no source)


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
    squares = weighted**2
    slope = squares @ (order - order.mean()) / squares.sum(axis=1)
    figures = [np.abs(slope - slope[1:].mean())]  # of the trial (first) and of the drawn trials
    has_lines = any(isinstance(one, RandomSlope) for one in fit.model.random)
    if plan.crossing is not None and not has_lines:
        lines = indicators(frame, columns_of(plan.crossing)) * order[:, None]
        figures.append(((weighted @ lines) ** 2).sum(axis=1))
    p = [float(np.mean(one >= one[0])) for one in figures]
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
    v, span = found.parts.covariance(found.theta), found.parts.span
    size, vectors = np.linalg.eigh(v)
    root = np.sqrt(np.maximum(size, 0.0))
    inverse = np.linalg.inv(v)
    weighted = inverse @ found.design
    core = np.linalg.pinv(found.design.T @ weighted, hermitian=True)
    projector = inverse - weighted @ core @ weighted.T  # P
    if span is None:
        return np.vstack([fit.response[None], (noise * root) @ vectors.T]) @ projector
    drawn = span.freed(noise, (vectors * root) @ vectors.T)
    rows = np.vstack([(fit.response - fit.fixed.matrix @ found.beta) / span.sd, drawn])
    return np.asarray(span.freed(rows, projector) / span.sd)


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


def own_spread(units: Sequence[Units], y: Array, known: Array) -> tuple[float, float, float]:
    """Weighted sum of the means of sets of units, the variance they show, its degrees of freedom.

    Shapes: y (n,), known (n, n); the degrees of freedom are infinite where all of it is known.

    Notes
    -----
    With a the weights of the estimate in y and, for each set, its mean square s² of u units and the
    known covariance K of these: variance Σ w² s²/u + max(0, aᵀ K_y a − Σ w² k/u), where k is the
    mean of the diagonal of K less the mean of the rest, that is what K adds to the expectation of
    s².  Degrees of freedom by Welch and Satterthwaite, the known part counting as infinite.
    """
    shown = np.array([u.weight**2 * np.var(u.rows @ y, ddof=1) / len(u.rows) for u in units])
    seen = 0.0
    for u in units:
        own, count = u.rows @ known @ u.rows.T, len(u.rows)
        diagonal = float(np.trace(own))
        k = diagonal / count - (float(own.sum()) - diagonal) / (count * (count - 1))
        seen += u.weight**2 * k / count
    total = np.sum([u.weight * u.rows.mean(axis=0) for u in units], axis=0)
    variance = float(shown.sum() + max(total @ known @ total - seen, 0.0))
    freedom = np.array([len(u.rows) - 1 for u in units])
    doubt = float((shown**2 / freedom).sum())
    return float(total @ y), variance, variance**2 / doubt if doubt > 0 else np.inf


def own_contrasts(
    frame: pd.DataFrame,
    known: Array,
    plan: ComparisonPlan,
    asked: ContrastMatrix,
    *,
    levels: Sequence[str],
    level: float,
) -> tuple[list[Contrast], tuple[Numbers, ...]]:
    """One family of contrasts of the levels (within each of ``at_each``), each with its own spread.

    Shapes: known (n, n).  Contrasts that have none are left out.
    """
    y, kept, found = frame["ln_value"].to_numpy(), list[Contrast](), list[tuple[float, ...]]()
    for contrast, row in zip(asked.contrasts, asked.weights, strict=True):
        of_level = row.reshape(-1, len(levels)).sum(axis=0)  # one level of at_each holds them all
        chosen = {one: w for one, w in zip(levels, of_level, strict=True) if w}
        units = _units(frame, plan, chosen, contrast.where)
        own = own_spread(units, y, known) if units else (np.nan, 0.0, np.nan)
        if own[1] > 0:
            kept.append(contrast)
            found.append(own)
    if not kept:
        return [], ()
    value, variance, df = np.array(found).T
    matrix = replace(asked, weights=np.eye(len(kept)), contrasts=tuple(kept))
    table = contrast_table(
        matrix, value, np.diag(variance), df, adjust=Adjustment.HOLM, level=level
    )
    names = ("estimate", "lower", "upper", "lower_single", "upper_single", "df", "p", "p_adjusted")
    se = table.standard_error
    columns = {name: getattr(table, name) for name in names} | {"u": se}
    columns |= detectable_percent(se, table.df, table.simultaneous.critical * se)
    if plan.margin_percent is not None:
        count = len(kept)
        law = StudentJudged(estimate=value, se=se, df=table.df, correlation=np.eye(count))
        columns |= equivalence_of(
            law,
            Family(tuple(range(count)), (1,) * count),
            margin_percent=plan.margin_percent,
            alpha=1.0 - level,
        )
    return kept, numbers_of(columns)


def own_means(
    frame: pd.DataFrame, known: Array, plan: ComparisonPlan, *, level: float
) -> pd.DataFrame:
    """Mean of each level (within each level of ``at_each``), each with its own spread.

    Shapes: known (n, n).
    """
    y, columns, rows = frame["ln_value"].to_numpy(), [*where_columns(plan), plan.by], []
    for values, part in frame.groupby(columns, sort=True):
        *where, of_level = map(level_text, values)
        units = _units(frame, plan, {of_level: 1.0}, *where)
        estimate, half = float(y[part.index].mean()), float("nan")
        if units:
            estimate, variance, df = own_spread(units, y, known)
            half = float(critical_t(1.0 - level, df)) * variance**0.5
        ends = {"estimate": estimate, "lower": estimate - half, "upper": estimate + half}
        rows.append(dict(zip(columns, values, strict=True)) | ends)
    return pd.DataFrame(rows)


def _units(
    frame: pd.DataFrame, plan: ComparisonPlan, weights: Mapping[str, float], where: str = ""
) -> list[Units]:
    """The units of one weighted sum of levels; none where fewer than two of a kind are left.

    Levels are held against each other under the same levels of further factors alone.
    """
    texts, condition = cell_texts(frame, plan), indicators(frame, plan.also).argmax(axis=1)
    runs = {one: np.array([text == (one, where) for text in texts]) for one in weights}

    def shared(sets: Mapping[str, Flags]) -> list[Flags]:
        held = [set(condition[here].tolist()) for here in sets.values()]
        return [condition == each for each in sorted(set.intersection(*held))]

    if plan.crossing is None:
        alike, identity = shared(runs), np.eye(len(frame))
        units = [
            Units(rows=identity[here & each], weight=weights[one] / len(alike))
            for one, here in runs.items()
            for each in alike
        ]
        return units if all(len(one.rows) > 1 for one in units) else []
    rows = []
    for group in indicators(frame, columns_of(plan.crossing)).T > 0:
        own = {one: here & group for one, here in runs.items()}
        if alike := shared(own):
            means = {
                one: np.mean([(here & each) / (here & each).sum() for each in alike], axis=0)
                for one, here in own.items()
            }
            rows.append(np.sum([weights[one] * mean for one, mean in means.items()], axis=0))
    return [Units(rows=np.array(rows))] if len(rows) > 1 else []
