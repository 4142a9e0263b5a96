"""End point: sieving that was not finished when the sieves were weighed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, SourceRemark, Weighings


@dataclass(frozen=True)
class EndPoint(Source):
    """What the masses still moved in a second shaking, as the size of what they would still move.

    Where the loaded sieves were weighed again after one more shaking, the net mass of class i
    moved by Δ_i.  All masses of the run move together: class i gets Δ_i z with one normal z a run,
    and the estimate, which is by the first weighing, is not moved.  Twice Δ, the end of a 95 %
    interval, is what endless shaking would move in all if each shaking moved half of what the one
    before it did.  A pan that was not weighed again gets what left the sieves.

    Source: our own model; a change as standard uncertainty: common practice, no source.
    """

    name: ClassVar[str] = "end_point"
    order: ClassVar[int] = 6

    @classmethod
    def on_by_default(cls, study: Study) -> bool:
        """Whether any sieve was weighed after a second shaking."""
        return any(one.gross_again_g is not None for run in study.runs for one in run.readings)

    @property
    def only_widens(self) -> bool:
        """True: the estimate is by the first weighing."""
        return True

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One normal input for every run that was shaken again and moved."""
        result = ElementaryInputs(kind=Kind.NORMAL)
        largest = []
        for row, run in enumerate(weighings.runs):
            moved = _moved_g(run)
            for place in np.flatnonzero(weighings.arrays.real[row]).tolist():
                change_g = moved.get(weighings.arrays.sieves[row][place], 0.0)
                if change_g:
                    result.on_mass.add(result.index((run.name,)), row, place, change_g)
            if any(moved.values()):
                largest.append(max(map(abs, moved.values())))
        if largest:
            found = {"runs": len(largest), "least_g": min(largest), "most_g": max(largest)}
            result.notes.append(SourceRemark.END_POINT(**found))
        return [result]


def _moved_g(run: Run) -> dict[str, float]:
    """Change of each load in the second shaking, g, by sieve; empty where there was none."""
    moved = {
        one.sieve: one.gross_again_g - one.gross_g
        for one in run.readings
        if one.gross_again_g is not None
    }
    pans = [one.sieve for one in run.readings if one.aperture_um == 0 and one.sieve not in moved]
    return moved | dict.fromkeys(pans, -sum(moved.values())) if moved else {}
