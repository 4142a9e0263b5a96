"""What sieving leaves open: apertures, the curve between them, sieving that was not finished."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, sqrt
from typing import ClassVar

from psdstats.errors import SizeError, UncertaintyError
from psdstats.findings import Remark
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import tolerance_um
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import (
    ElementaryInputs,
    Identity,
    Kind,
    Source,
    SourceRemark,
    Weighings,
)

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
        groups[Kind.UNIFORM].notes += _notes(study, half_width)
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


def _notes(study: Study, half_width: Mapping[str, float]) -> list[Remark]:
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
