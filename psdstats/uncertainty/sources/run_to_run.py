"""Declared run-to-run repeatability of the whole test (milling, sampling, sieving again)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

from psdstats.columns import QUANTITIES
from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, Weighings


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
        result = ElementaryInputs(kind=Kind.NORMAL)
        if self.percent > 0:
            for row, run in enumerate(weighings.runs):
                for level, quantity in enumerate(QUANTITIES[:3]):
                    index = result.index((run.name, quantity))
                    result.on_ln_size.add(index, row, level, self.percent / 100)
        return [result]
