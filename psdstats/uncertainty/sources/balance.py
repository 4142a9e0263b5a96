"""What a balance leaves open: single readings (rounding, repeatability) and its calibration.

Tares are shared where they were weighed once.  What a balance without data sheet may be wrong by is
taken from its class.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from math import sqrt
from typing import ClassVar

import numpy as np

from psdstats.findings import Remark
from psdstats.sieves.standards import practice_rule
from psdstats.study.records import Balance, Study, TareHandling
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, SourceRemark, Weighings


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
        used = {run.balance: weighings.balance(row) for row, run in enumerate(weighings.runs)}
        silent = sorted(
            name for name, one in used.items() if one.repeatability_g == 0 and one.has_data_sheet
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
    result = ElementaryInputs(kind=kind)
    for row, place, run, sieve in weighings.classes():
        balance = weighings.balance(row)
        u = u_g(balance)
        if u == 0:
            continue
        freedom = balance.repeatability_df if kind is Kind.STUDENT else np.inf
        written = repr(float(weighings.arrays.tare_g[row, place]))
        tare = ("tare", sieve, run.balance, written) if once else ("tare", sieve, run.name)
        for identity, moved in ((("gross", sieve, run.name), u), (tare, -u)):
            result.move_mass(
                identity, row, place, moved, freedom=freedom, estimate=("balance", run.balance)
            )
    return result


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
        for row, place, run, sieve in weighings.classes():
            balance = weighings.balance(row)
            if balance.slope_u:
                u_g = balance.slope_u * arrays.net_g[row, place]
                slope.move_mass(("slope", run.balance), row, place, u_g)
            if balance.drift_g:
                load.move_mass(("drift", run.name), row, place, balance.drift_g / sqrt(3))
            for identity, mass_g, sign in (
                (("gross", sieve, run.name), arrays.gross_g[row, place], 1.0),
                (("tare", sieve, run.balance), arrays.tare_g[row, place], -1.0),
            ):
                limit_g = sign * largest_error_g(balance, float(mass_g))
                if limit_g:
                    load.move_mass(("linearity", *identity), row, place, limit_g / sqrt(3))
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
