"""Variance components and fixed effects of many responses that share one design.

Model: y_b ~ N(X β_b, V_b), V_b = V_known + Σ θ_bk G_k, fitted by REML or ML.  Arrays only: what the
columns and matrices mean is the business of `design_columns` and `design_random`.  Units: whatever
the responses have; θ and V in their squares.  Long designs give the matrices in the coordinates of
a `Span`; outside it V is the last variance.  No testing here (`kenward_roger`).

Of very many rows the covariance is never written out (`SharedProblem`).
V = D + σ²I + Σ θ_k Z_k Z_kᵀ + F Fᵀ: D holds what is known of each row alone and F what rows
share (`SharedErrors`).  With W = (D + σ²I)⁻¹, U = [X Z F] and C the variances of the columns of Z
and F, all that a fit asks of V follows from UᵀWU, UᵀW²U and UᵀW³U, whose size does not grow with
the rows (M. A. Woodbury, Inverting modified matrices, Princeton 1950; from memory).  Exact: no
approximation is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, sparse

from psdstats.covariance import Covariance, SharedErrors
from psdstats.errors import ModelError
from psdstats.frozen import Array, Flags, Indices
from psdstats.models.likelihood import (
    Criterion,
    LikelihoodValue,
    Scaled,
    Solution,
    build_problem,
    invert_positive,
    let_free,
    maximise,
    maximise_blocks,
)

Columns = Sequence[sparse.csr_array]

_NOTHING_LEFT = 1e-11
"""Share of the columns' length below which a direction is rounding."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Span:
    """Orthonormal basis Q (n, m) of what a design can tell apart, in rows over their SD (n,).

    With V = σ²I + Σ θ_k Z_k Z_kᵀ everything but σ² acts within the span of X and the Z_k, so that
    the m coordinates and the sum of squares left outside hold all a response has to say.  Exact.
    """

    basis: Array
    sd: Array

    @classmethod
    def of(cls, columns: Array) -> Span:
        """The span of columns (n, c), of which only directions that are rounding are dropped."""
        length = np.sqrt((columns**2).sum(axis=0))
        basis, triangle = np.linalg.qr(columns / np.where(length > 0, length, 1.0))
        directions, size, _ = np.linalg.svd(triangle)
        kept = directions[:, : len(size)][:, size > _NOTHING_LEFT]
        return cls(basis=np.linalg.qr(basis @ kept)[0], sd=np.ones(len(columns)))

    @property
    def n_outside(self) -> int:
        """Directions outside the span."""
        return int(self.basis.shape[0] - self.basis.shape[1])

    def coordinates(self, rows: Array) -> Array:
        """Qᵀ times each row divided by the SD: (B, n) to (B, m)."""
        return np.asarray((rows / self.sd) @ self.basis)

    def of_levels(self, codes: Indices, n_levels: int, values: Array) -> Array:
        """Qᵀ times the level indicators multiplied by values (n,), shape (m, n_levels)."""
        place = (np.arange(len(codes)), codes)
        z = sparse.csr_array((values / self.sd, place), shape=(len(codes), n_levels))
        return np.asarray((z.T @ self.basis).T)

    def freed(self, whitened: Array, projection: Array) -> Array:
        """P, of which the projection (m, m) is what lies within the span, times whitened rows."""
        inside = whitened @ self.basis
        return np.asarray(whitened + (inside @ projection - inside) @ self.basis.T)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Point:
    """V at one θ: B of V⁻¹ = W - W [Z F] B [Z F]ᵀ W, K of P = W - W U K Uᵀ W and what they need."""

    w: Array
    gram: Array
    b: Array
    k: Array
    phi: Array
    to_x: Array
    log_determinant: float


@dataclass(frozen=True, kw_only=True, eq=False)
class SharedProblem(Scaled):
    """The restricted likelihood of one response, ready to be maximised in scaled units.

    Parameters
    ----------
    y, x : ndarray, shapes (n,) and (n, p)
        Response and fixed effects.
    z : sparse array, shape (n, r)
        Columns of all groupings side by side.
    widths : ndarray of int, shape (q - 1,)
        How many of them belong to each variance; the last variance is that of single rows.
    known : SharedErrors
        Known covariance.
    """

    y: Array
    x: Array
    z: sparse.csr_array
    widths: Indices
    known: SharedErrors

    @property
    def _groups(self) -> list[slice]:
        """Which columns of Z belong to each variance."""
        return [slice(a, b) for a, b in pairwise(np.cumsum([0, *self.widths]).tolist())]

    def _gram(self, weight: Array) -> Array:
        """Uᵀ diag(weight) U."""
        p, r = self.x.shape[1], self.z.shape[1]
        dense = np.hstack([self.x, self.known.shared])
        root = dense * np.sqrt(weight)[:, None]
        heavy = sparse.csr_array(self.z.multiply(weight[:, None]))
        across, among = heavy.T @ dense, root.T @ root
        found = np.empty((p + r + self.known.shared.shape[1],) * 2)
        places = [np.r_[:p, p + r : len(found)], np.arange(p, p + r)]
        found[np.ix_(places[0], places[0])] = among
        found[np.ix_(places[1], places[0])] = across
        found[np.ix_(places[0], places[1])] = across.T
        found[np.ix_(places[1], places[1])] = (heavy.T @ self.z).toarray()
        return found

    def _inner(self, rows: Array) -> Array:
        """Uᵀ times columns (n, …)."""
        return np.concatenate([self.x.T @ rows, self.z.T @ rows, self.known.shared.T @ rows])

    def _outer(self, columns: Array) -> Array:
        """U times columns of coefficients."""
        p, end = self.x.shape[1], self.x.shape[1] + self.z.shape[1]
        found = self.x @ columns[:p] + self.z @ columns[p:end]
        return np.asarray(found + self.known.shared @ columns[end:])

    def point(self, theta: Array) -> _Point | None:
        """V at θ (q,), or None where it is not positive definite."""
        p, m = self.x.shape[1], self.known.shared.shape[1]
        own = theta[-1] + self.known.own
        if not (own > 0).all():
            return None
        c = np.concatenate([np.repeat(theta[:-1], self.widths), np.ones(m)])
        gram = self._gram(1.0 / own)
        s = gram[p:, p:]
        try:
            root = np.sqrt(np.maximum(c, 0.0))
            factor = linalg.cho_factor(np.eye(len(c)) + root[:, None] * s * root, lower=True)
            b = root[:, None] * linalg.cho_solve(factor, np.diag(root))
            log_size = 2 * np.log(np.diagonal(factor[0])).sum()
            if (below := c < 0).any():
                size = np.sqrt(-c[below])
                turned = (np.eye(len(c))[:, below] - b @ s[:, below]) * size
                left = np.eye(len(size)) - size[:, None] * s[below] @ turned
                factor = linalg.cho_factor(left, lower=True)
                b = b - turned @ linalg.cho_solve(factor, turned.T)
                log_size += 2 * np.log(np.diagonal(factor[0])).sum()
            to_x = np.vstack([np.eye(p), -b @ gram[p:, :p]])
            factor = linalg.cho_factor(gram[:p] @ to_x, lower=True)
        except linalg.LinAlgError:
            return None
        phi = linalg.cho_solve(factor, np.eye(p))
        k = to_x @ phi @ to_x.T
        k[p:, p:] += b
        log_size += np.log(own).sum() + 2 * np.log(np.diagonal(factor[0])).sum()
        return _Point(
            w=1.0 / own, gram=gram, b=b, k=k, phi=phi, to_x=to_x, log_determinant=float(log_size)
        )

    def project(self, at: _Point, rows: Array) -> Array:
        """P times columns (n, …)."""
        weighted = (at.w * rows.T).T
        return np.asarray(weighted - (at.w * self._outer(at.k @ self._inner(weighted)).T).T)

    def coefficients(self, at: _Point) -> Array:
        """Generalised least squares, shape (p,)."""
        return np.asarray(at.phi @ at.to_x.T @ self._inner(at.w * self.y))

    def value(self, theta: Array, rows: Indices) -> LikelihoodValue:  # noqa: ARG002
        """Value at scaled θ (B, q); all of them are of the one response."""
        level, score, expected, observed = zip(*map(self._value, theta), strict=True)
        return LikelihoodValue(
            log_likelihood=np.array(level),
            score=np.array(score),
            expected=np.array(expected),
            observed=np.array(observed),
        )

    def level(self, theta: Array) -> float:
        """Log likelihood at scaled θ (q,), but for a constant."""
        at = self.point(theta)
        if at is None:
            return -np.inf
        return float(-0.5 * (at.log_determinant + self.y @ self.project(at, self.y)))

    def _value(self, theta: Array) -> tuple[float, Array, Array, Array]:
        q, at = len(theta), self.point(theta)
        if at is None:
            return -np.inf, np.zeros(q), np.eye(q), np.eye(q)
        left = self.project(at, self.y)
        traces, pairs = self._traces(at)
        of_z = self.z.T @ left
        own = [of_z[one] for one in self._groups]
        by_group = zip(self._groups, own, strict=True)
        pushed = np.column_stack([*(self.z[:, one] @ part for one, part in by_group), left])
        forms = np.array([*(part @ part for part in own), left @ left])
        form_pairs = pushed.T @ self.project(at, pushed)
        level = -0.5 * (at.log_determinant + self.y @ left)
        return float(level), 0.5 * (forms - traces), 0.5 * pairs, form_pairs - 0.5 * pairs

    def _traces(self, at: _Point) -> tuple[Array, Array]:
        """Of P G_k (q,) and of P G_j P G_k (q, q)."""
        q, w, k = len(self.widths) + 1, at.w, at.k
        z = slice(self.x.shape[1], self.x.shape[1] + self.z.shape[1])
        squared, cubed = self._gram(w**2), self._gram(w**3)
        turned = -k @ at.gram[:, z]
        among = at.gram[z, z] + at.gram[z] @ turned
        turned[z] += np.eye(z.stop - z.start)
        of_rows = (turned * (squared @ turned)).sum(axis=0)
        traces, pairs, inner = np.empty(q), np.empty((q, q)), k @ squared
        for i, one in enumerate(self._groups):
            traces[i] = np.trace(among[one, one])
            pairs[i, -1] = pairs[-1, i] = of_rows[one].sum()
            for j, other in enumerate(self._groups):
                pairs[i, j] = np.square(among[one, other]).sum()
        traces[-1] = w.sum() - np.trace(inner)
        pairs[-1, -1] = w @ w - 2 * (k * cubed).sum() + (inner * inner.T).sum()
        return traces, pairs

    def span(self, at: _Point) -> tuple[Span, Array, Array]:
        """Whitened span at θ, U in its coordinates (m, M) and V⁻¹ there (m, m)."""
        sd = at.w**-0.5
        columns = np.hstack([self.x, self.z.toarray(), self.known.shared]) / sd[:, None]
        basis, inside = np.linalg.qr(columns)
        shared = inside[:, self.x.shape[1] :]
        return (Span(basis=basis, sd=sd), inside, np.eye(len(inside)) - shared @ at.b @ shared.T)


def shared_problem(y: Array, x: Array, columns: Columns, known: SharedErrors) -> SharedProblem:
    """Prepare the likelihood of one response (n,) with X (n, p) and columns Z_k (n, r_k)."""
    (n, p), q_x = x.shape, np.linalg.qr(x)[0]
    freed = y - q_x @ (q_x.T @ y)
    scale = max(float(np.sqrt(freed @ freed / (n - p))), 1e-300)
    size = np.ones(len(columns) + 1)
    for k, z in enumerate(columns):
        left = float(z.power(2).sum() - np.square(z.T @ q_x).sum()) / (n - p)
        size[k] = left if left > 0 else 1.0
    scaled = [z / np.sqrt(one) for z, one in zip(columns, size[:-1], strict=True)]
    none = sparse.csr_array((n, 0))
    return SharedProblem(
        y=y / scale,
        x=x,
        z=sparse.csr_array(sparse.hstack([none, *scaled])),
        widths=np.array([z.shape[1] for z in columns], dtype=np.intp),
        known=SharedErrors(known.own / scale**2, known.shared / scale),
        response_scale=np.array([scale]),
        matrix_scale=size,
        n_free=n - p,
        constant=-0.5 * float(np.log(2 * np.pi)) * (n - p),
    )


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
    is_variance: Flags
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
    on_edge: Flags
    converged: Flags
    criterion: Criterion
    free: bool

    def row(self, row: int) -> BatchFit:
        """The fit of one response, its arrays without the first axis."""
        arrays: dict[str, Any] = {k: getattr(self, k)[row] for k in _BY_RESPONSE}
        return replace(self, **arrays)


def squares_of(columns: Sequence[Array], n: int) -> Array:
    """Z Zᵀ of each columns (n, r), and the identity last, (q, n, n)."""
    return np.array([*(z @ z.T for z in columns), np.eye(n)])


_OF_ALL = ("design", "parts", "criterion", "free")
_BY_RESPONSE = [one.name for one in fields(BatchFit) if one.name not in _OF_ALL]

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
    y: Array, x: Array, parts: CovarianceParts, known: SharedErrors, free: bool, tolerance: float
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


def _least_squares(y: Array, x: Array, v: Array) -> tuple[Array, Array, Array, Flags]:
    """Generalised least squares at V (B, n, n): β, its covariance, V⁻¹, whether V is positive."""
    orthonormal, triangle = np.linalg.qr(x)
    precision, _, positive = invert_positive(v)
    weighted = precision @ orthonormal
    inner, _, _ = invert_positive(orthonormal.T @ weighted)
    gamma = (inner @ (weighted.mT @ y[:, :, None]))[:, :, 0]
    back = np.linalg.inv(triangle)
    covariance = back @ inner @ back.T
    return gamma @ back.T, 0.5 * (covariance + covariance.mT), precision, positive
