"""Restricted likelihood and generalised least squares at every point of a grid of variances.

The posterior of the variances under Jeffreys' prior is a set of weights of the grid points, found
for many responses at once by one product: r'Ar is linear in the products of the values of r.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array
from psdstats.models.level_design import LevelDesign

FREED = 0.98
"""Share of what could be given to negative variances; 1 would let V become singular."""

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
    """Weights and moments over a grid of variances."""

    def __init__(self, design: LevelDesign, known: Array, parts: Array, axes: list[Array]) -> None:
        p = design.lead.shape[1]
        self.theta = np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")], axis=1)
        v = known + np.tensordot(self.theta, parts, 1)
        self.restricted = v[:, p:, p:]
        inverse = np.asarray(np.linalg.inv(self.restricted), dtype=np.float64)
        # estimate at theta = least squares + shift @ residual contrasts, independent of them
        self.back = v[:, :p, p:] @ inverse
        self.covariance = v[:, :p, :p] - self.back @ v[:, p:, :p]
        self._weigh(inverse, parts[:, p:, p:], axes)
        variance = ((design.lead @ self.covariance) * design.lead).sum(axis=-1)
        precision = 1.0 / variance
        shift = -(design.lead @ self.back) * precision[:, :, None]
        self.joint = tuple(_JointGrid(rows, self.covariance, self.back) for rows in design.joint)
        # all that is averaged by the posterior, side by side
        blocks = [precision, precision**2, shift.reshape(len(v), -1)]
        for joint in self.joint:
            blocks += [joint.precision.reshape(len(v), -1), joint.products, joint.shift]
        self._ends = np.cumsum([block.shape[1] for block in blocks])
        self._values = np.concatenate(blocks, axis=1)
        self._rough = self._values.astype(np.float32)
        self.width = self._values.shape[1]

    def _weigh(self, inverse: Array, parts: Array, axes: list[Array]) -> None:
        """Constant and quadratic part of the logarithm of the posterior."""
        # Jeffreys' prior of the restricted likelihood, times the size of the grid cell
        count, m = len(inverse), inverse.shape[1]
        slopes = inverse[:, None] @ parts
        left = slopes.reshape(count, len(parts), m * m)
        right = slopes.mT.reshape(count, len(parts), m * m)
        self.log_constant = (
            0.5 * np.linalg.slogdet(0.5 * left @ right.mT)[1]
            - 0.5 * np.linalg.slogdet(self.restricted)[1]
            + np.log(_cell_sizes(axes))
        )
        self.upper = np.triu_indices(m)
        twice = np.where(self.upper[0] == self.upper[1], 1.0, 2.0)
        self.quadratic = np.ascontiguousarray((-0.5 * inverse[:, *self.upper] * twice).T)

    def posterior(self, r: Array, dtype: type[np.floating[Any]] = np.float64) -> NDArray[Any]:
        """Weights of the grid points (N, points) of residual contrasts (N, m)."""
        logs = (r[:, self.upper[0]] * r[:, self.upper[1]]) @ self.quadratic
        logs += self.log_constant
        logs -= logs.max(axis=1, keepdims=True)
        weight = np.exp(logs.astype(dtype, copy=False))
        weight /= weight.sum(axis=1, keepdims=True)
        return weight

    def moments(self, r: Array, *, rough: bool = False) -> Moments:
        """Scale, degrees of freedom and centring of every statistic, for r (N, m).

        Roughly: in single precision, which is enough for draws.
        """
        w = self.posterior(r, np.float32 if rough else np.float64)
        means = np.asarray(w @ (self._rough if rough else self._values), dtype=np.float64)
        first, second, shift, *rest = np.split(means, self._ends[:-1], axis=1)
        shift = (shift.reshape(len(r), -1, r.shape[1]) @ r[:, :, None])[:, :, 0] / first
        joint = zip(self.joint, rest[::3], rest[1::3], rest[2::3], strict=True)
        return Moments(
            shift=shift,
            se=1 / np.sqrt(first),
            df=2 * first**2 / np.maximum(second - first**2, 1e-9 * first**2),
            joint=tuple(one.moments(r, *means) for one, *means in joint),
        )


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
        # where E[A_ab A_cd] stands: as a matrix from (b, c) to (a, d), and from (c, d) to (a, b)
        whole = twin[number[:, :, None, None], number]
        self.inner = whole.transpose(0, 3, 1, 2).reshape(f * f, f * f)
        self.outer = whole.reshape(f * f, f * f)

    def moments(self, r: Array, mean: Array, products: Array, shift: Array) -> JointMoments:
        """Moments from the means of precision, of its products, and of its product with shift."""
        f, count = self.size, len(r)
        mean = mean.reshape(count, f, f)
        root = np.linalg.cholesky(mean)
        back = np.linalg.inv(root)
        inverse = (back.mT @ back).reshape(count, f * f, 1)
        square = (products[:, self.inner] @ inverse).reshape(count, f, f)
        spread, turn = np.linalg.eigh(back @ square @ back.mT - np.eye(f))
        common = (inverse.mT @ products[:, self.outer] @ inverse)[:, 0, 0] / f**2 - 1.0
        moved = np.linalg.solve(mean, shift.reshape(count, f, -1) @ r[:, :, None])
        return JointMoments(
            shift=np.asarray(moved[:, :, 0], dtype=np.float64),
            turn=(root @ turn).mT,
            df=2 / np.maximum(spread, 1e-9),
            scale_df=2 / np.maximum(common, 1e-9),
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
