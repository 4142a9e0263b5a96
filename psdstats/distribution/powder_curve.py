"""The law of a powder's own sizes: what its undersize curve may do between the sieves.

ln x and mass fractions finer in, for a batch of runs; the law of ln D at each level out.  Each
component (a scale of `curve_scales`, a curvature, at most one interval where it is far larger) is
Gaussian: a line, flat in location and ln width, plus an integrated Wiener process, seen through
apertures and weighings as noise.  Components are weighed by prior times a power of the restricted
likelihood, less than 1 since no powder is quite straight on any scale; a sieve that all or nothing
passes is an inequality.  Between two sieves the mean is a cubic, so a law costs the states at the
sieves and no more.  The curve rises: a component counts as far as it does, and between two sieves
it lies between its values there.  The truth meant is the powder's own size.  Nothing is
extrapolated: a level that no two sieves bracket has no law.  All constants are own choices, those
of powers and peaks by the coverage of simulated powders (tests/calibration/powder_coverage.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr, logsumexp, ndtr

from psdstats.distribution.curve_scales import (
    COMPONENT_LOG_PRIOR,
    COMPONENT_SCALE,
    COMPONENT_SIGMA,
    ENDS_ABOVE,
    LOG_SMOOTH,
    LOG_WILD,
    WILD,
    Seen,
    inside,
    interpolated,
    neighbours,
    on_scales,
    spline_basis,
    state_covariance,
    symmetric_inverse,
    wild_covariance,
    wild_states,
)
from psdstats.distribution.percentiles import LEVELS
from psdstats.frozen import Array, Flags, Indices, Still

SCORES: Array = np.linspace(-4.0, 4.0, 65)  # standard normal scores of the table
SMALLEST = 2e-4  # an undersize or oversize below this counts as none
_CHUNK = 12  # runs worked on at once
_HEAVY, _LIGHT = 48, 32  # components held one by one, and those that stand for all others
_KEPT = 56  # of both, the lightest being dropped for speed: u at most 4 % less, mostly 1 %
_FIRST_LOOK, _POINTS = 25, 65  # points in a bracket: spread evenly, then where the probability is
_PEAK_MASS = 0.15  # of a class that may hide a peak
_PEAK_ENDS, _PEAK_KINKED = 0.95, 0.99  # weight of powders that end sharply, that have a kink
_WHERE_MASS = 1.5  # wild intervals are likelier where much of the mass lies, by this power
_RISES = -2.0  # a curve that rises by 2 of its own u or more needs no cut
_NO_STEP = 1e-3  # mass of a class below which its curve is flat
_K95 = 1.959963984540054


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveLaw(Still):
    """Law of ln D of R runs at L levels, from n apertures.

    Attributes
    ----------
    levels : ndarray, shape (L,)
        Undersize fractions.
    table : ndarray, shape (R, L, 65)
        ln size (µm) at each score of `SCORES`, that is the quantile of that normal probability;
        rises with score and level; NaN where no two sieves bracket the level.
    by_ln_aperture, by_undersize : ndarray, shape (R, L, n)
        d ln D / d ln aperture and d ln D / d undersize, the components' weights held; 0 in padding.
    informative : ndarray of bool, shape (R, n)
        Sieves that some, but not all, of the powder passes.
    undersize : ndarray, shape (R, n)
        Mass fractions finer, as given.
    hidden_peak : ndarray of int, shape (R,)
        Index of the aperture above a class that may hide a peak of the distribution; -1 for none.
    flat : ndarray of bool, shape (R, L)
        The level is met along a flat step: the interval spans it, its middle is arbitrary.
    open_times : ndarray, shape (R,)
        By how much what is not errors of readings and apertures was narrowed.
    """

    levels: Array
    table: Array
    by_ln_aperture: Array
    by_undersize: Array
    informative: Flags
    undersize: Array
    hidden_peak: Indices
    flat: Flags
    open_times: Array

    @property
    def ln_size(self) -> Array:
        """Median of ln D, shape (R, L)."""
        return np.asarray(self.table[..., SCORES.size // 2])

    @cached_property
    def u(self) -> Array:
        """Half the 95 % interval of ln D over 1.96, shape (R, L)."""
        return half_width(self.table)


def at_scores(table: Array, scores: Array) -> Array:
    """Tables of ln sizes between their scores: (…, 65) and (…, m) to (…, m); held at the ends."""
    last = SCORES.size - 1
    place = (scores - SCORES[0]) * (last / (SCORES[-1] - SCORES[0]))
    np.clip(place, 0.0, last - 1e-9, out=place)
    below = place.astype(np.intp)
    place -= below
    if table.ndim == 1:
        found = np.diff(table).take(below, mode="clip")  # in range: the mode spares a check
        found *= place
        found += table.take(below, mode="clip")
        return np.asarray(found)
    low = np.take_along_axis(table, below, axis=-1)
    return np.asarray(low + place * (np.take_along_axis(table, below + 1, -1) - low))


def half_width(table: Array) -> Array:
    """Half of the 95 % interval of tables (…, 65), over its score: a u that keeps the interval."""
    ends = at_scores(table, np.broadcast_to([-_K95, _K95], (*table.shape[:-1], 2)))
    return np.asarray((ends[..., 1] - ends[..., 0]) / (2 * _K95))


def curve_law(
    undersize: ArrayLike,
    ln_aperture: ArrayLike,
    *,
    u_ln_aperture: ArrayLike,
    covariance: ArrayLike | None = None,
    smallest: ArrayLike = SMALLEST,
    levels: ArrayLike = LEVELS,
) -> CurveLaw:
    """Law of the powder's own ln sizes, from a few points of each run's undersize curve.

    Parameters
    ----------
    undersize : array_like, shape (R, n)
        Mass fractions finer than each aperture, not falling.
    ln_aperture : array_like, shape (R, n)
        Logarithms of the apertures in µm, rising; a run with fewer repeats its last.
    u_ln_aperture : array_like, shape (R, n)
        Standard uncertainty of each.
    covariance : array_like, shape (R, n, n), optional
        Covariance of the undersize by weighing, sampling and the like.
    smallest : array_like, shape () or (R,), default=2e-4
        Undersize (and oversize) that counts as none; four standard uncertainties of a net mass
        over the mass of the run, where that is more.
    levels : array_like, shape (L,), default=(0.1, 0.5, 0.9)
        Wanted fractions, rising.

    Returns
    -------
    CurveLaw
        With fewer than two informative sieves the law is a rectangle over the bracket.

    Examples
    --------
    >>> from scipy.special import ndtr
    >>> t = np.log([45, 63, 90, 125, 180, 250, 355, 500])
    >>> law = curve_law([ndtr((t - np.log(150)) / 0.5)], [t], u_ln_aperture=[[0.004] * 8])
    >>> np.exp(law.ln_size).round(1), law.u.round(4)
    (array([[ 79. , 150. , 284.7]]), array([[0.0019, 0.0016, 0.0019]]))
    """
    q, t = np.asarray(undersize, dtype=float), np.asarray(ln_aperture, dtype=float)
    u_t = np.broadcast_to(np.asarray(u_ln_aperture, dtype=float), t.shape)
    cov = np.zeros((*q.shape, q.shape[1])) if covariance is None else np.asarray(covariance)
    least = np.broadcast_to(np.asarray(smallest, dtype=float), len(q))
    wanted = np.atleast_1d(np.asarray(levels, dtype=float))
    runs, n = q.shape
    table = np.full((runs, wanted.size, SCORES.size), np.nan)
    by_t, by_q = np.zeros((2, runs, wanted.size, n))
    some = (q > least[:, None]) & (q < 1 - least[:, None])
    hidden, flat = np.full(runs, -1), np.zeros((runs, wanted.size), dtype=bool)
    times = np.ones(runs)
    real = 1 + (np.diff(t) > 0).sum(axis=1)
    some &= np.arange(n) < real[:, None]
    for m in np.unique(real[real > 1]):
        rows = np.flatnonzero(real == m)
        for part in np.array_split(rows, -(-rows.size // _CHUNK)):
            seen = Seen(
                t=t[part, :m], q=q[part, :m], u_t=u_t[part, :m], cov=cov[part, :m, :m],
                some=some[part, :m], least=least[part], levels=wanted,
            )  # fmt: skip
            found = _law_of(seen)
            table[part], by_t[part, :, :m], by_q[part, :, :m], flat[part] = found[:4]
            hidden[part], times[part] = found[4:]
    return CurveLaw(
        levels=wanted, table=table, by_ln_aperture=by_t, by_undersize=by_q, informative=some,
        undersize=q, hidden_peak=hidden, flat=flat, open_times=times,
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class _Solved:
    """Components of a batch, solved: what the sieves tell of the curve.

    inverse (R, C, n + 2, n + 2) of the covariance of z bordered by the line; solution (R, C, n + 2)
    of the system, coefficients of the line last; log likelihood (R, C) up to a constant of the run.
    """

    inverse: Array
    solution: Array
    likelihood: Array


def _solve(seen: Seen, scale: Indices, covariance: Array) -> _Solved:
    """Solve components of given scale (R, C) and covariance (R, C, n, n) of the curve."""
    rows, n = np.arange(len(seen.q))[:, None], seen.q.shape[1]
    z = seen.z[rows, scale]
    bordered = np.zeros((*scale.shape, n + 2, n + 2))
    informed = (seen.some[:, :, None] & seen.some[:, None, :])[:, None]
    bordered[..., :n, :n] = covariance * informed + seen.noise[rows, scale]
    bordered[..., :n, n:] = seen.line[:, None]
    bordered[..., n:, :n] = seen.line.swapaxes(1, 2)[:, None]
    bordered[..., [n, n + 1], [n, n + 1]] = -seen.few[:, None, None].astype(float)
    inverse, log_determinant = symmetric_inverse(bordered)
    solution = (inverse[..., :n] @ z[..., None])[..., 0]
    jacobian = np.where(seen.some[:, None], np.log(np.abs(seen.dz_dq)), 0).sum(-1)[rows, scale]
    likelihood = jacobian - (log_determinant + (solution[..., :n] * z).sum(-1)) / 2
    return _Solved(inverse=inverse, solution=solution, likelihood=likelihood)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Chosen:
    """The likeliest components of a batch, (R, C): scale, variances, wild interval, log weight."""

    scale: Indices
    variance: Array
    wild_variance: Array
    interval: Indices
    log_weight: Array


def _likely(seen: Seen) -> _Chosen:
    """The likeliest of all components, the inequalities left out.

    A wild interval adds a covariance of rank 2 to the sieves above it, so its likelihood follows
    from the smooth component's by algebra of 2 x 2 matrices.
    """
    runs, n = seen.q.shape
    scale = np.broadcast_to(COMPONENT_SCALE, (runs, COMPONENT_SCALE.size))
    cube = seen.slope[:, COMPONENT_SCALE] ** 3
    variance = COMPONENT_SIGMA**2 * cube
    smooth = state_covariance(seen.x)[:, None, :n, :n]
    solved = _solve(seen, scale, variance[..., None, None] * smooth)
    states = wild_states(seen.x)[:, :, :n] * seen.some[:, None, :, None]
    product = solved.inverse[..., :n] @ states.transpose(0, 2, 1, 3).reshape(runs, 1, n, -1)
    product = product.reshape(*scale.shape, n + 2, n - 1, 2)
    cross = np.einsum("rjia,rcijb->rcjab", states, product[..., :n, :, :])
    found = np.einsum("rjia,rci->rcja", states, solved.solution[..., :n])
    held = (np.diff(np.clip(seen.q, 0, 1)) + 0.01) ** _WHERE_MASS
    held = np.where(seen.some[:, 1:] | seen.some[:, :-1], held, 1e-9)
    share = np.log(held / held.sum(1, keepdims=True))[:, None]
    likelihood, slope = solved.likelihood[..., None], solved.solution[..., n + 1, None]
    weights = [_log_weight(seen, likelihood, slope, LOG_SMOOTH)]
    for size, log_share in LOG_WILD.items():
        gain, by_state = _gain(np.diff(seen.t)[:, None], size**2 * cube[..., None], cross, found)
        turned = slope - (product[..., n + 1, :, :] * by_state).sum(-1)
        weights.append(_log_weight(seen, likelihood + gain, turned, log_share + share))
    return _chosen(np.concatenate(weights, axis=-1), cube, variance)


def _gain(h: Array, variance: Array, cross: Array, found: Array) -> tuple[Array, Array]:
    """Log likelihood that a wild interval h adds, and the (derivative, value) it hands on."""
    m00, m01 = 4 / (h * variance) + cross[..., 0, 0], cross[..., 0, 1] - 6 / (h**2 * variance)
    m11 = 12 / (h**3 * variance) + cross[..., 1, 1]
    determinant = m00 * m11 - m01**2
    first = (m11 * found[..., 0] - m01 * found[..., 1]) / determinant
    second = (m00 * found[..., 1] - m01 * found[..., 0]) / determinant
    by_state = np.stack([first, second], axis=-1)
    widened = np.log(determinant * variance**2 * h**4 / 12)
    return ((by_state * found).sum(-1) - widened) / 2, by_state


def _log_weight(seen: Seen, likelihood: Array, slope: Array, log_prior: Array) -> Array:
    """Of components (R, C, k); by the fitted slope flat in location and ln width."""
    least = 1e-3 * seen.slope[:, COMPONENT_SCALE, None]
    flat = likelihood - 2 * np.log(np.maximum(slope, least))
    power = seen.temper[:, None, None]
    return np.asarray(power * flat + COMPONENT_LOG_PRIOR[:, None] + log_prior)


def _chosen(log_weight: Array, cube: Array, variance: Array) -> _Chosen:
    """The heaviest of (R, components, 1 + wild sizes x intervals), and others for the rest.

    The rest are taken at even steps of their weight, each with an even share of it.
    """
    runs, _, kinds = log_weight.shape
    flat, row = log_weight.reshape(runs, -1), np.arange(runs)[:, None]
    heavy = np.argpartition(-flat, _HEAVY, axis=1)[:, :_HEAVY]
    rest = np.exp(flat - flat.max(axis=1, keepdims=True))
    rest[row, heavy] = 0.0
    sums = rest.cumsum(axis=1)
    steps = (np.arange(_LIGHT) + 0.5) / _LIGHT * sums[:, -1:]
    light = np.array([np.searchsorted(one, at) for one, at in zip(sums, steps, strict=True)])
    share = np.log(np.maximum(sums[:, -1:] / _LIGHT, 1e-300)) + flat.max(axis=1, keepdims=True)
    weight = np.hstack([flat[row, heavy], np.broadcast_to(share, light.shape)])
    base, kind = np.divmod(np.hstack([heavy, light]), kinds)
    intervals = (kinds - 1) // len(WILD)
    wild = np.repeat([0.0, *WILD], [1] + [intervals] * len(WILD)) ** 2
    return _Chosen(
        scale=COMPONENT_SCALE[base],
        variance=variance[row, base],
        wild_variance=wild[kind] * cube[row, base],
        interval=np.maximum(kind - 1, 0) % intervals,
        log_weight=weight,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Mixture:
    """The curve of the likeliest components: states (values, then derivatives) at the apertures.

    log_weight (R, C); mean (R, C, 2 n); covariance (R, C, 2 n, 2 n); pull (R, C, 2 n, n), how much
    of each z is in each mean.
    """

    chosen: _Chosen
    log_weight: Array
    mean: Array
    covariance: Array
    pull: Array

    @property
    def weight(self) -> Array:
        return np.asarray(np.exp(self.log_weight))

    @property
    def bent(self) -> tuple[Array, Array]:
        """Weight of powders that end sharply, and of those that have a kink, each (R,)."""
        chosen, weight = self.chosen, self.weight
        return (weight * ENDS_ABOVE[chosen.scale]).sum(1), (
            weight * (chosen.wild_variance > 0)
        ).sum(1)


def _mixture(seen: Seen) -> _Mixture:
    """Posterior of the curve under each likely component, inequalities included."""
    chosen, (runs, n) = _likely(seen), seen.q.shape
    row = np.arange(runs)[:, None]
    states = wild_states(seen.x)
    wild = states @ wild_covariance(np.diff(seen.t)) @ states.swapaxes(-1, -2)
    prior = chosen.variance[..., None, None] * state_covariance(seen.x)[:, None]
    prior += chosen.wild_variance[..., None, None] * wild[row, chosen.interval]
    solved = _solve(seen, chosen.scale, prior[..., :n, :n])
    one, zero = np.ones_like(seen.x), np.zeros_like(seen.x)
    line = np.stack([np.hstack([one, zero]), np.hstack([seen.x, one])], axis=-1)
    cross = np.concatenate(
        [
            prior[..., :n] * seen.some[:, None, None],
            np.broadcast_to(line[:, None], (*prior.shape[:3], 2)),
        ],
        axis=-1,
    )
    pull = cross @ solved.inverse
    mean = (cross @ solved.solution[..., None])[..., 0]
    covariance = prior - pull @ cross.swapaxes(-1, -2)
    found = _beyond_ends(seen, chosen, mean, covariance, pull[..., :n])
    return _heaviest(found, found.log_weight + _rising(seen, found))


def _heaviest(found: _Mixture, log_weight: Array) -> _Mixture:
    """The components that are left when their weights are new."""
    row = np.arange(len(log_weight))[:, None]
    kept = row, np.argsort(-log_weight, axis=1, kind="stable")[:, :_KEPT]
    log_weight = log_weight[kept]
    return _Mixture(
        chosen=_Chosen(**{name: one[kept] for name, one in vars(found.chosen).items()}),
        log_weight=log_weight - logsumexp(log_weight, axis=1, keepdims=True),
        mean=found.mean[kept],
        covariance=found.covariance[kept],
        pull=found.pull[kept],
    )


def _beyond_ends(
    seen: Seen, chosen: _Chosen, mean: Array, covariance: Array, pull: Array
) -> _Mixture:
    """Let sieves that all or nothing passes bear on weights and curves.

    z is beyond a limit there: its probability multiplies the weight, and the moments of the
    truncated normal move the curve.
    """
    rows = np.arange(len(mean))
    log_weight, moved, narrowed = chosen.log_weight.copy(), np.zeros(1), np.zeros(1)
    for side, has, i in seen.ends():
        limit = on_scales(np.where(side > 0, 1 - seen.least, seen.least)[:, None])[..., 0]
        with_end = covariance[rows, :, :, i]
        noise = (np.take_along_axis(seen.slope, chosen.scale, 1) * seen.u_t[rows, i, None]) ** 2
        sd = np.sqrt(np.maximum(with_end[rows, :, i] + noise, 1e-12))
        beyond = np.take_along_axis(limit, chosen.scale, 1) - mean[rows, :, i]
        alpha = side * beyond / sd
        log_p = log_ndtr(-alpha)
        hazard = np.exp(-(alpha**2) / 2 - log_p) / np.sqrt(2 * np.pi)
        shrink = np.clip(hazard * (hazard - alpha), 0, 1)
        log_weight += seen.temper[:, None] * np.where(has[:, None], log_p, 0)
        with_end = with_end * (has[:, None, None] / sd[..., None])
        moved = moved + side * hazard[..., None] * with_end
        narrowed = narrowed + (
            shrink[..., None, None] * with_end[..., :, None] * with_end[..., None, :]
        )
    return _Mixture(
        chosen=chosen,
        log_weight=log_weight,
        mean=mean + moved,
        covariance=covariance - narrowed,
        pull=pull,
    )


def _law_of(seen: Seen) -> tuple[Array, Array, Array, Flags, Indices, Array]:
    """Table, sensitivities, flat steps, hidden peak and narrowing of one batch."""
    mixture, bracket = _mixture(seen), _bracket(seen)
    even = np.linspace(0, 1, _FIRST_LOOK)
    points = bracket.left[..., None] + (bracket.right - bracket.left)[..., None] * even
    first = 0.8 * _cdf(seen, mixture, bracket, points) + 0.2 * even
    points = interpolated(np.linspace(0, 1, _POINTS), first, points)
    table = interpolated(ndtr(SCORES), _cdf(seen, mixture, bracket, points), points)
    table[~bracket.found] = np.nan
    by_t, by_q = _sensitivities(seen, mixture, bracket, table[..., SCORES.size // 2])
    ends, kinked = mixture.bent
    times = seen.open_times(np.maximum(ends, kinked))
    table = _as_powders(bracket, table, seen.variance(by_t, by_q), times)
    table = np.where(np.isnan(table), np.nan, np.fmax.accumulate(table, axis=1))
    return table, by_t, by_q, bracket.flat, _hidden_peak(seen, mixture), times


def _as_powders(bracket: _Bracket, table: Array, noise: Array, times: Array) -> Array:
    """The table, of whose variance `noise` is by errors, with the rest these times as wide."""
    share = np.minimum(noise / np.maximum(half_width(table), 1e-9) ** 2, 1.0)
    spread = np.sqrt(share + (1 - share) * times[:, None] ** 2)
    spread = np.where(bracket.flat | bracket.even, 1.0, spread)
    middle = table[..., SCORES.size // 2, None]
    ends = bracket.left[..., None], bracket.right[..., None]
    return np.asarray(np.clip(middle + (table - middle) * spread[..., None], *ends))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Bracket:
    """Where ln D can be at all, all (R, L): from sieve i to sieve j and some way on.

    found where two sieves bracket the level; flat where it is met along a step that weighing cannot
    tell from a flat one; even where nothing but the bracket is known.
    """

    i: Indices
    j: Indices
    left: Array
    right: Array
    found: Flags
    flat: Flags
    even: Flags


def _bracket(seen: Seen) -> _Bracket:
    """From the last sieve below the level to the first above it, and four u on; or a flat step."""
    q, n = seen.q[:, None], seen.q.shape[1]
    level, row = seen.levels[:, None], np.arange(len(seen.q))[:, None]
    spread = np.sqrt(np.maximum(seen.cov[:, np.arange(n), np.arange(n)], 0))
    found = np.asarray((q >= level).any(-1) & (q <= level).any(-1))
    at = np.abs(q - level) <= 1e-9
    i = np.clip((q < level).sum(-1) - 1, 0, n - 2)
    j = np.clip(n - (q > level).sum(-1), i + 1, n - 1)
    whole = at.sum(-1) > 1
    i, j = np.where(whole, at.argmax(-1), i), np.where(whole, n - 1 - at[..., ::-1].argmax(-1), j)
    step = seen.q[row, j] - seen.q[row, i]
    nothing = np.asarray(step < _NO_STEP)  # the mean of the curve may fall there
    loose = np.where(nothing, 0.0, (seen.t[row, j] - seen.t[row, i]) / np.maximum(step, _NO_STEP))
    near = np.abs(q - level) <= 1e-9 + 2 * spread[:, None]
    return _Bracket(
        i=i, j=j, left=seen.t[row, i] - 4 * (seen.u_t[row, i] + loose * spread[row, i]),
        right=seen.t[row, j] + 4 * (seen.u_t[row, j] + loose * spread[row, j]),
        found=found, flat=np.asarray(found & (nothing | (near.sum(-1) > 1))),
        even=nothing | seen.few[:, None],
    )  # fmt: skip


def _hidden_peak(seen: Seen, mixture: _Mixture) -> Indices:
    """Aperture above a class that may hide a peak, -1 for none.

    The steepest class, where it holds much of the mass and the curve looks like one that ends
    sharply or has a kink: a narrow peak in that class looks the same from the sieves.
    """
    step, (ends, kinked) = np.diff(seen.q), mixture.bent
    peak = (step / np.diff(seen.t)).argmax(1)
    doubtful = (ends > _PEAK_ENDS) | (kinked > _PEAK_KINKED)
    much = step[np.arange(len(peak)), peak] > _PEAK_MASS
    return np.where(much & doubtful & ~seen.few, peak + 1, -1)


def _cdf(seen: Seen, mixture: _Mixture, bracket: _Bracket, points: Array) -> Array:
    """P(ln D <= point) for points (R, L, g): monotone, and all of it inside the bracket."""
    runs, levels, g = points.shape
    chosen = mixture.chosen
    mean, variance = _between(_at(seen, mixture, points.reshape(runs, -1)))
    shape = (runs, -1, levels, g)
    mean, variance = mean.reshape(shape), variance.reshape(shape)
    target = on_scales(seen.levels)[chosen.scale][..., None]
    f = np.maximum.accumulate(ndtr((mean - target) / np.sqrt(variance)), axis=-1)
    inside = f[..., -1:] - f[..., :1]
    even = ((points - points[..., :1]) / (points[..., -1:] - points[..., :1]))[:, None]
    f = np.where(inside > 1e-4, (f - f[..., :1]) / np.maximum(inside, 1e-9), even)
    mixed = np.einsum("rc,rclg->rlg", mixture.weight, f)
    return np.where(bracket.even[..., None], even[:, 0], mixed)


@dataclass(frozen=True, eq=False)
class _Points:
    """The curve at points (R, g) under each component: mean and variance (R, C, g) of z.

    below, above: by how much of its own u the curve falls from the sieve below to the point, and
    from there to the sieve above, -inf where there is none; with_...: covariance of z with it.
    """

    mean: Array
    variance: Array
    below: Array
    with_below: Array
    above: Array
    with_above: Array


def _at(seen: Seen, mixture: _Mixture, points: Array) -> _Points:
    """The curve at points, and what must rise."""
    n, chosen = seen.q.shape[1], mixture.chosen
    weights, _, bridge, place = spline_basis(seen.t, points)
    a, b = neighbours(n)
    known, twice = mixture.covariance[..., a, b], np.where(a == b, 0.5, 1.0)[:, None]

    def covariance(one: Array) -> Array:
        return np.asarray(known @ (twice * (weights[:, a] * one[:, b] + weights[:, b] * one[:, a])))

    mean = mixture.mean @ weights
    wild = (place - 1)[:, None] == chosen.interval[..., None]
    own = chosen.variance[..., None] + np.where(wild, chosen.wild_variance[..., None], 0)
    variance = np.maximum(covariance(weights) + own * bridge[:, None], 1e-12)
    of_sieves = np.diagonal(mixture.covariance, axis1=-2, axis2=-1)
    found = []
    for side, at in ((1, place - 1), (-1, place)):
        sieve = np.arange(2 * n)[:, None] == np.clip(at, 0, n - 1)[:, None]
        shared = covariance(sieve.astype(float))
        fall = side * (mixture.mean @ sieve - mean)
        spread = np.sqrt(np.maximum(variance - 2 * shared + of_sieves @ sieve, 1e-14))
        inside = ((at >= 0) & (at < n))[:, None]
        found += [np.where(inside, fall / spread, -np.inf), (variance - shared) / spread]
    return _Points(mean, variance, *found)


def _rising(seen: Seen, mixture: _Mixture) -> Array:
    """Log probability (R, C) that every interval rises, by the worst of 3 points, independently."""
    inner = np.linspace(0, 1, 5)[1:-1]
    points = seen.t[:, :-1, None] + np.diff(seen.t)[..., None] * inner
    at = _at(seen, mixture, points.reshape(len(seen.t), -1))
    log_p = np.log(np.maximum(inside(at.below, -at.above), 1e-9))
    return np.asarray(log_p.reshape(*log_p.shape[:2], -1, inner.size).min(-1).sum(-1))


def _between(at: _Points) -> tuple[Array, Array]:
    """Moments of z cut to its values at the sieves: exact with one limit, or with z known there."""
    mean, variance = at.mean.copy(), at.variance.copy()
    cut = (at.below > _RISES) | (at.above > _RISES)
    a = np.clip(at.below[cut], -40, 30)
    b = np.clip(-at.above[cut], np.maximum(a + 1e-3, -30), 40)
    whole = np.sqrt(2 * np.pi) * inside(a, b)
    at_a, at_b = np.exp(-(a**2) / 2) / whole, np.exp(-(b**2) / 2) / whole
    below, above = at.with_below[cut], at.with_above[cut]
    shift = below * at_a - above * at_b
    mean[cut] += shift
    variance[cut] += below**2 * a * at_a - above**2 * b * at_b - shift**2
    return mean, np.maximum(variance, 1e-12)


def _sensitivities(
    seen: Seen, mixture: _Mixture, bracket: _Bracket, ln_size: Array
) -> tuple[Array, Array]:
    """D ln D / d ln aperture and / d undersize at the medians (R, L), each (R, L, n); weights held.

    A rectangle moves with both ends of its bracket.
    """
    chosen, row = mixture.chosen, np.arange(len(ln_size))[:, None]
    at = np.where(np.isfinite(ln_size), ln_size, seen.t[:, :1])
    weights, slopes, _, _ = spline_basis(seen.t, at)
    rise = mixture.mean @ slopes
    least = 0.2 * np.take_along_axis(seen.slope, chosen.scale, 1)
    pull = np.einsum("rsl,rcsn->rcln", weights, mixture.pull)
    share = mixture.weight[..., None] / np.maximum(rise, least[..., None])
    by_t = np.einsum("rcl,rcln,rcn->rln", share, pull, seen.local[row, chosen.scale])
    by_q = -np.einsum("rcl,rcln,rcn->rln", share, pull, seen.dz_dq[row, chosen.scale])
    apertures = np.arange(seen.q.shape[1])
    ends = (apertures == bracket.i[..., None]) | (apertures == bracket.j[..., None])
    even, some = bracket.even[..., None], seen.some[:, None]
    found = bracket.found[..., None]
    by_t = np.where(even, 0.5 * ends, np.where(some, by_t, 0.0)) * found
    return by_t, np.where(even | ~some, 0.0, by_q) * found
