"""Bench checks on the stack: sieves missing or out of order, apertures and certificates."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

from psdstats.sieves.series import nominal_apertures_um
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.tolerance import FINEST_UM, tolerance_um
from psdstats.study.findings import Finding, finding
from psdstats.study.records import Study

__all__ = ["aperture_order", "certificate", "missing_sieve", "off_series"]


def missing_sieve(study: Study) -> Iterator[Finding]:
    """Runs without an aperture that at least half of the group's other runs have."""
    members = Counter(run.group for run in study.runs)
    having: dict[str, Counter[float]] = {group: Counter() for group in members}
    for run in study.runs:
        having[run.group].update({reading.aperture_um for reading in run.readings})
    for run in study.runs:
        own = {reading.aperture_um for reading in run.readings}
        others = members[run.group] - 1
        for aperture_um, count in sorted(having[run.group].items()):
            if aperture_um not in own and 2 * count >= others:
                yield finding(
                    "missing_sieve",
                    f"{aperture_um:.12g} µm is missing, which {count} of the group's {others} "
                    "other runs have",
                    "Add its weighing, or leave it out of every run of the group.",
                    run=run,
                    sieve=f"{aperture_um:.12g} µm",
                    value=aperture_um,
                    unit="µm",
                )


def aperture_order(study: Study) -> Iterator[Finding]:
    """Runs whose sieves are written neither from coarse to fine nor from fine to coarse."""
    for run in study.runs:
        sieves = [reading for reading in run.readings if reading.aperture_um > 0]
        written = sorted(sieves, key=lambda reading: reading.place.row)
        if written == sieves or written == sieves[::-1]:
            continue
        falling = sum(after.aperture_um < before.aperture_um for before, after in pairwise(written))
        down = 2 * falling >= len(written) - 1
        odd = next(
            after
            for before, after in pairwise(written)
            if (after.aperture_um < before.aperture_um) is not down
        )
        yield finding(
            "aperture_order",
            f"{odd.aperture_um:.12g} µm is out of order",
            "Look for a mistyped aperture; if it is right, write the sieves from coarse to fine.",
            run=run,
            reading=odd,
            value=odd.aperture_um,
            unit="µm",
        )


def off_series(study: Study) -> Iterator[Finding]:
    """Apertures between the limits of the standard table that are not in it."""
    standard = nominal_apertures_um()
    for sieve in study.sieves.values():
        inside = standard[0] <= sieve.nominal_um <= standard[-1]
        if inside and sieve.nominal_um not in standard:
            nearest = min(standard, key=lambda known: abs(known - sieve.nominal_um))
            yield finding(
                "off_series",
                f"{sieve.nominal_um:.12g} µm is no standard aperture; the nearest is "
                f"{nearest:.12g} µm",
                "Look at the plate of the sieve; if it is right, nothing needs to be done.",
                sieve=sieve.key,
                value=sieve.nominal_um,
                limit=nearest,
                unit="µm",
            )


def certificate(study: Study) -> Iterator[Finding]:
    """Certified apertures outside the tolerance, and sieves about whose mesh nothing is known."""
    used = {reading.sieve for run in study.runs for reading in run.readings}
    for sieve in study.sieves.values():
        if sieve.key in used:
            yield from _certificate(sieve)


def _certificate(sieve: Sieve) -> Iterator[Finding]:
    covered = sieve.nominal_um >= FINEST_UM
    if not covered and not sieve.is_certified:
        yield finding(
            "certificate",
            f"no standard tolerance covers {sieve.nominal_um:.12g} µm and there is no certificate",
            "Give the certified aperture and its expanded uncertainty in the sieve table.",
            sieve=sieve.key,
            value=sieve.nominal_um,
            limit=FINEST_UM,
            unit="µm",
        )
    if covered and sieve.certified_um is not None:
        limit_um = tolerance_um(sieve.nominal_um, standard=sieve.standard)
        deviation_um = sieve.certified_um - sieve.nominal_um
        if abs(deviation_um) > limit_um:
            yield finding(
                "certificate",
                f"the certified aperture {sieve.certified_um:.12g} µm differs from the nominal "
                f"{sieve.nominal_um:.12g} µm by more than {sieve.standard} allows "
                f"({limit_um:.3g} µm)",
                "Look at the certificate; if it is right, the sieve is worn or is another one.",
                sieve=sieve.key,
                value=deviation_um,
                limit=limit_um,
                unit="µm",
            )
