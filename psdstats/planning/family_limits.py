"""How large |t| must be in each of many simulated trials for a family of times against the first.

`compare` finds the limit of one trial from the exact law of the largest |t|.  In a complete trial
the covariance of the differences from the first time is b (I + J) + s k kᵀ, k = 1, 2, …: what runs
and cells leave, and the lines along which groups drift.  Correlations then depend on s/b alone and
the limit on that and on the degrees of freedom, so it is found exactly on a grid of the two and
read off between its points (Chebyshev polynomials in arctan √(s/b), in which the limit is smooth
at both ends, and in 1/df; what that leaves is far below the Monte Carlo error of a power).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["last_of_family"]

Array = NDArray[np.float64]
NARROW = 1e-9  # a range below it is one value
NODES = 7  # in each of the two


def last_of_family(covariance: Array, df: Array, *, alpha: float) -> Array:
    """Limit of |t| of the last time against the first, within all times against the first.

    Parameters
    ----------
    covariance : ndarray, shape (trials, m, m)
        Covariance of the m differences from the first time, in order.
    df : ndarray, shape (trials, m)
        Their degrees of freedom; infinity allowed.
    alpha : float
        Level of the family.

    Returns
    -------
    ndarray, shape (trials,)
        Limits.
    """
    from psdstats.models.student import critical_t, two_sided_p

    common = df.max(axis=1)  # as `simultaneous` does where they differ
    limit = _read_off(_line_angle(covariance), 1 / common, covariance.shape[1], alpha)
    last = df[:, -1]
    back = critical_t(two_sided_p(limit, common), last)
    return np.asarray(np.where(np.isclose(last, common, rtol=1e-9), limit, back))


def _line_angle(covariance: Array) -> Array:
    """Arctan √(s/b) of each trial, from the variances of the first and of the last difference."""
    m = covariance.shape[1]
    if m == 1:
        return np.zeros(len(covariance))
    first, last = covariance[:, 0, 0], covariance[:, -1, -1]
    line = np.maximum((last - first) / (m**2 - 1), 0.0)
    line = np.where(line < NARROW * first, 0.0, line)
    return np.asarray(np.arctan2(np.sqrt(line), np.sqrt(0.5 * (first - line))))


def _read_off(angle: Array, inverse_df: Array, m: int, alpha: float) -> Array:
    """Limits at the common degrees of freedom, for each trial."""
    angles, inverses = _nodes(angle), _nodes(inverse_df)
    degrees = [len(angles) - 1, len(inverses) - 1]
    exact = np.array([_exact(one, inverses, m, alpha) for one in angles])
    at_nodes = np.polynomial.chebyshev.chebvander2d(*_grid(angles, inverses), degrees)
    weights = np.linalg.solve(at_nodes, np.log(exact).ravel())
    x, y = _unit(angle, angles), _unit(inverse_df, inverses)
    return np.asarray(np.exp(np.polynomial.chebyshev.chebvander2d(x, y, degrees) @ weights))


def _grid(angles: Array, inverses: Array) -> tuple[Array, Array]:
    x, y = np.meshgrid(_unit(angles, angles), _unit(inverses, inverses), indexing="ij")
    return x.ravel(), y.ravel()


def _nodes(values: Array) -> Array:
    """Where the limit is found exactly: Chebyshev's points with both ends, or the one value."""
    low, high = float(values.min()), float(values.max())
    if high - low < NARROW:
        return np.array([low])
    points = np.polynomial.chebyshev.chebpts2(NODES)
    return np.asarray(0.5 * (low + high) + 0.5 * (high - low) * points)


def _unit(values: Array, nodes: Array) -> Array:
    """Values carried to −1 … 1 over the range of the nodes."""
    if len(nodes) == 1:
        return np.zeros(len(values))
    return np.asarray((2 * values - nodes[0] - nodes[-1]) / (nodes[-1] - nodes[0]))


def _exact(angle: float, inverse_df: Array, m: int, alpha: float) -> Array:
    """The limit for one angle and several degrees of freedom."""
    from psdstats.models.maximum_law import maximum_law

    place = np.arange(1.0, m + 1)
    covariance = np.cos(angle) ** 2 * (np.eye(m) + 1)
    covariance += np.sin(angle) ** 2 * np.outer(place, place)
    error = np.sqrt(np.diag(covariance))
    law = maximum_law(covariance / np.outer(error, error))
    return np.array([law.critical(alpha, 1 / one if one > 0 else np.inf) for one in inverse_df])
