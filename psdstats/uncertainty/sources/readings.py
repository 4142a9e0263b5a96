"""Errors of single balance readings: rounding of the display, and repeatability.

Tares are shared where they were weighed once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import sqrt
from typing import ClassVar

import numpy as np

from psdstats.study.records import Balance, TareHandling
from psdstats.uncertainty.inputs import (
    ElementaryInputs,
    Kind,
    Source,
    SourceRemark,
    Weighings,
)


@dataclass(frozen=True)
class Rounding(Source):
    """Error of reading a display of scale interval d: uniform on ±d/2, u = d/√12.

    Source: JCGM 100:2008, F.2.2.1 (resolution of a digital indication).
    """

    name: ClassVar[str] = "rounding"
    balance_limited: ClassVar[bool] = True
    order: ClassVar[int] = 1
    usual: ClassVar[bool] = True

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One uniform input for every reading."""
        return [
            reading_inputs(
                weighings, kind=Kind.UNIFORM, u_g=lambda balance: balance.resolution_g / sqrt(12)
            )
        ]


@dataclass(frozen=True)
class Repeatability(Source):
    """Scatter of repeated readings of one load, `repeatability_g` of the balance.

    Where it is the standard deviation of n readings (`repeatability_weighings`), all readings on
    that balance together have n - 1 degrees of freedom, and each is drawn as a scaled t.

    Source: JCGM 100:2008, 4.2 (repeated readings), 4.3 (declared value); JCGM 101:2008, 6.4.9.
    """

    name: ClassVar[str] = "repeatability"
    balance_limited: ClassVar[bool] = True
    order: ClassVar[int] = 2
    usual: ClassVar[bool] = True

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One normal or t input for every reading on a balance with a declared repeatability."""
        found, counted = (
            reading_inputs(weighings, kind=kind, u_g=partial(_repeatability_g, kind))
            for kind in (Kind.NORMAL, Kind.STUDENT)
        )
        silent = sorted(
            {
                run.balance
                for run in weighings.runs
                if weighings.study.balances[run.balance].repeatability_g == 0
                and weighings.study.balances[run.balance].has_data_sheet
            }
        )
        found.notes += [SourceRemark.NO_REPEATABILITY(balance=name) for name in silent]
        return [found, counted]


def _repeatability_g(kind: Kind, balance: Balance) -> float:
    """Repeatability of a balance if an input of that kind stands for it, else 0 g."""
    own = Kind.NORMAL if balance.repeatability_weighings is None else Kind.STUDENT
    return balance.repeatability_g if kind is own else 0.0


def reading_inputs(
    weighings: Weighings, *, kind: Kind, u_g: Callable[[Balance], float]
) -> ElementaryInputs:
    """One input for every gross and every tare reading; none where its uncertainty is 0.

    Notes
    -----
    With `tares = "once"` a tare is known by sieve, balance and the value written down, so every
    run that reuses the reading shares its error.  Otherwise each run has a tare of its own.
    """
    once = weighings.study.tares is TareHandling.ONCE
    arrays = weighings.arrays
    result = ElementaryInputs(kind=kind)
    for row, run in enumerate(weighings.runs):
        balance = weighings.balance(row)
        u = u_g(balance)
        freedom = balance.repeatability_df if kind is Kind.STUDENT else np.inf
        if u == 0:
            continue
        for place in np.flatnonzero(arrays.real[row]).tolist():
            sieve = arrays.sieves[row][place]
            written = repr(float(arrays.tare_g[row, place]))
            tare = ("tare", sieve, run.balance, written) if once else ("tare", sieve, run.name)
            gross = ("gross", sieve, run.name)
            for identity, sign in ((gross, 1.0), (tare, -1.0)):
                index = result.index(
                    identity, degrees_of_freedom=freedom, estimate=("balance", run.balance)
                )
                result.on_mass.add(index, row, place, sign * u)
    return result
