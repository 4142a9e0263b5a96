"""Powders a trial is expected to meet: how their samples are sieved and weighed, and their sizes.

`psdstats.simulate` sieves an expected powder on many stacks, each with apertures of its own, two
samples on every stack: a finite number of particles, readings of the balance.  The evaluation's law
of the undersize curve is given some of them (`expected_sizes`): their mean sensitivities find the
spread of all the others, and what the law states beyond that is left between the sieves.  By a
prescribed rule every sample is evaluated, and nothing is left.

Masses in g, sizes in µm, uncertainties as standard deviations of ln size in per cent, each with its
Monte Carlo standard error.  Not counted: linearity of the balance, splitting of the sample, losses,
run-to-run variation of the mill.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import auto
from math import pi, sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.columns import QUANTITIES
from psdstats.distribution.arrays import class_sizes_um
from psdstats.distribution.curves import InterpolationRule
from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import SMALLEST, between_correlation, curve_law
from psdstats.errors import PlanError, require_positive
from psdstats.findings import RemarkKind
from psdstats.frozen import Array
from psdstats.sieves.standards import practice_rule, tolerance_um
from psdstats.simulate.curve import undersize_through
from psdstats.simulate.design import Bench, Powder, SieveSet, TrialDesign
from psdstats.simulate.trial import SimulatedMasses, rule_sizes, simulate_net_masses
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


@dataclass(frozen=True, kw_only=True)
class ExpectedPowder:
    """A powder the trial is expected to meet, by three percentiles.

    Parameters
    ----------
    name : str
        For example "unmilled" or "after 48 min".
    d10_um, d50_um, d90_um : float
        Sizes that 10, 50 and 90 % of the mass pass, µm; increasing.
    """

    name: str
    d10_um: float
    d50_um: float
    d90_um: float

    def __post_init__(self) -> None:
        if not 0 < self.d10_um < self.d50_um < self.d90_um < float("inf"):
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
        """
        return undersize_through(self.percentiles_um, aperture_um)

    @property
    def percentiles_um(self) -> tuple[float, float, float]:
        """D10, D50 and D90, µm."""
        return self.d10_um, self.d50_um, self.d90_um


def expected_curves(
    powders: Sequence[ExpectedPowder],
    size_um: Sequence[float] | None = None,
    *,
    stack_um: Sequence[float] = (),
) -> pd.DataFrame:
    """Expected undersize of each powder at each size."""
    ends = [*stack_um, *(size for one in powders for size in (one.d10_um, one.d90_um))]
    sizes = np.geomspace(min(ends) / 1.5, max(ends) * 1.5, 161)
    if size_um is not None:
        sizes = np.asarray(size_um, dtype=float)
    rows = [
        pd.DataFrame({"powder": one.name, "size_um": sizes, "undersize": one.undersize(sizes)})
        for one in powders
    ]
    return pd.concat(rows, ignore_index=True)


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
    apertures = sorted({float(one) for one in aperture_um})
    if len(apertures) < 2 or apertures[0] <= 0:
        raise PlanError(f"the stack has {len(apertures)} apertures; give two or more above zero.")
    return tuple(apertures)


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
    rule : str or None
        Interpolation rule that a procedure prescribes ("semilog", "linear", "logprobit",
        "monotone"); None: the law of the powder's own curve.
    """

    density_g_per_cm3: float = 2.7
    shape_factor: float = 0.5
    resolution_g: float = 0.01
    repeatability_d: float = 1.0
    certified_u_percent: float | None = None
    standard: str = "ISO 3310-1"
    rule: str | None = None

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
        """
        if self.certified_u_percent is not None:
            return np.full(len(aperture_um), self.certified_u_percent / 100)
        limits = [tolerance_um(float(one), standard=self.standard) for one in aperture_um]
        return np.array(limits) / sqrt(3) / aperture_um


@dataclass(frozen=True, kw_only=True, eq=False)
class ExpectedSizes:
    """What an evaluation makes of P expected powders on one stack of n rising apertures.

    Quantities q are D10, D50, D90 and span; NaN where the sieves do not bracket one.

    Attributes
    ----------
    aperture_um, u_ln_aperture : ndarray, shape (n,)
        Apertures, µm, and standard uncertainties of their logarithms.
    share : ndarray, shape (P, n + 1)
        Expected share of each class, pan first.
    ln_value : ndarray, shape (P, 4)
        Logarithm of each quantity.
    by_share, by_ln_aperture : ndarray, shapes (P, 4, n + 1) and (P, 4, n)
        Its derivatives.
    between : ndarray, shape (S, P, 4, P, 4)
        Covariance of ln quantities by what the curves may do between the sieves, as the law states
        it of S samples beyond the sensitivities above; none by a rule.
    error : ndarray, shape (P, S, 3)
        What the law misses of the powder's own ln sizes in S samples; none by a rule.
    hidden_peak : ndarray of int, shape (P, S)
        Index of the aperture above a class that may hide a peak; -1 for none.
    """

    aperture_um: Array
    u_ln_aperture: Array
    share: Array
    ln_value: Array
    by_share: Array
    by_ln_aperture: Array
    between: Array
    error: Array
    hidden_peak: NDArray[np.intp]

    def between_variance(
        self, row: int, quantity: str, *, since: int | None = None
    ) -> tuple[float, float]:
        """Variance between the sieves of a quantity or its change since a powder, and its error."""
        q = QUANTITIES.index(quantity)
        stated = self.between[:, row, q, row, q]
        if since is not None:
            first = self.between[:, since, q]
            stated = stated + first[:, since, q] - 2 * first[:, row, q]
        stated = stated[np.isfinite(stated)]
        if stated.size < 2:
            return 0.0, 0.0
        error = float(stated.std(ddof=1)) / sqrt(stated.size)
        return max(float(stated.mean()), 0.0), error


def expected_sizes(
    powders: Sequence[ExpectedPowder],
    masses: Sequence[SimulatedMasses],
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    sample_g: float,
    to_law: int = 24,
) -> ExpectedSizes:
    """Sizes of powders, what moves them and what the law states beyond.

    `masses` of each powder, weighed with one seed, so that the stacks are the same; `to_law` of
    them are given to the law, which takes some ms for each.
    """
    apertures = np.array(rising_apertures(aperture_um))
    share = np.diff([one.undersize(apertures) for one in powders], prepend=0.0, append=1.0)
    u_ln_aperture, rows = weighing.u_ln_aperture(apertures), len(powders)
    if weighing.rule is not None:
        ln_aperture = np.tile(np.log(apertures), (rows, 1))
        found = percentile_jacobian(share, ln_aperture, LEVELS, weighing.rule)
        ln_size, by_share, by_aperture = found.ln_size, found.by_mass, found.by_ln_aperture
        between, error = np.empty((0, rows, 3, rows, 3)), np.empty((rows, 0, 3))
        hidden = np.empty((rows, 0), dtype=np.intp)
    else:
        seen = [_shown(one, int(row > 0), to_law) for row, one in enumerate(masses)]
        shares, ln_apertures, true = (np.stack(one) for one in zip(*seen, strict=True))
        law = _law_of_samples(shares, ln_apertures, u_ln_aperture, weighing, sample_g)
        ln_size, by_share, by_aperture = law.ln_size, law.by_share, law.by_ln_aperture
        between, error, hidden = law.between, law.ln_sizes - true, law.hidden_peak
    value, by_size = _with_span(np.exp(ln_size))
    return ExpectedSizes(
        aperture_um=apertures,
        u_ln_aperture=u_ln_aperture,
        share=share,
        ln_value=np.log(value),
        by_share=by_size @ np.nan_to_num(by_share),
        by_ln_aperture=by_size @ np.nan_to_num(by_aperture),
        between=_through(between, by_size),
        error=error,
        hidden_peak=hidden,
    )


def _through(covariance: Array, by_size: Array) -> Array:
    """Covariance (S, P, 3, P, 3) of ln sizes as that of ln quantities; NaN where one is unknown."""
    path = "rqa,trasb,spb->trqsp"
    unknown = np.isnan(covariance).astype(float)
    used = (by_size != 0).astype(float)
    found = np.einsum(path, by_size, np.nan_to_num(covariance), by_size)
    return np.where(np.einsum(path, used, unknown, used) > 0, np.nan, found)


def _shown(masses: SimulatedMasses, place: int, stacks: int) -> tuple[Array, Array, Array]:
    """Shares, ln apertures and true ln sizes of one sample on each of the first stacks."""
    net_g = masses.net_g[:stacks, place]
    ln_aperture = np.log(masses.aperture_um[:stacks, place, 1:])
    true = np.log(masses.true[:stacks, place, :3])
    return net_g / net_g.sum(axis=1, keepdims=True), ln_aperture, true


@dataclass(frozen=True, kw_only=True, eq=False)
class _Stated:
    """Of the law of P x S samples: means, sizes (P, S, 3), warnings, between (S, P, 3, P, 3)."""

    ln_size: Array
    by_share: Array
    by_ln_aperture: Array
    between: Array
    ln_sizes: Array
    hidden_peak: NDArray[np.intp]


def _law_of_samples(
    share: Array,
    ln_aperture: Array,
    u_ln_aperture: Array,
    weighing: PlannedWeighing,
    sample_g: float,
) -> _Stated:
    """The law of samples (P, S, n + 1) of P powders on S stacks."""
    powders, stacks, classes = share.shape
    share = share.reshape(-1, classes)
    reading = weighing.reading_variance * (weighing.resolution_g / sample_g) ** 2
    particle_g = weighing.particle_g(np.exp(ln_aperture[0, 0]))
    variance = reading + np.maximum(share, 0.0) * particle_g / sample_g
    n = classes - 1
    to_undersize = np.tri(n, classes) - np.cumsum(share, axis=1)[:, :-1, None]  # [i ≤ j] − Q_j
    undersize = np.maximum.accumulate(np.cumsum(share, axis=1)[:, :-1], axis=1)
    law = curve_law(
        np.clip(undersize, 0.0, 1.0),
        ln_aperture.reshape(-1, n),
        u_ln_aperture=np.broadcast_to(u_ln_aperture, undersize.shape),
        covariance=(to_undersize * variance[:, None]) @ to_undersize.swapaxes(1, 2),
        smallest=max(SMALLEST, 4 * sqrt(reading)),
    )
    by_share = (law.by_undersize @ to_undersize).reshape(powders, stacks, 3, classes)
    shaken = (law.by_ln_aperture * u_ln_aperture).reshape(powders, stacks, 3, n)
    noise = (by_share**2 * variance.reshape(powders, stacks, 1, classes)).sum(-1)
    noise += (shaken**2).sum(-1)
    ln_size, u = (one.reshape(powders, stacks, 3) for one in (law.ln_size, law.u))
    u = np.sqrt(np.maximum(np.nan_to_num(u) ** 2 - noise, 0.0))
    joint = between_correlation(law, np.arange(powders * stacks)) * np.outer(u, u)
    known = np.isfinite(ln_size)
    mean_shaken = _mean(shaken, known[..., None])
    between = np.einsum("asbcsd->sabcd", joint.reshape(2 * (powders, stacks, 3)))
    between = between + np.einsum("asbn,csdn->sabcd", shaken, shaken)
    between -= np.einsum("abn,cdn->abcd", mean_shaken, mean_shaken)
    return _Stated(
        ln_size=np.where(known.any(axis=1), _mean(ln_size, known), np.nan),
        by_share=_mean(by_share, known[..., None]),
        by_ln_aperture=mean_shaken / u_ln_aperture,
        between=np.where(np.einsum("asb,csd->sabcd", known, known), between, np.nan),
        ln_sizes=ln_size,
        hidden_peak=law.hidden_peak.reshape(powders, stacks),
    )


def _mean(values: Array, known: NDArray[np.bool_]) -> Array:
    """Mean over stacks of what is known; 0 where nothing is."""
    total = np.where(known, values, 0.0).sum(axis=1)
    return np.asarray(total / np.maximum(known.sum(axis=1), 1))


def _with_span(size: Array) -> tuple[Array, Array]:
    """Sizes (R, 3) with the span, (R, 4), and d ln of these / d ln sizes, (R, 4, 3)."""
    width = size[:, 2] - size[:, 0]
    by_size = np.zeros((len(size), 4, 3))
    by_size[:, [0, 1, 2], [0, 1, 2]] = 1.0
    by_size[:, 3] = np.stack([-size[:, 0] / width, -np.ones(len(size)), size[:, 2] / width], axis=1)
    return np.column_stack([size, width / size[:, 1]]), by_size


@dataclass(frozen=True, kw_only=True)
class FoundSize:
    """What simulated samples say of one quantity; NaN where too few of them bracket it.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    u_percent, u_error_percent : float
        Standard uncertainty of one sample, what the curve may do between the sieves included, and
        its Monte Carlo standard error.
    between_percent : float
        That part of it.
    own_percent, own_error_percent : float
        The part that each sample has for itself.
    share_open : float
        Share of samples in which the sieves do not bracket the quantity.
    """

    quantity: str
    u_percent: float
    u_error_percent: float
    between_percent: float
    own_percent: float
    own_error_percent: float
    share_open: float

    @property
    def shared_percent(self) -> float:
        """The part that samples on one stack have in common, per cent."""
        return float(np.sqrt(max(self.u_percent**2 - self.own_percent**2, 0.0)))

    @property
    def alike_percent(self) -> float:
        """Standard uncertainty of the difference of two samples of the powder on one stack."""
        return self.own_percent * sqrt(2)


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
    require_positive("sample mass", sample_g)
    if trials < FEWEST_TRIALS:
        raise PlanError(f"{trials} trials are too few to tell a spread; ask for 100 or more.")
    if seed < 0:
        raise PlanError(f"the seed is {seed}; give a whole number of 0 or more.")
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


def found_sizes(
    masses: SimulatedMasses, sizes: ExpectedSizes, row: int, weighing: PlannedWeighing
) -> Array:
    """Logarithms of D10, D50, D90 and span of simulated samples, shape (T, 2, 4); NaN if open."""
    with np.errstate(invalid="ignore", divide="ignore"):
        if weighing.rule is not None:
            measured = rule_sizes(masses.net_g, masses.aperture_um, rule=weighing.rule)
            return np.asarray(np.log(measured))
        undersize = np.cumsum(masses.net_g, axis=2) / masses.net_g.sum(axis=2, keepdims=True)
        share = np.diff(undersize, axis=2, prepend=0.0) - sizes.share[row]
        moved = np.log(masses.aperture_um[:, :, 1:] / sizes.aperture_um)
        ln_size = sizes.ln_value[row] + share @ sizes.by_share[row].T
        ln_size += moved @ sizes.by_ln_aperture[row].T
        bracketed = (undersize[..., :1] <= LEVELS) & (undersize[..., -2:-1] >= LEVELS)
        value, _ = _with_span(np.exp(np.where(bracketed, ln_size[..., :3], np.nan)).reshape(-1, 3))
        return np.asarray(np.log(value).reshape(ln_size.shape))


def found_size(ln_size: Array, sizes: ExpectedSizes, row: int, quantity: str) -> FoundSize:
    """Spread of one quantity over simulated samples (`found_sizes`)."""
    pairs = ln_size[:, :, QUANTITIES.index(quantity)]
    between = sizes.between_variance(row, quantity)
    u, u_error = found_spread(pairs, between)
    own, own_error = found_spread(pairs, None)
    return FoundSize(
        quantity=quantity,
        u_percent=u,
        u_error_percent=u_error,
        between_percent=100 * sqrt(between[0]),
        own_percent=own,
        own_error_percent=own_error,
        share_open=float((~np.isfinite(pairs)).mean()),
    )


def found_change(first: Array, second: Array, between: tuple[float, float]) -> tuple[float, float]:
    """Standard uncertainty of a change between samples on the same stacks, and its error, %.

    Shapes: (T, 2); made with one seed, so that the stacks are the same.  Samples of unlike place
    are compared: those of one place share random numbers.
    """
    return found_spread(second[:, ::-1] - first, between)


def found_spread(pairs: Array, between: tuple[float, float] | None) -> tuple[float, float]:
    """Standard uncertainty and Monte Carlo error, %, of pairs (T, 2): of one, or its own part."""
    pairs = pairs[np.isfinite(pairs).all(axis=1)]
    if len(pairs) < FEWEST_PAIRS:
        return float("nan"), float("nan")
    rest = pairs - (pairs.mean() if between else pairs.mean(axis=1, keepdims=True))
    squares = (rest**2).mean(axis=1) * (len(pairs) / (len(pairs) - 1) if between else 2.0)
    more, more_error = between or (0.0, 0.0)
    u = sqrt(squares.mean() + more)
    error = np.hypot(squares.std(ddof=1) / sqrt(len(squares)), more_error)
    return 100 * u, 100 * float(error) / (2 * u) if u > 0 else 0.0


@dataclass(frozen=True, kw_only=True)
class LawCheck:
    """What the law itself makes of some of the simulated samples, against the powder's own sizes.

    Parameters
    ----------
    samples : int
        How many samples.
    miss, change_miss : float
        Root mean square of what the law misses, in planned standard uncertainties: of the sizes,
        and of their changes; None without any.  Above 1.96 intervals would not hold them.
    """

    samples: int
    miss: float | None
    change_miss: float | None


def check_law(
    cells: Sequence[tuple[ExpectedSizes, Mapping[str, ArrayLike], Mapping[str, ArrayLike]]],
) -> LawCheck | None:
    """Compare the law's errors with what is planned; None by a rule.

    With each cell u in per cent by quantity, of the powders and of the changes since the first.
    """
    samples, misses, change_misses = 0, [], []
    for sizes, u_percent, u_change_percent in cells:
        error = 100 * sizes.error[..., [QUANTITIES.index(name) for name in u_percent]]
        samples += error[..., 0].size
        misses.append(_in_units(error, u_percent))
        change_misses.append(_in_units(error[1:] - error[:1], u_change_percent))
    if not samples:
        return None
    return LawCheck(
        samples=samples,
        miss=_root_mean_square(misses),
        change_miss=_root_mean_square(change_misses),
    )


def _in_units(error: Array, u_percent: Mapping[str, ArrayLike]) -> Array:
    """Errors (P, S, Q) over the u of each quantity and powder."""
    u = np.array(list(u_percent.values()), dtype=float)  # (Q, P)
    return np.asarray(error / u.T[:, None]).ravel()


def _root_mean_square(ratios: list[Array]) -> float | None:
    known = np.concatenate(ratios)
    known = known[np.isfinite(known)]
    return float(np.sqrt((known**2).mean())) if known.size else None
