"""How samples of a planned trial will be sieved and weighed, and what that does to their sizes.

`psdstats.simulate` sieves an expected powder on many stacks, each with apertures of its own, two
samples on every stack: a finite number of particles, readings of the balance, sizes by the
interpolation rule of the evaluation.  Masses in g, sizes in µm, uncertainties as standard
deviations of ln size in per cent, each with its Monte Carlo standard error.

Not counted: splitting of the sample, losses, run-to-run variation of the mill.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.planning.expected_powder import ExpectedPowder
from psdstats.planning.plan_error import PlanError, require_positive
from psdstats.simulate import (
    Bench,
    Powder,
    SieveSet,
    SimulatedMasses,
    TrialDesign,
    simulate_net_masses,
)
from psdstats.study.records import Balance

__all__ = ["SIZES", "FoundSize", "PlannedWeighing", "found_size", "weigh_powder"]

Array = NDArray[np.float64]
SIZES = ("D10", "D50", "D90", "span")
FEWEST_PAIRS = 30  # stacks with two bracketed sizes below which no spread is told
FEWEST_TRIALS = 100


@dataclass(frozen=True, kw_only=True)
class PlannedWeighing:
    """Balance, particles and sieves of the samples to come.

    Parameters
    ----------
    density_g_per_cm3 : float, default=2.7
        Particle density (near that of calcite and quartz; common practice, no source).
    shape_factor : float, default=0.5
        Particle volume over the cube of its sieve size (common practice, no source).
    resolution_g : float, default=0.01
        Scale interval d of the balance.
    repeatability_d : float, default=1
        Standard deviation of repeated readings in scale intervals (common practice, no source).
    certified_u_percent : float or None
        Standard uncertainty of each average aperture from certificates; None: the tolerance of
        the standard.
    standard : str, default="ISO 3310-1"
        Standard whose tolerance the sieves keep.
    """

    density_g_per_cm3: float = 2.7
    shape_factor: float = 0.5
    resolution_g: float = 0.01
    repeatability_d: float = 1.0
    certified_u_percent: float | None = None
    standard: str = "ISO 3310-1"

    def __post_init__(self) -> None:
        require_positive("density", self.density_g_per_cm3)
        require_positive("shape factor", self.shape_factor)
        require_positive("resolution", self.resolution_g)
        if not 0 <= self.repeatability_d < float("inf"):
            raise PlanError(
                f"the repeatability is {self.repeatability_d:g} scale intervals; give 0 or more."
            )
        if self.certified_u_percent is not None:
            require_positive("certified uncertainty", self.certified_u_percent)

    @property
    def words(self) -> str:
        """The assumptions in words."""
        sieves = (
            f"sieves anywhere within the tolerance of {self.standard}"
            if self.certified_u_percent is None
            else f"apertures certified to {self.certified_u_percent:g} % (standard uncertainty)"
        )
        return (
            f"balance of {self.resolution_g:g} g resolution and a repeatability of "
            f"{self.repeatability_d:g} scale interval{'' if self.repeatability_d == 1 else 's'}, "
            f"particles of {self.density_g_per_cm3:g} g/cm³, {sieves}"
        )


@dataclass(frozen=True, kw_only=True)
class FoundSize:
    """What simulated samples say of one quantity; NaN where too few of them bracket it.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    u_percent, u_error_percent : float
        Standard uncertainty of one sample, and its Monte Carlo standard error.
    u_change_percent, u_change_error_percent : float
        The same of the change between two samples on one stack.
    shared_percent : float
        The part that samples on one stack have in common.
    interpolation_percent : float
        By how much the interpolation rule misses the true curve when apertures and masses are
        known exactly; positive where it gives too coarse a size.
    share_open : float
        Share of samples in which the sieves do not bracket the quantity.
    """

    quantity: str
    u_percent: float
    u_error_percent: float
    u_change_percent: float
    u_change_error_percent: float
    shared_percent: float
    interpolation_percent: float
    share_open: float

    @property
    def own_percent(self) -> float:
        """The part that each sample has for itself, per cent."""
        return self.u_change_percent / float(np.sqrt(2))


def weigh_powder(
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    sample_g: float,
    trials: int = 1000,
    seed: int = 0,
) -> SimulatedMasses:
    """Sieve and weigh two samples of a powder on each of many stacks.

    Parameters
    ----------
    powder : ExpectedPowder
        The powder, as it is.
    aperture_um : sequence of float
        Sieves of the stack, any order.
    weighing : PlannedWeighing
        Balance, particles, sieves.
    sample_g : float
        Mass put on the stack.
    trials : int, default=1000
        Number of stacks; 100 or more.
    seed : int, default=0
        Seed of the simulation.

    Returns
    -------
    SimulatedMasses
        Two runs a trial.

    Raises
    ------
    PlanError
        If a number is out of range.
    """
    require_positive("sample mass", sample_g)
    if trials < FEWEST_TRIALS:
        raise PlanError(f"{trials} trials are too few to tell a spread; ask for 100 or more.")
    if seed < 0:
        raise PlanError(f"the seed is {seed}; give a whole number of 0 or more.")
    certified = weighing.certified_u_percent
    stack = SieveSet(
        name="stack",
        apertures_um=tuple(sorted({float(one) for one in aperture_um})),
        certificate_percent=None if certified is None else 2 * certified,
        certificate_decimals=4,
        standard=weighing.standard,
    )
    balance = Balance(
        name="balance",
        resolution_g=weighing.resolution_g,
        repeatability_g=weighing.repeatability_d * weighing.resolution_g,
    )
    design = TrialDesign(
        benches=(Bench(name="bench", sieves=stack, balance=balance),),
        powder=Powder(
            breakage=None,
            feed_percentiles_um=powder.percentiles_um,
            density_g_per_cm3=weighing.density_g_per_cm3,
            shape_factor=weighing.shape_factor,
            name=powder.name,
        ),
        times_min=(0.0,),
        replicates=2,
        sample_mass_g=sample_g,
    )
    return simulate_net_masses(design, trials=trials, seed=seed)


def found_size(masses: SimulatedMasses, quantity: str) -> FoundSize:
    """Spread of one quantity over simulated samples.

    Parameters
    ----------
    masses : SimulatedMasses
        From `weigh_powder`.
    quantity : {"D10", "D50", "D90", "span"}
        Which quantity.

    Returns
    -------
    FoundSize
    """
    column = SIZES.index(quantity)
    with np.errstate(invalid="ignore", divide="ignore"):
        ln_size = np.log(masses.measured()[:, :, column])
        miss = np.log(masses.by_rule[:, :, column] / masses.true[:, :, column])
    is_open = ~np.isfinite(ln_size)
    pairs = ln_size[~is_open.any(axis=1)]
    enough = len(pairs) >= FEWEST_PAIRS
    one, one_error = _root_mean(_squares(pairs)) if enough else (np.nan, np.nan)
    change = (pairs[:, 1] - pairs[:, 0]) ** 2
    two, two_error = _root_mean(change) if enough else (np.nan, np.nan)
    miss = miss[np.isfinite(miss)]
    return FoundSize(
        quantity=quantity,
        u_percent=100 * one,
        u_error_percent=100 * one_error,
        u_change_percent=100 * two,
        u_change_error_percent=100 * two_error,
        shared_percent=100 * float(np.sqrt(max(one**2 - two**2 / 2, 0.0))) if enough else np.nan,
        interpolation_percent=100 * float(np.expm1(miss.mean())) if miss.size else np.nan,
        share_open=float(is_open.mean()),
    )


def _squares(pairs: Array) -> Array:
    """For each stack the mean square about the mean of all, so that their mean is u²."""
    rest = pairs - pairs.mean()
    return np.asarray((rest**2).mean(axis=1) * len(pairs) / (len(pairs) - 1))


def _root_mean(squares: Array) -> tuple[float, float]:
    """Root of a mean and its Monte Carlo standard error."""
    mean = float(squares.mean())
    error = float(squares.std(ddof=1) / np.sqrt(len(squares)))
    root = float(np.sqrt(mean))
    return root, error / (2 * root) if root > 0 else 0.0
