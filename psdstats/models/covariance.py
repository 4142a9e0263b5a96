"""The covariance of the responses: V = V_known + Σ θ_k G_k, as arrays.

Squared units of the responses; what the matrices stand for is the business of `design_random`.
Long designs give the matrices in the coordinates of a `Span`; outside it V is one variance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from psdstats.models.span import Span

__all__ = ["CovarianceParts"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class CovarianceParts:
    """The covariance V = V_known + Σ θ_k G_k of one design.

    Parameters
    ----------
    matrices : ndarray, shape (q, n, n)
        The G_k; q may be 0, then V = V_known and nothing is estimated.  With a span (q, m, m), the
        QᵀG_kQ.
    is_variance : ndarray of bool, shape (q,)
        False for covariances between intercept and slope.
    blocks : tuple of (int, int, int)
        (variance, variance, covariance) positions that form 2 x 2 matrices.
    known : ndarray, shape (n, n) or (B, n, n), or None
        V_known.  With a span (m, m), in its coordinates.
    span : Span or None
        Where the matrices live, unless they are those of all rows.
    outside : ndarray, shape (q,), or None
        With a span: what a G_k multiplies the identity by outside it (1 for the residual).
    outside_known : float
        With a span: the known variance outside it.
    """

    matrices: Array
    is_variance: Mask
    blocks: tuple[tuple[int, int, int], ...] = ()
    known: Array | None = None
    span: Span | None = None
    outside: Array | None = None
    outside_known: float = 0.0

    @property
    def n_outside(self) -> int:
        """Directions outside the span; 0 without one."""
        return 0 if self.span is None else self.span.n_outside

    def covariance(self, theta: Array) -> Array:
        """Covariance of the rows.

        Parameters
        ----------
        theta : ndarray, shape (B, q)
            Variances (and covariances of slopes) of each response.

        Returns
        -------
        ndarray, shape (B, n, n)
            V; with a span QᵀVQ, shape (B, m, m).
        """
        q, n = self.matrices.shape[0], self.matrices.shape[1]
        v: Array = (theta @ self.matrices.reshape(q, n * n)).reshape(len(theta), n, n)
        return v if self.known is None else v + self.known

    def rows(self, chosen: slice | NDArray[np.intp]) -> CovarianceParts:
        """The same parts for some of the responses.

        Parameters
        ----------
        chosen : slice or ndarray of int
            Which responses.

        Returns
        -------
        CovarianceParts
            With their known covariances, where each response has its own.
        """
        if self.known is None or self.known.ndim == 2:
            return self
        return replace(self, known=self.known[chosen])
