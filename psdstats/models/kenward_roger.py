"""Small-sample tests of fixed effects, for many responses with one design or for one.

Kenward–Roger: M. G. Kenward and J. H. Roger, Small sample inference for fixed effects from
restricted maximum likelihood, Biometrics 53 (1997) 983-997; covariance linear in its parameters,
so the second derivatives of V vanish.  A known covariance enters V only: it has no derivative.
Where every variance is known the degrees of freedom are infinite and the reference is chi-squared.

Satterthwaite, with analytic derivatives: the variance of a contrast lᵀβ is f(θ) = lᵀΦ(θ)l; its
degrees of freedom are 2 f² / (∇f' A ∇f) with A the inverse observed information about θ.  Several
contrasts are rotated to independent ones and their degrees of freedom pooled as in A. Kuznetsova,
P. B. Brockhoff and R. H. B. Christensen, J. Stat. Softw. 82(13), 2017 (from memory).  Variances at
zero count as known zeros: in terms of the standard deviation, f does not move there.

Arrays of B responses have a first axis B; those of one response (`BatchFit.row`) lack it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from psdstats.frozen import Array, Flags
from psdstats.models.engine import BatchFit
from psdstats.models.judged import f_tail
from psdstats.models.likelihood import Choice, add_bend, root_jacobian


class Inference(Choice):
    """How degrees of freedom are found; a large-sample test is not among the choices."""

    KENWARD_ROGER = "kenward-roger"
    SATTERTHWAITE = "satterthwaite"


@dataclass(frozen=True, kw_only=True)
class TermTest:
    """F test of a term or of a contrast matrix.

    Parameters
    ----------
    term : str
        What was tested.
    method : Inference
        How the degrees of freedom were found.
    f, df_num, df_den, p : float
        Statistic (scaling included), degrees of freedom (infinite where nothing is estimated),
        upper tail; of many responses arrays (B,), but for df_num.
    scaling : float
        Factor in ``f`` that the method put there (1 for one contrast).
    """

    term: str
    method: Inference
    f: float
    df_num: int
    df_den: float
    p: float
    scaling: float


def _term_test(method: Inference, f: Array, rank: int, df: Array, scaling: Array) -> TermTest:
    """The record of a test: numbers of one response, arrays of several."""
    found = {"f": f, "df_den": df, "p": f_tail(f, rank, df), "scaling": scaling}
    plain: dict[str, Any] = {
        name: one if np.ndim(one) else float(one) for name, one in found.items()
    }
    return TermTest(term="contrast matrix", method=method, df_num=rank, **plain)


@dataclass(frozen=True, kw_only=True, eq=False)
class AdjustedCovariance:
    """What Kenward–Roger tests of B responses need.

    Parameters
    ----------
    plain : ndarray, shape (B, p, p)
        Φ = (XᵀV⁻¹X)⁻¹.
    adjusted : ndarray, shape (B, p, p)
        Φ_A, which allows for the estimation of V.
    slopes : ndarray, shape (B, q, p, p)
        P_k = -XᵀV⁻¹G_kV⁻¹X.
    theta_covariance : ndarray, shape (B, q, q)
        W, the inverse of the expected information about θ.
    """

    plain: Array
    adjusted: Array
    slopes: Array
    theta_covariance: Array


def adjusted_covariance(fit: BatchFit, *, drop_edges: bool = False) -> AdjustedCovariance:
    """Φ, Φ_A and the pieces Kenward–Roger degrees of freedom are made of.

    With ``drop_edges`` variances at zero count as known.

    Notes
    -----
    Λ = Φ {Σ_ij W_ij (Q_ij - P_i Φ P_j)} Φ and Φ_A = Φ + 2Λ, with
    Q_ij = XᵀV⁻¹G_iV⁻¹G_jV⁻¹X.
    """
    x, matrices = fit.design, fit.parts.matrices
    lead, q, (n, p) = fit.beta.shape[:-1], len(matrices), x.shape
    phi = fit.beta_covariance
    weighted = fit.precision @ x
    # G_k V⁻¹ X for every k, side by side: (B, q, n, p)
    pushed = (matrices.reshape(q * n, n) @ weighted).reshape(*lead, q, n, p)
    slopes = -(weighted.mT[..., None, :, :] @ pushed)
    w = fit.expected
    if q:
        size = np.sqrt(np.einsum("...ii->...i", w))
        scale = size[..., :, None] * size[..., None, :]
        known = (fit.on_edge[..., :, None] | fit.on_edge[..., None, :]) & drop_edges
        w = np.where(known, 0.0, np.linalg.inv(np.where(known, np.eye(q), w / scale)) / scale)
    flat = pushed.swapaxes(-3, -2).reshape(*lead, n, q * p)
    squares = (flat.mT @ fit.precision @ flat).reshape(*lead, q, p, q, p)
    if fit.parts.leak is not None:
        squares[..., -1, :, -1, :] += weighted.mT @ fit.parts.leak @ weighted
    bent = np.einsum("...ij,...ixjy->...xy", w, squares, optimize=True)
    mixed = np.einsum("...ij,...jxy->...ixy", w, slopes)
    bent -= (slopes @ phi[..., None, :, :] @ mixed).sum(axis=-3)
    inflation = phi @ bent @ phi
    adjusted = phi + inflation + inflation.mT
    return AdjustedCovariance(plain=phi, adjusted=adjusted, slopes=slopes, theta_covariance=w)


def kenward_roger(fit: BatchFit, covariance: AdjustedCovariance, contrast: ArrayLike) -> TermTest:
    """Test Lβ = 0 for every response.

    Shapes: contrast (l, p).

    Notes
    -----
    With Θ = Lᵀ(LΦLᵀ)⁻¹L, A₁ = Σ W_ij tr(ΘΦP_iΦ) tr(ΘΦP_jΦ), A₂ = Σ W_ij tr(ΘΦP_iΦΘΦP_jΦ),
    moments of F are matched as in the paper.  For one contrast λ = 1 and m = 2/A₂.  Where
    fewer than about two degrees of freedom leave F without a mean to match, m = 2l/A₂ and λ = 1.
    """
    l_matrix = np.atleast_2d(np.asarray(contrast, dtype=float))
    rank = len(l_matrix)
    difference = fit.beta @ l_matrix.T
    spread = l_matrix @ covariance.adjusted @ l_matrix.T
    solved = np.linalg.solve(spread, difference[..., None])[..., 0]
    wald = (difference * solved).sum(axis=-1) / rank
    plain = np.linalg.inv(l_matrix @ covariance.plain @ l_matrix.T)
    side = (l_matrix @ covariance.plain)[..., None, :, :]
    shares = plain[..., None, :, :] @ (side @ covariance.slopes @ side.mT)
    traces = np.einsum("...kii->...k", shares)
    w = covariance.theta_covariance
    a1 = np.einsum("...ij,...i,...j->...", w, traces, traces)
    a2 = np.einsum("...ij,...ixy,...jyx->...", w, shares, shares, optimize=True)
    df, scaling = _moments(a1, a2, rank)
    return _term_test(Inference.KENWARD_ROGER, wald * scaling, rank, df, scaling)


def single_df(covariance: AdjustedCovariance, contrasts: ArrayLike) -> Array:
    """Kenward–Roger degrees of freedom of each single contrast.

    Shapes: contrasts (m, p); gives (B, m) or (m,).
    """
    side = np.asarray(contrasts, dtype=float) @ covariance.plain
    variance = (side * np.asarray(contrasts, dtype=float)).sum(axis=-1)
    across = side[..., None, :, :]
    gradient = (across @ covariance.slopes * across).sum(axis=-1)
    spread = np.einsum("...km,...kj,...jm->...m", gradient, covariance.theta_covariance, gradient)
    found = spread > 1e-14 * variance**2
    df: Array = np.where(found, 2 * variance**2 / np.where(found, spread, 1.0), np.inf)
    return df


def _moments(a1: Array, a2: Array, rank: int) -> tuple[Array, Array]:
    """Denominator degrees of freedom and scaling from A₁ and A₂."""
    nothing = a2 <= 1e-14
    a1, a2 = np.where(nothing, 1.0, a1), np.where(nothing, 1.0, a2)
    b = (a1 + 6 * a2) / (2 * rank)
    g = ((rank + 1) * a1 - (rank + 4) * a2) / ((rank + 2) * a2)
    below = 3 * rank + 2 * (1 - g)
    c1, c2, c3 = g / below, (rank - g) / below, (rank + 2 - g) / below
    v0, v1, v2 = 1 + c1 * b, 1 - c2 * b, 1 - c3 * b
    left = 1 - a2 / rank
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where((np.abs(left) < 1e-10) & (np.abs(v1) < 1e-10), 1.0, left / v1)
        rho = ratio**2 * np.where(np.abs(v0) < 1e-10, 0.0, v0) / (rank * v2)
        df = 4 + (rank + 2) / (rank * rho - 1)
        scaling = np.where(np.abs(df - 2) < 1e-2, 1.0, df * left / (df - 2))
        broken = ~np.isfinite(df) | (df < 1.99) | (scaling <= 0) | (left < -1e-8)
    average = 2 * rank / a2
    df, scaling = np.where(broken, average, df), np.where(broken, 1.0, scaling)
    if rank == 1:
        df, scaling = average, np.ones_like(a1)
    return np.where(nothing, np.inf, df), np.where(nothing, 1.0, scaling)


def _observed_theta_covariance(fit: BatchFit) -> Array:
    """Inverse observed information in θ; blocks of rank one go through v, zeros are left out."""
    jacobian, observed, use = _edge_coordinates(fit)
    q = observed.shape[-1]
    both = use[..., :, None] & use[..., None, :]
    inner = np.where(both, observed, np.eye(q))
    size = np.sqrt(np.abs(np.einsum("...ii->...i", inner)))
    scale = size[..., :, None] * size[..., None, :]
    inverse = np.linalg.pinv(inner / scale, hermitian=True) / scale
    covariance: Array = jacobian @ np.where(both, inverse, 0.0) @ jacobian.mT
    return covariance


def _edge_coordinates(fit: BatchFit) -> tuple[Array, Array, Flags]:
    """Coordinates in which the maximum is an interior one: Jacobian, information, what is used."""
    q = fit.theta.shape[-1]
    use = ~(fit.on_edge & fit.parts.is_variance)
    jacobian = np.broadcast_to(np.eye(q), (*fit.theta.shape, q))
    observed = fit.observed
    for block in fit.parts.blocks:
        first, second, cross = block
        edged = fit.on_edge[..., cross]
        if not edged.any():
            continue
        loose = np.ones_like(fit.theta)
        loose[..., first] = np.sqrt(np.maximum(fit.theta[..., first], 0.0))
        sign = np.where(fit.theta[..., cross] < 0, -1.0, 1.0)
        loose[..., second] = sign * np.sqrt(np.maximum(fit.theta[..., second], 0.0))
        chain, pick = root_jacobian(loose, block), edged[..., None, None]
        bent = chain.mT @ observed @ chain
        add_bend(bent, fit.score, block)
        observed = np.where(pick, bent, observed)
        jacobian = np.where(pick, jacobian @ chain, jacobian)
        use[..., first] |= edged
        use[..., second] |= edged
        use[..., cross] &= ~edged
    return jacobian, observed, use


def satterthwaite_df(fit: BatchFit, covariance: AdjustedCovariance, contrasts: ArrayLike) -> Array:
    """Satterthwaite's degrees of freedom of each single contrast.

    Shapes: contrasts (m, p); gives (B, m) or (m,).
    """
    rows_of = np.asarray(contrasts, dtype=float)
    side = rows_of @ covariance.plain
    variance = (side * rows_of).sum(axis=-1)
    gradient = np.einsum("...mx,...kxy,...my->...mk", side, covariance.slopes, side, optimize=True)
    inner = _observed_theta_covariance(fit)
    spread = np.einsum("...mk,...kj,...mj->...m", gradient, inner, gradient)
    with np.errstate(divide="ignore"):
        df: Array = np.where(spread > 0, 2 * variance**2 / spread, np.inf)
    return df


def satterthwaite(fit: BatchFit, covariance: AdjustedCovariance, contrast: ArrayLike) -> TermTest:
    """Test Lβ = 0 for every response with Satterthwaite degrees of freedom.

    Shapes: contrast (l, p).
    """
    l_matrix = np.atleast_2d(np.asarray(contrast, dtype=float))
    rank = len(l_matrix)
    difference = fit.beta @ l_matrix.T
    size, vectors = np.linalg.eigh(l_matrix @ covariance.plain @ l_matrix.T)
    along = (vectors.mT @ difference[..., None])[..., 0]
    f = (along**2 / size).sum(axis=-1) / rank
    df = satterthwaite_df(fit, covariance, vectors.mT @ l_matrix)
    # one denominator for independent t statistics: E[F] = Σ ν/(ν-2) / l, solved for ν
    small = (df <= 2).any(axis=-1)
    excess = (2.0 / (np.where(df > 2, df, 3.0) - 2.0)).sum(axis=-1)
    with np.errstate(divide="ignore"):
        pooled = np.where(excess > 0, 2.0 * (excess + rank) / excess, np.inf)
    finite = np.asarray(np.isfinite(df).all(axis=-1))
    safe = np.where(finite[..., None], df, 1.0)
    same = finite & (safe.max(axis=-1) - safe.min(axis=-1) < 1e-8)
    found = np.where(same, df.mean(axis=-1), np.where(small, 2.0, pooled))
    found = df[..., 0] if rank == 1 else found
    return _term_test(Inference.SATTERTHWAITE, f, rank, found, np.ones_like(f))
