"""Powders a trial is expected to meet: how their samples are sieved, weighed and evaluated.

`psdstats.simulate` sieves an expected powder on many stacks, each with apertures of its own, two
samples on every stack: a finite number of particles, readings of the balance.  The law of the
undersize curve is given some of the samples: its mean sensitivities find the spread of all the
others, and what it states beyond that is left between the sieves.  By a prescribed rule every
sample is evaluated, and nothing is left.

Masses in g, sizes in µm; uncertainties are standard deviations of ln size in per cent, each with
its Monte Carlo standard error.  Not counted: linearity of the balance, splitting of the sample,
losses, run-to-run variation of the mill.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import auto
from functools import partial
from itertools import product
from math import pi, sqrt

import numpy as np

from psdstats import limits
from psdstats.columns import QUANTITIES
from psdstats.distribution.borrowing import between_correlation
from psdstats.distribution.curves import InterpolationRule, class_sizes_um
from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import SMALLEST, curve_law
from psdstats.errors import PlanError
from psdstats.findings import RemarkKind
from psdstats.frozen import Array, Flags, Indices
from psdstats.processes import mapped
from psdstats.room import one_thread
from psdstats.sieves.standards import practice_rule, tolerance_um
from psdstats.simulate.curve import undersize_through
from psdstats.simulate.design import Bench, Powder, SieveSet, TrialDesign
from psdstats.simulate.trial import SimulatedMasses, quantities_of, rule_sizes, simulate_net_masses
from psdstats.study.records import Balance
from psdstats.uncertainty.linear import percentile_jacobian

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
    PEAK_IN_A_STEP = auto()  # of the series


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


FEWEST_PAIRS = 30  # stacks with two bracketed sizes below which no spread is told


@dataclass(frozen=True, kw_only=True)
class FoundSize:
    """What simulated samples say of one quantity; NaN where too few of them bracket it."""

    quantity: str
    u_percent: float  # of one sample, what the curve may do between the sieves included
    u_error_percent: float
    between_percent: float  # that part of it
    own_percent: float  # what each sample has for itself
    own_error_percent: float
    share_open: float  # samples of which the sieves do not bracket the quantity

    @property
    def shared_percent(self) -> float:
        """The part that samples on one stack have in common, per cent."""
        return float(np.sqrt(max(self.u_percent**2 - self.own_percent**2, 0.0)))

    @property
    def alike_percent(self) -> float:
        """Standard uncertainty of the difference of two samples of the powder on one stack."""
        return self.own_percent * sqrt(2)


@dataclass(frozen=True, kw_only=True, eq=False)
class Evaluation:
    """What an evaluation makes of P powders on stacks of n apertures.

    `between` has the covariance of ln sizes by what the curves may do between the sieves, as the
    law states it of S stacks beyond the derivatives; none by a rule.
    """

    by_share: Array  # (P, 3, n + 1), derivatives of ln D10, D50, D90
    by_ln_aperture: Array  # (P, 3, n)
    between: Array  # (S, P, 3, P, 3)
    error: Array  # (P, S, 3), what the law misses of the powder's own ln sizes there
    hidden_peak: Indices  # (P, S), aperture above a class that may hide one; -1 for none


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedSizes:
    """Simulated samples of P powders on the same T stacks of n rising apertures, evaluated."""

    weighing: PlannedWeighing
    aperture_um: Array  # (n,)
    share: Array  # (P, n + 1), expected, pan first
    net_g: Array  # (P, T, 2, n + 1)
    ln_value: Array  # (P, T, 2, 4), of D10, D50, D90 and span; NaN where not bracketed
    found: Evaluation

    def between_variance(
        self, row: int, quantity: str, *, change: bool = False
    ) -> tuple[float, float]:
        """Variance between the sieves of a quantity, or its change since the first, and its error.

        0 by a rule; NaN where fewer than two samples given to the law bracket it.
        """
        if not len(self.found.between):
            return 0.0, 0.0
        rows = [0, row] if change else [row]
        used, weight = self._weights(rows, quantity)
        stated = self.found.between[:, rows][:, :, used][:, :, :, rows][..., used]
        found = np.einsum("ra,trasb,sb->t", weight, stated, weight)
        found = found[np.isfinite(found)]
        if found.size < 2:
            return float("nan"), float("nan")
        return max(float(found.mean()), 0.0), float(found.std(ddof=1)) / sqrt(found.size)

    def _weights(self, rows: list[int], quantity: str) -> tuple[list[int], Array]:
        """Which sizes a quantity is made of, and what each adds to ln of it or of its ratio."""
        sign = np.array([-1.0, 1.0])[-len(rows) :, None]
        if quantity != "span":
            return [QUANTITIES.index(quantity)], sign
        values = self.ln_value[rows, :, :, :3]
        known = np.isfinite(values).all(axis=-1, keepdims=True)
        mean = np.exp(np.where(known, values, 0.0).sum((1, 2)) / np.maximum(known.sum((1, 2)), 1))
        width = mean[:, 2] - mean[:, 0]
        by_size = [-mean[:, 0] / width, -np.ones(len(rows)), mean[:, 2] / width]
        return [0, 1, 2], sign * np.stack(by_size, axis=1)

    def size(self, row: int, quantity: str) -> FoundSize:
        """Spread of one quantity over the samples of a powder."""
        pairs = self.ln_value[row, :, :, QUANTITIES.index(quantity)]
        between = self.between_variance(row, quantity)
        u, u_error = _spread(pairs, between)
        apart = (pairs[:, 1:] - pairs[:, :1]) * [-1, 1] / sqrt(2)
        own, own_error = _spread(apart, (0.0, 0.0))
        return FoundSize(
            quantity=quantity,
            u_percent=u,
            u_error_percent=u_error,
            between_percent=100 * sqrt(between[0]),
            own_percent=own,
            own_error_percent=own_error,
            share_open=float((~np.isfinite(pairs)).mean()),
        )

    def change(self, row: int, quantity: str) -> tuple[float, float]:
        """Standard uncertainty of a change since the first powder, and its error, %.

        Samples of unlike place are compared: those of one place share random numbers.
        """
        pairs = self.ln_value[..., QUANTITIES.index(quantity)]
        between = self.between_variance(row, quantity, change=True)
        return _spread(pairs[row, :, ::-1] - pairs[0], between)


def planned_sizes(
    powders: Sequence[ExpectedPowder],
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    sample_g: float,
    trials: int = 1000,
    seed: int = 0,
    to_law: int = 24,
    workers: int = 1,
    cluster: str | None = None,
) -> PlannedSizes:
    """Sieve, weigh and evaluate two samples of every powder on each of many stacks.

    The law, which takes some ms a sample, is given one of each powder on the first `to_law` stacks.
    """
    apertures = np.array(rising_apertures(aperture_um))
    weigh = partial(  # with one seed: on the same stacks
        weigh_powder,
        aperture_um=aperture_um,
        weighing=weighing,
        sample_g=sample_g,
        trials=trials,
        seed=seed,
    )
    masses = list(mapped(weigh, powders, workers=workers, cluster=cluster))
    share = np.diff([one.undersize(apertures) for one in powders], prepend=0.0, append=1.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # samples read as nothing, a span of 0
        if weighing.rule is None:
            found = _by_law(masses, weighing, sample_g, to_law)
            size = [np.exp(_linear(one, row, found, share)) for row, one in enumerate(masses)]
        else:
            found = _by_rule(share, apertures, weighing.rule)
            size = [
                rule_sizes(one.net_g, one.aperture_um, rule=weighing.rule)[..., :3]
                for one in masses
            ]
        ln_value = np.log(quantities_of(np.stack(size)))
    return PlannedSizes(
        weighing=weighing,
        aperture_um=apertures,
        share=share,
        net_g=np.stack([one.net_g for one in masses]),
        ln_value=ln_value,
        found=found,
    )


def _by_rule(share: Array, aperture_um: Array, rule: str) -> Evaluation:
    powders = len(share)
    ln_aperture = np.tile(np.log(aperture_um), (powders, 1))
    found = percentile_jacobian(share, ln_aperture, LEVELS, rule)
    return Evaluation(
        by_share=np.nan_to_num(found.by_mass),
        by_ln_aperture=np.nan_to_num(found.by_ln_aperture),
        between=np.empty((0, powders, 3, powders, 3)),
        error=np.empty((powders, 0, 3)),
        hidden_peak=np.empty((powders, 0), dtype=np.intp),
    )


@one_thread
def _by_law(
    masses: Sequence[SimulatedMasses], weighing: PlannedWeighing, sample_g: float, to_law: int
) -> Evaluation:
    """The law of one sample of each powder on the first stacks."""
    powders, stacks, n = len(masses), to_law, masses[0].net_g.shape[-1] - 1
    at = [(one, slice(stacks), int(row > 0)) for row, one in enumerate(masses)]
    net_g = np.concatenate([one.net_g[stack, place] for one, stack, place in at])
    ln_aperture = np.log(np.concatenate([one.aperture_um[s, p, 1:] for one, s, p in at]))
    true = np.log(np.stack([one.true[stack, place, :3] for one, stack, place in at]))
    share = net_g / np.maximum(net_g.sum(axis=1, keepdims=True), weighing.resolution_g)
    reading = weighing.reading_variance * (weighing.resolution_g / sample_g) ** 2
    x = np.exp(ln_aperture[0])
    u_ln_aperture = weighing.u_ln_aperture(x)
    variance = reading + np.maximum(share, 0.0) * weighing.particle_g(x) / sample_g
    undersize = np.cumsum(share, axis=1)[:, :-1]
    by_share = np.tri(n, n + 1) - undersize[:, :, None]  # [i ≤ j] − Q_j
    law = curve_law(
        np.clip(np.maximum.accumulate(undersize, axis=1), 0.0, 1.0),
        ln_aperture,
        u_ln_aperture=np.broadcast_to(u_ln_aperture, undersize.shape),
        covariance=(by_share * variance[:, None]) @ by_share.swapaxes(1, 2),
        smallest=max(SMALLEST, 4 * sqrt(reading)),
    )
    by_share = law.by_undersize @ by_share
    shaken = law.by_ln_aperture * u_ln_aperture
    noise = (by_share**2 * variance[:, None]).sum(-1) + (shaken**2).sum(-1)
    u = np.sqrt(np.maximum(np.nan_to_num(law.u) ** 2 - noise, 0.0)).ravel()
    between = between_correlation(law, np.arange(len(share))) * np.outer(u, u)
    shape = (powders, stacks, 3, -1)
    shaken, known = shaken.reshape(shape), np.isfinite(law.ln_size).reshape(shape)
    mean_shaken = _mean(shaken, known)
    between = np.einsum("asbcsd->sabcd", between.reshape(2 * shape[:3]))
    between = between + np.einsum("asbn,csdn->sabcd", shaken, shaken)
    between -= np.einsum("abn,cdn->abcd", mean_shaken, mean_shaken)
    both = np.einsum("asbn,csdn->sabcd", known, known)
    return Evaluation(
        by_share=_mean(by_share.reshape(shape), known),
        by_ln_aperture=mean_shaken / u_ln_aperture,
        between=np.where(both, between, np.nan),
        error=law.ln_size.reshape(shape[:3]) - true,
        hidden_peak=law.hidden_peak.reshape(powders, stacks),
    )


def _mean(values: Array, known: Flags) -> Array:
    """Mean over stacks, (P, S, 3, m) to (P, 3, m), of what is known; 0 where nothing is."""
    return np.asarray((values * known).sum(axis=1) / np.maximum(known.sum(axis=1), 1))


def _linear(masses: SimulatedMasses, row: int, found: Evaluation, expected: Array) -> Array:
    """Logarithms of D10, D50, D90 of simulated samples by the sensitivities; NaN where open."""
    undersize = np.cumsum(masses.net_g, axis=2) / masses.net_g.sum(axis=2, keepdims=True)
    moved = np.log(masses.aperture_um[:, :, 1:])
    share = np.diff(undersize, axis=2, prepend=0.0)
    ln_size = np.log(masses.true[:1, :1, :3]) + (share - expected[row]) @ found.by_share[row].T
    ln_size += (moved - moved.mean(axis=(0, 1))) @ found.by_ln_aperture[row].T
    bracketed = (undersize[..., :1] <= LEVELS) & (undersize[..., -2:-1] >= LEVELS)
    return np.where(bracketed, ln_size, np.nan)


def _spread(pairs: Array, between: tuple[float, float]) -> tuple[float, float]:
    """Standard uncertainty about the mean of all pairs (T, 2), and its Monte Carlo error, %."""
    pairs = pairs[np.isfinite(pairs).all(axis=1)]
    if len(pairs) < FEWEST_PAIRS:
        return float("nan"), float("nan")
    squares = ((pairs - pairs.mean()) ** 2).mean(axis=1) * len(pairs) / (len(pairs) - 1)
    u = sqrt(squares.mean() + between[0])
    error = np.hypot(squares.std(ddof=1) / sqrt(len(squares)), between[1])
    return 100 * u, 100 * float(error) / (2 * u) if u > 0 else 0.0


@dataclass(frozen=True, kw_only=True)
class LawCheck:
    """What the law makes of some of the samples, against the powder's own sizes.

    Root mean squares of what it misses, in planned standard uncertainties; None without any.  Above
    1.96 intervals would not hold them.
    """

    samples: int
    miss: float | None
    change_miss: float | None


def check_law(cells: Sequence[PlannedSizes], quantities: Sequence[str]) -> LawCheck | None:
    """Compare the law's errors with what is planned; None by a rule."""
    sizes, changes, samples = [], [], 0
    for cell in cells:
        samples += cell.found.error[..., 0].size
        for row, name in product(range(len(cell.share)), quantities):
            error = 100 * cell.found.error[..., QUANTITIES.index(name)]
            sizes.append(error[row] / cell.size(row, name).u_percent)
            if row > 0:
                changes.append((error[row] - error[0]) / cell.change(row, name)[0])
    return (
        LawCheck(samples=samples, miss=_size_of(sizes), change_miss=_size_of(changes))
        if samples
        else None
    )


def _size_of(ratios: list[Array]) -> float | None:
    """Root mean square of what is known."""
    known = np.concatenate(ratios or [np.empty(0)])
    known = known[np.isfinite(known)]
    return float(np.sqrt((known**2).mean())) if known.size else None
