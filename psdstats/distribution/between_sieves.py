"""How far the errors of curves between their sieves go together, across levels, runs and stacks."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from psdstats.distribution.powder_curve import CurveLaw
from psdstats.frozen import Array

COMMON = 0.7  # of the variance between sieves: the curve's share, the rest is the case's


def between_correlation(law: CurveLaw, case: ArrayLike) -> Array:
    """Correlation of what the curves of all runs and levels do between their sieves.

    Parameters
    ----------
    law : CurveLaw
        R runs, L levels.
    case : array_like of int, shape (R,)
        Runs of one number are one condition on one stack.

    Returns
    -------
    ndarray, shape (R L, R L)
        Run by run, level by level; positive semi-definite.  A size with no law, or from fewer than
        two informative sieves, goes with its own level in its own case alone.

    Notes
    -----
    The error of a size is a functional of the unknown curve ln x = g(z), z the probit of the
    undersize: sum b_i g(z_i) - g(z_level), b the sensitivities to ln aperture, nudged so that
    straight lines give 0.  Under an integrated Wiener process its covariance with another is the
    integral of the product of two piecewise linear functions.  Of the variance, 0.7 is taken to
    belong to the curve and 0.3 to the case.
    """
    b, z = functionals(law)
    knots = np.unique(z)
    ramp = np.einsum("fi,fik->fk", b, np.maximum(z[..., None] - knots, 0))
    gap = np.diff(knots)
    first, second = ramp[:, :-1], ramp[:, 1:]
    third = np.sqrt(gap / 12) * (first - second)  # of the exact integral of a product of lines
    parts = np.hstack([np.sqrt(gap) / 2 * (first + second), third])
    size = np.sqrt((parts**2).sum(1, keepdims=True))
    silent = size[:, 0] < 1e-12
    parts = np.where(silent[:, None], 0.0, parts / np.where(silent[:, None], 1.0, size))
    levels = law.levels.size
    case = np.repeat(np.asarray(case), levels)
    level = np.tile(np.arange(levels), len(law.table))
    same = case[:, None] == case
    alone = silent[:, None] & silent & same & (level[:, None] == level)
    return np.asarray((parts @ parts.T + alone) * np.where(same, 1.0, COMMON))


def functionals(law: CurveLaw) -> tuple[Array, Array]:
    """Weights and places, (R L, n + 1), of each error as a functional; weights 0 where none."""
    runs, levels, n = law.by_ln_aperture.shape
    z0 = ndtri(law.levels)[:, None]
    z = ndtri(np.clip(np.where(law.informative, law.undersize, 0.5), 1e-6, 1 - 1e-6))[:, None]
    some = law.informative[:, None].astype(float)
    b = law.by_ln_aperture
    line = np.stack([np.ones_like(z), z], axis=2) * some[:, :, None]
    near = some / (0.3 + np.abs(z - z0)) ** 2
    miss = np.stack([1 - b.sum(-1), z0[:, 0] - (b * z).sum(-1)], axis=-1)
    normal = np.einsum("rlan,rln,rlbn->rlab", np.broadcast_to(line, (runs, 1, 2, n)), near, line)
    normal += 1e-12 * np.eye(2)
    nudge = np.linalg.solve(normal, miss[..., None])[..., 0]
    b = b + near * np.einsum("rlan,rla->rln", np.broadcast_to(line, (runs, levels, 2, n)), nudge)
    known = (law.informative.sum(1) > 1)[:, None] & np.isfinite(law.ln_size)
    weights = np.concatenate([b, np.full((runs, levels, 1), -1.0)], axis=-1) * known[..., None]
    at = np.broadcast_to(z, (runs, levels, n))
    places = np.concatenate([at, np.broadcast_to(z0, (runs, levels, 1))], axis=-1)
    return weights.reshape(-1, n + 1), places.reshape(-1, n + 1)
