"""The covariance of the responses: V = V_known + Σ θ_k G_k, as arrays.

Squared units of the responses; what the matrices stand for is the business of `design_random`.
Long designs give the matrices in the coordinates of a `Span`; outside it V is one variance.

What a fit of many responses with one design gives, and its last step: the fixed effects.

Units: whatever the responses have; variance parameters in their squares.

Variance components and fixed effects of many responses that share one design.

Model: y_b ~ N(X β_b, V_b), V_b = V_known + Σ θ_bk G_k, fitted by REML or ML.  Arrays only: what the
columns and matrices mean is the business of `design_fixed` and `design_random`.  Units: whatever
the responses have; θ in their squares.  No testing here (`kenward_roger`, `satterthwaite`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.criterion import (
    Criterion,
    LikelihoodValue,
    Outside,
    Problem,
    build_problem,
    invert_positive,
)
from psdstats.models.solver import Bounds, Solution, let_free, maximise, settle_edges
from psdstats.models.span import Span

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

        Shapes: theta (B, q); gives (B, n, n).
        """
        q, n = self.matrices.shape[0], self.matrices.shape[1]
        v: Array = (theta @ self.matrices.reshape(q, n * n)).reshape(len(theta), n, n)
        return v if self.known is None else v + self.known

    def rows(self, chosen: slice | NDArray[np.intp]) -> CovarianceParts:
        """The same parts for some of the responses."""
        if self.known is None or self.known.ndim == 2:
            return self
        return replace(self, known=self.known[chosen])


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
        """The fit of one response."""
        only = slice(row, row + 1)
        arrays = {k: getattr(self, k)[only] for k in _BY_RESPONSE}
        return replace(self, parts=self.parts.rows(only), **arrays)

    def joined(self, others: Sequence[BatchFit], parts: CovarianceParts) -> BatchFit:
        """Several fits of one design as one."""
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


_CHUNK_NUMBERS = 2_000_000
"""Numbers held by one working array of a chunk of responses: about 16 MB, which stays fast."""


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

    Shapes: responses (B, n), design (n, p).
    """
    y = np.atleast_2d(np.asarray(responses, dtype=float))
    x = np.asarray(design, dtype=float)
    criterion = Criterion(criterion)
    # residuals of a first fit carry no large mean, which would cost digits
    first = np.linalg.lstsq(x, y.T, rcond=None)[0].T
    y, x, outside = _in_span(y - first @ x.T, x, parts)
    widest = max(len(parts.matrices), 1) * len(x) ** 2
    chunk = max(1, _CHUNK_NUMBERS // widest)
    pieces = [
        _fit_chunk(
            y[low : low + chunk],
            x,
            parts.rows(slice(low, low + chunk)),
            replace(outside, squares=outside.squares[low : low + chunk]),
            criterion,
            free=free,
            tolerance=tolerance,
        )
        for low in range(0, len(y), chunk)
    ]
    fit = pieces[0] if len(pieces) == 1 else pieces[0].joined(pieces[1:], parts)
    return replace(fit, beta=fit.beta + first)


def _in_span(y: Array, x: Array, parts: CovarianceParts) -> tuple[Array, Array, Outside]:
    """Responses and X in the coordinates of the matrices, and what lies outside them."""
    outside = np.zeros(len(parts.matrices)) if parts.outside is None else parts.outside
    squares = np.zeros(len(y))
    if parts.span is not None:
        inside = parts.span.coordinates(y)
        squares = parts.span.squares_outside(y, inside)
        y, x = inside, parts.span.coordinates(x.T).T
    return (
        y,
        x,
        Outside(count=parts.n_outside, slopes=outside, known=parts.outside_known, squares=squares),
    )


def _fit_chunk(
    y: Array,
    x: Array,
    parts: CovarianceParts,
    outside: Outside,
    criterion: Criterion,
    *,
    free: bool,
    tolerance: float,
) -> BatchFit:
    n, p = len(x) + outside.count, x.shape[1]
    if not len(parts.matrices):
        return _known_only(y, x, parts, outside, criterion)
    if n <= p:
        raise ModelError(
            f"The model has {p} fixed effects for {n} rows, so nothing is left to estimate "
            f"variances from; take terms out, add replicates, or declare the covariance."
        )
    problem = build_problem(
        y,
        x,
        parts.matrices,
        parts.known,
        criterion=criterion,
        blocks=parts.blocks,
        guard=free or _is_singular(parts.known),
        outside=outside,
    )
    solution = _maximum(problem, parts, len(y), free=free, tolerance=tolerance)
    return finish(
        y,
        x,
        parts,
        theta=problem.theta(solution.theta),
        value=problem.back(solution.value),
        on_edge=solution.on_edge,
        converged=solution.converged,
        criterion=criterion,
        free=free,
        strata_only=not problem.quadratic.has_dense,
    )


def _maximum(
    problem: Problem, parts: CovarianceParts, rows: int, *, free: bool, tolerance: float
) -> Solution:
    """The maximum of each response inside the bounds, or one step beyond them."""
    alone = parts.is_variance.copy()
    alone[[i for block in parts.blocks for i in block]] = False
    bounds = Bounds(variance=alone, blocks=parts.blocks)
    first = maximise(problem, np.tile(_start(parts), (rows, 1)), bounds, tolerance=tolerance)
    solution = settle_edges(problem, first, bounds, tolerance=tolerance)
    return let_free(problem, solution) if free else solution


def _start(parts: CovarianceParts) -> Array:
    """Equal shares of the variance, no covariance."""
    return np.where(parts.is_variance, 1.0 / max(int(parts.is_variance.sum()), 1), 0.0)


def _is_singular(known: Array | None) -> bool:
    if known is None:
        return False
    size = np.linalg.eigvalsh(known)
    return bool(np.any(size[..., 0] <= 1e-12 * size[..., -1]))


def _known_only(
    y: Array, x: Array, parts: CovarianceParts, outside: Outside, criterion: Criterion
) -> BatchFit:
    """Generalised least squares: V is V_known and nothing is estimated."""
    bare = outside.count > 0 and outside.known <= 0
    if parts.known is None or _is_singular(parts.known) or bare:
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
    n_free = fit.n_rows if criterion is Criterion.ML else fit.n_rows - x.shape[1]
    if outside.count:
        quadratic = quadratic + outside.squares / outside.known
        quadratic = quadratic + outside.count * np.log(outside.known)
    level = n_free * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + quadratic
    if criterion is Criterion.REML:
        level = level - np.linalg.slogdet(fit.beta_covariance)[1]
    return replace(fit, log_likelihood=-0.5 * level)
