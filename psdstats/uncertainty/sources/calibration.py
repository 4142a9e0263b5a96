"""Calibration of the balance: slope (sensitivity), departure from linearity, drift.

What a balance without data sheet may be wrong by is taken from its class.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar

import numpy as np

from psdstats.findings import Remark
from psdstats.sieves.standards import practice_rule
from psdstats.study.records import Balance, Study
from psdstats.uncertainty.inputs import (
    ElementaryInputs,
    Kind,
    Source,
    SourceRemark,
    Weighings,
)

_USUAL_CLASS = "II"  # of laboratory balances: common practice, no source


@dataclass(frozen=True)
class Calibration(Source):
    """What the calibration of a balance leaves open, in three parts.

    Slope: every reading is too large by the same relative amount, normal with `slope_u`, one a
    balance; it cancels in the fractions of a run.

    Linearity: the reading of any load may be off by up to `linearity_g`, rectangular.  A sieve
    empty and the same sieve with powder are two loads, and nothing says that the curve of the
    balance is off alike at both, so a net mass carries the error twice (general guides on
    weighing count it once a load; from memory).  The empty sieve is the same load in every run, so
    its error is shared by all runs of that sieve on that balance; each loaded sieve has its own.

    Drift: between weighing the sieves empty and loaded the reading moves by up to `drift_g`,
    rectangular, one a run: all its net masses are off alike (common practice, no source).

    Notes
    -----
    A balance of which neither repeatability nor linearity is stated gets the maximum permissible
    error in service of its accuracy class in place of a linearity: at the load of each reading
    1, 2 or 3 verification scale intervals e (twice ½, 1 and 1½).  Where no class is stated it is
    taken as class II; where no e is stated, as the resolution.

    Source: certificate or declared values as rectangular (JCGM 100:2008, 4.3.7); OIML R 76-1:2006,
    3.5.1 and 3.5.2 (from memory).
    """

    name: ClassVar[str] = "calibration"
    balance_limited: ClassVar[bool] = True
    order: ClassVar[int] = 3

    @classmethod
    def on_by_default(cls, study: Study) -> bool:
        """Whether a balance in use states slope, linearity or drift, or states nothing at all."""
        used = [study.balances[run.balance] for run in study.runs]
        return any(b.slope_u or b.linearity_g or b.drift_g or not b.has_data_sheet for b in used)

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One normal slope a balance, one uniform error a load, one uniform drift a run."""
        slope, load = ElementaryInputs(kind=Kind.NORMAL), ElementaryInputs(kind=Kind.UNIFORM)
        arrays = weighings.arrays
        for row, run in enumerate(weighings.runs):
            balance = weighings.balance(row)
            for place in np.flatnonzero(arrays.real[row]).tolist():
                if balance.slope_u:
                    index = slope.index(("slope", run.balance))
                    slope.on_mass.add(index, row, place, balance.slope_u * arrays.net_g[row, place])
                if balance.drift_g:
                    index = load.index(("drift", run.name))
                    load.on_mass.add(index, row, place, balance.drift_g / sqrt(3))
                sieve = arrays.sieves[row][place]
                for identity, mass_g, sign in (
                    (("gross", sieve, run.name), arrays.gross_g[row, place], 1.0),
                    (("tare", sieve, run.balance), arrays.tare_g[row, place], -1.0),
                ):
                    limit_g = largest_error_g(balance, float(mass_g))
                    if limit_g:
                        index = load.index(("linearity", *identity))
                        load.on_mass.add(index, row, place, sign * limit_g / sqrt(3))
        load.notes += _notes(weighings)
        return [slope, load]


def largest_error_g(balance: Balance, load_g: float) -> float:
    """Largest error of one reading of a load, g: the linearity stated, or that of its class."""
    if balance.has_data_sheet:
        return balance.linearity_g or 0.0
    interval_g = balance.verification_interval_g or balance.resolution_g
    first = practice_rule(f"mpe_half_{balance.accuracy_class or _USUAL_CLASS}").value
    second = first * practice_rule("mpe_second").value
    intervals = load_g / interval_g
    at_verification = 0.5 if intervals <= first else 1.0 if intervals <= second else 1.5
    return practice_rule("mpe_in_service").value * at_verification * interval_g


def _notes(weighings: Weighings) -> list[Remark]:
    """One remark a balance without data sheet, with the smallest and largest error used."""
    found: dict[str, list[float]] = {}
    arrays = weighings.arrays
    for row, run in enumerate(weighings.runs):
        if not weighings.balance(row).has_data_sheet:
            loads = np.r_[arrays.tare_g[row], arrays.gross_g[row]][np.tile(arrays.real[row], 2)]
            limits = [largest_error_g(weighings.balance(row), float(one)) for one in loads]
            found.setdefault(run.balance, []).extend(limits)
    notes: list[Remark] = []
    for name, limits in found.items():
        balance = weighings.study.balances[name]
        notes.append(
            SourceRemark.NO_DATA_SHEET(
                balance=name,
                accuracy_class=balance.accuracy_class or _USUAL_CLASS,
                is_stated=balance.accuracy_class is not None,
                interval_g=balance.verification_interval_g or balance.resolution_g,
                least_g=min(limits),
                most_g=max(limits),
            )
        )
    return notes
