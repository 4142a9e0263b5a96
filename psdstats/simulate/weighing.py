"""Readings of a simulated trial: every plate empty and loaded, on the balance of its run.

Units: g.  A balance has errors of sensitivity, linearity, repeatability and rounding.  Arrays run
over trials T, runs R, classes K (pan first), plates P and balances B.

Not done: drift and creep of a balance, static charge, air buoyancy.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from psdstats.simulate.curve import TrueCurves, random_curves
from psdstats.simulate.design import TrialDesign
from psdstats.simulate.layout import Layout
from psdstats.simulate.sieving import (
    Apertures,
    draw_apertures,
    gather,
    lose_powder,
    sample_particles,
    true_classes,
)
from psdstats.study.records import Balance, TareHandling

__all__ = ["Readings", "round_to", "weigh_trials"]


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

    tare_g: NDArray[np.float64]
    gross_g: NDArray[np.float64]
    sample_g: NDArray[np.float64]
    fraction: NDArray[np.float64]
    apertures: Apertures
    curves: TrueCurves


def weigh_trials(
    design: TrialDesign, layout: Layout, trials: int, rng: np.random.Generator
) -> Readings:
    """Readings of T independent trials of one design.

    Parameters
    ----------
    design, layout : TrialDesign, Layout
        The trial.
    trials : int
        Number of trials T; memory grows with it.
    rng : numpy.random.Generator
        Source of everything random.

    Returns
    -------
    Readings
    """
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


def round_to(value_g: NDArray[np.float64], step_g: float) -> NDArray[np.float64]:
    """Values rounded to a scale interval, with no more decimals than the interval itself.

    Examples
    --------
    >>> round_to(np.array([412.3372, 0.024]), 0.05)
    array([412.35,   0.  ])
    """
    decimals = max(0, -int(Decimal(str(step_g)).normalize().as_tuple().exponent))
    rounded: NDArray[np.float64] = np.round(np.round(value_g / step_g) * step_g, decimals)
    return rounded


@dataclass(frozen=True, kw_only=True, eq=False)
class _Balances:
    """Balances with their errors of sensitivity and linearity, shape (T, B)."""

    balances: tuple[Balance, ...]
    slope: NDArray[np.float64]
    bow: NDArray[np.float64]

    def read(
        self, load_g: NDArray[np.float64], layout: Layout, rng: np.random.Generator
    ) -> NDArray[np.float64]:
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
    design: TrialDesign,
    layout: Layout,
    net_g: NDArray[np.float64],
    balances: _Balances,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
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
