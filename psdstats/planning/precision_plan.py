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

Balance resolution and sample mass that a wanted uncertainty of a percentile asks for.

Masses in g, sizes in µm, uncertainties as standard uncertainties of ln D in per cent.  Every
resolution and sample mass is simulated (`planned_weighing`: particles, apertures, readings, the
interpolation rule) and judged by that; beside it stands the linear law (`precision_law`), which
says what each source contributes and how large a sample must be.

Not counted: splitting of the sample, losses, run-to-run variation of the mill.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt

import numpy as np
import pandas as pd

from psdstats.distribution.arrays import class_sizes_um
from psdstats.errors import PlanError, require_positive
from psdstats.frozen import Array
from psdstats.planning.planned_weighing import (
    ExpectedPowder,
    FoundSize,
    PlannedWeighing,
    found_size,
    weigh_powder,
)
from psdstats.present import present
from psdstats.sieves.standards import tolerance_um
from psdstats.uncertainty.linear import percentile_jacobian

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
    """The law for one percentile of a powder on a stack."""
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
    size_cm = class_sizes_um(apertures[None, :])[0] * CM_PER_UM
    particle_g = weighing.density_g_per_cm3 * weighing.shape_factor * size_cm**3
    u_aperture = _aperture_u(apertures, weighing)
    return PrecisionLaw(
        balance=float(2 * (1 / 12 + weighing.repeatability_d**2) * (by_share**2).sum()),
        particles=float((by_share**2 * share * particle_g).sum()),
        sieves=float((by_aperture**2 * u_aperture**2).sum()),
    )


def _aperture_u(apertures: Array, weighing: PlannedWeighing) -> Array:
    """Standard uncertainties of ln aperture."""
    if weighing.certified_u_percent is not None:
        return np.full(len(apertures), weighing.certified_u_percent / 100)
    limits = [tolerance_um(float(one), standard=weighing.standard) for one in apertures]
    return np.array(limits) / sqrt(3) / apertures


@dataclass(frozen=True, kw_only=True)
class PrecisionPlan:
    """What balance and sample a wanted uncertainty asks for.

    Parameters
    ----------
    quantity : str
        "D10", "D50" or "D90".
    wanted_percent : float
        Wanted standard uncertainty, per cent.
    law : PrecisionLaw
        The linear law for this powder and stack.
    resolution_g, sample_g : tuple of float
        What is tabulated.
    cells : dict of (float, float) to FoundSize
        What simulated samples give with every resolution and sample mass.
    trials, seed : int
        Simulated stacks a cell, with two samples each; seed of the simulation.
    """

    quantity: str
    wanted_percent: float
    law: PrecisionLaw
    resolution_g: tuple[float, ...]
    sample_g: tuple[float, ...]
    cells: dict[tuple[float, float], FoundSize]
    trials: int
    seed: int

    def least_sample_g(self, resolution_g: float, *, change: bool = False) -> float:
        """Smallest sample for the wanted uncertainty by the law; inf where none will do.

        Parameters
        ----------
        resolution_g : float
            Scale interval of the balance.
        change : bool, default=False
            Whether the uncertainty of a change is wanted, not that of a size.
        """
        return self.law.least_sample_g(self.wanted_percent, resolution_g, change=change)

    def coarsest_resolution_g(self, sample_g: float, *, change: bool = False) -> float:
        """Coarsest scale interval for the wanted uncertainty by the law; 0 where none will do.

        Parameters
        ----------
        sample_g : float
            Sample mass.
        change : bool, default=False
            Whether the uncertainty of a change is wanted, not that of a size.
        """
        return self.law.coarsest_resolution_g(self.wanted_percent, sample_g, change=change)

    def to_frame(self) -> pd.DataFrame:
        """One row a resolution and sample mass: simulated u, its error, the law, whether enough."""
        return pd.DataFrame([self._row(*cell) for cell in self.cells])

    def _row(self, resolution_g: float, sample_g: float) -> dict[str, float]:
        own = (resolution_g, sample_g)
        found, parts = self.cells[own], self.law.parts_percent(*own)
        return {
            "resolution_g": resolution_g,
            "sample_g": sample_g,
            "u_percent": found.u_percent,
            "u_error_percent": found.u_error_percent,
            "u_law_percent": self.law.u_percent(*own),
            **{f"u_{name}_percent": value for name, value in parts.items()},
            "enough": found.u_percent <= self.wanted_percent,
            "u_change_percent": found.u_change_percent,
            "u_change_error_percent": found.u_change_error_percent,
            "u_change_law_percent": self.law.u_percent(*own, change=True),
            "enough_for_change": found.u_change_percent <= self.wanted_percent,
            "interpolation_percent": found.interpolation_percent,
            "share_open": found.share_open,
        }

    def law_frame(self, *, change: bool = False) -> pd.DataFrame:
        """Linear law as curves, for a figure: series (resolution in words), sample_g, u_percent.

        Parameters
        ----------
        change : bool, default=False
            Whether the uncertainty of a change is wanted, not that of a size.
        """
        masses = np.geomspace(min(self.sample_g) / 1.5, max(self.sample_g) * 1.5, 61).tolist()
        columns = ["series", "resolution_g", "sample_g", "u_percent"]
        rows = [
            (f"{d:g} g", d, mass, self.law.u_percent(d, mass, change=change))
            for d in self.resolution_g
            for mass in masses
        ]
        return pd.DataFrame(rows, columns=columns)

    def simulated_frame(self, *, change: bool = False) -> pd.DataFrame:
        """What was simulated, for a figure: as `law_frame`, and u_error_percent.

        Parameters
        ----------
        change : bool, default=False
            Whether the uncertainty of a change is wanted, not that of a size.
        """
        frame, start = self.to_frame(), "u_change" if change else "u"
        return pd.DataFrame(
            {
                "series": [f"{d:g} g" for d in frame["resolution_g"]],
                "resolution_g": frame["resolution_g"],
                "sample_g": frame["sample_g"],
                "u_percent": frame[f"{start}_percent"],
                "u_error_percent": frame[f"{start}_error_percent"],
            }
        ).dropna()

    def needs_frame(self) -> pd.DataFrame:
        """One row a resolution: smallest sample for one run and for a change, g (inf: none)."""
        return pd.DataFrame(
            {
                "resolution_g": self.resolution_g,
                "least_sample_g": [self.least_sample_g(d) for d in self.resolution_g],
                "least_sample_for_change_g": [
                    self.least_sample_g(d, change=True) for d in self.resolution_g
                ],
            }
        )

    def summary(self) -> str:
        """What balance and sample are enough, in words."""
        return str(present("summary", self))


def precision(
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    *,
    wanted_percent: float,
    weighing: PlannedWeighing | None = None,
    quantity: str = "D50",
    resolution_g: Sequence[float] = (0.1, 0.01, 0.001),
    sample_g: Sequence[float] = (10.0, 25.0, 50.0, 100.0),
    trials: int = 1000,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
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
    weighing : PlannedWeighing, optional
        Particles, repeatability and sieves; its resolution is replaced by each of `resolution_g`.
    quantity : {"D10", "D50", "D90"}
        Which percentile.
    resolution_g, sample_g : sequence of float
        Scale intervals and sample masses tabulated.
    trials : int, default=1000
        Simulated stacks for each of them, two samples on each.
    seed : int, default=0
        Seed; all cells share it, so that they differ by what is asked and less by chance.
    progress : callable or None
        Called with (cells done, cells in all).

    Returns
    -------
    PrecisionPlan

    Raises
    ------
    PlanError
        If the stack does not bracket the percentile, or a number is out of range.
    """
    weighing = PlannedWeighing() if weighing is None else weighing
    require_positive("wanted uncertainty", wanted_percent)
    law = precision_law(powder, aperture_um, weighing, quantity=quantity)
    pairs = [
        (require_positive("resolution", d), require_positive("sample mass", mass))
        for d in resolution_g
        for mass in sample_g
    ]
    cells = {}
    for number, (d, mass) in enumerate(pairs, start=1):
        balance = replace(weighing, resolution_g=d)
        masses = weigh_powder(powder, aperture_um, balance, sample_g=mass, trials=trials, seed=seed)
        cells[d, mass] = found_size(masses, quantity)
        if progress is not None:
            progress(number, len(pairs))
    return PrecisionPlan(
        quantity=quantity,
        wanted_percent=float(wanted_percent),
        law=law,
        resolution_g=tuple(float(one) for one in resolution_g),
        sample_g=tuple(float(one) for one in sample_g),
        cells=cells,
        trials=trials,
        seed=seed,
    )
