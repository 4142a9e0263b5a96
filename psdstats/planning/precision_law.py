"""Uncertainty of a percentile against balance resolution and sample mass, by the linear law.

Masses in g, sizes in µm, uncertainties as standard uncertainties of ln D in per cent.  For one run
of an expected powder on a stack, by the law of JCGM 100 with the semilog rule:

    u² = A d²/M² + B/M + C

d scale interval, M sample mass; A from two readings a class (rounding, and repeatability as a
multiple of d), B from the finite number of particles (Var m_i = m_i μ_i), C from the apertures
(certificate, else the tolerance of the standard as rectangular).  For the change between two runs
of like powders on the same sieves C cancels and the rest counts twice.

The law takes the curve as straight between two sieves; where it is not (in the tails of a powder on
a wide series), or the balance is coarse, it can be off: `precision` simulates beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray

from psdstats.planning.expected_powder import ExpectedPowder
from psdstats.planning.plan_error import PlanError
from psdstats.planning.planned_weighing import PlannedWeighing
from psdstats.sieves.tolerance import tolerance_um
from psdstats.uncertainty.jacobian import percentile_jacobian

__all__ = ["LEVELS", "PrecisionLaw", "precision_law"]

Array = NDArray[np.float64]
LEVELS = {"D10": 0.1, "D50": 0.5, "D90": 0.9}
CM_PER_UM = 1e-4


@dataclass(frozen=True, kw_only=True)
class PrecisionLaw:
    """The three constants of the module's formula.

    Parameters
    ----------
    balance, particles, sieves : float
        A, B (g) and C.
    """

    balance: float
    particles: float
    sieves: float

    def u_percent(self, resolution_g: float, sample_g: float, *, change: bool = False) -> float:
        """Standard uncertainty of one run, or of the change between two on the same sieves."""
        own = self.balance * (resolution_g / sample_g) ** 2 + self.particles / sample_g
        return 100 * sqrt(2 * own if change else own + self.sieves)

    def parts_percent(self, resolution_g: float, sample_g: float) -> dict[str, float]:
        """What balance, particles and sieves contribute to u of one run."""
        return {
            "balance": 100 * sqrt(self.balance) * resolution_g / sample_g,
            "particles": 100 * sqrt(self.particles / sample_g),
            "sieves": 100 * sqrt(self.sieves),
        }

    def room(self, wanted_percent: float, *, change: bool = False) -> float:
        """Variance left for balance and particles; not above zero where the sieves take it all."""
        wanted = (wanted_percent / 100) ** 2
        return wanted / 2 if change else wanted - self.sieves

    def least_sample_g(
        self, wanted_percent: float, resolution_g: float, *, change: bool = False
    ) -> float:
        """Smallest sample for the wanted uncertainty at a resolution; inf where none will do."""
        room = self.room(wanted_percent, change=change)
        if room <= 0:
            return inf
        square = self.balance * resolution_g**2
        return (self.particles + sqrt(self.particles**2 + 4 * square * room)) / (2 * room)

    def coarsest_resolution_g(
        self, wanted_percent: float, sample_g: float, *, change: bool = False
    ) -> float:
        """Coarsest scale interval for the wanted uncertainty; 0 where none will do."""
        room = self.room(wanted_percent, change=change) - self.particles / sample_g
        return 0.0 if room <= 0 else sample_g * sqrt(room / self.balance)


def precision_law(
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    quantity: str,
) -> PrecisionLaw:
    """The law for one percentile of a powder on a stack.

    Parameters
    ----------
    powder : ExpectedPowder
        The powder expected.
    aperture_um : sequence of float
        Sieves of the stack, any order, two or more.
    weighing : PlannedWeighing
        Particles, repeatability and sieves; its resolution is left open.
    quantity : {"D10", "D50", "D90"}
        Which percentile.

    Returns
    -------
    PrecisionLaw

    Raises
    ------
    PlanError
        If the stack does not bracket the percentile, or there is no such percentile.
    """
    if quantity not in LEVELS:
        raise PlanError(f"there is no size {quantity!r} to plan for; choose D10, D50 or D90.")
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
    size_cm = _class_sizes(ln_aperture) * CM_PER_UM
    particle_g = weighing.density_g_per_cm3 * weighing.shape_factor * size_cm**3
    u_aperture = _aperture_u(apertures, weighing)
    return PrecisionLaw(
        balance=float(2 * (1 / 12 + weighing.repeatability_d**2) * (by_share**2).sum()),
        particles=float((by_share**2 * share * particle_g).sum()),
        sieves=float((by_aperture**2 * u_aperture**2).sum()),
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


def _aperture_u(apertures: Array, weighing: PlannedWeighing) -> Array:
    """Standard uncertainties of ln aperture."""
    if weighing.certified_u_percent is not None:
        return np.full(len(apertures), weighing.certified_u_percent / 100)
    limits = [tolerance_um(float(one), standard=weighing.standard) for one in apertures]
    return np.array(limits) / sqrt(3) / apertures
