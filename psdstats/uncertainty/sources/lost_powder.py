"""Lost powder: what was put on the stack and not found again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar, Self

import numpy as np

from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, SourceRemark, Weighings

_ROUND_OFF = 1e-9  # of the sample mass: what sums of decimals leave over

# a pan holds powder where its net mass is above this many u of one net mass on that balance
_SEEN = 3.0


@dataclass(frozen=True)
class LostPowder(Source):
    """Loss L = sample mass - sum of the net masses, between two extremes.

    Either the loss took from every class in proportion (the fractions stand), or as much of it as
    can be was powder of the pan, gone as dust.  The pan therefore gains λ G with λ rectangular on
    [0, 1]; the expected G/2 enters the estimate as a stated correction (JCGM 100:2008, 4.3.8).  A
    gain of mass, or a run without a sample mass, is left alone.

    Notes
    -----
    G is the whole loss where the pan holds powder: a net mass above 3 u of a net mass, from the
    resolution and repeatability of the balance.  A pan found empty may have been emptied by the
    loss, but it cannot have held more than the powder beside it lets expect: G is then at most
    m₁ x₁/(x₂ - x₁), with m₁ the mass between the two finest apertures x₁ < x₂.  That is the pan of
    an undersize curve in proportion to size, Q3 ∝ x; curves of powders fall faster towards zero.
    The rule is checked in tests/calibration/results/percentile_coverage.md.

    Source: rectangular between two extremes, JCGM 100:2008, 4.3.7 and 4.3.8; the extremes: common
    practice, no source; the most an empty pan can have lost: our own bound.
    """

    name: ClassVar[str] = "lost_powder"
    order: ClassVar[int] = 6

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Check that at least one run states its sample mass."""
        if all(run.sample_mass_g is None for run in study.runs):
            raise UncertaintyError(
                "lost_powder is on but no run states sample_mass_g; add the mass put on the stack, "
                "or set lost_powder = false."
            )
        return cls()

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One uniform input for every run that may have lost powder of its pan."""
        arrays = weighings.arrays
        shift = np.zeros(arrays.net_g.shape)
        result = ElementaryInputs(kind=Kind.UNIFORM, mass_shift_g=shift)
        unweighed: list[str] = []
        whole: list[float] = []
        bounded: list[str] = []
        for row, run in enumerate(weighings.runs):
            if run.sample_mass_g is None:
                unweighed.append(run.name)
                continue
            loss = run.sample_mass_g - float(arrays.net_g[row].sum())
            if loss <= _ROUND_OFF * run.sample_mass_g:
                continue
            most = min(loss, _most_from_pan(weighings, row))
            if most < loss:
                bounded.append(run.name)
            else:
                whole.append(loss)
            if most > 0:
                shift[row, 0] = most / 2
                index = result.index((run.name,))
                result.on_mass.add(index, row, 0, most / sqrt(12))
        if unweighed:
            result.notes.append(SourceRemark.NO_SAMPLE_MASS(runs=tuple(unweighed)))
        if whole:
            found = {"runs": len(whole), "least_g": min(whole), "most_g": max(whole)}
            result.notes.append(SourceRemark.LOSS_HALVED(**found))
        if bounded:
            result.notes.append(SourceRemark.EMPTY_PAN(runs=tuple(bounded)))
        return [result]


def _most_from_pan(weighings: Weighings, row: int) -> float:
    """Most powder, g, that a run can have lost out of its pan; inf where nothing bounds it."""
    arrays, balance = weighings.arrays, weighings.balance(row)
    u_net_g = sqrt(2 * (balance.resolution_g**2 / 12 + balance.repeatability_g**2))
    if arrays.net_g[row, 0] > _SEEN * u_net_g or arrays.real[row].sum() < 3:
        return float("inf")
    finest_um, next_um = arrays.aperture_um[row, :2]
    beside_g = max(arrays.net_g[row, 1], 0.0)
    return float(beside_g * finest_um / (next_um - finest_um))
