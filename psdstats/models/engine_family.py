"""A family of covariance matrices M(θ) = M₀ + Σ θ_k W_k, evaluated for many θ at once.

The matrices live in one space of dimension d (all rows, or the rows freed of the fixed effects).
Building a family splits that space into directions in which every W_k is already diagonal
(strata: only counts and sums of squares are left of them) and, where the matrices do not commute, a
dense remainder.  Balanced designs consist of strata alone, which makes their fits very cheap.
Numbers are unit-free here: responses and matrices were scaled before (`engine_criterion`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Family",
    "FamilyData",
    "FamilyValue",
    "build_family",
    "evaluate",
    "family_data",
    "invert_positive",
    "with_stratum",
]

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

_RANK_TOLERANCE = 1e-10
_DIAGONAL_TOLERANCE = 1e-11


@dataclass(frozen=True, kw_only=True, eq=False)
class Family:
    """Matrices M(θ) after rotation: strata, and a dense remainder of dimension r.

    Parameters
    ----------
    basis : ndarray, shape (d, s + r)
        Orthonormal columns; the first s belong to single stratum directions.
    stratum_of : ndarray of int, shape (s,)
        Stratum of each of the first s columns.
    slopes : ndarray, shape (n_strata, q)
        Eigenvalue of each W_k in each stratum.
    offset : ndarray, shape (n_strata,)
        Eigenvalue of M₀ in each stratum.
    count : ndarray, shape (n_strata,)
        Number of directions in each stratum.
    dense : ndarray, shape (q, r, r)
        The W_k in the remainder.
    dense_offset : ndarray, shape (r, r) or (B, r, r)
        M₀ in the remainder, shared or one for each response.
    """

    basis: Array
    stratum_of: NDArray[np.intp]
    slopes: Array
    offset: Array
    count: Array
    dense: Array
    dense_offset: Array

    @property
    def has_dense(self) -> bool:
        """Whether any direction is left in which the matrices do not commute."""
        return bool(self.dense.shape[1])


@dataclass(frozen=True, kw_only=True, eq=False)
class FamilyData:
    """What the quadratic form needs of B responses: sums of squares by stratum, dense rest."""

    squares: Array
    rest: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class FamilyValue:
    """Log determinant, quadratic form z'M⁻¹z and their derivatives for B values of θ.

    ``traces`` (B, q) holds tr(M⁻¹W_k), ``trace_pairs`` (B, q, q) tr(M⁻¹W_jM⁻¹W_k); with
    a = M⁻¹z, ``forms`` is a'W_k a and ``form_pairs`` a'W_j M⁻¹ W_k a.
    """

    positive: NDArray[np.bool_]
    log_determinant: Array
    traces: Array
    trace_pairs: Array
    quadratic: Array
    forms: Array
    form_pairs: Array


def build_family(matrices: Array, known: Array | None) -> Family:
    """Split the space of M(θ) into strata and a dense remainder.

    Parameters
    ----------
    matrices : ndarray, shape (q, d, d)
        The W_k, symmetric.
    known : ndarray, shape (d, d) or (B, d, d), or None
        The known part M₀.  One for each response leaves no strata.
    """
    q, d = matrices.shape[0], matrices.shape[1]
    if known is not None and known.ndim == 3:
        return _dense_family(np.eye(d), matrices, known)
    zero = np.zeros((d, d)) if known is None else known
    everything = np.concatenate([matrices, zero[None]]) if d else np.zeros((q + 1, 0, 0))
    mixture = _generic_mixture(everything)
    _, rotation = np.linalg.eigh(mixture) if d else (np.zeros(0), np.zeros((0, 0)))
    rotated = rotation.T @ everything @ rotation
    diagonals = np.diagonal(rotated, axis1=1, axis2=2)
    if d == 0 or _is_diagonal(rotated):
        return _strata_family(rotation, diagonals, np.zeros((q + 1, 0, 0)))
    return _mixed_family(everything)


def with_stratum(family: Family, slopes: Array, offset: float, count: int) -> Family:
    """The family with a last stratum of ``count`` directions of which no basis is kept."""
    return replace(
        family,
        slopes=np.vstack([family.slopes, slopes]),
        offset=np.append(family.offset, offset),
        count=np.append(family.count, float(count)),
    )


def _generic_mixture(matrices: Array) -> Array:
    """A fixed combination of all matrices; its eigenvectors diagonalise them if any basis does."""
    size = np.sqrt((matrices**2).sum(axis=(1, 2)))
    weights = np.sqrt(np.arange(2.0, 2.0 + len(matrices))) % 1.0 + 0.37
    scaled = np.divide(weights, size, out=np.zeros_like(size), where=size > 0)
    mixture: Array = np.tensordot(scaled, matrices, axes=1)
    return mixture


def _is_diagonal(rotated: Array) -> bool:
    diagonals = np.diagonal(rotated, axis1=1, axis2=2)
    size = np.abs(rotated).max(axis=(1, 2))
    off = np.abs(rotated - diagonals[:, :, None] * np.eye(rotated.shape[1])).max(axis=(1, 2))
    return bool(np.all(off <= _DIAGONAL_TOLERANCE * np.maximum(size, 1e-300)))


def _mixed_family(everything: Array) -> Family:
    """Keep dense what the non-scalar matrices span; the rest of the space is one plain stratum."""
    d = everything.shape[1]
    scalar = np.array([np.allclose(w, w[0, 0] * np.eye(d), rtol=0, atol=1e-12) for w in everything])
    squares = np.zeros((d, d))
    for w in everything[~scalar]:
        squares += w @ w / max(float((w**2).sum()), 1e-300)
    size, vectors = np.linalg.eigh(squares)
    inside = size > _RANK_TOLERANCE * size[-1]
    outer, inner = vectors[:, ~inside], vectors[:, inside]
    outside = np.where(scalar, everything[:, 0, 0], 0.0)[:, None] * np.ones(outer.shape[1])
    return _strata_family(
        np.hstack([outer, inner]), outside, inner.T @ everything @ inner, n_single=outer.shape[1]
    )


def _strata_family(
    basis: Array, diagonals: Array, dense: Array, n_single: int | None = None
) -> Family:
    """Gather directions with equal eigenvalues (q + 1, s), the known part last."""
    single = diagonals.shape[1] if n_single is None else n_single
    size = np.maximum(np.abs(diagonals).max(axis=1, initial=0.0), 1e-300)[:, None]
    key = np.round(diagonals / size, 11) + 0.0
    unique, stratum_of = np.unique(key.T, axis=0, return_inverse=True)
    stratum_of = stratum_of.reshape(-1)[:single]
    count = np.bincount(stratum_of, minlength=len(unique)).astype(float)
    values = np.zeros((len(unique), diagonals.shape[0]))
    np.add.at(values, stratum_of, diagonals.T)
    values /= np.maximum(count, 1.0)[:, None]
    values[np.abs(values) <= 1e-13 * size.T] = 0.0
    return Family(
        basis=basis,
        stratum_of=stratum_of,
        slopes=values[:, :-1],
        offset=values[:, -1],
        count=count,
        dense=dense[:-1],
        dense_offset=dense[-1],
    )


def _dense_family(basis: Array, matrices: Array, known: Array) -> Family:
    return Family(
        basis=basis,
        stratum_of=np.zeros(0, dtype=np.intp),
        slopes=np.zeros((0, len(matrices))),
        offset=np.zeros(0),
        count=np.zeros(0),
        dense=matrices,
        dense_offset=known,
    )


def family_data(family: Family, responses: Array) -> FamilyData:
    """Sums of squares by stratum and the dense rest of responses (B, d)."""
    rotated = responses @ family.basis
    single = len(family.stratum_of)
    squares = np.zeros((len(family.count), len(responses)))
    np.add.at(squares, family.stratum_of, rotated[:, :single].T ** 2)
    return FamilyData(squares=squares.T.copy(), rest=rotated[:, single:].copy())


def evaluate(
    family: Family, theta: Array, offset_scale: Array, data: FamilyData | None, offset_rows: Rows
) -> FamilyValue:
    """Evaluate a family at θ (B, q) with M₀ multiplied by ``offset_scale`` (B,).

    ``offset_rows`` (B,) says which row of a known part given for each response belongs to θ's row.
    """
    strata = _evaluate_strata(family, theta, offset_scale, data)
    if not family.has_dense:
        return strata
    known = family.dense_offset
    if known.ndim == 3:
        known = known[offset_rows]
    rest = None if data is None else data.rest
    return _evaluate_dense(family, theta, known * offset_scale[:, None, None], rest, strata)


def _evaluate_strata(
    family: Family, theta: Array, offset_scale: Array, data: FamilyData | None
) -> FamilyValue:
    slopes, count = family.slopes, family.count
    size = theta @ slopes.T + offset_scale[:, None] * family.offset
    positive: NDArray[np.bool_] = np.all(size > 0, axis=1)
    size = np.where(size > 0, size, 1.0)
    inverse = 1.0 / size
    per = inverse * count
    q = slopes.shape[1]
    flat_pairs = (slopes[:, :, None] * slopes[:, None, :]).reshape(len(count), q * q)
    squares = np.zeros_like(size) if data is None else data.squares
    once = squares * inverse
    twice = once * inverse
    return FamilyValue(
        positive=positive,
        log_determinant=np.log(size) @ count,
        traces=per @ slopes,
        trace_pairs=((per * inverse) @ flat_pairs).reshape(-1, q, q),
        quadratic=once.sum(axis=1),
        forms=twice @ slopes,
        form_pairs=((twice * inverse) @ flat_pairs).reshape(-1, q, q),
    )


def invert_positive(matrices: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Inverses and log determinants of symmetric matrices (B, r, r); False where not positive.

    A matrix that is not positive definite is replaced by the identity, and flagged.
    """
    positive = np.ones(len(matrices), dtype=bool)
    try:
        factor = np.linalg.cholesky(matrices)
    except np.linalg.LinAlgError:
        smallest = np.linalg.eigvalsh(matrices)
        positive = smallest[:, 0] > 1e-13 * np.abs(smallest).max(axis=1)
        matrices = np.where(positive[:, None, None], matrices, np.eye(matrices.shape[1]))
        factor = np.linalg.cholesky(matrices)
    diagonal = np.diagonal(factor, axis1=1, axis2=2)
    sound = diagonal.min(axis=1, initial=np.inf) > 1e-8 * diagonal.max(axis=1, initial=0.0)
    if not sound.all():
        positive = positive & sound
        matrices = np.where(sound[:, None, None], matrices, np.eye(matrices.shape[1]))
    inverse: Array = np.asarray(np.linalg.inv(matrices), dtype=np.float64)
    log_determinant: Array = 2.0 * np.log(diagonal).sum(axis=1)
    return inverse, log_determinant, positive


def _evaluate_dense(
    family: Family, theta: Array, known: Array, rest: Array | None, strata: FamilyValue
) -> FamilyValue:
    q, r = family.dense.shape[0], family.dense.shape[1]
    rows = len(theta)
    flat = family.dense.reshape(q, r * r)
    inverse, log_determinant, positive = invert_positive((theta @ flat).reshape(rows, r, r) + known)
    side = family.dense.transpose(1, 0, 2).reshape(r, q * r)
    products = (inverse @ side).reshape(rows, r, q, r)
    left = products.transpose(0, 2, 1, 3).reshape(rows, q, r * r)
    right = products.transpose(0, 3, 1, 2).reshape(rows, r * r, q)
    quadratic, forms = strata.quadratic, strata.forms
    form_pairs = strata.form_pairs
    if rest is not None:
        solved = (inverse @ rest[:, :, None])[:, :, 0]
        pushed = (solved @ side).reshape(rows, q, r)
        quadratic = quadratic + (rest * solved).sum(axis=1)
        forms = forms + (pushed @ solved[:, :, None])[:, :, 0]
        form_pairs = form_pairs + pushed @ inverse @ pushed.transpose(0, 2, 1)
    return FamilyValue(
        positive=positive & strata.positive,
        log_determinant=log_determinant + strata.log_determinant,
        traces=inverse.reshape(rows, r * r) @ flat.T + strata.traces,
        trace_pairs=left @ right + strata.trace_pairs,
        quadratic=quadratic,
        forms=forms,
        form_pairs=form_pairs,
    )
