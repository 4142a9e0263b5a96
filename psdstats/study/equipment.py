"""Sieves and balances of a study, from its tables and settings, or inferred with a note.

Units: aperture in µm, mass in g.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from psdstats.errors import Problem
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.tolerance import EDITIONS
from psdstats.study.cells import decimals_written, number_text
from psdstats.study.entries import RunEntry, SieveEntry, WeighingEntry, read_sieve_entries
from psdstats.study.raw import RawStudy
from psdstats.study.records import Balance

__all__ = [
    "DEFAULT_BALANCE",
    "choose_balances",
    "collect_sieves",
    "listed_sieves",
    "make_balances",
]

DEFAULT_BALANCE = "balance"
"""Name of the balance where the files name none."""


def collect_sieves(
    raw: RawStudy, entries: Iterable[WeighingEntry], problems: list[Problem]
) -> dict[str, Sieve]:
    """Physical sieves by key, from the sieve table or settings and from the weighings.

    Two apertures for one sieve, in the weighings or between weighings and sieve table, are a
    problem.
    """
    sieves = listed_sieves(raw, problems)
    file = raw.weighings.file if raw.weighings else raw.name
    seen: dict[str, WeighingEntry] = {}
    for entry in entries:
        if entry.sieve is None:
            continue
        first = seen.setdefault(entry.sieve, entry)
        known = sieves.get(entry.sieve)
        expected = first.aperture_um if known is None else known.nominal_um
        where = f"row {first.row}" if known is None else "the sieve table"
        if entry.aperture_um != expected:
            problems.append(
                Problem(
                    file=file,
                    row=entry.row,
                    column="aperture_um",
                    value=number_text(entry.aperture_um),
                    fault=f"sieve {entry.sieve} has {expected:.12g} µm in {where}",
                    remedy="Correct the aperture, or name the sieve that was really used.",
                )
            )
    for key, entry in seen.items():
        if entry.aperture_um > 0 and key not in sieves:
            sieves[key] = Sieve(key=key, nominal_um=entry.aperture_um)
    return sieves


def listed_sieves(raw: RawStudy, problems: list[Problem]) -> dict[str, Sieve]:
    """Sieves of the sieve table or of the settings, by key."""
    return {entry.sieve: _sieve(entry) for entry in _entries(raw, problems)}


def _sieve(entry: SieveEntry) -> Sieve:
    return Sieve(
        key=entry.sieve,
        nominal_um=entry.nominal_um,
        certified_um=entry.certified_um,
        expanded_uncertainty_um=entry.expanded_uncertainty_um,
        coverage_factor=2.0 if entry.coverage_factor is None else entry.coverage_factor,
        standard=entry.standard or "ISO 3310-1",
    )


def _entries(raw: RawStudy, problems: list[Problem]) -> list[SieveEntry]:
    tables = raw.settings.get("sieves", {})
    listed: list[SieveEntry] = []
    file = raw.settings_file
    if raw.sieves is not None:
        file = raw.sieves.file
        listed = read_sieve_entries(raw.sieves, problems)
        if tables:
            problems.append(
                Problem(
                    file=raw.settings_file,
                    column="sieves",
                    fault=f"sieves are listed both here and in {raw.sieves.file}",
                    remedy="Keep one of the two lists.",
                )
            )
    elif isinstance(tables, Mapping):
        listed = [SieveEntry(row=0, sieve=key, **_values(table)) for key, table in tables.items()]
    for entry in listed:
        fault = _certificate_fault(entry)
        if fault is not None:
            problems.append(
                Problem(
                    file=file,
                    row=entry.row or None,
                    column=fault[0],
                    fault=fault[1],
                    remedy=fault[2],
                )
            )
    return listed


def _values(table: Mapping[str, object]) -> dict[str, Any]:
    names = ("nominal_um", "certified_um", "expanded_uncertainty_um", "coverage_factor")
    return {
        **{name: float(str(table[name])) if name in table else None for name in names},
        "standard": table.get("standard"),
    }


def _certificate_fault(entry: SieveEntry) -> tuple[str, str, str] | None:
    """Column, fault and remedy of an incomplete certificate."""
    if entry.standard is not None and entry.standard not in EDITIONS:
        fault = f"the standard {entry.standard!r} of sieve {entry.sieve} is not known"
        return "standard", fault, f"Write one of {', '.join(EDITIONS)}."
    if entry.expanded_uncertainty_um is not None and entry.certified_um is None:
        fault = f"sieve {entry.sieve} has an expanded uncertainty and no certified aperture"
        return "certified_um", fault, "Write the average aperture from the certificate."
    if entry.nominal_um <= 0:
        fault = f"sieve {entry.sieve} has no aperture"
        return "nominal_um", fault, "Leave the pan out of the sieve list."
    return None


def choose_balances(
    runs: Iterable[RunEntry], raw: RawStudy, problems: list[Problem]
) -> dict[str, str]:
    """Name of the balance of each run."""
    given = raw.settings.get("balances", {})
    known = tuple(given) if isinstance(given, Mapping) else ()
    chosen: dict[str, str] = {}
    for entry in runs:
        name = entry.balance
        if name is None and len(known) <= 1:
            name = known[0] if known else DEFAULT_BALANCE
        if name is None or (known and name not in known):
            problems.append(
                Problem(
                    file=raw.runs.file if raw.runs else raw.name,
                    row=entry.row,
                    column="balance",
                    value=name,
                    fault="the balance of this run is not known",
                    remedy=f"Write one of {', '.join(known)}, or describe it in "
                    f"{raw.settings_file} under [balances.NAME].",
                )
            )
        else:
            chosen[entry.run] = name
    return chosen


def make_balances(
    raw: RawStudy,
    chosen: Mapping[str, str],
    weighings: Mapping[str, list[WeighingEntry]],
    notes: list[str],
) -> dict[str, Balance]:
    """Balances by name: as described, or with the resolution inferred from the readings."""
    given = raw.settings.get("balances", {})
    balances: dict[str, Balance] = {}
    if isinstance(given, Mapping):
        for name, table in given.items():
            balances[name] = Balance(name=name, **{key: float(v) for key, v in table.items()})
            if "repeatability_g" not in table:
                notes.append(f"Balance {name} states no repeatability: it is taken as 0 g.")
    for name in dict.fromkeys(chosen[run] for run in weighings):
        if name in balances:
            continue
        readings = [
            mass
            for run, entries in weighings.items()
            if chosen[run] == name
            for entry in entries
            for mass in (entry.tare, entry.gross, entry.gross_again)
            if mass is not None
        ]
        resolution_g = _inferred_resolution_g(readings)
        balances[name] = Balance(name=name, resolution_g=resolution_g)
        notes.append(
            f"Balance {name!r} is not described: its resolution is taken as {resolution_g:g} g, "
            "the finest step of the readings, and its repeatability as 0 g."
        )
    return balances


def _inferred_resolution_g(readings: Iterable[Decimal]) -> float:
    decimals = max((decimals_written(reading) for reading in readings), default=0)
    return float(Decimal(1).scaleb(-decimals))
