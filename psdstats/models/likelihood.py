"""The restricted (or full) log likelihood of B responses, with score and information.

Responses follow y ~ N(Xβ, V) with V = V_known + Σ θ_k G_k.  The restricted likelihood is that of
K'y, K an orthonormal basis of the space orthogonal to X (Patterson and Thompson 1971).  Inside,
every response is scaled to unit variance and every matrix to unit mean eigenvalue, so that log
sizes near 0.01 and raw sizes near 10 000 run through the same numbers.

The matrices M(θ) = M₀ + Σ θ_k W_k live in one space of dimension d (all rows, or the rows freed of
the fixed effects).  Building their family splits that space into directions in which every W_k is
already diagonal (strata: only counts and sums of squares are left of them) and, where the matrices
do not commute, a dense remainder.  Balanced designs consist of strata alone, which makes their
fits very cheap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.frozen import Array

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
    dense_offset : ndarray, shape (r, r)
        M₀ in the remainder.
    """

    basis: Array
    stratum_of: NDArray[np.intp]
    slopes: Array
    offset: Array
    count: Array
    dense: Array
    dense_offset: Array

    def with_stratum(self, slopes: Array, count: int) -> Family:
        """The family with a last stratum of ``count`` directions of which no basis is kept."""
        return replace(
            self,
            slopes=np.vstack([self.slopes, slopes]),
            offset=np.append(self.offset, 0.0),
            count=np.append(self.count, float(count)),
        )

    def squares(self, rotated: Array) -> Array:
        """Sums of squares by stratum (B, n_strata) of coordinates in the basis (B, s + r)."""
        found = np.zeros((len(self.count), len(rotated)))
        np.add.at(found, self.stratum_of, rotated[:, : len(self.stratum_of)].T ** 2)
        return found.T.copy()


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

    Shapes: matrices (q, d, d), known (d, d).

    Notes
    -----
    If any basis diagonalises all matrices, the eigenvectors of a fixed combination of them do.
    """
    q, d = matrices.shape[0], matrices.shape[1]
    everything = np.concatenate([matrices, (np.zeros((d, d)) if known is None else known)[None]])
    if d == 0:
        return _strata_family(np.zeros((0, 0)), everything.reshape(q + 1, 0), everything)
    norm = np.sqrt((everything**2).sum(axis=(1, 2)))
    weights = np.sqrt(np.arange(2.0, 3.0 + q)) % 1.0 + 0.37
    scaled = np.divide(weights, norm, out=np.zeros_like(norm), where=norm > 0)
    _, rotation = np.linalg.eigh(np.tensordot(scaled, everything, axes=1))
    rotated = rotation.T @ everything @ rotation
    diagonals = np.diagonal(rotated, axis1=1, axis2=2)
    off = np.abs(rotated - diagonals[:, :, None] * np.eye(d)).max(axis=(1, 2))
    largest = np.maximum(np.abs(rotated).max(axis=(1, 2)), 1e-300)
    if np.all(off <= _DIAGONAL_TOLERANCE * largest):
        return _strata_family(rotation, diagonals, np.zeros((q + 1, 0, 0)))
    return _mixed_family(everything)


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
    return _strata_family(np.hstack([outer, inner]), outside, inner.T @ everything @ inner)


def _strata_family(basis: Array, diagonals: Array, dense: Array) -> Family:
    """Gather directions with equal eigenvalues (q + 1, s), the known part last."""
    size = np.maximum(np.abs(diagonals).max(axis=1, initial=0.0), 1e-300)[:, None]
    key = np.round(diagonals / size, 11) + 0.0
    unique, stratum_of = np.unique(key.T, axis=0, return_inverse=True)
    stratum_of = stratum_of.reshape(-1)
    count = np.bincount(stratum_of, minlength=len(unique)).astype(float)
    values = np.zeros((len(unique), diagonals.shape[0]))
    np.add.at(values, stratum_of, diagonals.T)
    values /= count[:, None]
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


def evaluate(
    family: Family, theta: Array, offset_scale: Array, squares: Array | float, rest: Array
) -> FamilyValue:
    """Evaluate a family at θ (B, q) with M₀ multiplied by ``offset_scale`` (B,).

    Of each response it needs the sums of squares by stratum and the coordinates of the remainder,
    (B, r).
    """
    slopes, count, q = family.slopes, family.count, theta.shape[1]
    size = theta @ slopes.T + offset_scale[:, None] * family.offset
    positive: NDArray[np.bool_] = np.all(size > 0, axis=1)
    size = np.where(size > 0, size, 1.0)
    inverse = 1.0 / size
    per = inverse * count
    flat_pairs = (slopes[:, :, None] * slopes[:, None, :]).reshape(len(count), q * q)
    once = inverse * squares
    twice = once * inverse
    strata = FamilyValue(
        positive=positive,
        log_determinant=np.log(size) @ count,
        traces=per @ slopes,
        trace_pairs=((per * inverse) @ flat_pairs).reshape(len(theta), q, q),
        quadratic=once.sum(axis=1),
        forms=twice @ slopes,
        form_pairs=((twice * inverse) @ flat_pairs).reshape(len(theta), q, q),
    )
    if not family.dense.shape[1]:
        return strata
    return _with_dense(family, theta, offset_scale[:, None, None], rest, strata)


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


def _with_dense(
    family: Family, theta: Array, offset_scale: Array, rest: Array, strata: FamilyValue
) -> FamilyValue:
    """Add what the dense remainder has to the strata."""
    q, r = family.dense.shape[0], family.dense.shape[1]
    rows = len(theta)
    flat = family.dense.reshape(q, r * r)
    whole = (theta @ flat).reshape(rows, r, r) + family.dense_offset * offset_scale
    inverse, log_determinant, positive = invert_positive(whole)
    side = family.dense.transpose(1, 0, 2).reshape(r, q * r)
    products = (inverse @ side).reshape(rows, r, q, r)
    left = products.transpose(0, 2, 1, 3).reshape(rows, q, r * r)
    right = products.transpose(0, 3, 1, 2).reshape(rows, r * r, q)
    solved = (inverse @ rest[:, :, None])[:, :, 0]
    pushed = (solved @ side).reshape(rows, q, r)
    return FamilyValue(
        positive=positive & strata.positive,
        log_determinant=log_determinant + strata.log_determinant,
        traces=inverse.reshape(rows, r * r) @ flat.T + strata.traces,
        trace_pairs=left @ right + strata.trace_pairs,
        quadratic=strata.quadratic + (rest * solved).sum(axis=1),
        forms=strata.forms + (pushed @ solved[:, :, None])[:, :, 0],
        form_pairs=strata.form_pairs + pushed @ inverse @ pushed.transpose(0, 2, 1),
    )


class Choice(StrEnum):
    """One of a few words; any other is refused with a list of them."""

    @classmethod
    def _missing_(cls, value: object) -> Choice:
        allowed = ", ".join(repr(str(one)) for one in cls)
        raise ModelError(f"The {cls.__name__.lower()} {value!r} is not one of {allowed}.")


class Criterion(Choice):
    """Which likelihood is maximised."""

    REML = "reml"
    ML = "ml"


@dataclass(frozen=True, kw_only=True, eq=False)
class LikelihoodValue:
    """Log likelihood (B,), score (B, q), expected and observed information (B, q, q)."""

    log_likelihood: Array
    score: Array
    expected: Array
    observed: Array

    def rows(self, chosen: Rows | NDArray[np.bool_]) -> LikelihoodValue:
        """The same for some of the responses."""
        return LikelihoodValue(**{name: values[chosen] for name, values in vars(self).items()})

    def put(self, rows: Rows, new: LikelihoodValue) -> None:
        """Write the values of some responses in place."""
        for name, values in vars(self).items():
            values[rows] = getattr(new, name)


@dataclass(frozen=True, kw_only=True, eq=False)
class Scaled:
    """Units in which a likelihood is maximised.

    Parameters
    ----------
    response_scale : ndarray, shape (B,)
        What each response was divided by.
    matrix_scale : ndarray, shape (q,)
        What each G_k was divided by.
    n_free : int
        Dimension of the space the likelihood is taken in (n - p for REML, n for ML).
    constant : float
        Added to the log likelihood of every response.
    """

    response_scale: Array
    matrix_scale: Array
    n_free: int
    constant: float

    def back(self, value: LikelihoodValue) -> LikelihoodValue:
        """Value, score and information of every response in the units of the responses."""
        factor = self.matrix_scale / self.response_scale[:, None] ** 2
        pairs = factor[:, :, None] * factor[:, None, :]
        level = value.log_likelihood - self.n_free * np.log(self.response_scale) + self.constant
        return LikelihoodValue(
            log_likelihood=level,
            score=value.score * factor,
            expected=value.expected * pairs,
            observed=value.observed * pairs,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem(Scaled):
    """A likelihood ready to be maximised, in scaled units.

    Parameters
    ----------
    quadratic : Family
        Matrices in the space orthogonal to X, which give the quadratic form.
    whole : Family or None
        Matrices in the space of all rows: they give log|V| for ML, and for REML they guard that V
        itself stays positive definite where θ may go below zero or V_known is singular.
    squares, rest : ndarray, shapes (B, n_strata) and (B, r)
        The responses in the rotated space of ``quadratic``.
    criterion : Criterion
        Which likelihood it is.
    """

    quadratic: Family
    whole: Family | None
    squares: Array
    rest: Array
    criterion: Criterion

    def value(self, theta: Array, rows: NDArray[np.intp]) -> LikelihoodValue:
        """Evaluate at scaled θ (len(rows), q) for the responses ``rows``."""
        offset = self.response_scale[rows] ** -2.0
        form = evaluate(self.quadratic, theta, offset, self.squares[rows], self.rest[rows])
        trace, positive = form, form.positive
        if self.whole is not None:
            nothing = np.zeros((len(theta), self.whole.dense.shape[1]))
            everywhere = evaluate(self.whole, theta, offset, 0.0, nothing)
            positive = positive & everywhere.positive
            trace = everywhere if self.criterion is Criterion.ML else form
        level = -0.5 * (trace.log_determinant + form.quadratic)
        return LikelihoodValue(
            log_likelihood=np.where(positive, level, -np.inf),
            score=0.5 * (form.forms - trace.traces),
            expected=0.5 * trace.trace_pairs,
            observed=form.form_pairs - 0.5 * trace.trace_pairs,
        )


def build_problem(
    responses: Array,
    design: Array,
    matrices: Array,
    known: Array | None,
    *,
    criterion: Criterion = Criterion.REML,
    blocks: Sequence[tuple[int, int, int]] = (),
    guard: bool = False,
    n_outside: int = 0,
    squares_outside: Array | float = 0.0,
) -> Problem:
    """Prepare a likelihood.

    Shapes: responses (B, n), design (n, p), matrices (q, n, n), known (n, n), squares_outside (B,).

    Notes
    -----
    Where the rows are coordinates in a span, ``n_outside`` further directions are outside it: the
    last matrix is the identity there, all else is zero.
    """
    q, rows, p = len(matrices), len(design) + n_outside, design.shape[1]
    full, triangle = np.linalg.qr(design, mode="complete")
    complement = full[:, p:]
    freed = responses @ complement
    scale = np.ones(len(responses))
    if q:
        scale = _response_scale(responses, freed, squares_outside, rows, rows - p)
    inner = complement.T @ matrices @ complement
    matrix_scale = np.trace(inner, axis1=1, axis2=2)
    matrix_scale[-1:] += n_outside
    matrix_scale /= max(rows - p, 1)  # mean eigenvalues; of a covariance, those of its variances
    for first, second, cross in blocks:
        matrix_scale[cross] = np.sqrt(max(float(matrix_scale[first] * matrix_scale[second]), 0.0))
    matrix_scale = np.where(matrix_scale > 0, matrix_scale, 1.0)
    inner_known = None if known is None else complement.T @ known @ complement
    quadratic = build_family(inner / matrix_scale[:, None, None], inner_known)
    whole = None
    if criterion is Criterion.ML or guard:
        whole = build_family(matrices / matrix_scale[:, None, None], known)
    rotated = (freed / scale[:, None]) @ quadratic.basis
    squares = quadratic.squares(rotated)
    rest = rotated[:, len(quadratic.stratum_of) :].copy()
    if n_outside:
        slopes = np.append(np.zeros(q - 1), 1.0 / matrix_scale[-1])
        squares = np.column_stack([squares, squares_outside / scale**2])
        quadratic = quadratic.with_stratum(slopes, n_outside)
        whole = None if whole is None else whole.with_stratum(slopes, n_outside)
    restricted = criterion is Criterion.REML
    n_free = rows - p if restricted else rows
    log_design = 2.0 * float(np.log(np.abs(np.diagonal(triangle))).sum()) if restricted else 0.0
    return Problem(
        quadratic=quadratic,
        whole=whole,
        squares=squares,
        rest=rest,
        response_scale=scale,
        matrix_scale=matrix_scale,
        n_free=n_free,
        constant=-0.5 * (float(np.log(2 * np.pi)) * n_free + log_design),
        criterion=criterion,
    )


def _response_scale(
    responses: Array, freed: Array, outside: Array | float, rows: int, df: int
) -> Array:
    """Root mean square of each response freed of the fixed effects."""
    scale: Array = np.sqrt(((freed**2).sum(axis=1) + outside) / df)
    size = np.sqrt(((responses**2).sum(axis=1) + outside) / rows)
    if not np.all(scale > 1e-12 * size):
        raise ModelError(
            "The fixed effects reproduce a response exactly, so no variance is left to estimate; "
            "take terms out or add replicates."
        )
    return scale
