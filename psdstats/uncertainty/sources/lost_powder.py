"""Lost powder: what was put on the stack and not found again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar, Self

import numpy as np

from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Weighings
from psdstats.uncertainty.sources.base import Source

__all__ = ["LostPowder"]

_ROUND_OFF = 1e-9  # of the sample mass: what sums of decimals leave over


@dataclass(frozen=True)
class LostPowder(Source):
    """Loss L = sample mass - sum of the net masses, between two extremes.

    Either the loss took from every class in proportion (the fractions stand), or all of it was the
    finest powder, as dust.  The pan therefore gains λ L with λ rectangular on [0, 1]; the expected
    L/2 enters the estimate as a stated correction (JCGM 100:2008, 4.3.8).  A gain, or a run without
    a sample mass, is left alone.
    """

    name: ClassVar[str] = "lost_powder"
    citation: ClassVar[str] = (
        "rectangular between two extremes, JCGM 100:2008, 4.3.7 and 4.3.8; the extremes: common "
        "practice, no source"
    )
    order: ClassVar[int] = 6
    switch: ClassVar[str] = "lost_powder"

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
        """One uniform input for every run that lost powder."""
        arrays = weighings.arrays
        shift = np.zeros(arrays.net_g.shape)
        result = ElementaryInputs(kind=Kind.UNIFORM, mass_shift_g=shift)
        unweighed: list[str] = []
        losses: list[float] = []
        for row, run in enumerate(weighings.runs):
            if run.sample_mass_g is None:
                unweighed.append(run.name)
                continue
            loss = run.sample_mass_g - float(arrays.net_g[row].sum())
            if loss > _ROUND_OFF * run.sample_mass_g:
                shift[row, 0] = loss / 2
                index = result.index((run.name,))
                result.on_mass.add(index, row, 0, loss / sqrt(12))
                losses.append(loss)
        result.notes += _notes(unweighed, losses)
        return [result]


def _notes(unweighed: Sequence[str], losses: Sequence[float]) -> list[str]:
    notes = []
    if unweighed:
        notes.append(
            f"No sample_mass_g is stated for {', '.join(unweighed)}; a loss there is not counted."
        )
    if losses:
        span = f"{min(losses):.2g} g" + (f" to {max(losses):.2g} g" if len(losses) > 1 else "")
        notes.append(
            f"Powder was lost in {len(losses)} run{'s' if len(losses) > 1 else ''} ({span}); half "
            "of each loss is added to the pan as the expected value."
        )
    return notes
