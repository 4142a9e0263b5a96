"""What a fit of many responses with one design gives, and its last step: the fixed effects.

Units: whatever the responses have; variance parameters in their squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from psdstats.models.covariance import CovarianceParts
from psdstats.models.engine_criterion import Criterion, LikelihoodValue
from psdstats.models.engine_family import invert_positive

__all__ = ["BatchFit", "finish"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class BatchFit:
    """Fits of B responses with one design.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        X; where ``parts`` has a span (m, p), QᵀX.
    parts : CovarianceParts
        V_known and the G_k.
    theta : ndarray, shape (B, q)
        Variance parameters; exactly 0 at the boundary.
    log_likelihood : ndarray, shape (B,)
        Restricted or full log likelihood; the restricted one without the term ½ log|XᵀX|, as is
        usual for mixed models.
    score : ndarray, shape (B, q)
        Derivative of the log likelihood in θ.
    expected, observed : ndarray, shape (B, q, q)
        Information about θ.
    beta : ndarray, shape (B, p)
        Generalised least squares estimates.
    beta_covariance : ndarray, shape (B, p, p)
        (XᵀV⁻¹X)⁻¹ at the estimated V.
    precision : ndarray, shape (B, n, n)
        V⁻¹; where ``parts`` has a span (B, m, m), (QᵀVQ)⁻¹.
    on_edge : ndarray of bool, shape (B, q)
        Parameters at the boundary: variances at zero, blocks of correlation ±1.
    converged : ndarray of bool, shape (B,)
        Whether the last step was below the tolerance.
    criterion : Criterion
        REML or ML.
    free : bool
        Whether variances were allowed below zero.
    strata_only : bool
        Whether all covariance matrices share their eigenvectors, as in balanced designs.
    """

    design: Array
    parts: CovarianceParts
    theta: Array
    log_likelihood: Array
    score: Array
    expected: Array
    observed: Array
    beta: Array
    beta_covariance: Array
    precision: Array
    on_edge: Mask
    converged: Mask
    criterion: Criterion
    free: bool
    strata_only: bool

    @property
    def n_rows(self) -> int:
        """Length of a response."""
        return len(self.design) + self.parts.n_outside

    def row(self, row: int) -> BatchFit:
        """The fit of one response.

        Parameters
        ----------
        row : int
            Its number, from 0.

        Returns
        -------
        BatchFit
            A batch of one.
        """
        only = slice(row, row + 1)
        arrays = {k: getattr(self, k)[only] for k in _BY_RESPONSE}
        return replace(self, parts=self.parts.rows(only), **arrays)

    def joined(self, others: Sequence[BatchFit], parts: CovarianceParts) -> BatchFit:
        """Several fits of one design as one.

        Parameters
        ----------
        others : sequence of BatchFit
            Fits of further responses with the same design.
        parts : CovarianceParts
            The parts of all responses together.

        Returns
        -------
        BatchFit
            This fit's responses first, then those of the others in order.
        """
        pieces = [self, *others]
        arrays: dict[str, Any] = {
            k: np.concatenate([getattr(p, k) for p in pieces]) for k in _BY_RESPONSE
        }
        return replace(self, parts=parts, **arrays)


_BY_RESPONSE = (
    "theta",
    "log_likelihood",
    "score",
    "expected",
    "observed",
    "beta",
    "beta_covariance",
    "precision",
    "on_edge",
    "converged",
)


def finish(
    y: Array,
    x: Array,
    parts: CovarianceParts,
    *,
    theta: Array,
    value: LikelihoodValue,
    on_edge: Mask,
    converged: Mask,
    criterion: Criterion,
    free: bool,
    strata_only: bool,
) -> BatchFit:
    """Fixed effects by generalised least squares at θ, gathered with everything else."""
    orthonormal, triangle = np.linalg.qr(x)
    precision, _, positive = invert_positive(parts.covariance(theta))
    weighted = precision @ orthonormal
    inner, _, _ = invert_positive(orthonormal.T @ weighted)
    gamma = (inner @ (weighted.transpose(0, 2, 1) @ y[:, :, None]))[:, :, 0]
    back = np.linalg.inv(triangle)
    covariance = back @ inner @ back.T
    return BatchFit(
        design=x,
        parts=parts,
        theta=theta,
        log_likelihood=value.log_likelihood,
        score=value.score,
        expected=value.expected,
        observed=value.observed,
        beta=gamma @ back.T,
        beta_covariance=0.5 * (covariance + covariance.transpose(0, 2, 1)),
        precision=precision,
        on_edge=on_edge,
        converged=converged & positive,
        criterion=criterion,
        free=free,
        strata_only=strata_only,
    )
