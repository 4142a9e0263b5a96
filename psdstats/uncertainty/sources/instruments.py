"""What the instruments leave open: readings of a balance and its calibration, sieves and sieving.

Of a balance single readings (rounding, repeatability) and its calibration; tares are shared where
they were weighed once, and what a balance without data sheet may be wrong by is taken from its
class.  Of sieves their apertures, the curve between them, and sieving that was not finished.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from math import inf, sqrt
from typing import ClassVar

import numpy as np

from psdstats.errors import SizeError, UncertaintyError
from psdstats.findings import Remark
from psdstats.sieves.standards import Sieve, practice_rule, tolerance_um
from psdstats.study.records import Balance, Run, Study, TareHandling
from psdstats.uncertainty.inputs import (
    ElementaryInputs,
    Identity,
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
        load.notes += _without_data_sheet(weighings)
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


def _without_data_sheet(weighings: Weighings) -> list[Remark]:
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


_KINDS = (Kind.NORMAL, Kind.STUDENT, Kind.UNIFORM)


@dataclass(frozen=True)
class Aperture(Source):
    """One error a sieve, shared by every run that used it.

    An effective aperture, measured with a reference powder or beads, comes first: normal with its
    u.  Else a certificate: normal with u = U/k.  Either is a scaled t where its degrees of freedom
    are stated.  Without: rectangular over the tolerance ±Y on the average aperture, u = Y/√3.

    Sieves of one certificate (or reference measurement) with a declared correlation r share the
    part √r of their error: e = u (√r c + √(1-r) z), with c one for the certificate and z each
    sieve's own.

    Source: certificate U/k (JCGM 100:2008, 4.3.3), common part as in F.1.2.3; t as in JCGM
    101:2008, 6.4.9; else ISO 3310-1 tolerance Y on the average aperture as rectangular (JCGM
    100:2008, 4.3.7).
    """

    name: ClassVar[str] = "aperture"
    order: ClassVar[int] = 4
    usual: ClassVar[bool] = True

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """Inputs of each sieve: normal or t where measured, uniform where the tolerance applies."""
        groups = {kind: ElementaryInputs(kind=kind) for kind in _KINDS}
        study, arrays = weighings.study, weighings.arrays
        sieves = [study.sieves[key] for key in arrays.sieve_keys]
        half_width = {one.key: self._tolerance(one) for one in sieves if one.u_um is None}
        parts = [_parts(one, sieves, half_width) for one in sieves]
        for row in range(len(weighings.runs)):
            # padding repeats the coarsest sieve, so it carries that sieve's error too
            for place, number in enumerate(arrays.sieve_index[row].tolist()):
                for kind, identity, u_um, freedom, estimate in parts[number]:
                    index = groups[kind].index(identity, freedom=freedom, estimate=estimate)
                    groups[kind].on_aperture.append((index, row, place, u_um))
        groups[Kind.UNIFORM].notes += _without_certificate(study, half_width)
        return list(groups.values())

    @staticmethod
    def _tolerance(sieve: Sieve) -> float:
        try:
            return tolerance_um(sieve.nominal_um, standard=sieve.standard)
        except SizeError as cause:
            raise UncertaintyError(
                f"sieve {sieve.key!r}: no tolerance applies ({cause}); give certified_um and "
                "expanded_uncertainty_um, or set aperture = false."
            ) from cause


def _parts(
    sieve: Sieve, sieves: Iterable[Sieve], half_width: Mapping[str, float]
) -> list[tuple[Kind, Identity, float, float, Identity]]:
    """Kind, identity, u in µm, degrees of freedom and estimate of each part of a sieve's error."""
    u_um, own = sieve.u_um, (sieve.key,)
    if u_um is None:
        width = half_width[sieve.key]
        return [(Kind.UNIFORM, own, width / sqrt(3), inf, own)] if width > 0 else []
    what, name, correlation = sieve.measured_with
    common = (what, name)
    # a common part has one law, so the fewest degrees of freedom among those who share it hold
    sharing = [one for one in sieves if correlation and one.measured_with[:2] == common]
    freedom = min(one.degrees_of_freedom or inf for one in sharing or [sieve])
    kind = Kind.NORMAL if freedom == inf else Kind.STUDENT
    shares = [(own, 1.0 - correlation), (common, correlation)]
    estimate = common if correlation else own
    return [(kind, part, u_um * sqrt(share), freedom, estimate) for part, share in shares if share]


def _without_certificate(study: Study, half_width: Mapping[str, float]) -> list[Remark]:
    """One remark a standard: how many sieves fall back on its tolerances, and which these are."""
    notes = []
    for standard in dict.fromkeys(study.sieves[key].standard for key in half_width):
        keys = [key for key in half_width if study.sieves[key].standard == standard]
        widths = {study.sieves[key].nominal_um: half_width[key] for key in keys}
        notes.append(
            SourceRemark.TOLERANCE_USED(
                standard=standard, half_widths_um=tuple(sorted(widths.items())), sieves=len(keys)
            )
        )
    return notes


@dataclass(frozen=True)
class BetweenSieves(Source):
    """What the law of the undersize curves leaves open between and around their points.

    It acts on ln D10, ln D50 and ln D90 directly and is shared by runs as far as their sieves fall
    alike on one curve: fully by replicates on one stack.  A size by a prescribed rule has none.

    Source: own law (`psdstats.distribution.powder_curve`); how well it holds the sizes of powders
    is measured in tests/calibration/results/powder_coverage.md.
    """

    name: ClassVar[str] = "between_sieves"
    order: ClassVar[int] = 7

    @classmethod
    def on_by_default(cls, study: Study) -> bool:
        """Whether the study asks for the powder's own sizes."""
        return study.rule is None

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """What the curves of these runs leave open."""
        return weighings.left_open


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
        moved = [_moved_g(run) for run in weighings.runs]
        for row, place, run, sieve in weighings.classes():
            if moved[row].get(sieve):
                result.move_mass((run.name,), row, place, moved[row][sieve])
        largest = [max(map(abs, own.values())) for own in moved if any(own.values())]
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
