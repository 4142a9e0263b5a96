"""Profile likelihood intervals of variance components.

One variance is held at a value, the others are fitted again; the interval holds the values whose
restricted likelihood is within half a chi-squared quantile (1 degree of freedom) of the maximum.
Zero belongs to the interval where the likelihood does not rule it out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.engine import fit_batch

if TYPE_CHECKING:
    from psdstats.models.mixed_model_fit import MixedModelFit

__all__ = ["profile_log_likelihood", "profile_variances"]

Array = NDArray[np.float64]

_WIDEST = 1e8
"""Upper ends beyond so many times the estimate are reported as infinite."""


def profile_log_likelihood(fit: MixedModelFit, component: str, values: Array) -> Array:
    """Restricted log likelihood, maximised over the rest, with one variance held at values.

    Parameters
    ----------
    fit : MixedModelFit
        REML fit without correlated slopes.
    component : str
        Name of a variance.
    values : ndarray, shape (m,)
        Variances in the square of the response's unit, at or above zero.

    Raises
    ------
    ModelError
        If the model has correlated slopes, whose variances are not free of each other.
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
    """Intervals of all variance components.

    Parameters
    ----------
    fit : MixedModelFit
        REML fit without correlated slopes.
    level : float
        Confidence level.

    Returns
    -------
    DataFrame
        Columns estimate, lower, upper by component; an upper end the data do not bound is inf.
    """
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
