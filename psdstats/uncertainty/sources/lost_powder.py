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
        for row, run in enumerate(weighings.runs):
            if run.sample_mass_g is None:
                result.notes.append(
                    f"Run {run.name!r} states no sample_mass_g; its loss is not counted."
                )
                continue
            loss = run.sample_mass_g - float(arrays.net_g[row].sum())
            if loss > 0:
                shift[row, 0] = loss / 2
                index = result.index((run.name,))
                result.on_mass.add(index, row, 0, loss / sqrt(12))
                result.notes.append(
                    f"Run {run.name!r} lost {loss:.3g} g; half of it is added to the pan as the "
                    "expected value."
                )
        return [result]
