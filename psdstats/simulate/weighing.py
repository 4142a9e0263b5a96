"""What lies on each sieve: true apertures, a finite number of particles, lost powder.

Units: apertures in µm, masses in g.  Arrays run over trials T, runs R, classes K (pan first) and
plates P (physical sieves and pans).

Not done: incomplete sieving, particles stuck in the mesh, wear of a sieve during the trial.

Readings of a simulated trial: every plate empty and loaded, on the balance of its run.

Units: g.  A balance has errors of sensitivity, linearity, repeatability and rounding.  Arrays run
over trials T, runs R, classes K (pan first), plates P and balances B.

Not done: drift and creep of a balance, static charge, air buoyancy.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array
from psdstats.sieves.standards import tolerance_um
from psdstats.simulate.curve import TrueCurves, random_curves
from psdstats.simulate.design import Layout, TrialDesign
from psdstats.study.records import Balance, TareHandling


@dataclass(frozen=True, kw_only=True, eq=False)
class Apertures:
    """Apertures of the plates in T trials, µm, 0 for pans.

    Attributes
    ----------
    true_um : ndarray, shape (T, P)
        What the sieve does.
    certified_um : ndarray, shape (T, P)
        What its certificate says; NaN without one.
    expanded_um : ndarray, shape (P,)
        Expanded uncertainty (k = 2) of that certificate.
    """

    true_um: Array
    certified_um: Array
    expanded_um: Array

    def best_um(self, layout: Layout) -> Array:
        """The certified aperture where there is one, else the nominal, shape (T, P)."""
        return np.where(np.isnan(self.certified_um), layout.plate_um, self.certified_um)


def draw_apertures(
    design: TrialDesign, layout: Layout, trials: int, rng: np.random.Generator
) -> Apertures:
    """True and certified apertures of every physical sieve."""
    plates = layout.plate_um.size
    tolerance, expanded = np.zeros(plates), np.full(plates, np.nan)
    decimals = np.ones(plates, dtype=int)
    start = 0
    for sieves in design.sieve_sets:
        nominal = np.array(sieves.apertures_um)
        here: slice | NDArray[np.bool_] = slice(start + 1, start + 1 + nominal.size)
        tolerance[here] = [tolerance_um(um, standard=sieves.standard) for um in nominal]
        if sieves.certificate_percent is not None:
            decimals[here] = sieves.certificate_decimals
            expanded[here] = np.round(
                nominal * sieves.certificate_percent / 100, sieves.certificate_decimals
            )
        start += nominal.size + 1
    true_um = layout.plate_um + tolerance * rng.uniform(-1, 1, (trials, plates))
    certified = true_um + expanded / 2 * rng.standard_normal((trials, plates))
    for digits in np.unique(decimals):
        here = decimals == digits
        certified[:, here] = np.round(certified[:, here], digits)
    return Apertures(true_um=true_um, certified_um=certified, expanded_um=expanded)


def gather(by_plate: Array, layout: Layout, *, pad: float) -> Array:
    """Lay values by plate, shape (T, P), out by run and class, (T, R, K), `pad` where unused."""
    return np.where(layout.used, by_plate[:, np.maximum(layout.plate, 0)], pad)


def true_classes(curves: TrueCurves, aperture_um: Array) -> tuple[Array, Array]:
    """Mass fraction of every class and the mean mass of a particle in it.

    Shapes: aperture_um (T, R, K); gives (T, R, K).
    """
    passed_um = np.minimum.accumulate(aperture_um[..., ::-1], axis=-1)[..., ::-1]
    ends = np.concatenate([passed_um, np.full((*passed_um.shape[:2], 1), np.inf)], axis=-1)
    below, grain_below = curves.at(ends)
    fraction, grain = np.diff(below, axis=-1), np.diff(grain_below, axis=-1)
    return fraction, grain / np.where(fraction > 0, fraction, 1.0)


def sample_particles(
    fraction: Array, particle_g: Array, sample_g: Array, rng: np.random.Generator
) -> Array:
    """Class masses of a sample: Poisson numbers of particles, scaled to the mass of the sample.

    Shapes: fraction, particle_g (..., K), sample_g (...); gives (..., K).

    Notes
    -----
    With particle masses μ the covariance of the shares is, to first order, ``M Cov(w_i, w_k) =
    δ_ik w_i μ_i − w_i w_k (μ_i + μ_k) + w_i w_k Σ_j w_j μ_j`` (P. M. Gy, Sampling of Particulate
    Materials, 1982; from memory).
    """
    expected_g = fraction * sample_g[..., None]
    counted = particle_g > 0
    unit = np.where(counted, particle_g, 1.0)
    number = rng.poisson(np.where(counted, expected_g / unit, 0.0))
    mass = np.where(counted, number * unit, expected_g)
    return np.asarray(mass * (sample_g / mass.sum(axis=-1))[..., None])


def lose_powder(net_g: Array, loss_percent: tuple[float, float], rng: np.random.Generator) -> Array:
    """Masses left after a loss: a random share of it from the pan, the rest in proportion.

    Shapes: net_g (..., K); gives (..., K).
    """
    shape = net_g.shape[:-1]
    lost = rng.uniform(*loss_percent, shape) / 100
    from_pan = lost * rng.uniform(0, 1, shape)
    left = net_g * (1 - (lost - from_pan))[..., None]
    left[..., 0] = np.maximum(left[..., 0] - from_pan * net_g.sum(axis=-1), 0.0)
    return left


@dataclass(frozen=True, kw_only=True, eq=False)
class Readings:
    """What was written down in T trials, g, and the truth behind it.

    Attributes
    ----------
    tare_g, gross_g : ndarray, shape (T, R, K)
        Readings; 0 where a stack has fewer classes.
    sample_g : ndarray, shape (T, R)
        Readings of the sample mass.
    fraction : ndarray, shape (T, R, K)
        Mass fractions that a lossless sieving of the whole lot would give.
    apertures : Apertures
        True and certified apertures.
    curves : TrueCurves
        True size curves.
    """

    tare_g: Array
    gross_g: Array
    sample_g: Array
    fraction: Array
    apertures: Apertures
    curves: TrueCurves


def weigh_trials(
    design: TrialDesign, layout: Layout, trials: int, rng: np.random.Generator
) -> Readings:
    """Readings of T independent trials of one design."""
    curves = random_curves(design, layout, trials, rng)
    apertures = draw_apertures(design, layout, trials, rng)
    fraction, particle_g = true_classes(curves, gather(apertures.true_um, layout, pad=np.inf))
    poured_g = design.sample_mass_g * (1 + 0.01 * rng.uniform(-1, 1, fraction.shape[:2]))
    net_g = sample_particles(fraction, particle_g, poured_g, rng)
    net_g = lose_powder(net_g, design.loss_percent, rng)
    balances = _draw_balances(layout, trials, rng)
    tare_g, gross_g = _read_plates(design, layout, net_g, balances, rng)
    return Readings(
        tare_g=tare_g,
        gross_g=gross_g,
        sample_g=balances.read(poured_g[..., None], layout, rng)[..., 0],
        fraction=fraction,
        apertures=apertures,
        curves=curves,
    )


def round_to(value_g: Array, step_g: float) -> Array:
    """Values rounded to a scale interval, with no more decimals than the interval itself.

    Examples
    --------
    >>> round_to(np.array([412.3372, 0.024]), 0.05)
    array([412.35,   0.  ])
    """
    decimals = max(0, -int(Decimal(str(step_g)).normalize().as_tuple().exponent))
    return np.asarray(np.round(np.round(value_g / step_g) * step_g, decimals))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Balances:
    """Balances with their errors of sensitivity and linearity, shape (T, B)."""

    balances: tuple[Balance, ...]
    slope: Array
    bow: Array

    def read(self, load_g: Array, layout: Layout, rng: np.random.Generator) -> Array:
        """Display of loads, shape (T, R, K), each on the balance of its run."""
        noise = rng.standard_normal(load_g.shape)
        shown = np.empty_like(load_g)
        for b, balance in enumerate(self.balances):
            here = np.flatnonzero(layout.balance == b)
            load = load_g[:, here]
            value = load * (1 + self.slope[:, b, None, None])
            if balance.capacity_g is not None and balance.linearity_g > 0:
                part = load / balance.capacity_g
                bow = 4 * balance.linearity_g * part * (1 - part)
                value += self.bow[:, b, None, None] * bow
            value += balance.repeatability_g * noise[:, here]
            shown[:, here] = round_to(value, balance.resolution_g)
        return shown


def _draw_balances(layout: Layout, trials: int, rng: np.random.Generator) -> _Balances:
    shape = (trials, len(layout.balances))
    slope_u = np.array([balance.slope_u for balance in layout.balances])
    return _Balances(
        balances=layout.balances,
        slope=slope_u * rng.standard_normal(shape),
        bow=rng.uniform(-1, 1, shape),
    )


def _read_plates(
    design: TrialDesign, layout: Layout, net_g: Array, balances: _Balances, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Tare and gross readings; a plate tared once keeps the reading of its first run."""
    typical_g = np.concatenate(
        [np.full(len(sieves.apertures_um) + 1, sieves.tare_g) for sieves in design.sieve_sets]
    )
    trials, plates = net_g.shape[0], typical_g.size
    empty_g = typical_g * (1 + 0.15 * rng.uniform(-1, 1, (trials, plates)))
    load_g = gather(empty_g, layout, pad=0.0)
    tare_g = balances.read(load_g, layout, rng)
    if design.tares == TareHandling.ONCE:
        used, first = np.unique(layout.plate, return_index=True)
        by_plate = np.zeros((trials, plates))
        by_plate[:, used[used >= 0]] = tare_g.reshape(trials, -1)[:, first[used >= 0]]
        tare_g = gather(by_plate, layout, pad=0.0)
    gross_g = balances.read(load_g + net_g, layout, rng)
    return np.where(layout.used, tare_g, 0.0), np.where(layout.used, gross_g, 0.0)
