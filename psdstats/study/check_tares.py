"""Bench checks on the empty weights: a tare that drifts, and one that fits another sieve."""

from __future__ import annotations

from collections.abc import Iterator

from psdstats.study.findings import Finding, finding
from psdstats.study.records import Study
from psdstats.study.tares import TareRecord, tare_records

__all__ = ["tare_findings"]


def tare_findings(study: Study) -> Iterator[Finding]:
    """Tares outside their limits.

    Each is called swapped where it fits another sieve of its run, else drifted.  Of two tares
    that differ, the later one is named.
    """
    records = tare_records(study)
    by_run: dict[str, list[TareRecord]] = {}
    for record in records:
        by_run.setdefault(record.run.name, []).append(record)
    for record in records:
        if record.is_outside and (record.n_others > 1 or record.is_latest):
            twin = _fitting_sieve(record, by_run[record.run.name])
            yield _drifted(record) if twin is None else _swapped(record, twin)


def _fitting_sieve(record: TareRecord, same_run: list[TareRecord]) -> str | None:
    """Sieve of the same run whose other tares this one fits best, if it fits any."""
    differences = [
        (abs(record.reading.tare_g - other.reference_g), other.reading.sieve)
        for other in same_run
        if other is not record and abs(record.reading.tare_g - other.reference_g) <= other.limit_g
    ]
    return min(differences)[1] if differences else None


def _drifted(record: TareRecord) -> Finding:
    rises = record.deviation_g > 0
    side = "above" if rises else "below"
    remedy = (
        "Look for a mistyped figure, brush powder left out of the mesh, and weigh it empty again."
        if rises
        else "Look for a mistyped figure, a damaged mesh or a loose frame; weigh it empty again."
    )
    return finding(
        "tare_drift",
        f"tare {record.reading.tare_g:.10g} g is {abs(record.deviation_g):.3g} g {side} the "
        f"median of its other runs, more than the balance explains ({record.limit_g:.2g} g)",
        remedy,
        run=record.run,
        reading=record.reading,
        value=record.deviation_g,
        limit=record.limit_g,
        unit="g",
    )


def _swapped(record: TareRecord, twin: str) -> Finding:
    return finding(
        "swapped_sieves",
        f"tare {record.reading.tare_g:.10g} g does not fit this sieve ({record.reference_g:.10g} g "
        f"in its other runs) but sieve {twin}",
        "Look whether the two sieves, or their rows, were exchanged.",
        run=record.run,
        reading=record.reading,
        value=record.deviation_g,
        limit=record.limit_g,
        unit="g",
    )
