"""Rounding of the display: uniform within half a scale interval of every reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar, Self

from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Weighings
from psdstats.uncertainty.sources.base import Source, reading_inputs


@dataclass(frozen=True)
class Rounding(Source):
    """Error of reading a display of scale interval d: uniform on ±d/2, u = d/√12."""

    name: ClassVar[str] = "rounding"
    citation: ClassVar[str] = "JCGM 100:2008, F.2.2.1 (resolution of a digital indication)"
    balance_limited: ClassVar[bool] = True
    order: ClassVar[int] = 1
    switch: ClassVar[str] = "rounding"

    @classmethod
    def on_by_default(cls, study: Study) -> bool:  # noqa: ARG003
        """Return True: every balance rounds."""
        return True

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Check that every balance in use states its resolution."""
        for balance in study.balances.values():
            if not 0 < balance.resolution_g < float("inf"):
                raise UncertaintyError(
                    f"balance {balance.name!r} has resolution_g {balance.resolution_g!r}; give the "
                    "scale interval of its display in g, or set rounding = false."
                )
        return cls()

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One uniform input for every reading."""
        return [
            reading_inputs(
                weighings, kind=Kind.UNIFORM, u_g=lambda balance: balance.resolution_g / sqrt(12)
            )
        ]
