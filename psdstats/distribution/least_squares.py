"""Weighted non-linear least squares for many small problems at once, with bounds.

Levenberg–Marquardt with projection onto the bounds; NumPy only.  All problems share the number of
rows and of parameters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from psdstats.frozen import Array, Flags

Residuals = Callable[[Array], tuple[Array, Array]]

MOST_STEPS = 200
TOLERANCE = 1e-10


@dataclass(frozen=True, kw_only=True, eq=False)
class Minimum:
    """Least sums of squares of B problems.

    Parameters
    ----------
    beta : ndarray, shape (B, p)
        Where they lie.
    cost : ndarray, shape (B,)
        Sums of squares.
    converged : ndarray of bool, shape (B,)
        Whether the last step was too small to matter.
    """

    beta: Array
    cost: Array
    converged: Flags


def minimise(
    residuals: Residuals, start: Array, lower: Array, upper: Array, *, settled: float = 1e-7
) -> Minimum:
    """Minimise the sums of squares of B problems; `settled` is the last step that matters.

    Shapes: start (B, p), lower, upper (p,).
    """
    beta = np.clip(start, lower, upper)
    if beta.shape[1] == 0:
        rows, _ = residuals(beta)
        return Minimum(beta=beta, cost=(rows**2).sum(1), converged=np.ones(len(beta), dtype=bool))
    r, jacobian = residuals(beta)
    cost = (r**2).sum(axis=1)
    damping = np.full(len(beta), 1e-3)
    done = np.zeros(len(beta), dtype=bool)
    for _ in range(MOST_STEPS):
        step = _step(r, jacobian, damping, _held(r, jacobian, beta, lower, upper))
        trial = np.where(done[:, None], beta, np.clip(beta + step, lower, upper))
        moved = np.abs(trial - beta).max(axis=1)
        new_r, new_jacobian = residuals(trial)
        new_cost = (new_r**2).sum(axis=1)
        better = (new_cost <= cost) & ~done
        done |= better & (cost - new_cost <= TOLERANCE * cost) & (moved <= settled)
        done |= (moved <= 1e-13) | (~better & (damping > 1e12))
        beta = np.where(better[:, None], trial, beta)
        r = np.where(better[:, None], new_r, r)
        jacobian = np.where(better[:, None, None], new_jacobian, jacobian)
        cost = np.where(better, new_cost, cost)
        damping = np.where(better, np.maximum(damping / 5, 1e-12), damping * 4)
        if done.all():
            break
    return Minimum(beta=beta, cost=cost, converged=done)


def _held(r: Array, jacobian: Array, beta: Array, lower: Array, upper: Array) -> Flags:
    """Parameters at a bound that the slope pushes against."""
    slope = np.einsum("bn,bnp->bp", r, jacobian)
    held: Flags = ((beta <= lower) & (slope > 0)) | ((beta >= upper) & (slope < 0))
    return held


def _step(r: Array, jacobian: Array, damping: Array, held: Flags) -> Array:
    free = np.where(held[:, None, :], 0.0, jacobian)
    across = free.transpose(0, 2, 1)
    normal = across @ free
    size = np.einsum("bpp->bp", normal)
    least = 1e-12 * size.max(axis=1, keepdims=True) + 1e-300
    added = damping[:, None] * np.maximum(size, least) + np.where(held, 1.0, 0.0) + least
    normal = normal + added[:, :, None] * np.eye(normal.shape[1])
    solved: Array = np.linalg.solve(normal, -(across @ r[:, :, None]))[:, :, 0]
    return solved
