"""Parametric bootstrap: likelihood ratio tests and intervals of variance components.

Responses are simulated from the fitted model and refitted all together, so a thousand likelihood
ratios take a fraction of a second.  Sequential stopping follows J. Besag and P. Clifford,
Biometrika 78 (1991) 301-304 (from memory).

Profile likelihood intervals of variance components.

One variance is held at a value, the others are fitted again; the interval holds the values whose
restricted likelihood is within half a chi-squared quantile (1 degree of freedom) of the maximum.
Zero belongs to the interval where the likelihood does not rule it out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.criterion import Criterion
from psdstats.models.design_columns import TermSpec
from psdstats.models.engine import BatchFit, CovarianceParts, fit_batch

if TYPE_CHECKING:
    from psdstats.models.mixed_model import MixedModelFit


_CHUNK = 250
_CHUNK_NUMBERS = 5_000_000
_LOOSE = 1e-5
"""Tolerance of refits: their likelihood is then exact to about ten digits."""


@dataclass(frozen=True, kw_only=True)
class BootstrapTest:
    """Likelihood ratio test with a simulated reference distribution.

    Parameters
    ----------
    term : str
        What was tested.
    statistic : float
        Twice the difference of the maximised (full) log likelihoods.
    df_num : int
        Number of restrictions.
    p : float
        (1 + exceedances) / (1 + draws), or exceedances / draws after an early stop.
    monte_carlo_error : float
        Standard error of ``p`` from the finite number of draws.
    draws, exceedances : int
        Simulated data sets used, and how many had a ratio at least as large.
    stopped_early : bool
        Whether the wanted number of exceedances was reached before the last draw.
    status : str
        Which share of the refits converged, in words.
    """

    term: str
    statistic: float
    df_num: int
    p: float
    monte_carlo_error: float
    draws: int
    exceedances: int
    stopped_early: bool
    status: str


def restricted_design(design: Array, contrast: Array) -> Array:
    """X of the model in which Lβ = 0: X times a basis of the null space of L."""
    _, size, right = np.linalg.svd(contrast)
    rank = int((size > 1e-10 * size[0]).sum())
    restricted: Array = design @ right[rank:].T
    return restricted


def bootstrap_test(
    fit: MixedModelFit,
    term: TermSpec,
    *,
    draws: int = 1000,
    seed: int | np.random.Generator = 0,
    stop_after: int | None = None,
) -> BootstrapTest:
    """Test a term by simulating its likelihood ratio under the model without it.

    Notes
    -----
    Variances are those of the model without the term, which a large effect makes large; small p
    are then smaller than those of the F test.  In the smallest designs the test rejects in 3.3 to
    6.6 % at 5 % (tests/calibration/results/bootstrap_level.md).
    """
    if draws < 1:
        raise ModelError(f"The bootstrap needs at least 1 draw, not {draws}.")
    design, parts = fit.fixed.matrix, fit.random.parts
    contrast = fit.fixed.hypothesis(term)
    small = restricted_design(design, contrast)
    observed, null = _likelihood_ratio(fit.response[None], design, small, parts)
    simulate = _Simulator(null, small, np.random.default_rng(seed))
    ratios, good = np.zeros(0), 0
    while len(ratios) < draws:
        simulated = simulate(min(simulate.chunk, draws - len(ratios)))
        chunk, refit = _likelihood_ratio(simulated, design, small, parts)
        good += int(refit.converged.sum())
        ratios = np.append(ratios, chunk)
        # ratios that are zero but for rounding count as reached
        reached = np.cumsum(ratios >= observed[0] - 1e-9)
        if stop_after is not None and reached[-1] >= stop_after:
            break
    hits, used = int(reached[-1]), len(ratios)
    stopped = stop_after is not None and hits >= stop_after and stop_after > 0
    if stopped and stop_after is not None:
        used, hits = int(np.searchsorted(reached, stop_after)) + 1, stop_after
    p = hits / used if stopped else (1 + hits) / (1 + used)
    error = p * np.sqrt((1 - p) / hits) if stopped else np.sqrt(p * (1 - p) / used)
    return BootstrapTest(
        term=fit.fixed.term(term).label,
        statistic=float(observed[0]),
        df_num=len(contrast),
        p=float(p),
        monte_carlo_error=float(error),
        draws=used,
        exceedances=hits,
        stopped_early=stopped,
        status=f"{good} of {len(ratios)} refits converged",
    )


def _likelihood_ratio(
    responses: Array, design: Array, small: Array, parts: CovarianceParts
) -> tuple[Array, BatchFit]:
    large = fit_batch(responses, design, parts, criterion=Criterion.ML, tolerance=_LOOSE)
    null = fit_batch(responses, small, parts, criterion=Criterion.ML, tolerance=_LOOSE)
    ratio = np.maximum(2 * (large.log_likelihood - null.log_likelihood), 0.0)
    return ratio, null


class _Simulator:
    """Draws responses from a fit of one response with X ``design`` (n, p)."""

    def __init__(self, fit: BatchFit, design: Array, rng: np.random.Generator) -> None:
        self._mean = design @ fit.beta[0]
        self._span, self._outside = fit.parts.span, 0.0
        size, vectors = np.linalg.eigh(fit.parts.covariance(fit.theta)[0])
        self._root = vectors * np.sqrt(np.maximum(size, 0.0))
        if fit.parts.outside is not None:
            self._outside = float(np.sqrt(max(fit.theta[0] @ fit.parts.outside, 0.0)))
        self._rng = rng
        self.chunk = max(1, min(_CHUNK, _CHUNK_NUMBERS // len(self._mean)))

    def __call__(self, draws: int) -> Array:
        noise = self._rng.standard_normal((draws, len(self._mean)))
        if self._span is None:
            return np.asarray(self._mean + noise @ self._root.T)
        # the noise keeps its part outside the span, and has that inside replaced
        inside = self._span.coordinates(noise)
        moved = inside @ self._root.T - self._outside * inside
        simulated: Array = self._mean + self._outside * noise + self._span.expand(moved)
        return simulated


def bootstrap_variances(
    fit: MixedModelFit,
    *,
    level: float = 0.95,
    draws: int = 1000,
    seed: int | np.random.Generator = 0,
) -> pd.DataFrame:
    """Percentile intervals of the variance components from a parametric bootstrap."""
    if draws < 100:
        raise ModelError(f"Percentile intervals need at least 100 draws, not {draws}.")
    simulate = _Simulator(fit.batch, fit.fixed.matrix, np.random.default_rng(seed))
    found = []
    for low in range(0, draws, simulate.chunk):
        simulated = simulate(min(simulate.chunk, draws - low))
        refit = fit_batch(
            simulated, fit.fixed.matrix, fit.random.parts, free=fit.batch.free, tolerance=_LOOSE
        )
        found.append(refit.theta)
    ends = np.quantile(np.concatenate(found), [(1 - level) / 2, (1 + level) / 2], axis=0)
    table = pd.DataFrame({"estimate": fit.variance_components})
    return table.assign(lower=ends[0], upper=ends[1])


_WIDEST = 1e8
"""Upper ends beyond so many times the estimate are reported as infinite."""


def profile_log_likelihood(fit: MixedModelFit, component: str, values: Array) -> Array:
    """Restricted log likelihood, maximised over the rest, with one variance held at values.

    Shapes: values (m,).
    """
    if fit.random.parts.blocks:
        raise ModelError(
            "Profile intervals are not available with correlated slopes, whose variances and "
            "covariance bound each other; use method='bootstrap'."
        )
    k = fit.random.names.index(component)
    parts = fit.random.parts
    known = np.zeros_like(parts.matrices[k]) if parts.known is None else parts.known
    others = np.arange(len(parts.matrices)) != k
    free = replace(
        parts,
        matrices=parts.matrices[others],
        is_variance=parts.is_variance[others],
        outside=None if parts.outside is None else parts.outside[others],
    )
    levels = []
    for value in values:
        held = replace(free, known=known + value * parts.matrices[k])
        if parts.outside is not None:
            held = replace(held, outside_known=float(value * parts.outside[k]))
        found = fit_batch(fit.response, fit.fixed.matrix, held, tolerance=1e-8)
        levels.append(found.log_likelihood[0])
    return np.array(levels)


def profile_variances(fit: MixedModelFit, *, level: float = 0.95) -> pd.DataFrame:
    """Intervals of all variance components."""
    from scipy import special

    drop = 0.5 * float(special.chdtri(1, 1 - level))
    rows = [_interval(fit, name, drop) for name in fit.random.names]
    table = pd.DataFrame({"estimate": fit.variance_components})
    return table.assign(lower=[r[0] for r in rows], upper=[r[1] for r in rows])


def _interval(fit: MixedModelFit, name: str, drop: float) -> tuple[float, float]:
    estimate = max(float(fit.variance_components[name]), 0.0)
    smallest = 1e-10 * float(np.var(fit.response))
    top = float(profile_log_likelihood(fit, name, np.array([max(estimate, smallest)]))[0])

    def excess(log_value: float) -> float:
        found = profile_log_likelihood(fit, name, np.array([np.exp(log_value)]))
        return float(found[0]) - top + drop

    low, high = np.log(smallest), np.log(max(estimate, smallest))
    lower = 0.0
    if high > low and excess(low) < 0:
        lower = _root(excess, low, high)
    return lower, _upper_end(excess, high)


def _upper_end(excess: Callable[[float], float], start: float) -> float:
    step, inside = np.log(4.0), start
    while inside - start < np.log(_WIDEST) + 25.0:
        if excess(inside + step) < 0:
            return _root(excess, inside, inside + step)
        inside += step
    return float("inf")


def _root(excess: Callable[[float], float], low: float, high: float) -> float:
    from scipy import optimize

    return float(np.exp(optimize.brentq(excess, low, high, xtol=1e-9)))
