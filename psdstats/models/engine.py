"""Variance components and fixed effects of many responses that share one design.

Model: y_b ~ N(X β_b, V_b), V_b = V_known + Σ θ_bk G_k, fitted by REML or ML.  Arrays only: what the
columns and matrices mean is the business of `design_fixed` and `design_random`.  Units: whatever
the responses have; θ in their squares.  No testing here (`kenward_roger`, `satterthwaite`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.models.covariance import CovarianceParts
from psdstats.models.engine_criterion import Criterion, LikelihoodValue, build_problem
from psdstats.models.engine_edges import let_free, settle_edges
from psdstats.models.engine_family import invert_positive
from psdstats.models.engine_solver import Bounds, maximise

__all__ = ["BatchFit", "CovarianceParts", "finish", "fit_batch"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CHUNK_NUMBERS = 2_000_000
"""Numbers held by one working array of a chunk of responses: about 16 MB, which stays fast."""


@dataclass(frozen=True, kw_only=True, eq=False)
class BatchFit:
    """Fits of B responses with one design.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        X.
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
        V⁻¹.
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

    def row(self, row: int) -> BatchFit:
        """The fit of one response, as a batch of one."""
        only = slice(row, row + 1)
        return self._with({k: getattr(self, k)[only] for k in _BY_RESPONSE}, self.parts.rows(only))

    def _with(self, arrays: Mapping[str, Any], parts: CovarianceParts) -> BatchFit:
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


def fit_batch(
    responses: ArrayLike,
    design: ArrayLike,
    parts: CovarianceParts,
    *,
    criterion: Criterion | str = Criterion.REML,
    free: bool = False,
    tolerance: float = 1e-10,
) -> BatchFit:
    """Fit one design to many responses.

    Parameters
    ----------
    responses : array_like, shape (B, n)
        One response a row.
    design : array_like, shape (n, p)
        X, of full column rank.
    parts : CovarianceParts
        V_known and the G_k.
    criterion : {"reml", "ml"}
        Likelihood to maximise.
    free : bool
        Let variances that would be zero go below it, as long as V stays positive definite: one
        scoring step beyond the boundary, which gives unbiased estimates.
    tolerance : float
        Relative size of the last step; 1e-5 is enough for simulations.

    Returns
    -------
    BatchFit

    Raises
    ------
    ModelError
        If nothing is left to estimate variances from, or V_known alone is not positive definite
        and nothing else is in the model.
    """
    y = np.atleast_2d(np.asarray(responses, dtype=float))
    x = np.asarray(design, dtype=float)
    criterion = Criterion(criterion)
    # residuals of a first fit carry no large mean, which would cost digits
    first = np.linalg.lstsq(x, y.T, rcond=None)[0].T
    y = y - first @ x.T
    widest = max(len(parts.matrices), 1) * len(x) ** 2
    chunk = max(1, _CHUNK_NUMBERS // widest)
    pieces = [
        _fit_chunk(
            y[low : low + chunk], x, parts.rows(slice(low, low + chunk)), criterion, free, tolerance
        )
        for low in range(0, len(y), chunk)
    ]
    fit = pieces[0] if len(pieces) == 1 else _join(pieces, parts)
    return replace(fit, beta=fit.beta + first)


def _join(pieces: Sequence[BatchFit], parts: CovarianceParts) -> BatchFit:
    arrays = {k: np.concatenate([getattr(p, k) for p in pieces]) for k in _BY_RESPONSE}
    return pieces[0]._with(arrays, parts)


def _fit_chunk(
    y: Array, x: Array, parts: CovarianceParts, criterion: Criterion, free: bool, tolerance: float
) -> BatchFit:
    q = len(parts.matrices)
    n, p = x.shape
    if q == 0:
        return _known_only(y, x, parts, criterion)
    if n <= p:
        raise ModelError(
            f"The model has {p} fixed effects for {n} rows, so nothing is left to estimate "
            f"variances from; take terms out, add replicates, or declare the covariance."
        )
    guard = free or _is_singular(parts.known)
    problem = build_problem(
        y, x, parts.matrices, parts.known, criterion=criterion, blocks=parts.blocks, guard=guard
    )
    alone = parts.is_variance.copy()
    alone[[i for block in parts.blocks for i in block]] = False
    bounds = Bounds(variance=alone, blocks=parts.blocks)
    start = np.tile(_start(parts), (len(y), 1))
    first = maximise(problem, start, bounds, tolerance=tolerance)
    solution = settle_edges(problem, first, bounds, tolerance=tolerance)
    if free:
        solution = let_free(problem, solution)
    value = problem.back(solution.value)
    return finish(
        y,
        x,
        parts,
        theta=problem.theta(solution.theta),
        value=value,
        on_edge=solution.on_edge,
        converged=solution.converged,
        criterion=criterion,
        free=free,
        strata_only=not problem.quadratic.has_dense,
    )


def _start(parts: CovarianceParts) -> Array:
    """Equal shares of the variance, no covariance."""
    return np.where(parts.is_variance, 1.0 / max(int(parts.is_variance.sum()), 1), 0.0)


def _is_singular(known: Array | None) -> bool:
    if known is None:
        return False
    size = np.linalg.eigvalsh(known)
    return bool(np.any(size[..., 0] <= 1e-12 * size[..., -1]))


def _known_only(y: Array, x: Array, parts: CovarianceParts, criterion: Criterion) -> BatchFit:
    """Generalised least squares: V is V_known and nothing is estimated."""
    if parts.known is None or _is_singular(parts.known):
        raise ModelError(
            "The model estimates no variance and its known covariance is missing or not positive "
            "definite; give a known covariance that covers every row, or add a residual variance."
        )
    rows = len(y)
    empty = np.zeros((rows, 0, 0))
    value = LikelihoodValue(
        log_likelihood=np.zeros(rows), score=np.zeros((rows, 0)), expected=empty, observed=empty
    )
    none = np.zeros((rows, 0), dtype=bool)
    fit = finish(
        y,
        x,
        parts,
        theta=np.zeros((rows, 0)),
        value=value,
        on_edge=none,
        converged=np.ones(rows, dtype=bool),
        criterion=criterion,
        free=False,
        strata_only=True,
    )
    v = np.broadcast_to(parts.known, (rows, len(x), len(x)))
    residual = y - fit.beta @ x.T
    quadratic = np.einsum("bi,bij,bj->b", residual, fit.precision, residual)
    n_free = len(x) if criterion is Criterion.ML else len(x) - x.shape[1]
    level = n_free * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + quadratic
    if criterion is Criterion.REML:
        level = level - np.linalg.slogdet(fit.beta_covariance)[1]
    return replace(fit, log_likelihood=-0.5 * level)


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
