"""What a design leaves open about its variances, and contrasts judged over all they may be.

Model: y ~ N(X β, V_known + Σ θ_k G_k).  The variances get a posterior on a grid, from the
restricted likelihood and Jeffreys' prior of it; a contrast is then a mixture of normals, one at
each grid point.  With one variance and nothing known this is Student's t, exactly.  With a known
part it is the answer of Behrens and Fisher to a variance that is in part known: its tests reject
at most as often as they say, at the price of some power (`tests/calibration/bench_findings.py`).
Nothing is simulated but the law of the largest of several contrasts.

Units: whatever the response has; variances in its square.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from psdstats.covariance import Covariance, SharedErrors
from psdstats.errors import ModelError
from psdstats.frozen import Array, Flags, Still, freeze_arrays
from psdstats.models.engine import Columns, CovarianceParts, shared_problem
from psdstats.models.judged import Family, Judged, Side
from psdstats.models.likelihood import maximise
from psdstats.student import scale_rule

POINTS = {1: (96,), 2: (20, 40), 3: (10, 10, 20)}
"""Grid points of each variance, the residual last."""

FROM, TO = 4e-4, 2.5e3  # ends of the grid over the smaller and the larger of known and scatter
FREED = 0.98  # of the least eigenvalue; all of it would make the rest singular
_UNFELT = 1e-9  # share of a part that what X leaves must show of it
_ROUNDING = 1e-11  # of the largest direction of a covariance
NARROW, NARROW_POINTS = 5.5, 17  # of the grid of a variance that is known well: ends in SD
EDGE, LEAST_WEIGHT = 8.0, 1e-14
_AT_ONCE = 16  # points whose covariances are held together
NEAR = 50.0  # ln of likelihood below its largest from which no weight can be felt
DRAWS, SEED, STEPS = 40_000, 13, 60
ALIKE = 1e-9  # covariances of unit trace nearer than this are one


@dataclass(frozen=True, kw_only=True, eq=False)
class VariancePosterior(Still):
    """What the variances of a design may be.

    Parameters
    ----------
    theta : ndarray, shape (h, k)
        Variances at the points.
    weight : ndarray, shape (h,)
        Posterior weights, adding up to 1.
    """

    theta: Array
    weight: Array


def stated_posterior(variance: float, df: float) -> VariancePosterior:
    """One variance, estimated with so many degrees of freedom: ν s²/χ².

    With infinite degrees of freedom the variance is known.
    """
    s, weight = scale_rule(df, edge=EDGE)
    seen = weight > LEAST_WEIGHT
    return VariancePosterior(
        theta=variance / s[seen, None] ** 2, weight=weight[seen] / weight[seen].sum()
    )


def variance_posterior(y: ArrayLike, x: ArrayLike, parts: CovarianceParts) -> VariancePosterior:
    """Posterior of the variances of one response.

    Shapes: y (n,), x (n, p).

    Notes
    -----
    With Q an orthonormal basis of what X leaves and r = Q'y, the weight of a point is
    |Q'VQ|^(-1/2) exp(-r'(Q'VQ)⁻¹r/2) √det I(θ), times the size of its cell.  A part that X takes
    up altogether is taken as zero.
    """
    response, design, known = np.asarray(y, dtype=float), np.asarray(x, dtype=float), parts.known
    complement = left_over(design)
    if not complement.shape[1]:
        raise ModelError(
            f"The {design.shape[0]} runs leave nothing to estimate a variance from; add "
            "replicates, or declare the run-to-run variation."
        )
    if isinstance(known, SharedErrors):
        return _beside_shared(response, design, parts.columns or (), known)
    r, inner = complement.T @ response, complement.T @ parts.matrices @ complement
    # a variance that the scatter does not show has no posterior: zero
    felt = np.abs(inner).max(axis=(1, 2)) > _UNFELT * np.abs(parts.matrices).max(axis=(1, 2))
    inner, given = inner[felt], np.zeros((len(r), len(r)))
    if known is not None:  # without the negative directions that rounding gives it
        size, turn = np.linalg.eigh(complement.T @ known @ complement)
        given = (turn * np.maximum(size, _ROUNDING * size[-1])) @ turn.T
    if len(inner) == 1 and not np.any(given):
        df = len(r)
        found = stated_posterior(float(r @ np.linalg.solve(inner[0], r)) / df, df)
        return _among(found, felt)
    # variances from far below to far above the measurement and the scatter
    sizes = [float(np.mean(r**2)), float(np.mean(np.diag(given)))]
    sizes = [one for one in sizes if one > 0] or [1.0]
    low, high = FROM * min(sizes), TO * max(sizes)
    counts = zip(POINTS[len(inner)], inner, strict=True)
    axes = [np.geomspace(low, high, n) / np.linalg.eigvalsh(one)[-1] for n, one in counts]
    theta = _points(axes)
    level = _few(_log_likelihood, theta, inner, given, r)
    found = _weighed(axes, level, lambda near: _few(_information, theta[near], inner, given))
    return _among(found, felt)


def _few(function: Callable[..., Array], theta: Array, *given: Array) -> Array:
    """A function of points, a few at a time: matrices at all of them at once take long to fill."""
    parts = (theta[i : i + _AT_ONCE] for i in range(0, len(theta), _AT_ONCE))
    return np.concatenate([function(some, *given) for some in parts])


def _log_likelihood(theta: Array, inner: Array, given: Array, r: Array) -> Array:
    """Restricted log likelihood of r at points (h, k)."""
    root = np.linalg.cholesky(given + np.tensordot(theta, inner, 1))
    rest = np.linalg.solve(root, np.broadcast_to(r[:, None], (len(root), len(r), 1)))[..., 0]
    size = np.diagonal(root, axis1=1, axis2=2)
    return np.asarray(-np.log(size).sum(axis=1) - 0.5 * (rest**2).sum(axis=1))


def _information(theta: Array, inner: Array, given: Array) -> Array:
    """Expected information (h, k, k) at points (h, k), but for a half."""
    back = np.linalg.inv(np.linalg.cholesky(given + np.tensordot(theta, inner, 1)))
    slopes = back[:, None] @ inner @ back.mT[:, None]
    return np.asarray(np.einsum("hkab,hlab->hkl", slopes, slopes))


def _beside_shared(y: Array, x: Array, columns: Columns, known: SharedErrors) -> VariancePosterior:
    """The same of very many runs, on a grid about the largest likelihood where it is narrow."""
    left = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    basis = np.linalg.qr(x)[0]
    dense = [z.toarray() for z in columns]
    felt = [
        np.square(z - basis @ (basis.T @ z)).sum() > _UNFELT * np.square(z).sum() for z in dense
    ]
    used = [z for z, is_felt in zip(columns, felt, strict=True) if is_felt]
    problem = shared_problem(left, x, used, known)
    bounded = np.ones(len(used) + 1, dtype=bool)
    start = np.full((1, len(bounded)), 1.0 / len(bounded))
    best = maximise(problem, start, bounded, tolerance=1e-8)
    spread = np.sqrt(np.diagonal(np.linalg.pinv(best.value.expected[0], hermitian=True)))
    axes = []
    for k, size in enumerate(best.theta[0]):
        if size > 2 * spread[k]:
            reach = NARROW * spread[k] / size
            axes.append(size * np.exp(np.linspace(-reach, reach, NARROW_POINTS)))
        else:  # in scaled units the scatter is 1
            axes.append(np.geomspace(FROM * float(problem.known.own.mean()), TO, POINTS[3][2]))
    theta = _points(axes)
    found = _weighed(
        axes,
        np.array([problem.level(one) for one in theta]),
        lambda near: problem.value(theta[near], np.flatnonzero(near)).expected,
    )
    unit = problem.response_scale[0] ** 2 / problem.matrix_scale
    in_unit = VariancePosterior(theta=found.theta * unit, weight=found.weight)
    return _among(in_unit, np.array([*felt, True]))


def _points(axes: Sequence[Array]) -> Array:
    """Points (h, k) of a grid."""
    return np.stack([one.ravel() for one in np.meshgrid(*axes, indexing="ij")], axis=1)


def _weighed(
    axes: list[Array], level: Array, information: Callable[[Flags], Array]
) -> VariancePosterior:
    """Points of a grid by their log likelihood (h,) and the information at some of them."""
    near, volume = level > level.max() - NEAR, np.ones(1)
    log_size = 0.5 * np.linalg.slogdet(information(near))[1]
    for one in axes:  # the first cell of an axis reaches down to zero
        edges = np.concatenate([[0.0], (one[1:] + one[:-1]) / 2, [1.5 * one[-1] - 0.5 * one[-2]]])
        volume = np.multiply.outer(volume, np.diff(edges)).ravel()
    log_weight = level[near] + log_size + np.log(volume[near])
    weight = np.exp(log_weight - log_weight.max())
    kept = weight > LEAST_WEIGHT * weight.sum()
    theta = _points(axes)[near][kept]
    return VariancePosterior(theta=theta, weight=weight[kept] / weight[kept].sum())


def _among(found: VariancePosterior, felt: Flags) -> VariancePosterior:
    """The same among all variances, of which those that are not felt are zero."""
    theta = np.zeros((len(found.weight), len(felt)))
    theta[:, felt] = found.theta
    return VariancePosterior(theta=theta, weight=found.weight)


def freed(known: Covariance) -> Covariance:
    """Known covariance (n, n) less what is alike and independent in all rows.

    Left to the residual variance, it costs no test its level, and where rows share all the rest
    alike (one stack of sieves) the law of a difference is Student's t again.
    """
    if isinstance(known, SharedErrors):
        return known.less(FREED * max(known.least(), 0.0))
    least = max(float(np.linalg.eigvalsh(known)[0]), 0.0) if len(known) else 0.0
    return np.asarray(known - FREED * least * np.eye(len(known)))


def left_over(design: Array) -> Array:
    """Orthonormal basis (n, n - rank) of what a design (n, p) leaves."""
    left, size, _ = np.linalg.svd(design, full_matrices=True)
    rank = int(np.count_nonzero(size > 1e-9 * size[0])) if len(size) else 0
    return np.asarray(left[:, rank:], dtype=np.float64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Mixture(Judged):
    """Contrasts as a mixture of normals, one at each point of a posterior of the variances.

    Parameters
    ----------
    weight : ndarray, shape (h,)
        Weights of the points.
    centre : ndarray, shape (h, q)
        Estimates at the points.
    covariance : ndarray, shape (h, q, q)
        Their covariances.

    Attributes
    ----------
    sd : ndarray, shape (h, q)
        Their standard deviations.
    estimate, se, df : ndarray, shape (q,)
        Mean over the points, weighed by precision; one over the root of the mean precision; degrees
        of freedom from its second moment.
    """

    weight: Array
    centre: Array
    covariance: Array
    sd: Array = field(init=False)

    def __post_init__(self) -> None:
        sd = np.sqrt(np.maximum(np.einsum("hqq->hq", self.covariance), 1e-300))
        precision = self.weight @ sd**-2.0
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            rest = self.weight @ sd**-4.0 - precision**2
            df = 2 * precision**2 / np.maximum(rest, 0.0)
        estimate = self.weight @ (self.centre / sd**2) / precision
        own = {"sd": sd, "estimate": estimate, "se": precision**-0.5}
        for name, value in {**own, "df": np.where(df > 1e6, np.inf, df)}.items():
            object.__setattr__(self, name, value)
        freeze_arrays(self)

    def p_below(self, limit: float = 0.0) -> Array:
        """One-sided p (q,) of "the contrast is the limit or more", as the intervals have it."""
        return self._beyond(limit - self.estimate)

    def p_above(self, limit: float = 0.0) -> Array:
        """One-sided p (q,) of "the contrast is the limit or less", as the intervals have it."""
        return self._beyond(self.estimate - limit)

    def _beyond(self, distance: Array) -> Array:
        """Probability (q,) of more than a signed distance from the estimate to one side of it."""
        half = 0.5 * self.tail(np.abs(distance))
        return np.asarray(np.where(distance < 0, 1.0 - half, half))

    def p(self) -> Array:
        """Two-sided p (q,) of "the contrast is zero", as the intervals have it."""
        return self.tail(np.abs(self.estimate))

    def tail(self, half: Array) -> Array:
        """Posterior probability (q,) of a distance of more than half (q,) from the estimate."""
        shift = self.centre - self.estimate
        beyond = special.ndtr((shift - half) / self.sd) + special.ndtr((-shift - half) / self.sd)
        return np.asarray(np.minimum(self.weight @ beyond, 1.0))

    def half_width(self, alpha: float) -> Array:
        """Half width (q,) of the two-sided interval of each contrast alone."""
        low, high = np.zeros(len(self.se)), 4 * self.se
        while (outside := self.tail(high) > alpha).any():
            high = np.where(outside, 2 * high, high)
        for _ in range(STEPS):
            middle = 0.5 * (low + high)
            wide = self.tail(middle) > alpha
            low, high = np.where(wide, middle, low), np.where(wide, high, middle)
        return np.asarray(high)

    def family_p(self, family: Family) -> Array:
        """Adjusted p (members,) of the signed contrasts of a family."""
        rows, signs = list(family.members), np.array(family.signs)
        score = signs * self.estimate[rows] / self.se[rows]
        if family.side is Side.BOTH:
            single, reached = self.p()[rows], np.abs(score)
        else:
            below, above = self.p_below()[rows], self.p_above()[rows]
            single, reached = np.where(signs > 0, below, above), -score
        largest = np.sort(self._largest(family))
        beyond = 1 - np.searchsorted(largest, reached) / len(largest)
        return np.asarray(np.clip(beyond, single, np.minimum(len(rows) * single, 1.0)))

    def family_half_width(self, family: Family, alpha: float) -> Array:
        """Half widths (members,) of limits that hold together."""
        if len(family.members) == 1 and family.side is Side.BOTH:
            return self.half_width(alpha)[list(family.members)]
        critical = float(np.quantile(self._largest(family), 1 - alpha))
        return np.asarray(critical * self.se[list(family.members)])

    def joint_p(self, number: int) -> Array:
        """Not asked of a mixture, which knows no sets."""
        raise ModelError(f"There is no set number {number} to be tested at once.")

    @cached_property
    def _drawn(self) -> Array:
        """Draws (draws, q) of (contrast − estimate)/scale, each point by its weight."""
        edges = np.cumsum(self.weight)
        at = (np.arange(DRAWS) + 0.5) / DRAWS
        point = np.minimum(np.searchsorted(edges, at), len(edges) - 1)
        z = np.random.default_rng(SEED).standard_normal((DRAWS, self.centre.shape[1]))
        shift, size = self.centre - self.estimate, np.einsum("hqq->h", self.covariance)
        unit = self.covariance / size[:, None, None]
        if np.ptp(unit, axis=0).max() < ALIKE:  # one variance and nothing known
            drawn = z @ _root(unit[0]).T * np.sqrt(size)[point, None] + shift[point]
            return np.asarray(drawn / self.se)
        drawn = np.empty_like(z)
        for one in np.unique(point):  # a root for each draw would be large
            here = point == one
            drawn[here] = z[here] @ _root(self.covariance[one]).T + shift[one]
        return np.asarray(drawn / self.se)

    def _largest(self, family: Family) -> Array:
        """Largest (draws,) score of a family in each draw."""
        drawn = self._drawn[:, list(family.members)] * np.array(family.signs)
        return np.asarray((np.abs(drawn) if family.side is Side.BOTH else drawn).max(axis=1))


def _root(covariance: Array) -> Array:
    size, axes = np.linalg.eigh(covariance)
    return np.asarray(axes * np.sqrt(np.maximum(size, 0.0)))


def mixture(
    y: ArrayLike,
    x: ArrayLike,
    parts: CovarianceParts,
    contrasts: ArrayLike,
    posterior: VariancePosterior,
) -> Mixture:
    """Contrasts of the coefficients of one response over a posterior of its variances.

    Shapes: y (n,), x (n, p) of full column rank, contrasts (q, p).
    """
    response, design = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    wanted, known = np.atleast_2d(np.asarray(contrasts, dtype=float)), parts.known
    if isinstance(known, SharedErrors):
        first = np.linalg.lstsq(design, response, rcond=None)[0]
        problem = shared_problem(response - design @ first, design, parts.columns or (), known)
        scale = problem.response_scale[0]
        at = [problem.point(one) for one in posterior.theta * problem.matrix_scale / scale**2]
        found = [(problem.coefficients(one), one.phi) for one in at if one is not None]
        centre, inner = (np.array(part) for part in zip(*found, strict=True))
        return Mixture(
            weight=posterior.weight,
            centre=(first + scale * centre) @ wanted.T,
            covariance=scale**2 * (wanted @ inner @ wanted.T),
        )
    v = parts.covariance(posterior.theta)
    weighted = np.linalg.solve(v, np.broadcast_to(design, (len(v), *design.shape)))
    inner = np.linalg.inv(design.T @ weighted)
    beta = (inner @ (np.swapaxes(weighted, 1, 2) @ response)[..., None])[..., 0]
    return Mixture(
        weight=posterior.weight,
        centre=beta @ wanted.T,
        covariance=wanted @ inner @ wanted.T,
    )
