"""Splitting: the part of a sample that is sieved has more or less fines than the sample."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import ClassVar, Self

import numpy as np

from psdstats.errors import UncertaintyError
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.sieves.standards import practice_rule
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, SourceRemark, Weighings

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
                index = result.index(
                    (run.name,), degrees_of_freedom=self.degrees_of_freedom, estimate=("splits",)
                )
                net_g = weighings.arrays.net_g[row]
                below = np.concatenate([[0.0], np.cumsum(net_g) / net_g.sum()])
                gain_g = self.percent / 50 * net_g * (1 - below[:-1] - below[1:])
                for place in np.flatnonzero(gain_g).tolist():
                    result.on_mass.add(index, row, place, gain_g[place])
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
