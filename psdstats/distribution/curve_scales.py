"""Scales on which undersize curves of powders are nearly straight, and how far they depart from it.

With t = ln x and Q the mass fraction finer, a powder is nearly a straight line z = g(Q) over t on
one of several scales: z = G(a + (1 - a - c) Q), G the probit or ln(-ln(1 - r)), a > 0 where the
powder is cut below and c > 0 where it is cut above; z = ln(Q / (1 - Q)), with heavier tails; or
z = ln Q, a power law up to its top size.
The line departs from straightness as an integrated Wiener process; `SIGMA` is its scale in units
of the line (t times its slope), so it knows neither size nor width.  In at most one interval
between neighbouring sieves the curvature may be larger by far (`WILD`).  The shares of
scales come from expectation and maximisation over nine families of simulated powders on five
stacks; those of curvatures, wild intervals and the logit, the power of the likelihood and how wide
the rest is between narrow sieves were then set by the coverage of such powders, of log-logistic and
of milled ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr, ndtri

from psdstats.frozen import Array, Flags, Indices

_SHAPES = (("probit", 0.50), ("weibull", 0.28))
_LOGIT, _LOG = 0.12, 0.10
_CUT_BELOW = {0.0: 0.72, 0.2: 0.28}
_CUT_ABOVE = {0.0: 0.70, 0.2: 0.24, 0.5: 0.06}
_CUTS = np.array([(a, c) for a in _CUT_BELOW for c in _CUT_ABOVE])
SIGMA = {0.003: 0.44, 0.1: 0.30, 0.5: 0.20, 2.0: 0.06}
WILD = {1.5: 0.17, 5.0: 0.11}
_LOG_WILD = 2.2  # times these on the log scale: below a peak of feed, fragments follow a power law
_SMOOTHEST_CUT, _SMOOTHEST_LOGIT, _SMOOTHEST_LOG = 0.1, 0.1, 0.5  # no cut is perfectly sharp
_TEMPER = {0.4: 0.9, np.log(2): 0.75}  # power of the likelihood by width of the classes
_OPEN = {0.45: 0.76, np.log(2): 0.97}  # times what the law leaves open between sieves, by the same
_OPEN_BENT = 1.0  # where the powder has a kink or ends sharply
N_SCALES = 2 * len(_CUTS) + 2
# scales of powders with a sharp top
ENDS_ABOVE = np.append(np.tile(_CUTS[:, 1] > 0, 2), [False, True])


def on_scales(undersize: Array) -> Array:
    """Z of each undersize on each scale: shape (..., n) to (..., N_SCALES, n)."""
    below, above = _CUTS.T[:, :, None]
    q = np.asarray(undersize, dtype=float)[..., None, :]
    r = below + (1 - below - above) * q
    with np.errstate(divide="ignore"):
        return np.concatenate(
            [ndtri(r), np.log(-np.log1p(-r)), np.log(q / (1 - q)), np.log(q)], axis=-2
        )


def slope_of_scales(undersize: Array) -> Array:
    """dz/dQ on each scale: shape (..., n) to (..., N_SCALES, n)."""
    below, above = _CUTS.T[:, :, None]
    q = np.asarray(undersize, dtype=float)[..., None, :]
    part = 1 - below - above
    r = below + part * q
    probit = part * np.sqrt(2 * np.pi) * np.exp(ndtri(r) ** 2 / 2)
    weibull = -part / ((1 - r) * np.log1p(-r))
    return np.concatenate([probit, weibull, 1 / (q * (1 - q)), 1 / q], axis=-2)


def _smooth_components() -> tuple[Array, Array, Array]:
    """Scale, sigma and log prior of every component without a wild interval, its share included."""
    rows = []
    for shape, (_, share) in enumerate(_SHAPES):
        for cut, (below, above) in enumerate(_CUTS):
            part = share * _CUT_BELOW[below] * _CUT_ABOVE[above]
            least = _SMOOTHEST_CUT if above else 0.0
            rows.append((shape * len(_CUTS) + cut, part, least))
    rows.append((N_SCALES - 2, _LOGIT, _SMOOTHEST_LOGIT))
    rows.append((N_SCALES - 1, _LOG, _SMOOTHEST_LOG))
    found = []
    for scale, part, least in rows:
        allowed = {sigma: p for sigma, p in SIGMA.items() if sigma >= least}
        total = sum(allowed.values())
        found += [(scale, sigma, np.log(part * p / total)) for sigma, p in allowed.items()]
    scale, sigma, log_prior = np.array(found).T
    return scale, sigma, log_prior


_scale, COMPONENT_SIGMA, COMPONENT_LOG_PRIOR = _smooth_components()
COMPONENT_SCALE = _scale.astype(np.intp)
_kinked = np.where(COMPONENT_SCALE == N_SCALES - 1, _LOG_WILD, 1.0)
LOG_SMOOTH = np.log(1 - sum(WILD.values()) * _kinked)[:, None]
LOG_WILD = {size: np.log(share * _kinked)[:, None] for size, share in WILD.items()}


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """What the sieves show of a batch of runs with n apertures each."""

    t: Array
    q: Array
    u_t: Array
    cov: Array
    some: Flags
    least: Array
    levels: Array

    @cached_property
    def few(self) -> Flags:
        """Runs from which no slope is to be had."""
        top, bottom = np.where(self.some, self.q, 0).max(1), np.where(self.some, self.q, 1).min(1)
        return np.asarray((self.some.sum(1) < 2) | (top - bottom < 1e-6))

    @cached_property
    def x(self) -> Array:
        """Distance from the first aperture, the variable of the process."""
        return np.asarray(self.t - self.t[:, :1])

    @cached_property
    def width(self) -> Array:
        """(R,) mean width of the classes, by mass: the wider, the more bends they hide."""
        held = np.diff(np.clip(self.q, 0, 1))
        return np.asarray((held * np.diff(self.t)).sum(1) / np.maximum(held.sum(1), 1e-9))

    @cached_property
    def temper(self) -> Array:
        """(R,) power of the likelihood: less than 1, since no powder is straight on any scale."""
        return np.asarray(np.interp(self.width, list(_TEMPER), list(_TEMPER.values())))

    def variance(self, by_ln_aperture: Array, by_undersize: Array) -> Array:
        """(R, L) of what errors of apertures and readings do by sensitivities (R, L, n)."""
        of_readings = np.einsum("rli,rij,rlj->rl", by_undersize, self.cov, by_undersize)
        return np.asarray(((by_ln_aperture * self.u_t[:, None]) ** 2).sum(-1) + of_readings)

    def open_times(self, bent: Array) -> Array:
        """(R,) times what the law leaves open, as wide as powders of known sizes show it.

        bent: weight of curves that have a kink or end sharply.
        """
        smooth = np.interp(self.width, list(_OPEN), list(_OPEN.values()))
        return np.asarray(smooth + bent * (_OPEN_BENT - smooth))

    @cached_property
    def line(self) -> Array:
        """(R, n, 2); 0 where a sieve does not inform."""
        return np.stack([np.ones_like(self.x), self.x], axis=-1) * self.some[..., None]

    @cached_property
    def z(self) -> Array:
        """(R, scales, n); 0 where a sieve does not inform."""
        return on_scales(np.where(self.some, self.q, 0.5)) * self.some[:, None]

    @cached_property
    def dz_dq(self) -> Array:
        """(R, scales, n): slope of z against the undersize."""
        return slope_of_scales(np.where(self.some, self.q, 0.5))

    @cached_property
    def slope(self) -> Array:
        """(R, scales): slope of each scale's line, weights Q (1 - Q)."""
        w = np.where(self.some, self.q * (1 - self.q), 0) + 1e-12
        w /= w.sum(1, keepdims=True)
        centred = w * (self.x - (w * self.x).sum(1, keepdims=True))
        slope = np.einsum("rn,rsn->rs", centred, self.z) / (centred * self.x).sum(1)[:, None]
        return np.where(self.few[:, None], 1.0, np.maximum(slope, 1e-3))

    @cached_property
    def local(self) -> Array:
        """(R, scales, n): slope of z at each sieve, the mean of the neighbouring chords."""
        both = (self.some[:, 1:] & self.some[:, :-1])[:, None]
        chord = np.diff(self.z) / np.diff(self.t)[:, None] * both
        ends = ((0, 0), (0, 0), (1, 1))
        total, count = np.pad(chord, ends), np.pad(both.astype(float), ends)
        total, count = total[..., 1:] + total[..., :-1], count[..., 1:] + count[..., :-1]
        return np.where(count > 0, total / np.maximum(count, 1), self.slope[..., None])

    @cached_property
    def noise(self) -> Array:
        """(R, scales, n, n): apertures and weighings as noise of z, 1 where a sieve is silent."""
        every = np.arange(self.q.shape[1])
        noise = self.dz_dq[..., :, None] * self.dz_dq[..., None, :] * self.cov[:, None]
        noise[..., every, every] += (self.local * self.u_t[:, None]) ** 2 + 1e-8
        noise *= (self.some[:, :, None] & self.some[:, None, :])[:, None]
        noise[..., every, every] += ~self.some[:, None]
        return noise

    def ends(self) -> list[tuple[int, Flags, Indices]]:
        """Side, whether there is one, and which: first sieve all passes, last nothing passes."""
        n = self.q.shape[1]
        full = np.asarray(self.q >= 1 - self.least[:, None])
        none = np.asarray(self.q <= self.least[:, None])
        return [
            (1, np.any(full, axis=1), full.argmax(1)),
            (-1, np.any(none, axis=1), n - 1 - none[:, ::-1].argmax(1)),
        ]


def state_covariance(t: Array) -> Array:
    """Covariance of values and derivatives at t of a unit integrated Wiener process from 0.

    Shape (..., n) to (..., 2 n, 2 n): n values, then n derivatives.
    """
    a, b = np.broadcast_arrays(t[..., :, None], t[..., None, :])
    least, most = np.minimum(a, b), np.maximum(a, b)
    half = least**2 / 2
    values = np.concatenate([half * (most - least / 3), least * a - half], axis=-1)
    derivatives = np.concatenate([least * b - half, least], axis=-1)
    return np.concatenate([values, derivatives], axis=-2)


def wild_states(t: Array) -> Array:
    """What an interval hands on: states at t by the (derivative, value) it adds at its upper end.

    Shape (..., n) to (..., n - 1, 2 n, 2), intervals between neighbouring t.
    """
    n = t.shape[-1]
    after = np.arange(n) > np.arange(n - 1)[:, None]
    distance = np.where(after, t[..., None, :] - t[..., 1:, None], 0.0)
    one = np.broadcast_to(after.astype(float), distance.shape)
    value = np.stack([distance, one], axis=-1)
    derivative = np.stack([one, np.zeros_like(one)], axis=-1)
    return np.concatenate([value, derivative], axis=-2)


def wild_covariance(h: Array) -> Array:
    """Covariance of the (derivative, value) that a unit process gathers over an interval h."""
    return np.stack([h, h**2 / 2, h**2 / 2, h**3 / 3], axis=-1).reshape(*h.shape, 2, 2)


def spline_basis(t: Array, at: Array) -> tuple[Array, Array, Array, Array]:
    """Weights of the states at the knots t in the mean of the process at other points.

    t (R, n) rising, at (R, g).  Returns the weights (R, 2 n, g), their derivatives with respect to
    `at`, the variance of a unit process between the knots (R, g), and the interval (R, g), 0 below
    the first knot and n above the last.  Between two knots the mean is the cubic through both
    values and derivatives, and the variance is h^3 p^3 (1 - p)^3 / 3 at the relative position p.
    """
    rows, n = t.shape
    place = (at[:, :, None] >= t[:, None, :]).sum(-1)
    a, b = np.maximum(place - 1, 0), np.minimum(place, n - 1)
    inside = a != b
    start = np.take_along_axis(t, a, 1)
    h = np.where(inside, np.take_along_axis(t, b, 1) - start, 1.0)
    d = at - start
    p = np.where(inside, d / h, 0.0)
    weights, slopes = np.zeros((2, rows, at.shape[1], 2 * n))
    rise, rise_slope = p * p * (3 - 2 * p), 6 * p * (1 - p) / h
    for column, value, slope in (
        (b, rise, rise_slope),
        (n + b, h * p * p * (p - 1), p * (3 * p - 2)),
        (a, 1 - rise, -rise_slope),
        (n + a, np.where(inside, h * p * (1 - p) ** 2, d), 1 - 4 * p + 3 * p * p),
    ):
        np.put_along_axis(weights, column[..., None], value[..., None], 2)
        np.put_along_axis(slopes, column[..., None], slope[..., None], 2)
    bridge = np.where(inside, (h * p * (1 - p)) ** 3, np.abs(d) ** 3) / 3
    return weights.swapaxes(1, 2), slopes.swapaxes(1, 2), bridge, place


def symmetric_inverse(matrix: Array) -> tuple[Array, Array]:
    """Inverse and log |determinant| of a batch of symmetric matrices, (..., k, k), by sweeping.

    Meant for covariances, bordered or not: pivots are taken as they come, so a border of zeros
    has to stand last.
    """
    m = np.ascontiguousarray(np.moveaxis(matrix, (-2, -1), (0, 1)))
    log_determinant = np.zeros(m.shape[2:])
    for i in range(len(m)):
        pivot = m[i, i].copy()
        log_determinant += np.log(np.abs(pivot))
        row, column = m[i] / pivot, m[:, i].copy()
        row[i], column[i] = 1 / pivot, 0.0
        m[:, i] = 0.0
        m -= column[:, None] * row
        m[i] = row
    return np.ascontiguousarray(np.moveaxis(m, (0, 1), (-2, -1))), log_determinant


def neighbours(n: int) -> tuple[Indices, Indices]:
    """Pairs of states, each once, that can bear on one point: of one aperture or of neighbours."""
    a, b = np.triu_indices(2 * n)
    near = np.abs(a % n - b % n) <= 1
    return a[near], b[near]


def interpolated(wanted: Array, x: Array, y: Array) -> Array:
    """Y at wanted x, for every row of the leading axes; x need not rise strictly."""
    nudge = 1e-12 * np.arange(x.shape[-1])
    pairs = zip(x.reshape(-1, x.shape[-1]), y.reshape(-1, x.shape[-1]), strict=True)
    rows = [np.interp(wanted, a + nudge, b) for a, b in pairs]
    return np.array(rows).reshape(*x.shape[:-1], -1)


def inside(a: Array, b: Array) -> Array:
    """Probability that a standard normal value lies between a and b."""
    up = a > 0  # there the upper tail is the exact one
    low, high = np.where(up, -b, a), np.where(up, -a, b)
    return np.asarray(ndtr(high) - ndtr(low))
