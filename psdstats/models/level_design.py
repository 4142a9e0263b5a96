"""A design turned into what the calibrated level works on: residual contrasts and least squares.

Model: y ~ N(X b, K + Σ θ_k G_k).  X may have columns that repeat each other; contrasts must be
estimable.  Where every cell of a complete design has as many rows, their means say all there is to
say about the contrasts, and one variance of a cell mean takes the place of two.  A part that cannot
be told from the others is left out; contrasts it would move are named.  Rows are scaled so that the
residual part is the identity and turned so that the first p coordinates span the columns of X.
Variances in squares of the response's unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.judged import Family, Question, Side

_ZERO = 1e-8
"""Relative size below which a length counts as nothing."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelDesign:
    """One design in turned coordinates, with every contrast asked once.

    Parameters
    ----------
    fitted : ndarray, shape (p, n)
        From a response to its coordinates in the columns of X.
    residual : ndarray, shape (m, n)
        From a response to its residual contrasts.
    lead : ndarray, shape (q, p)
        Different contrasts on the fitted coordinates, of length 1.
    known : ndarray, shape (p + m, p + m)
        Known covariance of the turned coordinates.
    parts : ndarray, shape (k, p + m, p + m)
        Unknown parts; the residual, last, is the identity.
    place, factor : ndarray, shape (asked,)
        Which contrast each row asked is, and by what it is multiplied.
    hidden : ndarray of bool, shape (asked,)
        Rows asked whose error may hold a variance that this design cannot estimate.
    joint : tuple of ndarray, each (f, p)
        Orthonormal rows spanning each set that is tested at once.
    """

    fitted: Array
    residual: Array
    lead: Array
    known: Array
    parts: Array
    place: NDArray[np.intp]
    factor: Array
    hidden: NDArray[np.bool_]
    joint: tuple[Array, ...]

    @property
    def has_known(self) -> bool:
        """Whether any covariance is known."""
        return bool(self.known.any())

    def members(self, family: Family) -> tuple[NDArray[np.intp], Array]:
        """Contrasts and signs of a family, on the contrasts asked once."""
        rows = np.asarray(family.members, dtype=np.intp)
        signs = np.asarray(family.signs, dtype=float) * np.sign(self.factor[rows])
        return self.place[rows], signs

    def key(self, family: Family) -> tuple[Side, tuple[tuple[int, int], ...]]:
        """What a family's law depends on: neither repeats, nor order, nor a turn of all signs."""
        place, signs = self.members(family)
        if family.side is Side.BOTH:
            return family.side, tuple((int(p), 1) for p in np.unique(place))
        pairs = sorted({(int(p), int(s)) for p, s in zip(place, signs, strict=True)})
        turned = sorted((p, -s) for p, s in pairs)
        return family.side, tuple(max(pairs, turned))


def design_of(x: Array, parts: Array, known: Array | None, question: Question) -> LevelDesign:
    """Prepare a design; refuses contrasts that it cannot estimate.

    Shapes: x (n, p), parts (k, n, n) with the residual last, known (n, n).
    """
    x, parts = np.asarray(x, dtype=float), np.asarray(parts, dtype=float)
    n = len(x)
    parts = parts.reshape(-1, n, n)
    known = np.zeros((n, n)) if known is None else np.asarray(known, dtype=float)
    asked = np.atleast_2d(np.asarray(question.contrasts, dtype=float))
    if not (np.isfinite(x).all() and np.isfinite(parts).all() and np.isfinite(known).all()):
        raise ModelError("The design holds numbers that are not finite; leave those rows out.")
    weights = _least_squares(x, asked)
    taking = _averaging(x, parts, asked, weights)
    x, parts, known = taking @ x, taking @ parts @ taking.T, taking @ known @ taking.T
    if len(parts):
        scale = _whitening(parts[-1])
        x, parts, known = scale @ x, scale @ parts @ scale.T, scale @ known @ scale.T
        taking = scale @ taking
    first, rest = _bases(x)
    if len(parts) and not rest.shape[1]:
        raise ModelError(
            "The fixed effects take up every row, so nothing is left to estimate variances "
            "from; take terms out, add replicates, or declare the covariance."
        )
    turn = np.concatenate([first, rest], axis=1)
    lead = np.linalg.lstsq(x, first, rcond=_ZERO)[0].T @ asked.T
    kept, hidden = _estimable(parts, rest, (first @ lead).T)
    place, factor, rows = _different(lead.T)
    known, parts = turn.T @ known @ turn, turn.T @ parts[kept] @ turn
    p = first.shape[1]
    spread = sum(v[:p, :p] / (np.abs(v).max() or 1.0) for v in (known, *parts))
    return LevelDesign(
        fitted=first.T @ taking,
        residual=rest.T @ taking,
        lead=rows,
        known=known,
        parts=parts,
        place=place,
        factor=factor,
        hidden=hidden,
        joint=tuple(_spanning(rows[place[list(some)]], spread) for some in question.jointly),
    )


def _least_squares(x: Array, asked: Array) -> Array:
    """Least-squares weights of contrasts on rows; refuses those that are not estimable."""
    weights: Array = asked @ np.linalg.pinv(x, rcond=_ZERO)
    size = np.abs(asked).max(axis=1)
    lost = np.abs(weights @ x - asked).max(axis=1) > 1e-6 * size
    bad = [str(k) for k in np.flatnonzero(lost | (size == 0))]
    if bad:
        raise ModelError(
            f"These contrasts cannot be estimated from this design: rows {', '.join(bad)}; ask "
            f"for combinations of the cells that were measured."
        )
    return weights


def _averaging(x: Array, parts: Array, asked: Array, weights: Array) -> Array:
    """From rows to means of cells, where nothing about the contrasts is lost; else the identity."""
    n = len(x)
    for cell in parts[:-1]:
        size = cell.sum(axis=1)
        alike = np.array_equal(cell, cell.T) and bool(((cell == 0) | (cell == 1)).all())
        if (
            not alike
            or size.min() != size.max()
            or size[0] < 2
            or (cell @ cell != size * cell).any()
        ):
            continue
        first = np.unique(cell.argmax(axis=1))
        means: Array = cell[first] / size[0]
        if _is_lossless(means, x, asked, weights):
            return means
    return np.eye(n)


def _is_lossless(means: Array, x: Array, asked: Array, weights: Array) -> bool:
    """Whether means of cells tell of the contrasts what the rows do, and leave something."""
    again = asked @ np.linalg.pinv(means @ x, rcond=_ZERO) @ means
    same = np.abs(again - weights).max() <= 1e-6 * np.abs(weights).max()
    return bool(same) and np.linalg.matrix_rank(means @ x) < len(means)


def cell_means(x: Array, columns: Sequence[Array], asked: Array) -> Array | None:
    """Weights (m, n) of means of cells in which very many rows lose nothing; None without any.

    Shapes: x (n, p), asked (q, p); columns are indicators (n, m) of cells, or others.
    """
    weights = _least_squares(x, asked)
    for z in columns:
        size, means = z.sum(axis=0), z.T / np.maximum(z.sum(axis=0), 1.0)[:, None]
        alike = (z.sum(axis=1) == 1.0).all() and size.min() == size.max() >= 2
        if alike and set(np.unique(z)) == {0.0, 1.0} and _is_lossless(means, x, asked, weights):
            return np.asarray(means)
    return None


def _whitening(residual: Array) -> Array:
    """Inverse root of the residual part."""
    size = np.diag(residual)
    if np.array_equal(residual, np.diag(size)) and size.min() > 0:
        return np.diag(1.0 / np.sqrt(size))
    try:
        return np.asarray(np.linalg.inv(np.linalg.cholesky(residual)), dtype=np.float64)
    except np.linalg.LinAlgError:
        raise ModelError(
            "The last part of the covariance, the residual, is not positive definite; give the "
            "run-to-run variance of every row last."
        ) from None


def _bases(x: Array) -> tuple[Array, Array]:
    """Orthonormal bases of the columns of X and of what they leave, in the order of the columns."""
    size = np.sqrt(np.square(x).sum(axis=0))
    x = x[:, size > 0] / size[size > 0]
    kept: list[int] = []
    basis = np.zeros((len(x), 0))
    for j in range(x.shape[1]):
        rest = x[:, j] - basis @ (basis.T @ x[:, j])
        rest = rest - basis @ (basis.T @ rest)
        length = float(np.sqrt(rest @ rest))
        if length > 1e-7:
            kept.append(j)
            basis = np.column_stack([basis, rest / length])
    whole = np.linalg.qr(x[:, kept], mode="complete")[0]
    return whole[:, : len(kept)], whole[:, len(kept) :]


def _estimable(parts: Array, rest: Array, weights: Array) -> tuple[list[int], NDArray[np.bool_]]:
    """Parts that can be told apart, and the contrasts that those left out would move."""
    hidden = np.zeros(len(weights), dtype=bool)
    kept: list[int] = []
    seen = (rest.T @ parts @ rest).reshape(len(parts), rest.shape[1] ** 2)
    for k in reversed(range(len(parts))):
        share = np.linalg.lstsq(seen[kept].T, seen[k], rcond=None)[0] if kept else np.zeros(0)
        left = seen[k] - share @ seen[kept]
        size = float(np.abs(parts[k]).max())
        if np.abs(left).max(initial=0.0) > _ZERO * size:
            kept.insert(0, k)
            continue
        moved = (parts[k] - np.tensordot(share, parts[kept], 1)) @ weights.T
        across = np.abs(rest.T @ moved).max(axis=0, initial=0.0)
        own = np.abs((weights.T * moved).sum(axis=0)) / np.abs(weights).max(axis=1)
        hidden |= np.maximum(across, own) > 1e-7 * size * np.abs(weights).max(axis=1)
    return kept, hidden


def _different(lead: Array) -> tuple[NDArray[np.intp], Array, Array]:
    """Contrasts once each: where each row asked is found, its factor, the rows of length 1."""
    size = np.sqrt(np.square(lead).sum(axis=1))
    rows = lead / size[:, None]
    place = np.zeros(len(rows), dtype=np.intp)
    factor, kept = size.copy(), list[Array]()
    for k, row in enumerate(rows):
        inner = np.array([row @ other for other in kept])
        near = np.flatnonzero(np.abs(inner) > 1 - 1e-12)
        if len(near):
            place[k] = near[0]
            factor[k] *= np.sign(inner[near[0]])
        else:
            place[k] = len(kept)
            kept.append(row)
    return place, factor, np.array(kept)


def _spanning(rows: Array, spread: Array) -> Array:
    """Orthonormal rows that span the rows, along the axes of a covariance of the estimates.

    Along them directions of very unlike precision stay apart in single precision.
    """
    _, size, turned = np.linalg.svd(rows, full_matrices=False)
    rows = turned[size > _ZERO * size[0]]
    return np.asarray(np.linalg.eigh(rows @ spread @ rows.T)[1].T @ rows, dtype=np.float64)
