"""Satterthwaite tests of fixed effects with analytic derivatives, for many responses at once.

The variance of a contrast lᵀβ is f(θ) = lᵀΦ(θ)l; its degrees of freedom are 2 f² / (∇f' A ∇f) with
A the inverse observed information about θ.  Several contrasts are rotated to independent ones and
their degrees of freedom pooled as in A. Kuznetsova, P. B. Brockhoff and R. H. B. Christensen,
J. Stat. Softw. 82(13), 2017 (from memory).  Variances at zero count as known zeros: in terms of the
standard deviation, f does not move there.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.models.engine import BatchFit
from psdstats.models.engine_rank_one import rank_one_jacobian
from psdstats.models.kenward_roger import AdjustedCovariance, FTests, f_tail

__all__ = ["satterthwaite", "satterthwaite_df"]

Array = NDArray[np.float64]


def _theta_covariance(fit: BatchFit) -> Array:
    """Inverse observed information in θ; blocks of rank one go through v, zeros are left out."""
    jacobian, observed, use = _edge_coordinates(fit)
    across = jacobian.transpose(0, 2, 1)
    q = observed.shape[1]
    both = use[:, :, None] & use[:, None, :]
    inner = np.where(both, observed, np.eye(q))
    scale = np.sqrt(np.abs(np.einsum("bii->bi", inner)))
    scaled = inner / (scale[:, :, None] * scale[:, None, :])
    inverse = np.linalg.pinv(scaled, hermitian=True) / (scale[:, :, None] * scale[:, None, :])
    covariance: Array = jacobian @ np.where(both, inverse, 0.0) @ across
    return covariance


def _edge_coordinates(fit: BatchFit) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Coordinates in which the maximum is an interior one: Jacobian, information, what is used."""
    rows, q = fit.theta.shape
    use = ~(fit.on_edge & fit.parts.is_variance)
    jacobian = np.tile(np.eye(q), (rows, 1, 1))
    observed = fit.observed
    for block in fit.parts.blocks:
        first, second, cross = block
        edged = fit.on_edge[:, cross]
        if not edged.any():
            continue
        loose = np.ones_like(fit.theta)
        loose[:, first] = np.sqrt(np.maximum(fit.theta[:, first], 0.0))
        sign = np.where(fit.theta[:, cross] < 0, -1.0, 1.0)
        loose[:, second] = sign * np.sqrt(np.maximum(fit.theta[:, second], 0.0))
        chain = rank_one_jacobian(loose, block)
        rotated = chain.transpose(0, 2, 1) @ observed @ chain
        rotated[:, first, first] -= 2 * fit.score[:, first]
        rotated[:, second, second] -= 2 * fit.score[:, second]
        rotated[:, first, second] -= fit.score[:, cross]
        rotated[:, second, first] -= fit.score[:, cross]
        pick = edged[:, None, None]
        observed = np.where(pick, rotated, observed)
        jacobian = np.where(pick, jacobian @ chain, jacobian)
        use = use.copy()
        use[edged, first] = use[edged, second] = True
        use[edged, cross] = False
    return jacobian, observed, use


def satterthwaite_df(
    fit: BatchFit, covariance: AdjustedCovariance, contrasts: ArrayLike
) -> tuple[Array, Array]:
    """Variance and degrees of freedom of each single contrast.

    Parameters
    ----------
    fit : BatchFit
        REML fits.
    covariance : AdjustedCovariance
        For its Φ and P_k.
    contrasts : array_like, shape (m, p) or (B, m, p)
        One contrast a row.

    Returns
    -------
    variance, df : ndarray, shape (B, m)
        lᵀΦl and its Satterthwaite degrees of freedom (infinite where nothing is estimated).
    """
    rows_of = np.asarray(contrasts, dtype=float)
    side = rows_of @ covariance.plain
    variance = (side * rows_of).sum(axis=-1)
    gradient = -np.einsum("bmx,bkxy,bmy->bmk", side, covariance.slopes, side, optimize=True)
    spread = np.einsum("bmk,bkj,bmj->bm", gradient, _theta_covariance(fit), gradient)
    with np.errstate(divide="ignore"):
        df = np.where(spread > 0, 2 * variance**2 / spread, np.inf)
    return variance, df


def satterthwaite(
    fit: BatchFit, covariance: AdjustedCovariance, contrast: ArrayLike, *, at: ArrayLike = 0.0
) -> FTests:
    """Test Lβ = h for every response with Satterthwaite degrees of freedom.

    Parameters
    ----------
    fit : BatchFit
        REML fits.
    covariance : AdjustedCovariance
        From `adjusted_covariance` for the same fits.
    contrast : array_like, shape (l, p)
        L, of full row rank.
    at : array_like, shape (l,) or scalar
        h.

    Returns
    -------
    FTests
        F, its degrees of freedom and p for every response.
    """
    l_matrix = np.atleast_2d(np.asarray(contrast, dtype=float))
    rank = len(l_matrix)
    difference = fit.beta @ l_matrix.T - np.asarray(at, dtype=float)
    size, vectors = np.linalg.eigh(l_matrix @ covariance.plain @ l_matrix.T)
    along = (vectors.transpose(0, 2, 1) @ difference[:, :, None])[:, :, 0]
    f = (along**2 / size).sum(axis=1) / rank
    single = vectors.transpose(0, 2, 1) @ l_matrix
    _, df_each = satterthwaite_df(fit, covariance, single)
    df = _pooled(df_each)
    return FTests(f=f, df_num=rank, df_den=df, p=f_tail(f, rank, df), scaling=np.ones_like(f))


def _pooled(df: Array) -> Array:
    """One denominator for independent t statistics: E[F] = Σ ν/(ν-2) / l, solved for ν."""
    rank = df.shape[1]
    if rank == 1:
        return df[:, 0]
    small = (df <= 2).any(axis=1)
    safe = np.where(df > 2, df, 3.0)
    excess = (2.0 / (safe - 2.0)).sum(axis=1)
    with np.errstate(divide="ignore"):
        pooled = np.where(excess > 0, 2.0 * (excess + rank) / excess, np.inf)
    finite = np.asarray(np.isfinite(df).all(axis=1))
    safe = np.where(finite[:, None], df, 1.0)
    same = finite & (safe.max(axis=1) - safe.min(axis=1) < 1e-8)
    return np.where(same, df.mean(axis=1), np.where(small, 2.0, pooled))
