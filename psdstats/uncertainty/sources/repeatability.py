"""Repeatability of the balance: normal with the declared standard deviation of one reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Weighings
from psdstats.uncertainty.sources.base import Source, check_at_least_zero, reading_inputs


@dataclass(frozen=True)
class Repeatability(Source):
    """Scatter of repeated readings of one load, `repeatability_g` of the balance."""

    name: ClassVar[str] = "repeatability"
    citation: ClassVar[str] = "JCGM 100:2008, 4.2 (repeated readings), 4.3 (declared value)"
    balance_limited: ClassVar[bool] = True
    order: ClassVar[int] = 2
    switch: ClassVar[str] = "repeatability"

    @classmethod
    def on_by_default(cls, study: Study) -> bool:  # noqa: ARG003
        """Return True; a balance without a declared value adds nothing."""
        return True

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Check the declared values."""
        for balance in study.balances.values():
            check_at_least_zero(
                "repeatability_g", balance.repeatability_g, f"balance {balance.name!r}"
            )
        return cls()

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One normal input for every reading on a balance with a declared repeatability."""
        found = reading_inputs(
            weighings, kind=Kind.NORMAL, u_g=lambda balance: balance.repeatability_g
        )
        silent = sorted(
            {
                run.balance
                for run in weighings.runs
                if weighings.study.balances[run.balance].repeatability_g == 0
            }
        )
        found.notes += [
            f"Balance {name!r} declares no repeatability_g; only its rounding is counted."
            for name in silent
        ]
        return [found]
