"""Lost powder: what was put on the stack and not found again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import compress
from math import sqrt
from typing import ClassVar, Self

import numpy as np

from psdstats.errors import UncertaintyError
from psdstats.findings import Remark
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, SourceRemark, Weighings

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
        losses = [_lost_g(weighings, row) for row in range(len(weighings.runs))]
        for row, (run, loss) in enumerate(zip(weighings.runs, losses, strict=True)):
            if shift is not None:
                shift[row, 0] = loss.from_pan_g
            elif not self.habit and loss.from_pan_g > 0:
                for identity in (("bench", run.group), ("run", run.name)):
                    index = result.index(identity)
                    result.on_mass.add(index, row, 0, _EACH_PART * loss.from_pan_g)
        result.notes += self._notes(weighings.runs, losses)
        return [result]

    def _notes(self, runs: Sequence[Run], losses: Sequence[_Loss]) -> Iterator[Remark]:
        """What is not known, what was counted, and where the pan was empty."""
        unweighed = tuple(run.name for run in runs if run.sample_mass_g is None)
        if unweighed:
            yield SourceRemark.NO_SAMPLE_MASS(runs=unweighed)
        whole = [loss.lost_g for loss in losses if 0 < loss.lost_g == loss.from_pan_g]
        if whole:
            found = {"runs": len(whole), "least_g": min(whole), "most_g": max(whole)}
            yield SourceRemark.LOSS_COUNTED(**found, habit=self.habit)
        bounded = [loss.from_pan_g < loss.lost_g for loss in losses]
        if any(bounded) and self.habit != "in proportion":
            yield SourceRemark.EMPTY_PAN(runs=tuple(compress((r.name for r in runs), bounded)))


@dataclass(frozen=True)
class _Loss:
    """Powder a run lost, and the most of it that can be powder of the pan, g."""

    lost_g: float = 0.0
    from_pan_g: float = 0.0


def _lost_g(weighings: Weighings, row: int) -> _Loss:
    """What a run lost; nothing where its sample mass is not known or was found again."""
    sample_g = weighings.runs[row].sample_mass_g or 0.0
    loss_g = sample_g - float(weighings.arrays.net_g[row].sum())
    if loss_g <= _ROUND_OFF * sample_g:
        return _Loss()
    return _Loss(loss_g, min(loss_g, _most_from_pan(weighings, row)))


def _most_from_pan(weighings: Weighings, row: int) -> float:
    """Most powder, g, that a run can have lost out of its pan; inf where nothing bounds it."""
    arrays, balance = weighings.arrays, weighings.balance(row)
    u_net_g = sqrt(2 * (balance.resolution_g**2 / 12 + balance.repeatability_g**2))
    if arrays.net_g[row, 0] > _SEEN * u_net_g or arrays.real[row].sum() < 3:
        return float("inf")
    finest_um, next_um = arrays.aperture_um[row, :2]
    beside_g = max(arrays.net_g[row, 1], 0.0)
    return float(beside_g * finest_um / (next_um - finest_um))
