"""A design as the calibrated level works on it, and its likelihood over a grid of variances.

Model: y ~ N(X b, K + Σ θ_k G_k).  X may have columns that repeat each other; contrasts must be
estimable.  Where every cell of a complete design has as many rows, their means say all there is to
say about the contrasts, and one variance of a cell mean takes the place of two.  A part that cannot
be told from the others is left out; contrasts it would move are named.  Rows are scaled so that the
residual part is the identity and turned so that the first p coordinates span the columns of X.
Variances in squares of the response's unit.

The posterior of the variances under Jeffreys' prior is a set of weights of the grid points.  The
residual variance only adds to the eigenvalues of what the others make, so that for many responses
at once r'V⁻¹r is a product of squared coordinates and inverse eigenvalues.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

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

    def key(self, family: Family) -> tuple[Side, tuple[tuple[int, int], ...]]:
        """What a family's law depends on: neither repeats, nor order, nor a turn of all signs."""
        rows = np.asarray(family.members, dtype=np.intp)
        place = self.place[rows]  # on the contrasts asked once
        signs = np.asarray(family.signs, dtype=float) * np.sign(self.factor[rows])
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


FREED = 0.98
"""Share of what could be given to negative variances; 1 would let V become singular."""

LEAST_DF = 1.0
"""Fewest degrees of freedom of a scale: with fewer its intervals would have no end in practice.

Of the difference of two times that share sieves the grid of the statistic leaves next to no
variance near zero; one or two per cent of the weight there then make up most of the second moment
of the precision, and the degrees of freedom fall though the rest of the weight agrees.
"""

_RANK = 200
"""Most columns of a factored matrix."""

_LOW, _HIGH = 4e-4, 2.5e3
_STEP = {1: (0.348,), 2: (0.869, 0.474), 3: (1.74, 1.74, 0.95)}
"""Steps of the logarithm of each variance, by how many are unknown (residual last)."""


@dataclass(frozen=True, eq=False)
class Moments:
    """What the statistics need from the residual contrasts of N responses.

    Parameters
    ----------
    shift, se, df : ndarray, shape (N, q)
        Estimate less least squares, scale, degrees of freedom of each contrast.
    joint : tuple of JointMoments
        The same of each set that is tested at once.
    """

    shift: Array
    se: Array
    df: Array
    joint: tuple[JointMoments, ...]


@dataclass(frozen=True, eq=False)
class JointMoments:
    """Directions whose precision is uncertain by itself, of N responses.

    Parameters
    ----------
    shift : ndarray, shape (N, f)
        Estimate less least squares.
    turn : ndarray, shape (N, f, f)
        From estimates to independent directions of scale 1.
    df : ndarray, shape (N, f)
        Degrees of freedom of each direction.
    scale_df : ndarray, shape (N,)
        Degrees of freedom of a scale common to the directions.
    """

    shift: Array
    turn: Array
    df: Array
    scale_df: Array


class LevelGrid:
    """Posterior weights over a grid of variances.

    Parameters
    ----------
    p : int
        Coordinates in the columns of X; the others are residual contrasts.
    known, parts : ndarray
        Known covariance and unknown parts, the residual last.
    axes : list of ndarray
        Values of each variance.
    """

    def __init__(self, p: int, known: Array, parts: Array, axes: list[Array]) -> None:
        self.theta = np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")], axis=1)
        # at each point of the other variances V of the residual contrasts is made diagonal once
        self._base = known + np.tensordot(self.theta[:: len(axes[-1]), :-1], parts[:-1], 1)
        root = np.linalg.inv(np.linalg.cholesky(parts[-1, p:, p:]))
        size, vectors = np.linalg.eigh(root @ self._base[:, p:, p:] @ root.T)
        self._turn = root.T @ vectors
        self._inverse = 1.0 / (size[:, None] + axes[-1][:, None])
        self._halves = np.ascontiguousarray(-0.5 * self._inverse.mT)
        self._weigh(parts[:-1, p:, p:], axes)

    def _weigh(self, parts: Array, axes: list[Array]) -> None:
        """Constant part of the logarithm of the posterior.

        Jeffreys' prior of the restricted likelihood, times the size of the grid cell.
        """
        inverse, k = self._inverse, len(parts)
        turned = self._turn.mT[:, None] @ parts @ self._turn[:, None]
        information = np.zeros((*inverse.shape[:2], k + 1, k + 1))
        information[..., k, k] = np.square(inverse).sum(axis=-1)
        for i in range(k):
            own = np.diagonal(turned[:, i], axis1=1, axis2=2)
            mixed = (np.square(inverse) * own[:, None]).sum(axis=-1)
            information[..., i, k] = information[..., k, i] = mixed
            for j in range(i + 1):
                both = ((inverse @ (turned[:, i] * turned[:, j])) * inverse).sum(axis=-1)
                information[..., i, j] = information[..., j, i] = both
        logs = 0.5 * np.linalg.slogdet(information)[1] + 0.5 * np.log(inverse).sum(axis=-1)
        self.log_constant = logs.ravel() + np.log(_cell_sizes(axes))

    def posterior(self, r: Array, dtype: type[np.floating[Any]] = np.float64) -> NDArray[Any]:
        """Weights of the grid points (N, points) of residual contrasts (N, m)."""
        square = r @ self._turn
        np.square(square, out=square)
        by_point = (square @ self._halves).swapaxes(0, 1)
        logs = np.empty(by_point.shape)
        np.add(by_point, self.log_constant.reshape(by_point.shape[1:]), out=logs)
        logs = logs.reshape(len(r), -1)
        logs -= logs.max(axis=1, keepdims=True)
        weight: NDArray[Any] = logs.astype(dtype, copy=False)
        np.exp(weight, out=weight)
        weight /= weight.sum(axis=1, keepdims=True)
        return weight


class ContrastGrid(LevelGrid):
    """Moments of contrasts beside the weights."""

    def __init__(self, design: LevelDesign, known: Array, parts: Array, axes: list[Array]) -> None:
        super().__init__(design.lead.shape[1], known, parts, axes)
        covariance, back = self._estimates(parts[-1], axes[-1])
        precision = 1.0 / ((design.lead @ covariance) * design.lead).sum(axis=-1)
        shift = -(design.lead @ back) * precision[:, :, None]
        self.joint = tuple(_JointGrid(rows, covariance, back) for rows in design.joint)
        # all that is averaged by the posterior, side by side: as it is, and roughly
        blocks = [precision, precision**2, shift.reshape(len(shift), -1)]
        left, self._right = _factored(blocks[2], np.sqrt(precision.mean(axis=1)))
        narrow = [*blocks[:2], left]
        for joint in self.joint:
            blocks += [joint.precision.reshape(len(shift), -1), joint.products, joint.shift]
            narrow += joint.narrow
        self._fine, self._rough = _beside(blocks, np.float64), _beside(narrow, np.float32)
        self.width = self._rough[0].shape[1]

    def _estimates(self, last: Array, steps: Array) -> tuple[Array, Array]:
        """Covariance of the estimates (points, p, p), and their shift from least squares.

        The shift (points, p, m) times the residual contrasts, with its sign turned; the shifted
        estimates are independent of the residual contrasts.
        """
        p = len(last) - self._turn.shape[1]
        rows = self._base[:, None, :p] + steps[:, None, None] * last[:p]
        across = rows[..., p:] @ self._turn[:, None]
        pushed = across * self._inverse[:, :, None]
        back = pushed @ self._turn.mT[:, None]
        covariance = rows[..., :p] - pushed @ across.mT
        return covariance.reshape(-1, p, p), back.reshape(-1, p, len(last) - p)

    def moments(self, r: Array, *, rough: bool = False) -> Moments:
        """Scale, degrees of freedom and centring of every statistic, for r (N, m).

        Roughly: in single precision, which is enough for draws unless precisions lie too far apart.
        """
        if rough:
            with suppress(np.linalg.LinAlgError):
                return self._moments(r, rough=True)
        return self._moments(r, rough=False)

    def _moments(self, r: Array, *, rough: bool) -> Moments:
        values, ends = self._rough if rough else self._fine
        means = self.posterior(r, values.dtype.type) @ values
        first, second, shift, *rest = (
            np.asarray(one, dtype=np.float64) for one in np.split(means, ends, axis=1)
        )
        shift = shift @ self._right if rough else shift
        shift = (shift.reshape(len(r), -1, r.shape[1]) @ r[:, :, None])[:, :, 0] / first
        joint = zip(self.joint, rest[::3], rest[1::3], rest[2::3], strict=True)
        return Moments(
            shift=shift,
            se=1 / np.sqrt(first),
            df=np.maximum(2 * first**2 / np.maximum(second - first**2, 1e-9 * first**2), LEAST_DF),
            joint=tuple(one.moments(r, *means, rough=rough) for one, *means in joint),
        )


def _beside(blocks: list[Array], dtype: type[np.floating[Any]]) -> tuple[NDArray[Any], list[int]]:
    """Blocks of columns as one matrix, and the columns at which it is split again."""
    ends = np.cumsum([block.shape[1] for block in blocks[:-1]]).tolist()
    return np.concatenate(blocks, axis=1, dtype=dtype), ends


def _factored(values: Array, scale: Array) -> tuple[Array, Array]:
    """Two narrow matrices whose product is nearly the values: rows are alike on a fine grid.

    Rows keep about seven digits beside their scale.  What is narrow is left as it is.
    """
    rank = min(*values.shape, _RANK)
    mixed = np.random.default_rng(0).standard_normal((rank, len(values)))
    _, size, turned = np.linalg.svd((mixed / scale) @ values, full_matrices=False)
    right = turned[size > 1e-7 * size[0]]
    if 2 * len(right) > values.shape[1]:
        return values, np.eye(values.shape[1])
    return values @ right.T, right


class _JointGrid:
    """Precision of several contrasts at every grid point."""

    def __init__(self, rows: Array, covariance: Array, back: Array) -> None:
        f = len(rows)
        self.size = f
        self.precision = np.linalg.inv(rows @ covariance @ rows.T)
        self.shift = (-self.precision @ (rows @ back)).reshape(len(back), -1)
        # products of two precisions, each pair once
        upper = np.triu_indices(f)
        flat = self.precision[:, *upper]
        pair = np.triu_indices(flat.shape[1])
        self.products = flat[:, pair[0]] * flat[:, pair[1]]
        number = np.zeros((f, f), dtype=np.intp)
        number[upper] = number.T[upper] = np.arange(flat.shape[1])
        twin = np.zeros((flat.shape[1], flat.shape[1]), dtype=np.intp)
        twin[pair] = twin.T[pair] = np.arange(len(pair[0]))
        # where E[A_ab A_cd] stands: as a matrix from (b, c) to (a, d)
        whole = twin[number[:, :, None, None], number]
        self.inner = whole.transpose(0, 3, 1, 2).reshape(f * f, f * f)
        self._upper, self._pair, self._number = upper, pair, number
        self._narrow(whole)

    def _narrow(self, whole: NDArray[np.intp]) -> None:
        """The same for draws: products and shifts by few columns each."""
        (a, d), (i, j) = self._upper, self._pair
        size = np.sqrt(np.square(self.precision).mean(axis=(1, 2)))
        products, right = _factored(self.products, np.square(size))
        shift, self._shift_right = _factored(self.shift, np.sqrt(size))
        self.narrow = [self.precision.reshape(len(size), -1), products, shift]
        self._right = right
        # from a column and an entry (b, c) of a symmetric matrix to (a, d), each pair once
        b, c = a[:, None], d[:, None]
        both = right[:, whole[a, b, c, d]] + right[:, whole[a, c, b, d]]
        self._inner = np.ascontiguousarray(0.5 * both.reshape(-1, len(a)), dtype=np.float32)
        self._twice = np.where(a == d, 1.0, 2.0), np.where(i == j, 1.0, 2.0)

    def _contracted(self, products: Array, inverse: Array, rough: bool) -> tuple[Array, Array]:
        """Sum over b and c of E[A_ab A_cd] B_bc, for B the inverse; and what B makes of that."""
        f, count = self.size, len(inverse)
        packed = inverse[:, *self._upper] * self._twice[0]
        if rough:
            narrow = products[:, :, None].astype(np.float32) * packed[:, None].astype(np.float32)
            square = (narrow.reshape(count, -1) @ self._inner)[:, self._number]
            products = products @ self._right
        else:
            square = products[:, self.inner] @ inverse.reshape(count, f * f, 1)
        i, j = self._pair
        pairs = packed[:, i]
        pairs *= packed[:, j]
        pairs *= self._twice[1]
        common = np.einsum("nk,nk->n", products, pairs)
        return np.asarray(square.reshape(count, f, f), dtype=np.float64), common

    def moments(
        self, r: Array, mean: Array, products: Array, shift: Array, *, rough: bool
    ) -> JointMoments:
        """Moments from the means of precision, of its products, and of its product with shift."""
        f, count = self.size, len(r)
        mean = mean.reshape(count, f, f)
        root = np.linalg.cholesky(mean)
        back = np.linalg.inv(root)
        square, common = self._contracted(products, back.mT @ back, rough)
        spread, turn = np.linalg.eigh(back @ square @ back.mT - np.eye(f))
        common = common / f**2 - 1.0
        shift = shift @ self._shift_right if rough else shift
        moved = back.mT @ (back @ (shift.reshape(count, f, -1) @ r[:, :, None]))
        return JointMoments(
            shift=np.asarray(moved[:, :, 0], dtype=np.float64),
            turn=(root @ turn).mT,
            df=np.maximum(2 / np.maximum(spread, 1e-9), LEAST_DF),
            scale_df=np.maximum(2 / np.maximum(common, 1e-9), LEAST_DF),
        )


def loosened(known: Array, parts: Array) -> tuple[Array, Array]:
    """Covariances for the statistic, and only there: variances may be negative as far as V allows.

    The independent part of the known covariance counts as unknown, and the residual gives up a
    share of each other part, so that positive multiples reach negative variances.
    """
    independent = FREED * max(float(np.linalg.eigvalsh(known)[0]), 0.0)
    known = known - independent * parts[-1]
    if len(parts) == 1:
        return known, parts
    scaled = [g / np.linalg.eigvalsh(g)[-1] for g in parts[:-1]]
    total = np.sum(scaled, axis=0)
    share = FREED / np.linalg.eigvalsh(total)[-1]
    return known, np.concatenate([parts[:-1], parts[-1:] - share * total])


def grid_axes(design: LevelDesign, scatter: float) -> list[Array]:
    """Variances from far below to far above the measurement (1, where known) and the scatter."""
    sizes = [scatter, 1.0] if design.has_known else [scatter]
    low, high = _LOW * min(sizes), _HIGH * max(sizes)
    steps = _STEP.get(len(design.parts), _STEP[3][:1] * (len(design.parts) - 1) + _STEP[3][-1:])
    largest = [float(np.linalg.eigvalsh(g)[-1]) for g in design.parts]
    return [
        np.geomspace(low, high, 1 + round(np.log(high / low) / step)) / size
        for step, size in zip(steps, largest, strict=True)
    ]


def _cell_sizes(axes: list[Array]) -> Array:
    """Volume of the grid cells; the first cell of an axis reaches down to zero."""
    size = np.ones(1)
    for a in axes:
        edges = np.concatenate([[0.0], (a[1:] + a[:-1]) / 2, [1.5 * a[-1] - 0.5 * a[-2]]])
        size = np.multiply.outer(size, np.diff(edges))
    return size.ravel()
