"""What the powder leaves open: particles, splits, losses, and scatter from run to run.

The class masses of a sample are taken as independent sums of particles and then normalised, which
gives, to first order, the compound multinomial covariance
M Cov(w_i, w_k) = δ_ik w_i μ_i - w_i w_k (μ_i + μ_k) + w_i w_k Σ_j w_j μ_j
with the particle mass μ_j = ρ f x_j³ of each class and the sample mass M (P. Gy, Sampling of
Particulate Materials, 1982, from memory).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import compress, product
from math import inf, sqrt
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES
from psdstats.distribution.curves import StudyArrays, class_sizes_um
from psdstats.errors import UncertaintyError
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.sieves.standards import practice_rule
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import (
    ElementaryInputs,
    Entry,
    Kind,
    Source,
    SourceRemark,
    Weighings,
)

_CM_PER_UM = 1e-4


@dataclass(frozen=True, kw_only=True)
class Sampling(Source):
    """Mass of each class as a counted number of particles of one mass.

    Parameters
    ----------
    density_g_per_cm3 : float
        Particle density.
    shape_factor : float
        Particle volume over the cube of its sieve size.

    Notes
    -----
    The number N = m/μ in a class varies as a count does: Var(m) = m μ.  Monte Carlo draws a gamma
    number with shape N (JCGM 101:2008, 6.4.11, kept at the observed mean).

    Source: finite number of particles: P. Gy, Sampling of Particulate Materials, 1982 (from
    memory).
    """

    density_g_per_cm3: float
    shape_factor: float

    name: ClassVar[str] = "sampling"
    order: ClassVar[int] = 5

    def __post_init__(self) -> None:
        for name in ("density_g_per_cm3", "shape_factor"):
            value = getattr(self, name)
            if not 0 < value < float("inf"):
                raise UncertaintyError(f"{name} is {value!r}; give a number above 0.")

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Take density and shape factor; the density must be stated."""
        if study.density_g_per_cm3 is None:
            raise UncertaintyError(
                "sampling is on but the study states no density_g_per_cm3; add the particle "
                "density, or set sampling = false."
            )
        return cls(density_g_per_cm3=study.density_g_per_cm3, shape_factor=study.shape_factor)

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One gamma input for every class that holds powder, each run its own."""
        result = ElementaryInputs(kind=Kind.GAMMA)
        arrays = weighings.arrays
        particle = particle_masses_g(arrays, self.density_g_per_cm3, self.shape_factor)
        for row, place, run, sieve in weighings.classes():
            mass, one = float(arrays.net_g[row, place]), float(particle[row, place])
            if mass > 0:
                result.move_mass((run.name, sieve), row, place, sqrt(mass * one), shape=mass / one)
        return [result]


def particle_masses_g(
    arrays: StudyArrays, density_g_per_cm3: float, shape_factor: float
) -> NDArray[np.float64]:
    """Mass of one particle of each class, ρ f x³ with x as in `class_sizes_um`, (R, K), in g."""
    size_cm = class_sizes_um(arrays.aperture_um) * _CM_PER_UM
    return np.asarray(density_g_per_cm3 * shape_factor * size_cm**3)


_DECLARED = ("splitting_percent", "splitting_method")
_ENOUGH = 3  # degrees of freedom from which a t has a variance


@dataclass(frozen=True, kw_only=True)
class Splitting(Source):
    """One error a run: its split is finer, or coarser, than the sample as a whole.

    Parameters
    ----------
    percent : float
        Relative standard deviation, from split to split, of the mass finer than the median.
    degrees_of_freedom : float, default=inf
        Of that standard deviation, where it was estimated.
    samples : int, default=0
        Samples it was estimated from; 0 where it is declared.

    Notes
    -----
    A split that has more fines has more of all of them: the odds Q/(1 - Q) of every undersize Q
    are too large by one relative amount δ, so that Q is off by δ Q (1 - Q), the net mass of the
    class between Q_a and Q_b by δ m (1 - Q_a - Q_b), and the median share by δ/4, which is δ/2 of
    itself: δ = 2 p.  D10, D50 and D90 move the same way, a narrow powder less than a wide one.

    Declared are `splitting_percent`, or `splitting_method` with the p of a table.  Without them p
    comes from splits of one sample (column `split`): each gives the δ that fits its undersize to
    the mean of its sample by least squares, and their squares are pooled over the samples.  That
    holds what readings and particle number do to a split too, so it is on the safe side.

    Source: our own model; table of methods: Allen and Khan 1970 (from memory); pooling: JCGM
    100:2008, 4.2.4.
    """

    percent: float
    degrees_of_freedom: float = inf
    samples: int = 0

    name: ClassVar[str] = "splitting"
    order: ClassVar[int] = 5

    def __post_init__(self) -> None:
        if not 0 <= self.percent < inf:
            raise UncertaintyError(f"percent is {self.percent!r}; give a percentage of 0 or more.")

    @classmethod
    def on_by_default(cls, study: Study) -> bool:
        """Whether its size is declared, or enough splits tell it (3 degrees of freedom or more)."""
        declared = any(name in study.uncertainty for name in _DECLARED)
        return declared or _freedom(_samples(study)) >= _ENOUGH

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Take the percentage, else that of the method, else that of the duplicate splits."""
        percent, method = (study.uncertainty.get(name) for name in _DECLARED)
        if isinstance(percent, int | float):
            return cls(percent=float(percent))
        if isinstance(method, str):
            return cls(percent=practice_rule(f"splitting {method}").value)
        samples = _samples(study)
        if not samples:
            raise UncertaintyError(
                "splitting is on but nothing tells its size; give splitting_percent or "
                "splitting_method, or sieve two splits of a sample and name them in the column "
                "split."
            )
        freedom = _freedom(samples)
        squares = sum(float(np.square(_odds(runs)).sum()) for runs in samples)
        percent = 100 * sqrt(squares / freedom) / 2
        return cls(percent=percent, degrees_of_freedom=freedom, samples=len(samples))

    @property
    def only_widens(self) -> bool:
        """True: one smooth error of the whole curve is nothing that a smoother curve undoes."""
        return True

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One input a run, normal where declared and a scaled t where estimated."""
        kind = Kind.NORMAL if self.degrees_of_freedom == inf else Kind.STUDENT
        result = ElementaryInputs(kind=kind, notes=self._notes())
        if self.percent > 0:
            for row, run in enumerate(weighings.runs):
                net_g = weighings.arrays.net_g[row]
                below = np.concatenate([[0.0], np.cumsum(net_g) / net_g.sum()])
                gain_g = self.percent / 50 * net_g * (1 - below[:-1] - below[1:])
                freedom = self.degrees_of_freedom
                index = result.index((run.name,), freedom=freedom, estimate=("splits",))
                places = np.flatnonzero(gain_g).tolist()
                result.on_mass += [(index, row, place, gain_g[place]) for place in places]
        return [result]

    def _notes(self) -> list[Remark]:
        if not self.samples:
            return []
        found = {"percent": self.percent, "degrees_of_freedom": self.degrees_of_freedom}
        return [SourceRemark.SPLITS_FOUND(samples=self.samples, **found)]


def _samples(study: Study) -> list[list[Run]]:
    """Runs that are splits of one sample on the same apertures, two or more of each."""
    found: dict[object, list[Run]] = defaultdict(list)
    for run in study.runs:
        if run.split is not None:
            apertures = tuple(sorted(one.aperture_um for one in run.readings))
            found[run.sample, apertures].append(run)
    return [runs for runs in found.values() if len(runs) > 1]


def _freedom(samples: Sequence[Sequence[Run]]) -> int:
    """Degrees of freedom of what splits of these samples tell together."""
    return sum(len(runs) - 1 for runs in samples)


def _odds(runs: Sequence[Run]) -> Array:
    """Relative excess δ of the odds of each split over those of their mean, shape (n_splits,)."""
    in_order = [sorted(run.readings, key=lambda one: one.aperture_um) for run in runs]
    net_g = np.array([[one.net_g for one in readings] for readings in in_order])
    undersize = np.cumsum(net_g, axis=1)[:, :-1] / net_g.sum(axis=1, keepdims=True)
    mean = undersize.mean(axis=0)
    weight = mean * (1 - mean)
    return np.asarray((undersize - mean) @ weight / max(float(weight @ weight), 1e-300))


_ROUND_OFF = 1e-9  # of the sample mass: what sums of decimals leave over

# a pan holds powder where its net mass is above this many u of one net mass on that balance
_SEEN = 3.0


# λ² is 1/3 in the mean over [0, 1]; half of it belongs to the bench, half to the run
_EACH_PART = sqrt(1 / 6)


@dataclass(frozen=True, kw_only=True)
class LostPowder(Source):
    """Loss L = sample mass - sum of the net masses, between two extremes.

    Parameters
    ----------
    habit : {"", "pan", "in proportion"}
        Where the powder was lost, if the user knows.

    Notes
    -----
    Either the loss took from every class in proportion (the fractions stand), or as much of it as
    can be was powder of the pan, gone as dust: the pan lacks λ G with λ anywhere in [0, 1].  That
    all of it came from the coarsest class is not expected.  The estimate is left where the readings
    have it, λ = 0, and the doubt is laid around it: u = G √(mean of λ²) = G/√3, rectangular (a
    correction that is not applied counts in full: JCGM 100:2008, F.2.4.5).  Dust is a habit of a
    bench: half of the variance is one variable for all runs of a group, which does not average out
    over them, half one for each run (our own choice, no source).

    With `lost_powder = "pan"` the whole of G is added to the pan, with "in proportion" nothing is,
    and no doubt is left.  A gain of mass, or a run without a sample mass, is left alone.

    G is the whole loss where the pan holds powder: a net mass above 3 u of a net mass, from the
    resolution and repeatability of the balance.  A pan found empty may have been emptied by the
    loss, but it cannot have held more than the powder beside it lets expect: G is then at most
    m₁ x₁/(x₂ - x₁), with m₁ the mass between the two finest apertures x₁ < x₂.  That is the pan of
    an undersize curve in proportion to size, Q3 ∝ x; curves of powders fall faster towards zero.
    The rule is checked in tests/calibration/results/percentile_coverage.md.

    Source: rectangular between two extremes, JCGM 100:2008, 4.3.7; the extremes: common practice,
    no source; the most an empty pan can have lost: our own bound.
    """

    habit: str = ""

    name: ClassVar[str] = "lost_powder"
    order: ClassVar[int] = 6

    @property
    def only_widens(self) -> bool:
        """True unless the user says where the powder was lost."""
        return not self.habit

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Check that at least one run states its sample mass; take where it was lost."""
        if all(run.sample_mass_g is None for run in study.runs):
            raise UncertaintyError(
                "lost_powder is on but no run states sample_mass_g; add the mass put on the stack, "
                "or set lost_powder = false."
            )
        said = study.uncertainty.get(cls.name)
        return cls(habit=said if isinstance(said, str) else "")

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """Two uniform inputs, of bench and run, where powder of the pan may have been lost."""
        shift = np.zeros(weighings.arrays.net_g.shape) if self.habit == "pan" else None
        result = ElementaryInputs(kind=Kind.UNIFORM, mass_shift_g=shift)
        lost_g = [_lost_g(weighings, row) for row in range(len(weighings.runs))]
        from_pan_g = [min(lost, _most_from_pan(weighings, row)) for row, lost in enumerate(lost_g)]
        for row, (run, pan_g) in enumerate(zip(weighings.runs, from_pan_g, strict=True)):
            if shift is not None:
                shift[row, 0] = pan_g
            elif not self.habit and pan_g > 0:
                for identity in (("bench", run.group), ("run", run.name)):
                    result.move_mass(identity, row, 0, _EACH_PART * pan_g)
        result.notes += self._notes(weighings.runs, lost_g, from_pan_g)
        return [result]

    def _notes(
        self, runs: Sequence[Run], lost_g: Sequence[float], from_pan_g: Sequence[float]
    ) -> Iterator[Remark]:
        """What is not known, what was counted, and where the pan was empty."""
        unweighed = tuple(run.name for run in runs if run.sample_mass_g is None)
        if unweighed:
            yield SourceRemark.NO_SAMPLE_MASS(runs=unweighed)
        both = list(zip(lost_g, from_pan_g, strict=True))
        whole = [lost for lost, pan in both if 0 < lost == pan]
        if whole:
            found = {"runs": len(whole), "least_g": min(whole), "most_g": max(whole)}
            yield SourceRemark.LOSS_COUNTED(**found, habit=self.habit)
        bounded = [pan < lost for lost, pan in both]
        if any(bounded) and self.habit != "in proportion":
            yield SourceRemark.EMPTY_PAN(runs=tuple(compress((r.name for r in runs), bounded)))


def _lost_g(weighings: Weighings, row: int) -> float:
    """Powder a run lost, g; 0 where its sample mass is not known or was found again."""
    sample_g = weighings.runs[row].sample_mass_g or 0.0
    loss_g = sample_g - float(weighings.arrays.net_g[row].sum())
    return loss_g if loss_g > _ROUND_OFF * sample_g else 0.0


def _most_from_pan(weighings: Weighings, row: int) -> float:
    """Most powder, g, that a run can have lost out of its pan; inf where nothing bounds it."""
    arrays, balance = weighings.arrays, weighings.balance(row)
    u_net_g = sqrt(2 * (balance.resolution_g**2 / 12 + balance.repeatability_g**2))
    if arrays.net_g[row, 0] > _SEEN * u_net_g or arrays.real[row].sum() < 3:
        return float("inf")
    finest_um, next_um = arrays.aperture_um[row, :2]
    beside_g = max(arrays.net_g[row, 1], 0.0)
    return float(beside_g * finest_um / (next_um - finest_um))


@dataclass(frozen=True, kw_only=True)
class RunToRun(Source):
    """Scatter of a size from run to run, in per cent, as stated by the user.

    Parameters
    ----------
    percent : float
        Relative standard deviation of a size between runs under the same conditions.

    Notes
    -----
    A mixed model estimates this scatter from replicates; leave the source out of a covariance
    that goes into such a model, or it is counted twice.

    The scatter is drawn for D10, D50 and D90 independently, since one percentage says nothing of
    how they go together.  Each of them then scatters as declared, and
    span = (D90 − D10)/D50 by p √(1 + (D90² + D10²)/(D90 − D10)²), which is 1.4 p or more.  Where a
    run is coarser as a whole, its three sizes move together and span hardly moves: there the u of
    span is too large.  A comparison of single runs takes the percentage for span itself instead.

    Source: declared by the user (JCGM 100:2008, 4.3).
    """

    percent: float

    name: ClassVar[str] = "run_to_run"
    order: ClassVar[int] = 8
    switch: ClassVar[str] = "run_to_run_percent"

    def __post_init__(self) -> None:
        if not 0 <= self.percent < float("inf"):
            raise UncertaintyError(
                f"run_to_run_percent is {self.percent!r}; give a percentage of 0 or more."
            )

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Take `run_to_run_percent` of the uncertainty settings."""
        value = study.uncertainty.get(cls.switch)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UncertaintyError(
                f"run_to_run needs run_to_run_percent in the uncertainty table (found {value!r}); "
                "give the declared standard deviation in per cent."
            )
        return cls(percent=float(value))

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One normal input for each of ln D10, ln D50, ln D90 of each run."""
        result, entries = ElementaryInputs(kind=Kind.NORMAL), list[Entry]()
        if self.percent > 0:
            for (row, run), (level, name) in product(
                enumerate(weighings.runs), enumerate(QUANTITIES[:3])
            ):
                index = result.index((run.name, name))
                entries.append((index, row, level, self.percent / 100))
        result.on_ln_size = entries
        return [result]
