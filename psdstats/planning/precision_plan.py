"""Balance resolution and sample mass that a wanted uncertainty of a percentile asks for.

Masses in g, sizes in µm, uncertainties as standard uncertainties of ln D in per cent.  For one run
of an expected powder on a stack, by the linear law (JCGM 100) with the semilog rule:

    u² = A d²/M² + B/M + C

d scale interval, M sample mass; A from two readings a class (rounding, and repeatability as a
multiple of d), B from the finite number of particles (Var m_i = m_i μ_i), C from the apertures
(certificate, else the tolerance of the standard as rectangular).  For the change between two runs
of like powders on the same sieves C cancels and the rest counts twice.

Not counted: splitting of the sample, losses, run-to-run variation of the mill.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isinf, sqrt

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.planning.expected_powder import ExpectedPowder
from psdstats.planning.plan_error import PlanError, require_positive
from psdstats.sieves.rules import practice_rule
from psdstats.sieves.tolerance import tolerance_um
from psdstats.uncertainty.jacobian import percentile_jacobian

__all__ = ["PrecisionPlan", "precision"]

Array = NDArray[np.float64]
LEVELS = {"D10": 0.1, "D50": 0.5, "D90": 0.9}
CM_PER_UM = 1e-4


@dataclass(frozen=True, kw_only=True)
class PrecisionPlan:
    """What balance and sample a wanted uncertainty asks for.

    Parameters
    ----------
    quantity : str
        "D10", "D50" or "D90".
    wanted_percent : float
        Wanted standard uncertainty, per cent.
    balance, particles, sieves : float
        A, B (g) and C of the module's formula.
    resolution_g, sample_g : tuple of float
        What is tabulated.
    """

    quantity: str
    wanted_percent: float
    balance: float
    particles: float
    sieves: float
    resolution_g: tuple[float, ...]
    sample_g: tuple[float, ...]

    def u_percent(self, resolution_g: float, sample_g: float, *, change: bool = False) -> float:
        """Standard uncertainty of one run, or of the change between two on the same sieves."""
        own = self.balance * (resolution_g / sample_g) ** 2 + self.particles / sample_g
        return 100 * sqrt(2 * own if change else own + self.sieves)

    def least_sample_g(self, resolution_g: float, *, change: bool = False) -> float:
        """Smallest sample for the wanted uncertainty at a resolution; inf where none will do."""
        room = self._room(change)
        if room <= 0:
            return inf
        linear = self.particles
        square = self.balance * resolution_g**2
        return (linear + sqrt(linear**2 + 4 * square * room)) / (2 * room)

    def coarsest_resolution_g(self, sample_g: float, *, change: bool = False) -> float:
        """Coarsest scale interval for the wanted uncertainty; 0 where none will do."""
        room = self._room(change) - self.particles / sample_g
        return 0.0 if room <= 0 else sample_g * sqrt(room / self.balance)

    def _room(self, change: bool) -> float:
        wanted = (self.wanted_percent / 100) ** 2
        return wanted / 2 if change else wanted - self.sieves

    def to_frame(self) -> pd.DataFrame:
        """One row a resolution and sample mass: u, its parts, u of a change, whether enough."""
        rows = []
        for d in self.resolution_g:
            for mass in self.sample_g:
                u = self.u_percent(d, mass)
                u_change = self.u_percent(d, mass, change=True)
                rows.append(
                    {
                        "resolution_g": d,
                        "sample_g": mass,
                        "u_percent": u,
                        "u_balance_percent": 100 * sqrt(self.balance) * d / mass,
                        "u_particles_percent": 100 * sqrt(self.particles / mass),
                        "u_sieves_percent": 100 * sqrt(self.sieves),
                        "enough": u <= self.wanted_percent,
                        "u_change_percent": u_change,
                        "enough_for_change": u_change <= self.wanted_percent,
                    }
                )
        return pd.DataFrame(rows)

    def needs_frame(self) -> pd.DataFrame:
        """One row a resolution: smallest sample for one run and for a change, g (inf: none)."""
        return pd.DataFrame(
            [
                {
                    "resolution_g": d,
                    "least_sample_g": self.least_sample_g(d),
                    "least_sample_for_change_g": self.least_sample_g(d, change=True),
                }
                for d in self.resolution_g
            ]
        )

    def sentences(self) -> tuple[str, ...]:
        """The answer in words."""
        name, wanted = self.quantity, f"{self.wanted_percent:g} %"
        floor = 100 * sqrt(self.sieves)
        if self._room(False) <= 0:
            lines = [
                f"u({name}) of {wanted} cannot be reached with these sieves by any balance or "
                f"sample: their apertures alone leave {floor:.2g} %. Use certified sieves."
            ]
        else:
            lines = [f"The apertures leave {floor:.2g} % of u({name}) whatever the balance."]
            lines += [_need(name, wanted, d, self.least_sample_g(d)) for d in self.resolution_g]
        lines += [
            _need(f"the change of {name}", wanted, d, self.least_sample_g(d, change=True))
            for d in self.resolution_g
        ]
        least = practice_rule("least_sample")
        lines.append(
            f"Whatever the figures say, {least.value:g} g is the {least.says} ({least.source})."
        )
        return tuple(lines)


def precision(
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    *,
    wanted_percent: float,
    density_g_per_cm3: float,
    quantity: str = "D50",
    shape_factor: float = 0.5,
    resolution_g: Sequence[float] = (0.1, 0.01, 0.001),
    sample_g: Sequence[float] = (10.0, 25.0, 50.0, 100.0),
    repeatability_d: float = 1.0,
    certified_u_percent: float | None = None,
    standard: str = "ISO 3310-1",
) -> PrecisionPlan:
    """Uncertainty of a percentile against balance resolution and sample mass.

    Parameters
    ----------
    powder : ExpectedPowder
        The powder expected.
    aperture_um : sequence of float
        Sieves of the stack, any order, two or more.
    wanted_percent : float
        Wanted standard uncertainty of the percentile, per cent.
    density_g_per_cm3, shape_factor : float
        Particle density; particle volume over the cube of its sieve size (0.5: common practice).
    quantity : {"D10", "D50", "D90"}
        Which percentile.
    resolution_g, sample_g : sequence of float
        Scale intervals and sample masses tabulated.
    repeatability_d : float, default=1
        Standard deviation of repeated readings in scale intervals (common practice, no source).
    certified_u_percent : float or None
        Standard uncertainty of each average aperture from certificates; None: tolerance.
    standard : str
        Standard whose tolerance applies without certificates.

    Returns
    -------
    PrecisionPlan

    Raises
    ------
    PlanError
        If the stack does not bracket the percentile, or a number is out of range.
    """
    if quantity not in LEVELS:
        raise PlanError(f"there is no size {quantity!r} to plan for; choose D10, D50 or D90.")
    for name, value in (
        ("wanted uncertainty", wanted_percent),
        ("density", density_g_per_cm3),
        ("shape factor", shape_factor),
        *(("resolution", one) for one in resolution_g),
        *(("sample mass", one) for one in sample_g),
    ):
        require_positive(name, value)
    apertures = np.unique(np.asarray(aperture_um, dtype=float))
    if len(apertures) < 2 or apertures[0] <= 0:
        raise PlanError(f"the stack has {len(apertures)} apertures; give two or more above zero.")
    share = np.diff(np.concatenate([[0.0], powder.undersize(apertures), [1.0]]))
    ln_aperture = np.log(apertures)
    found = percentile_jacobian(share[None, :], ln_aperture[None, :], np.array([LEVELS[quantity]]))
    by_share, by_aperture = found.by_mass[0, 0], found.by_ln_aperture[0, 0]
    if not np.isfinite(found.ln_size[0, 0]):
        raise PlanError(
            f"{quantity} of {powder.name!r} is not bracketed by {apertures[0]:g} to "
            f"{apertures[-1]:g} µm; choose a stack that brackets it."
        )
    particle_g = density_g_per_cm3 * shape_factor * (_class_sizes(ln_aperture) * CM_PER_UM) ** 3
    u_aperture = _aperture_u(apertures, certified_u_percent, standard)
    return PrecisionPlan(
        quantity=quantity,
        wanted_percent=float(wanted_percent),
        balance=float(2 * (1 / 12 + repeatability_d**2) * (by_share**2).sum()),
        particles=float((by_share**2 * share * particle_g).sum()),
        sieves=float((by_aperture**2 * u_aperture**2).sum()),
        resolution_g=tuple(float(one) for one in resolution_g),
        sample_g=tuple(float(one) for one in sample_g),
    )


def _class_sizes(ln_aperture: Array) -> Array:
    """Size that stands for each class, pan first, as the sampling source takes it."""
    ln_size = np.concatenate(
        [
            [ln_aperture[0] - np.log(2)],
            0.5 * (ln_aperture[:-1] + ln_aperture[1:]),
            [ln_aperture[-1] + 0.5 * np.log(2)],
        ]
    )
    return np.asarray(np.exp(ln_size))


def _aperture_u(apertures: Array, certified_u_percent: float | None, standard: str) -> Array:
    """Standard uncertainties of ln aperture."""
    if certified_u_percent is not None:
        value = require_positive("certified uncertainty", certified_u_percent)
        return np.full(len(apertures), value / 100)
    limits = [tolerance_um(float(one), standard=standard) for one in apertures]
    return np.array(limits) / sqrt(3) / apertures


def _need(what: str, wanted: str, resolution_g: float, sample_g: float) -> str:
    if isinf(sample_g):
        return f"With {resolution_g:g} g resolution no sample gives u of {what} below {wanted}."
    return (
        f"With {resolution_g:g} g resolution u of {what} of {wanted} needs a sample of at least "
        f"{sample_g:.3g} g."
    )
