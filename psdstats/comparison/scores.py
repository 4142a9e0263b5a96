"""Zeta and E_n scores of differences, with the joint covariance of the results behind them.

A score compares a difference with its own uncertainty: zeta with the standard uncertainty, E_n with
the expanded one (ISO 13528, from memory).  The usual formulas take the two results as independent.
Here the difference is a weighted sum of results whose covariance is known, so what the results
share (a sieve, a tare, a balance) cancels as far as it is shared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import freeze_arrays

__all__ = ["Scores", "difference_scores"]

Array = NDArray[np.float64]


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

    Parameters
    ----------
    value : array_like, shape (n,)
        Results.
    covariance : array_like, shape (n, n)
        Their joint covariance.
    weights : array_like, shape (m, n)
        Weights of each difference; each row should sum to zero.
    labels : tuple of str, optional
        Names of the differences.
    coverage_factor : float, default=2
        Coverage factor k of E_n.

    Returns
    -------
    Scores
        Differences, uncertainties, zeta and E_n; a score is NaN where the uncertainty is zero.

    Raises
    ------
    ModelError
        If shapes do not match or k is not positive.

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
