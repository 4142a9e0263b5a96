"""The covariance of the responses: V = V_known + Σ θ_k G_k, as arrays.

Squared units of the responses; what the matrices stand for is the business of `design_random`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["CovarianceParts"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class CovarianceParts:
    """The covariance V = V_known + Σ θ_k G_k of one design.

    Parameters
    ----------
    matrices : ndarray, shape (q, n, n)
        The G_k; q may be 0, then V = V_known and nothing is estimated.
    is_variance : ndarray of bool, shape (q,)
        False for covariances between intercept and slope.
    blocks : tuple of (int, int, int)
        (variance, variance, covariance) positions that form 2 x 2 matrices.
    known : ndarray, shape (n, n) or (B, n, n), or None
        V_known.
    """

    matrices: Array
    is_variance: Mask
    blocks: tuple[tuple[int, int, int], ...] = ()
    known: Array | None = None

    def covariance(self, theta: Array) -> Array:
        """V (B, n, n) at θ (B, q)."""
        q, n = self.matrices.shape[0], self.matrices.shape[1]
        v: Array = (theta @ self.matrices.reshape(q, n * n)).reshape(len(theta), n, n)
        return v if self.known is None else v + self.known

    def rows(self, chosen: slice | NDArray[np.intp]) -> CovarianceParts:
        """The same parts for some of the responses."""
        if self.known is None or self.known.ndim == 2:
            return self
        return CovarianceParts(
            matrices=self.matrices,
            is_variance=self.is_variance,
            blocks=self.blocks,
            known=self.known[chosen],
        )
