"""The restricted likelihood of very many rows, whose covariance is never written out.

V = D + σ²I + Σ θ_k Z_k Z_kᵀ + F Fᵀ: D holds what is known of each row alone and F what rows
share (`SharedErrors`).  With W = (D + σ²I)⁻¹, U = [X Z F] and C the variances of the columns of Z
and F, all that a fit asks of V follows from UᵀWU, UᵀW²U and UᵀW³U, whose size does not grow with
the rows (M. A. Woodbury, Inverting modified matrices, Princeton 1950; from memory).  Exact: no
approximation is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from psdstats.covariance import SharedErrors
from psdstats.frozen import Array
from psdstats.models.likelihood import LikelihoodValue, Rows, Scaled

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

    def of_levels(self, codes: NDArray[np.intp], n_levels: int, values: Array) -> Array:
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
    widths: NDArray[np.intp]
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

    def value(self, theta: Array, rows: Rows) -> LikelihoodValue:  # noqa: ARG002
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
        return (
            Span(basis=basis, sd=sd),
            inside,
            np.eye(len(inside)) - shared @ at.b @ shared.T,
        )


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
