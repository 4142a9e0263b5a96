"""Undersize of a feed: log-normal by median and spread, or a curve through three percentiles.

Sizes in µm, undersize as a mass fraction.

True size curves of simulated runs: feed, milling, random differences, and their percentiles.

Units: sizes in µm, particle masses in g.  A curve is held on the edges of a geometric grid with
twelve classes an octave and is linear in ln x between them; below the finest edge, undersize is
proportional to size.  That is the definition of the truth, so true percentiles are exact.
Arrays run over trials T, runs R and grid edges n.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from psdstats.frozen import Array
from psdstats.simulate.design import Layout, Powder, TrialDesign, mill, size_edges

LEVELS = (0.1, 0.5, 0.9)
ALL_BELOW = 4.5  # normal deviate beyond which nothing is left: 3 particles in a million by mass


def undersize_through(percentiles_um: tuple[float, float, float], size_um: ArrayLike) -> Array:
    """Mass fraction finer than each size on the curve through D10, D50 and D90.

    Notes
    -----
    Probit of the undersize a hyperbola in ln x through the three points, nearly straight beyond
    them; equal ratios D90/D50 and D50/D10 make a log-normal powder.  Smooth, since what curves may
    do between sieves is judged on it: a kink at the median would count as a powder's own.

    Examples
    --------
    >>> undersize_through((70, 150, 300), [70, 150, 300]).round(6)
    array([0.1, 0.5, 0.9])
    """
    slope, bend, width = _hyperbola(percentiles_um)
    x = np.log(np.asarray(size_um, dtype=float) / percentiles_um[1])
    return np.asarray(ndtr(slope * x + bend * (np.hypot(x, width) - width)))


def feed_undersize(powder: Powder, size_um: ArrayLike) -> Array:
    """Mass fraction of the feed finer than each size."""
    if powder.feed_percentiles_um is not None:
        return undersize_through(powder.feed_percentiles_um, size_um)
    x = np.log(np.asarray(size_um, dtype=float) / powder.feed_d50_um)
    return np.asarray(ndtr(x / np.log(powder.feed_gsd)))


def coarsest_um(powder: Powder, *, per_octave: int) -> float:
    """Size above which next to nothing of the feed lies, µm.

    A curve through three percentiles ends a whole number of grid steps above its median, so that
    the median lies on an edge.
    """
    if powder.feed_percentiles_um is None:
        return float(powder.feed_d50_um * np.exp(ALL_BELOW * np.log(powder.feed_gsd)))
    slope, bend, width = _hyperbola(powder.feed_percentiles_um)
    beyond, ends = ALL_BELOW + bend * width, slope**2 - bend**2
    x = (slope * beyond - bend * np.sqrt(beyond**2 + width**2 * ends)) / ends
    steps = np.ceil(x / np.log(2.0) * per_octave)
    return float(powder.feed_percentiles_um[1] * 2.0 ** (steps / per_octave))


def _hyperbola(percentiles_um: tuple[float, float, float]) -> tuple[float, float, float]:
    """Slope, bend and width of the probit against ln x; rises for any three sizes."""
    below, above = np.diff(np.log(percentiles_um))
    width = min(below, above)
    bent = np.hypot([below, above], width) - width
    slope, bend = np.linalg.solve([[-below, bent[0]], [above, bent[1]]], ndtri(LEVELS)[[0, 2]])
    return float(slope), float(bend), float(width)


PER_OCTAVE = 12
STEP = np.log(2.0) / PER_OCTAVE
FLOOR_UM = 1.0  # the grid ends an octave and more below any aperture in use


@dataclass(frozen=True, kw_only=True, eq=False)
class TrueCurves:
    """Size curves of T × R runs.

    Attributes
    ----------
    first : float
        ln of the finest edge; edges follow at a constant step.
    undersize : ndarray, shape (T, R, n)
        Mass fraction finer than each edge, edges rising; (1, 1, n) where the curve is one for all.
    grain_mass_g : ndarray, shape as `undersize`
        Integral of particle mass over that undersize: gives the mean particle mass between any
        two sizes.  All 0 where the powder has no density.
    shift : ndarray, shape (T, R)
        Shift of each curve along ln x, not yet contained in the other two.
    """

    first: float
    undersize: Array
    grain_mass_g: Array
    shift: Array

    @classmethod
    def of(
        cls,
        edges_um: Array,
        mass: Array,
        shift: Array,
        *,
        density_g_per_cm3: float | None,
        shape_factor: float,
    ) -> Self:
        """Curves of rising classes, mass shaped as `undersize`, the first below the first edge."""
        undersize = np.cumsum(mass, axis=-1)
        undersize /= undersize[..., -1:]
        grain = np.zeros_like(undersize)
        if density_g_per_cm3 is not None:
            middle_um = np.append(edges_um[0] / 2, np.sqrt(edges_um[:-1] * edges_um[1:]))
            particle_g = density_g_per_cm3 * shape_factor * (middle_um * 1e-4) ** 3
            grain = np.cumsum(mass * particle_g, axis=-1)
        first = float(np.log(edges_um[0]))
        return cls(first=first, undersize=undersize, grain_mass_g=grain, shift=shift)

    def at(self, aperture_um: Array) -> tuple[Array, ...]:
        """Undersize and integrated particle mass below sizes of shape (T, R, K), inf allowed."""
        with np.errstate(divide="ignore"):
            ln_x = np.log(aperture_um)
        position = (ln_x - self.shift[..., None] - self.first) / STEP
        undersize = _interpolate(self.undersize, position)
        grain = _interpolate(self.grain_mass_g, position) * np.exp(3 * self.shift)[..., None]
        return undersize, grain

    def sizes(self, levels: ArrayLike = LEVELS) -> Array:
        """True percentiles, µm, shape (T, R, n_levels); NaN off the grid."""
        wanted = np.atleast_1d(np.asarray(levels, dtype=float))
        last = self.undersize.shape[-1] - 1
        out = np.full((*self.shift.shape, wanted.size), np.nan)
        for k, level in enumerate(wanted):
            above = (self.undersize < level).sum(axis=-1)
            high = np.clip(above, 1, last)[..., None]
            q_low = np.take_along_axis(self.undersize, high - 1, axis=-1)[..., 0]
            q_high = np.take_along_axis(self.undersize, high, axis=-1)[..., 0]
            part = (level - q_low) / np.where(q_high > q_low, q_high - q_low, 1.0)
            ln_size = self.first + STEP * (high[..., 0] - 1 + part) + self.shift
            out[..., k] = np.where((above > 0) & (above <= last), np.exp(ln_size), np.nan)
        return out


def random_curves(
    design: TrialDesign, layout: Layout, trials: int, rng: np.random.Generator
) -> TrueCurves:
    """Curves of T trials with fresh benches and fresh runs."""
    spread, runs = design.spread, layout.bench.size
    benches, times = len(design.benches), len(design.times_min)
    rate = spread.rate_bench * rng.standard_normal((trials, benches))[:, layout.bench]
    rate += spread.rate_run * rng.standard_normal((trials, runs))
    shift = spread.size_bench * rng.standard_normal((trials, benches))[:, layout.bench]
    cell = rng.standard_normal((trials, benches, times))[:, layout.bench, layout.time]
    shift += spread.size_bench_time * cell
    shift += spread.size_run * rng.standard_normal((trials, runs))
    (own,) = rng.spawn(1)  # charges draw from a stream of their own: a seed keeps its other draws
    charges = own.standard_normal((2, trials, len(layout.charge_names)))[..., layout.charge]
    rate += spread.rate_charge * charges[0]
    shift += spread.charge * charges[1]
    time_min = layout.time_min * layout.rate_factor * np.exp(rate)
    return _curves(design.powder, time_min, shift)


def mean_curves(design: TrialDesign, layout: Layout) -> TrueCurves:
    """Curves of one trial with every random difference at 0."""
    time_min = (layout.time_min * layout.rate_factor)[None]
    return _curves(design.powder, time_min, np.zeros_like(time_min))


def _curves(powder: Powder, time_min: Array, shift: Array) -> TrueCurves:
    edges, feed = _feed(powder)
    if powder.breakage is None:
        mass = feed[None, None]
    else:
        mass = mill(feed, edges, powder.breakage, time_min=time_min)
    return TrueCurves.of(
        edges[::-1],
        mass[..., ::-1],
        shift,
        density_g_per_cm3=powder.density_g_per_cm3,
        shape_factor=powder.shape_factor,
    )


def _feed(powder: Powder) -> tuple[Array, Array]:
    """Edges of the grid, falling, and the mass of the feed in each class below them."""
    edges = size_edges(coarsest_um(powder, per_octave=PER_OCTAVE), FLOOR_UM, per_octave=PER_OCTAVE)
    finer = feed_undersize(powder, edges)
    finer[0] = 1.0  # the few particles above the grid count in its coarsest class
    return edges, np.append(finer[:-1] - finer[1:], finer[-1])


def _interpolate(curve: Array, position: Array) -> Array:
    """Values at positions counted in grid steps: proportional to size below 0, flat above."""
    top = curve.shape[-1] - 1
    inside = np.clip(position, 0.0, top)
    low = np.minimum(inside.astype(np.intp), top - 1)
    part = inside - low
    value = np.take_along_axis(curve, low, axis=-1) * (1 - part)
    value += np.take_along_axis(curve, low + 1, axis=-1) * part
    return np.asarray(value * np.exp(STEP * np.minimum(position, 0.0)))
