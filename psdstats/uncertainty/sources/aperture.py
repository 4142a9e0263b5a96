"""Average aperture of each physical sieve: its certificate, else the tolerance of its standard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar

from psdstats.errors import SizeError, UncertaintyError
from psdstats.findings import Remark
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import tolerance_um
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, SourceRemark, Weighings


@dataclass(frozen=True)
class Aperture(Source):
    """One error a sieve, shared by every run that used it.

    With a certificate: normal with u = U/k.  Without: rectangular over the tolerance ±Y on the
    average aperture, u = Y/√3.

    Source: certificate U/k (JCGM 100:2008, 4.3.3), else ISO 3310-1 tolerance Y on the average
    aperture as rectangular (JCGM 100:2008, 4.3.7).
    """

    name: ClassVar[str] = "aperture"
    order: ClassVar[int] = 4
    usual: ClassVar[bool] = True

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One input a sieve: normal where certified, uniform where the tolerance applies."""
        certified = ElementaryInputs(kind=Kind.NORMAL)
        tolerated = ElementaryInputs(kind=Kind.UNIFORM)
        arrays = weighings.arrays
        half_width = {
            key: self._tolerance(weighings.study.sieves[key])
            for key in arrays.sieve_keys
            if not weighings.study.sieves[key].is_certified
        }
        for row in range(len(weighings.runs)):
            # padding repeats the coarsest sieve, so it carries that sieve's error too
            for place, sieve_number in enumerate(arrays.sieve_index[row].tolist()):
                key = arrays.sieve_keys[sieve_number]
                sieve = weighings.study.sieves[key]
                if sieve.expanded_uncertainty_um is not None and sieve.is_certified:
                    group = certified
                    u = sieve.expanded_uncertainty_um / sieve.coverage_factor
                else:
                    group, u = tolerated, half_width[key] / sqrt(3)
                if u > 0:
                    group.on_aperture.add(group.index((key,)), row, place, u)
        tolerated.notes += _notes(weighings.study, half_width)
        return [certified, tolerated]

    @staticmethod
    def _tolerance(sieve: Sieve) -> float:
        try:
            return tolerance_um(sieve.nominal_um, standard=sieve.standard)
        except SizeError as cause:
            raise UncertaintyError(
                f"sieve {sieve.key!r}: no tolerance applies ({cause}); give certified_um and "
                "expanded_uncertainty_um, or set aperture = false."
            ) from cause


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
