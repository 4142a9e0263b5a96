"""Null laws of the statistics of one design, tabulated over a grid of the unknown variances.

Every statistic stands on a normal scale z: one standard normal value where everything is known.
At each coarse point of the grid the law of z is simulated; averaged by the posterior of a response
it gives the averaged p, and the largest rate, over the grid, at which the averaged p is that small
gives the held p.  The draws have a fixed seed: p is a function of data and
design alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from psdstats.frozen import Array
from psdstats.models.judged import Side
from psdstats.models.level_grid import (
    LEAST_DF,
    ContrastGrid,
    JointMoments,
    LevelDesign,
    LevelGrid,
    Moments,
    grid_axes,
)

Kind = tuple[Side, tuple[tuple[int, int], ...]]

_Z_STEP, _Z_COUNT = 0.06, 63
Z = _Z_STEP * np.arange(_Z_COUNT)
"""Values of a statistic at which its laws are tabulated."""

_LOG_TAIL = np.asarray(np.log(2.0) + special.log_ndtr(-Z), dtype=np.float64)
_U_STEP, _U_COUNT = 0.135, 64
U = np.asarray(_U_STEP * np.arange(_U_COUNT), dtype=np.float64)
"""Values of -ln(averaged p) at which its rates are tabulated."""

MARGIN = 16.0
"""Factor in variance between the end of the grid and the last point at which rates are read."""

_MOST_DF = 1e6
_FEWEST = 20  # cases below which a simulated tail is continued in proportion
_DRAWN, _EFFECTS = 4093, 16  # draws in all at a point, and for one draw of the residuals at most
_SEED = 20_261_129
_MULTIPLIERS = {127: 55, 251: 104, 509: 118, 1021: 230, 2039: 896, 4093: 1802}


# ---- statistics ------------------------------------------------------------------------------
@lru_cache(maxsize=1)
def _stretch_table() -> tuple[Array, Array]:
    df = np.geomspace(LEAST_DF, _MOST_DF, 400)
    t = special.stdtrit(df, 0.975)
    return np.log(df), special.ndtri(0.975) / np.sqrt(df * np.log1p(t * t / df))


def _stretch(df: Array) -> Array:
    """What makes the normal score of t right at p = 0.05 for any degrees of freedom."""
    return np.asarray(np.interp(np.log(df), *_stretch_table()), dtype=np.float64)


def joint_score(estimate: Array, m: JointMoments, *, several: bool) -> Array:
    """Normal score of a set at once: normal scores of its directions, or the F ratio if larger.

    Shapes: estimate (..., N, f); gives (..., N).
    """
    f = estimate.shape[-1]
    t = (estimate + m.shift)[..., None, :] @ m.turn.mT
    square = np.square(t[..., 0, :])
    df = np.minimum(m.df, _MOST_DF)
    chi = (np.square(_stretch(df)) * df * np.log1p(square / df)).sum(axis=-1)
    if several:
        df = np.minimum(m.scale_df, _MOST_DF)
        # what makes df log(1 + f F / df) the chi-squared value of f at p = 0.05
        stretch = np.interp(np.log(df), *_joint_table(f))
        chi = np.maximum(chi, stretch * df * np.log1p(square.sum(axis=-1) / df))
    return np.asarray(np.interp(np.sqrt(chi), *_chi_table(f)), dtype=np.float64)


@lru_cache(maxsize=32)
def _joint_table(f: int) -> tuple[Array, Array]:
    df = np.geomspace(LEAST_DF, _MOST_DF, 400)
    ratio = np.maximum(special.fdtri(f, df, 0.95), 1e-300)
    with np.errstate(over="ignore"):
        return np.log(df), special.chdtri(f, 0.05) / (df * np.log1p(f * ratio / df))


@lru_cache(maxsize=32)
def _chi_table(f: int) -> tuple[Array, Array]:
    """Roots of chi-squared values of f degrees of freedom, and their normal scores."""
    root = np.linspace(0.0, 36.0, 1441)
    z = -special.ndtri(0.5 * np.maximum(special.chdtrc(f, root * root), 1e-307))
    return root, np.where(root == 0, 0.0, z)


# ---- coarse points ---------------------------------------------------------------------------
@dataclass(frozen=True, kw_only=True, eq=False)
class Truths:
    """Coarse grid points at which laws are simulated.

    Parameters
    ----------
    theta : ndarray, shape (C, k)
        Variances.
    blend : ndarray, shape (H, C)
        Share of each coarse point in the posterior weight of each fine point.
    shape : tuple of int
        The points as a product of axes.
    inside : ndarray of bool, shape (C,)
        Points at which rates are read; the posterior is cut off beyond.
    """

    theta: Array
    blend: Array
    shape: tuple[int, ...]
    inside: NDArray[np.bool_]


_COARSER = {1: (2,), 2: (2, 4), 3: (3, 3, 2)}
"""Fine steps in a coarse one, by how many variances are unknown: wider, and rates reach 6 %."""


def truths_of(design: LevelDesign, axes: list[Array]) -> Truths:
    """Coarse points; where nothing is known the unit is free and only ratios to it matter."""
    logs = [np.log(a) for a in axes]
    coarse = _coarse(design, axes)
    fine = list(np.meshgrid(*logs, indexing="ij"))
    if not design.has_known:
        fine = [a - fine[-1] for a in fine[:-1]]
    keep = [c <= a[-1] - np.log(MARGIN) for a, c in zip(logs, coarse, strict=False)]
    theta = np.stack([np.exp(a.ravel()) for a in np.meshgrid(*coarse, indexing="ij")], axis=1)
    if not design.has_known:
        theta = np.column_stack([theta, np.ones(len(theta))])
    return Truths(
        theta=theta,
        blend=_blend([a.ravel() for a in fine], coarse),
        shape=tuple(len(c) for c in coarse),
        inside=np.stack(np.meshgrid(*keep, indexing="ij")).all(axis=0).ravel(),
    )


def _coarse(design: LevelDesign, axes: list[Array]) -> list[Array]:
    """Logarithms of the coarse points along each axis."""
    logs = [np.log(a) for a in axes]
    if not design.has_known:
        return [np.linspace(a[0], a[-1], 1 + round((a[-1] - a[0]) / 1.3)) for a in logs[:-1]]
    steps = _COARSER.get(len(axes), (3,) * len(axes))
    return [a[::s] for a, s in zip(logs, steps, strict=True)]


def _blend(fine: list[Array], coarse: list[Array]) -> Array:
    """Weights that spread each fine grid point over its coarse neighbours, linear in the logs."""
    total = np.ones((len(fine[0]), 1))
    for a, c in zip(fine, coarse, strict=True):
        one = np.stack([np.interp(a, c, e) for e in np.eye(len(c))], axis=1)
        total = (total[:, :, None] * one[:, None, :]).reshape(len(a), -1)
    return total


# ---- the table -------------------------------------------------------------------------------
_BUDGET = 0.5
"""Seconds spent on the draws of one table where fewer would do."""


def seconds_for(design: LevelDesign, kinds: int) -> float:
    """About how long the table of a design takes, with so many kinds of statistics."""
    axes = grid_axes(design, 1.0)
    m, p = len(design.residual), design.lead.shape[1]
    prepared = 6e-8 * float(np.prod([len(a) for a in axes])) * m * (m + p)
    one = _seconds_a_draw(design, axes, kinds)
    return float(prepared + one * draws_of(one, m))


def _seconds_a_draw(design: LevelDesign, axes: list[Array], kinds: int) -> float:
    """Time for one draw of the residuals at every coarse point (one core of 2026)."""
    *outer, fine = np.cumprod([1, *(len(a) for a in axes)]).tolist()
    coarse = int(np.prod([len(a) for a in _coarse(design, axes)]))
    (q, _), m = design.lead.shape, len(design.residual)
    averages = 2 * q + min(q * m, 170)
    averages += sum(len(rows) * (m + len(rows)) + len(rows) ** 4 // 8 for rows in design.joint)
    turning = 8e-11 * outer[-1] * m * m
    return float(coarse * (turning + 1.6e-8 * fine + 4e-11 * fine * averages + 1.5e-6 * kinds))


def draws_of(one: float, m: int) -> int:
    """Draws of m residual contrasts at each point, from the time of one."""
    able = [n for n in (127, 251, 509, 1021) if n * one <= _BUDGET and n > 2 * m]
    return max(able, default=127 if m < 60 else 251)


class LevelTable:
    """Laws of every kind of statistic of one design, and the rates of their averaged p."""

    def __init__(
        self,
        design: LevelDesign,
        known: Array,
        full: LevelGrid,
        loose: ContrastGrid,
        axes: list[Array],
        families: Sequence[Kind],
    ) -> None:
        self.design, self.full, self.loose = design, full, loose
        self.truths = truths_of(design, axes)
        self.families = tuple(families)
        kinds = len(design.lead) + len(families) + len(design.joint)
        one = _seconds_a_draw(design, axes, kinds)
        self._simulate(known, draws_of(one, len(design.residual)))

    # -- one response or many
    def sizes(self, r: Array) -> Array:
        """Unit (N, 1) of residual contrasts: their own size where nothing is known, else 1."""
        if self.design.has_known:
            return np.ones((len(r), 1))
        size = np.sqrt(np.square(r).mean(axis=1, keepdims=True))
        return np.asarray(np.where(size > 0, size, 1.0), dtype=np.float64)

    def weight(self, r: Array) -> Array:
        """Posterior weight of the coarse points (N, C), r in the unit of the grid."""
        return np.asarray(self.full.posterior(r) @ self.truths.blend, dtype=np.float64)

    def held(self, kind: int, z: Array, weight: Array) -> Array:
        """Held p of a statistic of one kind; z (N, j), weight (N, C)."""
        row = np.log(weight @ self.law[kind])
        u = -_read(row, np.maximum(z, 0.0))
        p = np.exp(np.interp(u, U, np.log(self.worst[kind])) - np.maximum(u - U[-1], 0.0))
        # a signed statistic below zero: the rest of the way to 1 as for one contrast
        low = special.erf(np.maximum(-z, 0.0) / np.sqrt(2.0))
        return np.asarray(np.where(z < 0, p + (1.0 - p) * low, p), dtype=np.float64)

    def tail(self, kind: int, t: Array, df: Array, weight: Array) -> Array:
        """The same of |t| or signed t (..., j), by their normal scores.

        They are exact at a two-sided p of 0.05, rise with |t| and are closed to invert; the form
        sqrt(df log(1 + t²/df)) is Wallace's (from memory).
        """
        df = np.minimum(df, _MOST_DF)
        z = np.copysign(_stretch(df) * np.sqrt(df * np.log1p(t * t / df)), t)
        return self.held(kind, z.reshape(len(weight), -1), weight).reshape(t.shape)

    def critical(self, kind: int, alpha: float, df: Array, weight: Array) -> Array:
        """The |t| (..., j) at which the held p is alpha, for df of this shape."""
        target = -self._held_at(kind, alpha)
        row = np.log(weight @ self.law[kind])
        i = np.clip((row > target).sum(axis=1) - 1, 0, _Z_COUNT - 2)[:, None]
        low, high = np.take_along_axis(row, i, 1), np.take_along_axis(row, i + 1, 1)
        share = np.clip((low - target) / np.maximum(low - high, 1e-300), 0.0, None)
        beyond = row[:, -1:] > target
        tail = np.exp(np.minimum(target - row[:, -1:] + _LOG_TAIL[-1], 0.0))
        z = np.where(beyond, -special.ndtri(0.5 * tail), _Z_STEP * (i + share))
        df = np.minimum(df, _MOST_DF)
        with np.errstate(over="ignore"):
            score = z.reshape(*df.shape[:-1], 1) / _stretch(df)
            return np.asarray(np.sqrt(df * np.expm1(score**2 / df)), dtype=np.float64)

    def _held_at(self, kind: int, alpha: float) -> float:
        """The -ln(averaged p) at which the held p is alpha."""
        log_worst = np.log(self.worst[kind])
        if np.log(alpha) < log_worst[-1]:
            return float(U[-1] + log_worst[-1] - np.log(alpha))
        return float(np.interp(-np.log(alpha), -log_worst, U))

    # -- simulation
    def _simulate(self, known: Array, draws: int) -> None:
        design, count = self.design, len(self.truths.theta)
        v = known + np.tensordot(self.truths.theta, design.parts, 1)
        p, m = design.lead.shape[1], v.shape[1] - design.lead.shape[1]
        root = np.linalg.cholesky(v[:, p:, p:])
        across = np.linalg.solve(v[:, p:, p:], v[:, p:, :p]).mT
        own = _square_root(v[:, :p, :p] - across @ v[:, p:, :p])
        times = min(_DRAWN // draws, _EFFECTS)
        rng = np.random.default_rng(_SEED)
        scores, effects = _Lattice(m, draws, rng), _Lattice(p, times * draws, rng)
        blend, z, weights = self.truths.blend.astype(np.float32), [], []
        for c in range(count):
            r = scores.normal() @ root[c].T
            fitted = effects.normal().reshape(times, draws, p) @ own[c].T + r @ across[c].T
            size = self.sizes(r)
            r, fitted = r / size, fitted / size
            z.append(self._scores(fitted, self.loose.moments(r, rough=True)))
            weights.append(self.full.posterior(r, np.float32) @ blend)
        self.law = np.stack([_law(one) for one in z], axis=1)
        laws = np.ascontiguousarray(self.law.transpose(1, 0, 2), dtype=np.float32)
        laws = laws.reshape(count, -1)
        rate = np.stack([_rates(a, w, laws) for a, w in zip(z, weights, strict=True)], axis=1)
        self.rate = _smooth(rate, self.truths.shape)[:, self.truths.inside]
        self.worst = np.maximum(self.rate.max(axis=1), np.exp(-U))

    def _scores(self, fitted: Array, moments: Moments) -> NDArray[np.float32]:
        """Statistics (kinds, draws) of fitted coordinates (E, N, p)."""
        lead, q = self.design.lead, len(self.design.lead)
        df = np.minimum(moments.df, _MOST_DF)
        flat = fitted.reshape(-1, fitted.shape[-1])
        t = (lead @ flat.T).reshape(q, len(fitted), -1) + moments.shift.T[:, None]
        t = (t / moments.se.T[:, None]).astype(np.float32)
        wide = df.T[:, None].astype(np.float32)
        z = np.log1p(t * t / wide)
        z = np.sqrt(z * wide) * _stretch(df).T[:, None].astype(np.float32)
        z, signed = z.reshape(q, -1), np.copysign(z, t).reshape(q, -1)
        rows = [z]
        for side, pairs in self.families:
            members = [k for k, _ in pairs]
            if side is Side.BOTH:
                rows.append(z[members].max(axis=0)[None])
            else:
                signs = np.array([[s] for _, s in pairs], dtype=np.float32)
                rows.append((-signs * signed[members]).max(axis=0)[None])
        several = len(self.design.parts) > 1
        for some, m in zip(self.design.joint, moments.joint, strict=True):
            rows.append(joint_score(fitted @ some.T, m, several=several).reshape(1, -1))
        return np.concatenate(rows, dtype=np.float32, casting="same_kind")


def _rates(z: NDArray[np.float32], weight: NDArray[np.float32], laws: NDArray[np.float32]) -> Array:
    """Rates (kinds, levels) at which the averaged p is below each level, at one point."""
    kinds, n = len(z), len(weight)
    rows = (weight @ laws).ravel()
    place = np.maximum(z.reshape(kinds, -1, n) * np.float32(1 / _Z_STEP), 0)
    index = np.minimum(place.astype(np.int32), _Z_COUNT - 2)
    place -= index
    index += (_Z_COUNT * (np.arange(kinds)[:, None, None] + kinds * np.arange(n))).astype(np.int32)
    low = np.log(rows.take(index))
    index += 1
    u = np.log(rows.take(index))
    u -= low
    u *= place
    u += low
    np.negative(u, out=u)
    return _exceeding(u.reshape(kinds, -1), _U_STEP, _U_COUNT, -U)


def _law(z: NDArray[np.float32]) -> Array:
    """P(statistic >= Z) of each kind (kinds, values), from draws (kinds, draws)."""
    return _exceeding(z, _Z_STEP, _Z_COUNT, _LOG_TAIL)


def _exceeding(values: NDArray[np.float32], step: float, count: int, log_tail: Array) -> Array:
    """Share of draws at or above each multiple of step; below few cases as the tail given."""
    kinds, draws = values.shape
    index = np.floor(values * np.float32(1 / step)).astype(np.int32)
    index = np.clip(index, -1, count - 1) + 1
    index += (count + 1) * np.arange(kinds, dtype=np.int32)[:, None]
    found = np.bincount(index.ravel(), minlength=kinds * (count + 1)).reshape(kinds, count + 1)
    above = found[:, :0:-1].cumsum(axis=1)[:, ::-1]
    rate = (above + 0.5) / (draws + 1.0)
    rate[above == draws] = 1.0
    last = np.maximum((above >= _FEWEST).sum(axis=1) - 1, 0)[:, None]
    tail = np.exp(log_tail - log_tail[last]) * np.take_along_axis(rate, last, 1)
    return np.asarray(np.where(np.arange(count) > last, tail, rate), dtype=np.float64)


def _read(row: Array, z: Array) -> Array:
    """Logarithm of tabulated laws (N, Z) at z (N, j), continued as the normal tail."""
    place = z / _Z_STEP
    i = np.minimum(place.astype(np.intp), _Z_COUNT - 2)
    low, high = np.take_along_axis(row, i, 1), np.take_along_axis(row, i + 1, 1)
    beyond = row[:, -1:] + np.log(2.0) + special.log_ndtr(-np.maximum(z, Z[-1])) - _LOG_TAIL[-1]
    return np.asarray(
        np.where(z > Z[-1], beyond, low + (place - i) * (high - low)), dtype=np.float64
    )


def _smooth(rate: Array, shape: tuple[int, ...]) -> Array:
    """Mean over neighbouring points (1/4, 1/2, 1/4 along each axis): less Monte Carlo noise."""
    out = rate.reshape(len(rate), *shape, rate.shape[-1])
    for axis in range(1, 1 + len(shape)):
        wide = np.moveaxis(out, axis, 0)
        wide = np.concatenate([wide[:1], wide, wide[-1:]])
        out = np.moveaxis(0.25 * wide[:-2] + 0.5 * wide[1:-1] + 0.25 * wide[2:], 0, axis)
    return np.asarray(out.reshape(rate.shape), dtype=np.float64)


def _square_root(covariance: Array) -> Array:
    size, axes = np.linalg.eigh(covariance)
    return np.asarray(axes * np.sqrt(np.maximum(size, 0.0))[:, None, :], dtype=np.float64)


class _Lattice:
    """Evenly spread standard normal values: rank-1 lattices, each with a random shift.

    Korobov's (from memory), with a prime number of points; the multiplier has the smallest mean
    square error P2 over its first 2, 3, 4, 6, 9 and 24 coordinates together.
    """

    def __init__(self, dimension: int, count: int, rng: np.random.Generator) -> None:
        points = next((n for n in _MULTIPLIERS if n >= count), max(_MULTIPLIERS))
        powers = [pow(_MULTIPLIERS[points], j, points) for j in range(dimension)]
        self.lattice = np.outer(np.arange(points), powers) % points / points
        self.count, self.rng = count, rng

    def normal(self) -> Array:
        """The next values (count, dimension)."""
        uniform = self.lattice + self.rng.random(self.lattice.shape[1])
        uniform -= uniform >= 1.0
        np.clip(uniform, 1e-12, 1.0 - 1e-12, out=uniform)
        values = special.ndtri(uniform, out=uniform)
        return np.asarray(np.resize(values, (self.count, values.shape[1])), dtype=np.float64)
