"""Probability that one of several correlated standard normal values leaves a symmetric box.

The general route for the largest of m correlated normal values, for correlations without a
simpler structure, singular ones included.  Deterministic: the quasi-random points come from a
fixed seed.  Dimensionless.

The normal vector is Z = C y with y independent and C lower trapezoidal, so that the box
|Z_i| <= w is an interval for each y_j given the ones before: the inside is a mean of products of
interval probabilities over quasi-random points (A. Genz, "Numerical computation of multivariate
normal probabilities", J. Comput. Graph. Statist. 1 (1992) 141-149, from memory).  Far out, where
one minus the inside would lose its digits, the outside is split by the last i with |Z_i| > w:
P(|Z_i| > w) times P(the later ones inside, given |Z_i| > w), the latter near 1 and found in the
same way.  The points are Sobol points with digital shifts.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy import special

__all__ = ["MAX_DIMENSION", "box_outside", "lower_factor"]

MAX_DIMENSION = 60  # more than any table of contrasts needs; the points lose their evenness above
_SEED = 20_070
_BITS = 30
_SHIFTS = 4
_TARGET = 3e-6
_RANK_TOLERANCE = 1e-9
_FIRST_LOG2, _LAST_LOG2 = 13, 15
_FAR, _FEWER = 3.0, 8  # half width from which the split is used, with so many fewer points

Floats = NDArray[np.float64]


def lower_factor(correlation: Floats) -> Floats:
    """Lower trapezoidal C, shape (m, rank), with C Cᵀ equal to the correlation.

    Rows that depend on the ones before add no column, so singular matrices are allowed.
    """
    m = len(correlation)
    factor = np.zeros((m, 0))
    remainder = np.array(correlation, dtype=float)
    for i in range(m):
        if remainder[i, i] > _RANK_TOLERANCE:
            column = remainder[:, i] / np.sqrt(remainder[i, i])
            factor = np.column_stack([factor, column])
            remainder = remainder - np.outer(column, column)
        remainder[i, :] = remainder[:, i] = 0.0
        done = np.diag(remainder) <= _RANK_TOLERANCE
        remainder[done, :] = remainder[:, done] = 0.0
    return factor


def box_outside(correlation: Floats, half_widths: Floats) -> tuple[Floats, float]:
    """Probability that max |Z_i| exceeds each half width.

    Parameters
    ----------
    correlation : ndarray, shape (m, m)
        Correlation matrix; may be singular.
    half_widths : ndarray, shape (k,)
        Half widths w of the box, 0 or above.

    Returns
    -------
    probability : ndarray, shape (k,)
        P(max |Z_i| > w).
    error : float
        Largest standard error over the half widths, from independent shifts of the points.
    """
    factors = [lower_factor(correlation[i:, i:]) for i in range(len(correlation))]
    dimension = max(factors[0].shape[1] - 1, 1)
    for log2_points in range(_FIRST_LOG2, _LAST_LOG2 + 1):
        found = np.array(
            [
                [_outside(factors, float(w), points) for w in half_widths]
                for points in _shifted_points(dimension, log2_points)
            ]
        )
        error = float((found.std(axis=0, ddof=1) / np.sqrt(_SHIFTS)).max())
        if error <= _TARGET:
            break
    return found.mean(axis=0), error


def _shifted_points(dimension: int, log2_points: int) -> Iterator[Floats]:
    """Sobol points with independent digital shifts, which keep their evenness."""
    from scipy.stats import qmc

    sobol = qmc.Sobol(dimension, scramble=False).random_base2(log2_points)
    digits = (sobol * 2.0**_BITS).astype(np.int64)
    rng = np.random.default_rng(_SEED)
    for shift in rng.integers(0, 2**_BITS, size=(_SHIFTS, dimension)):
        yield ((digits ^ shift) + 0.5) / 2.0**_BITS


def _outside(factors: list[Floats], half_width: float, points: Floats) -> float:
    """P(max |Z_i| > w) as a mean over the points; `factors` are of the last m, m - 1, … values."""
    if half_width < _FAR:
        nothing = np.zeros((len(points), 0))
        return 1.0 - float(_inside(factors[0], half_width, points, nothing).mean())
    few = points[: len(points) // _FEWER]
    tail = special.ndtr(-half_width)
    first = -special.ndtri(tail * few[:, :1])  # beyond w; the other side is its mirror image
    return 2.0 * tail * sum(float(_inside(c, half_width, few, first).mean()) for c in factors)


def _inside(factor: Floats, half_width: float, points: Floats, known: Floats) -> Floats:
    """P(|Z_i| <= w for all i not made of the known y alone), given those, for each point.

    The known y, shape (n, 0) or (n, 1), are the first ones; the first Z is not asked about where
    it is known.
    """
    start, rank = known.shape[1], factor.shape[1]
    last = np.array([int(np.nonzero(row)[0][-1]) for row in factor])
    y = np.zeros((len(points), rank))
    y[:, :start] = known
    inside = np.ones(len(points))
    for i in np.flatnonzero(last < start)[1:]:  # the known value once more, or its opposite
        inside *= np.abs(factor[i, 0] * y[:, 0]) <= half_width
    for j in range(start, rank):
        low, high = np.full(len(points), -np.inf), np.full(len(points), np.inf)
        for i in np.flatnonzero(last == j):
            shift = y[:, :j] @ factor[i, :j]
            ends = np.stack([-half_width - shift, half_width - shift]) / factor[i, j]
            low = np.maximum(low, ends.min(axis=0))
            high = np.minimum(high, ends.max(axis=0))
        below, above = special.ndtr(low), special.ndtr(-high)
        share = np.maximum(1.0 - below - above, 0.0)
        inside *= share
        if j < rank - 1:
            y[:, j] = _between(below, above, share, points[:, j])
    return inside


def _between(below: Floats, above: Floats, inside: Floats, u: Floats) -> Floats:
    """Normal value at fraction u of the interval, from the nearer tail to keep its accuracy."""
    from_below, from_above = below + u * inside, above + (1.0 - u) * inside
    use_below = from_below < from_above
    area = np.clip(np.where(use_below, from_below, from_above), 1e-300, 0.5)
    value = special.ndtri(area)
    return np.asarray(np.where(use_below, value, -value), dtype=np.float64)
