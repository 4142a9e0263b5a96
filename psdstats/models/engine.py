"""Variance components and fixed effects of many responses that share one design.

Model: y_b ~ N(X β_b, V_b), V_b = V_known + Σ θ_bk G_k, fitted by REML or ML.  Arrays only: what the
columns and matrices mean is the business of `design_columns` and `design_random`.  Units: whatever
the responses have; θ and V in their squares.  Long designs give the matrices in the coordinates of
a `Span`; outside it V is the last variance.  No testing here (`kenward_roger`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse

from psdstats.covariance import Covariance, SharedErrors
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.likelihood import Criterion, Scaled, build_problem, invert_positive
from psdstats.models.solver import Solution, let_free, maximise, maximise_blocks
from psdstats.models.woodbury import Columns, SharedProblem, Span, shared_problem

Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class CovarianceParts:
    """The covariance V = V_known + Σ θ_k G_k of one design.

    Parameters
    ----------
    matrices : ndarray, shape (q, n, n)
        The G_k; q may be 0, then V = V_known and nothing is estimated.  With a span (q, m, m), the
        QᵀG_kQ.  Where columns stand for them, (q, 0, 0).
    is_variance : ndarray of bool, shape (q,)
        False for covariances between intercept and slope.
    blocks : tuple of (int, int, int)
        (variance, variance, covariance) positions that form 2 x 2 matrices.
    known : ndarray or SharedErrors, shape (n, n), or None
        V_known.  With a span (m, m), in its coordinates.
    span : Span or None
        Where the matrices live, unless they are those of all rows.
    columns : tuple of sparse array, or None
        Beside shared errors: Z_k with G_k = Z_k Z_kᵀ, of all but the last, which is the residual.
    leak : ndarray, shape (m, m), or None
        With rows over their SD: what the square of the residual's G has in it beyond its own there.
    """

    matrices: Array
    is_variance: Mask
    blocks: tuple[tuple[int, int, int], ...] = ()
    known: Covariance | None = None
    span: Span | None = None
    columns: Columns | None = None
    leak: Array | None = None

    @classmethod
    def of(cls, columns: Sequence[Array], known: Covariance) -> CovarianceParts:
        """Variances of columns Z_k (n, r_k) and of single rows beside a known covariance."""
        is_shared, count = isinstance(known, SharedErrors), len(columns) + 1
        return cls(
            matrices=np.zeros((count, 0, 0)) if is_shared else squares_of(columns, len(known)),
            is_variance=np.ones(count, dtype=bool),
            known=known,
            columns=[sparse.csr_array(z) for z in columns] if is_shared else None,
        )

    def covariance(self, theta: Array) -> Array:
        """Covariance of the rows.

        Shapes: theta (..., q); gives (..., n, n).
        """
        v: Array = np.tensordot(theta, self.matrices, axes=1)
        return v if self.known is None else v + self.known


@dataclass(frozen=True, kw_only=True, eq=False)
class BatchFit:
    """Fits of B responses with one design; of one response, its arrays lack the first axis.

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

    def row(self, row: int) -> BatchFit:
        """The fit of one response, its arrays without the first axis."""
        arrays: dict[str, Any] = {k: getattr(self, k)[row] for k in _BY_RESPONSE}
        return replace(self, **arrays)


def squares_of(columns: Sequence[Array], n: int) -> Array:
    """Z Zᵀ of each columns (n, r), and the identity last, (q, n, n)."""
    return np.array([*(z @ z.T for z in columns), np.eye(n)])


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
    held: tuple[int, Array] | None = None,
) -> BatchFit:
    """Fit one design to many responses; ``held`` is a variance with its value for each of them.

    Shapes: responses (B, n), design (n, p).
    """
    y = np.atleast_2d(np.asarray(responses, dtype=float))
    x = np.asarray(design, dtype=float)
    criterion = Criterion(criterion)
    # residuals of a first fit carry no large mean, which would cost digits
    first = np.linalg.lstsq(x, y.T, rcond=None)[0].T
    y, squares = y - first @ x.T, np.zeros(len(y))
    if parts.columns is not None and isinstance(parts.known, SharedErrors):
        pieces = [_fit_shared(one, x, parts, parts.known, free, tolerance) for one in y]
    else:
        if parts.span is not None:
            inside = parts.span.coordinates(y)
            squares = np.square(y - inside @ parts.span.basis.T).sum(axis=1)
            y, x = inside, parts.span.coordinates(x.T).T
        chunk = max(1, _CHUNK_NUMBERS // (max(len(parts.matrices), 1) * len(x) ** 2))
        pieces = [
            _fit_chunk(
                y[some],
                x,
                parts,
                squares[some],
                criterion,
                free,
                tolerance,
                None if held is None else (held[0], held[1][some]),
            )
            for some in (slice(low, low + chunk) for low in range(0, len(y), chunk))
        ]
    arrays: dict[str, Any] = {
        name: np.concatenate([getattr(piece, name) for piece in pieces]) for name in _BY_RESPONSE
    }
    return replace(pieces[0], **arrays | {"beta": arrays["beta"] + first})


def _fit_chunk(
    y: Array,
    x: Array,
    parts: CovarianceParts,
    squares: Array,
    criterion: Criterion,
    free: bool,
    tolerance: float,
    held: tuple[int, Array] | None,
) -> BatchFit:
    """The maximum of each response inside the bounds, or one step beyond them."""
    n_outside = 0 if parts.span is None else parts.span.n_outside
    problem = build_problem(
        y,
        x,
        parts.matrices,
        None if parts.known is None else np.asarray(parts.known),
        criterion=criterion,
        blocks=parts.blocks,
        guard=_is_singular(parts) or free,
        n_outside=n_outside,
        squares_outside=squares,
    )
    # equal shares of the variance, no covariance
    start = np.where(parts.is_variance, 1.0 / max(int(parts.is_variance.sum()), 1), 0.0)
    start = np.tile(start, (len(y), 1))
    bounded = parts.is_variance.copy()
    if parts.blocks:
        bounded[[place for block in parts.blocks for place in block]] = False
        solution = maximise_blocks(problem, start, bounded, parts.blocks, tolerance=tolerance)
    elif held is not None:
        place, value = held
        start[:, place] = value * problem.matrix_scale[place] / problem.response_scale**2
        still = np.arange(len(bounded)) == place
        solution = maximise(problem, start, bounded, tolerance=tolerance, held=still)
    else:
        solution = maximise(problem, start, bounded, tolerance=tolerance)
    solution = let_free(problem, solution) if free else solution
    found = _at_maximum(problem, solution)
    v = parts.covariance(found["theta"])
    beta, beta_covariance, precision, positive = _least_squares(y, x, v)
    return BatchFit(
        design=x,
        parts=parts,
        **found,
        beta=beta,
        beta_covariance=beta_covariance,
        precision=precision,
        converged=solution.converged & positive,
        criterion=criterion,
        free=free,
    )


def _at_maximum(problem: Scaled, solution: Solution) -> dict[str, Any]:
    """What the likelihood says at its maximum, in the units of the responses."""
    return {
        "theta": solution.theta * problem.response_scale[:, None] ** 2 / problem.matrix_scale,
        "on_edge": solution.on_edge,
        **vars(problem.back(solution.value)),
    }


def _fit_shared(
    y: Array,
    x: Array,
    parts: CovarianceParts,
    known: SharedErrors,
    free: bool,
    tolerance: float,
) -> BatchFit:
    """The maximum for one response with shared errors, in the coordinates of a whitened span."""
    problem = shared_problem(y, x, parts.columns or (), known)
    q = len(parts.is_variance)
    start = np.full((1, q), 1.0 / q)
    solution = maximise(problem, start, parts.is_variance, tolerance=tolerance)
    solution = let_free(problem, solution) if free else solution
    at = problem.point(solution.theta[0])
    if at is None:
        raise ModelError(
            "The covariance of the runs is not positive definite where its likelihood is largest; "
            "leave a grouping out, or compare fewer runs at a time."
        )
    scale = float(problem.response_scale[0])
    span, inside, precision = problem.span(at)
    return BatchFit(
        design=inside[:, : x.shape[1]] / scale,
        parts=_in_span(parts, problem, at.w, span, inside),
        **_at_maximum(problem, solution),
        beta=scale * problem.coefficients(at)[None],
        beta_covariance=scale**2 * at.phi[None],
        precision=precision[None],
        converged=solution.converged,
        criterion=Criterion.REML,
        free=free,
    )


def _in_span(
    parts: CovarianceParts, problem: SharedProblem, w: Array, span: Span, inside: Array
) -> CovarianceParts:
    """The parts in the coordinates of a whitened span, U being (m, M) there."""
    scale, (p, ends) = problem.response_scale[0], (problem.x.shape[1], np.cumsum(problem.widths))
    of_rows, square = (span.basis.T @ (w[:, None] ** k * span.basis) for k in (1, 2))
    columns = np.split(inside[:, p:], ends, axis=1)
    own = [*(z @ z.T for z in columns[:-1]), of_rows]
    alone = span.basis.T @ ((problem.known.own * w)[:, None] * span.basis)
    return replace(
        parts,
        matrices=np.array(own) * problem.matrix_scale[:, None, None] / scale**2,
        known=alone + columns[-1] @ columns[-1].T,
        span=replace(span, sd=span.sd * scale),
        leak=(square - of_rows @ of_rows) / scale**4,
    )


def _is_singular(parts: CovarianceParts) -> bool:
    """Whether the known covariance is; raises where nothing stands beside it."""
    size = np.zeros(1) if parts.known is None else np.linalg.eigvalsh(parts.known)
    singular = bool(size[0] <= 1e-12 * size[-1])
    if singular and not len(parts.matrices):
        raise ModelError(
            "The model estimates no variance and its known covariance is missing or not positive "
            "definite; give a known covariance that covers every row, or add a residual variance."
        )
    return singular and parts.known is not None


def _least_squares(y: Array, x: Array, v: Array) -> tuple[Array, Array, Array, Mask]:
    """Generalised least squares at V (B, n, n): β, its covariance, V⁻¹, whether V is positive."""
    orthonormal, triangle = np.linalg.qr(x)
    precision, _, positive = invert_positive(v)
    weighted = precision @ orthonormal
    inner, _, _ = invert_positive(orthonormal.T @ weighted)
    gamma = (inner @ (weighted.mT @ y[:, :, None]))[:, :, 0]
    back = np.linalg.inv(triangle)
    covariance = back @ inner @ back.T
    return gamma @ back.T, 0.5 * (covariance + covariance.mT), precision, positive
