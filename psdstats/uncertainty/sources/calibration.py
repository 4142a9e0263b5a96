"""Calibration of the balance: slope (sensitivity) and departure from linearity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import UncertaintyError
from psdstats.study.records import Balance, Study
from psdstats.uncertainty.inputs import (
    ElementaryInputs,
    Kind,
    Source,
    Weighings,
)


@dataclass(frozen=True)
class Calibration(Source):
    """Two errors a balance, shared by everything weighed on it.

    Slope: every reading is too large by the same relative amount, normal with `slope_u`; it cancels
    in the fractions of a run.  Linearity: the reading of a load x is off by
    4 L b (x/Max)(1 - x/Max), a bow with its largest value L = `linearity_g` at half the capacity
    Max and b rectangular on [-1, 1]; a net mass gets the difference between gross and tare.

    Source: certificate or declared values (JCGM 100:2008, 4.3); bow shape: common practice, no
    source.
    """

    name: ClassVar[str] = "calibration"
    balance_limited: ClassVar[bool] = True
    order: ClassVar[int] = 3

    @classmethod
    def on_by_default(cls, study: Study) -> bool:
        """Whether any balance declares a slope uncertainty or a linearity."""
        return any(b.slope_u or b.linearity_g for b in study.balances.values())

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Check that a declared linearity has the capacity it needs."""
        for balance in study.balances.values():
            if balance.linearity_g and not balance.capacity_g:
                raise UncertaintyError(
                    f"balance {balance.name!r} declares linearity_g but its capacity_g is "
                    f"{balance.capacity_g!r}; give capacity_g, the largest load in g."
                )
        return cls()

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One normal slope and one uniform bow for each balance."""
        slope, bow = ElementaryInputs(kind=Kind.NORMAL), ElementaryInputs(kind=Kind.UNIFORM)
        arrays = weighings.arrays
        for row, run in enumerate(weighings.runs):
            balance = weighings.balance(row)
            errors = _bow_g(arrays.gross_g[row], balance) - _bow_g(arrays.tare_g[row], balance)
            for place in np.flatnonzero(arrays.real[row]).tolist():
                if balance.slope_u:
                    index = slope.index(("slope", run.balance))
                    slope.on_mass.add(index, row, place, balance.slope_u * arrays.net_g[row, place])
                if balance.linearity_g:
                    index = bow.index(("linearity", run.balance))
                    bow.on_mass.add(index, row, place, errors[place] / sqrt(3))
        return [slope, bow]


def _bow_g(load_g: NDArray[np.float64], balance: Balance) -> NDArray[np.float64]:
    """Largest linearity error at each load, g."""
    if not balance.linearity_g or balance.capacity_g is None:
        return np.zeros_like(load_g)
    share = load_g / balance.capacity_g
    return np.asarray(4 * balance.linearity_g * share * (1 - share))
