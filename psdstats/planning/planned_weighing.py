"""Powders a trial is expected to meet: how their samples are sieved and weighed, and their sizes.

`psdstats.simulate` sieves an expected powder on many stacks, each with apertures of its own, two
samples on every stack: a finite number of particles, readings of the balance.  What an evaluation
makes of them is found in `planned_sizes`.

Masses in g, sizes in µm, uncertainties in per cent.  Not counted: linearity of the balance,
splitting of the sample, losses, run-to-run variation of the mill.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import auto
from math import pi, sqrt

import numpy as np

from psdstats import limits
from psdstats.distribution.curves import InterpolationRule, class_sizes_um
from psdstats.errors import PlanError
from psdstats.findings import RemarkKind
from psdstats.frozen import Array
from psdstats.sieves.standards import practice_rule, tolerance_um
from psdstats.simulate.curve import undersize_through
from psdstats.simulate.design import Bench, Powder, SieveSet, TrialDesign
from psdstats.simulate.trial import SimulatedMasses, simulate_net_masses
from psdstats.study.records import Balance

G_PER_KG, MM2_PER_M2, CM_PER_UM = 1e3, 1e6, 1e-4


class PlanningRemark(RemarkKind):
    """What a plan rests on, and rules that it cannot keep."""

    STATED = auto()
    OF_STUDY = auto()
    WEIGHED = auto()
    D10_OPEN = auto()
    D90_OPEN = auto()
    CLASS_TOO_FULL = auto()
    OVERLOADED = auto()
    TOO_FINE_TO_SIEVE_DRY = auto()
    FEWER_SIEVES = auto()
    PEAK_MAY_HIDE = auto()


@dataclass(frozen=True, kw_only=True)
class ExpectedPowder:
    """A powder the trial is expected to meet, by three percentiles.

    Parameters
    ----------
    name : str
        For example "unmilled" or "after 48 min".
    d10_um, d50_um, d90_um : float
        Sizes that 10, 50 and 90 % of the mass pass, µm; increasing.

    Examples
    --------
    >>> from psdstats.planning import ExpectedPowder
    >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
    >>> powder.d50_um
    200
    """

    name: str
    d10_um: float
    d50_um: float
    d90_um: float

    def __post_init__(self) -> None:
        sizes = (self.d10_um, self.d50_um, self.d90_um)
        for size in sizes:
            limits.SIZE_UM.require(f"an expected size of {self.name!r}", size)
        if not self.d10_um < self.d50_um < self.d90_um:
            raise PlanError(
                f"the expected sizes of {self.name!r} are D10 {self.d10_um:g}, D50 "
                f"{self.d50_um:g} and D90 {self.d90_um:g} µm; give increasing sizes above zero."
            )

    def undersize(self, aperture_um: Array) -> Array:
        """Expected mass fraction finer than each aperture.

        Parameters
        ----------
        aperture_um : ndarray, shape (n,)
            Apertures, µm, above 0.

        Returns
        -------
        ndarray, shape (n,)
            0 to 1.

        Notes
        -----
        Probit of the undersize a smooth curve of ln x through the three points, nearly straight
        beyond them.

        Examples
        --------
        >>> import numpy as np
        >>> from psdstats.planning import ExpectedPowder
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> powder.undersize(np.array([80.0, 200.0, 450.0])).round(2)
        array([0.1, 0.5, 0.9])
        """
        return undersize_through(self.percentiles_um, aperture_um)

    @property
    def percentiles_um(self) -> tuple[float, float, float]:
        """D10, D50 and D90, µm."""
        return self.d10_um, self.d50_um, self.d90_um


def load_limit_g(aperture_um: float, frame_diameter_mm: float = 200.0) -> float:
    """Largest mass a sieve may hold at the end of sieving, g.

    Notes
    -----
    ASTM C136/C136M-19, 8.3: 7 kg/m² below 4.75 mm; 2.5 × aperture in mm × area in m² (kg) above.

    Examples
    --------
    >>> round(load_limit_g(250))
    220
    """
    area_m2 = pi / 4 * frame_diameter_mm**2 / MM2_PER_M2
    if aperture_um < practice_rule("coarse_from").value:
        return G_PER_KG * practice_rule("load_limit").value * area_m2
    return G_PER_KG * practice_rule("load_limit_coarse").value * aperture_um / 1000 * area_m2


def rising_apertures(aperture_um: Sequence[float]) -> tuple[float, ...]:
    """Apertures of a stack, µm, each once, finest first; two or more."""
    apertures = sorted({limits.SIZE_UM.require("an aperture", one) for one in aperture_um})
    if len(apertures) < 2:
        raise PlanError(f"the stack has {len(apertures)} apertures; give two or more above zero.")
    return tuple(apertures)


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
    rule : str or None
        Interpolation rule that a procedure prescribes ("semilog", "linear", "logprobit",
        "monotone"); None: the law of the powder's own curve.

    Examples
    --------
    >>> from psdstats.planning import PlannedWeighing
    >>> PlannedWeighing(resolution_g=0.001, certified_u_percent=0.5).standard
    'ISO 3310-1'
    """

    density_g_per_cm3: float = 2.7
    shape_factor: float = 0.5
    resolution_g: float = 0.01
    repeatability_d: float = 1.0
    certified_u_percent: float | None = None
    standard: str = "ISO 3310-1"
    rule: str | None = None

    def __post_init__(self) -> None:
        limits.DENSITY.require("density", self.density_g_per_cm3)
        limits.SHAPE_FACTOR.require("shape factor", self.shape_factor)
        limits.RESOLUTION_G.require("resolution", self.resolution_g)
        limits.READING_D.require("repeatability", self.repeatability_d)
        if self.certified_u_percent is not None:
            limits.DECLARED_PERCENT.require("certified uncertainty", self.certified_u_percent)
        rules = [str(one) for one in InterpolationRule]
        if self.rule is not None and self.rule not in rules:
            raise PlanError(f"rule {self.rule!r} is not known; choose {', '.join(rules)}, or none.")

    @property
    def reading_variance(self) -> float:
        """Variance of a net mass by its two readings, in squared scale intervals."""
        return 2 * (1 / 12 + self.repeatability_d**2)

    def particle_g(self, aperture_um: Array) -> Array:
        """Mass of a particle of each class, pan first, g.

        Parameters
        ----------
        aperture_um : ndarray, shape (n,)
            Rising apertures, µm.

        Returns
        -------
        ndarray, shape (n + 1,)

        Examples
        --------
        >>> import numpy as np
        >>> from psdstats.planning import PlannedWeighing
        >>> PlannedWeighing().particle_g(np.array([63.0, 125.0])).shape
        (3,)
        """
        size_cm = class_sizes_um(aperture_um[None, :])[0] * CM_PER_UM
        return np.asarray(self.density_g_per_cm3 * self.shape_factor * size_cm**3)

    def u_ln_aperture(self, aperture_um: Array) -> Array:
        """Standard uncertainties of ln aperture.

        Parameters
        ----------
        aperture_um : ndarray, shape (n,)
            Apertures, µm.

        Returns
        -------
        ndarray, shape (n,)

        Examples
        --------
        >>> import numpy as np
        >>> from psdstats.planning import PlannedWeighing
        >>> PlannedWeighing(certified_u_percent=0.5).u_ln_aperture(np.array([63.0, 125.0]))
        array([0.005, 0.005])
        """
        if self.certified_u_percent is not None:
            return np.full(len(aperture_um), self.certified_u_percent / 100)
        limits = [tolerance_um(float(one), standard=self.standard) for one in aperture_um]
        return np.array(limits) / sqrt(3) / aperture_um


def weigh_powder(
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    sample_g: float,
    trials: int = 1000,
    seed: int = 0,
) -> SimulatedMasses:
    """Sieve and weigh two samples of a powder on each of many stacks."""
    limits.MASS_G.require("sample mass", sample_g)
    limits.TRIALS.require("trials", trials)
    limits.SEED.require("seed", seed)
    certified = weighing.certified_u_percent
    stack = SieveSet(
        name="stack",
        apertures_um=rising_apertures(aperture_um),
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
