"""Bench checks on the masses of one run: loads, losses, end point, resolution, bracketing.

Masses in g, apertures in µm.  Each function yields findings for one run; `check` runs them.

Bench checks on the stack: sieves missing or out of order, apertures and certificates.

Bench checks on the empty weights: a tare that drifts, and one that fits another sieve.

Running the bench checks on a study or straight on its files.

Every check has a name, a switch and its thresholds in `[checks]` of the settings; `check_options`
lists them.  Errors stop a study from being read, warnings travel with every result, notes inform.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

from psdstats.columns import signed
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import FINEST_UM, nominal_apertures_um, practice_rule, tolerance_um
from psdstats.study.findings import CHECKS, CheckReport, Finding, Severity, finding, from_problem
from psdstats.study.reader import read_leniently
from psdstats.study.records import Run, Study
from psdstats.study.stopping import net_noise_g, stopping_findings
from psdstats.study.tares import TareRecord, tare_records

Limits = Mapping[str, float]

_NOISE_FACTOR = 4.0  # normal tail 6e-5 a run
_LEVELS = (0.10, 0.50, 0.90)


def negative_net(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """Net masses below zero that weighing noise explains."""
    del study, limits
    for reading in run.readings:
        if reading.net_g < 0:
            yield finding(
                "negative_net",
                f"net mass {signed(reading.net_g, '.6g')} g is below zero, within weighing noise",
                "Nothing needs to be done: an empty sieve reads so half of the time.",
                run=run,
                reading=reading,
                value=reading.net_g,
                limit=0.0,
                unit="g",
            )


def overload(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """Sieves that hold more than their load limit (ASTM C136/C136M-19, 8.3)."""
    del study
    area_m2 = math.pi / 4.0 * (limits["sieve_diameter_mm"] / 1000.0) ** 2
    for reading in run.readings:
        per_area = limits["kg_per_m2"]
        if reading.aperture_um >= practice_rule("coarse_from").value:
            per_area = practice_rule("load_limit_coarse").value * reading.aperture_um / 1000.0
        limit_g = 1000.0 * per_area * area_m2
        if reading.aperture_um > 0 and reading.net_g > limit_g:
            yield finding(
                "overload",
                f"the sieve holds {reading.net_g:.4g} g, more than its load limit of "
                f"{limit_g:.3g} g",
                "Sieve in two portions, put a sieve above it, or use larger sieves.",
                run=run,
                reading=reading,
                value=reading.net_g,
                limit=limit_g,
                unit="g",
            )


def over_capacity(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """Readings above the capacity of the balance."""
    del limits
    capacity_g = study.balances[run.balance].capacity_g
    for reading in run.readings:
        largest = max(reading.tare_g, reading.gross_g)
        if capacity_g is not None and largest > capacity_g:
            yield finding(
                "over_capacity",
                f"reading {largest:.10g} g is above the capacity of balance {run.balance}",
                "Look for a typing error, or use a larger balance.",
                run=run,
                reading=reading,
                value=largest,
                limit=capacity_g,
                unit="g",
            )


def finer_than_resolution(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """Readings that the display cannot have shown."""
    del limits
    step = study.balances[run.balance].resolution_g
    for reading in run.readings:
        masses = {"tare": reading.tare_g, "gross": reading.gross_g}
        for name, mass in masses.items():
            steps = mass / step
            if abs(steps - round(steps)) > 0.01:
                yield finding(
                    "finer_than_resolution",
                    f"{name} {mass:.10g} g is not a multiple of the resolution of balance "
                    f"{run.balance}",
                    "Correct the reading, or the resolution of the balance.",
                    run=run,
                    reading=reading,
                    value=mass,
                    limit=step,
                    unit="g",
                )


def mass_balance(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """Loss or gain against the mass put on the stack, beyond what weighing noise explains."""
    if run.sample_mass_g is None:
        return
    balance = study.balances[run.balance]
    noise_g = _NOISE_FACTOR * net_noise_g(balance) * math.sqrt(len(run.readings) + 0.5)
    if abs(run.total_g - run.sample_mass_g) <= noise_g:
        return
    gain_percent = 100.0 * (run.total_g / run.sample_mass_g - 1.0)
    lost = gain_percent < 0
    limit = limits["percent"] if lost else limits["gain_percent"]
    if abs(gain_percent) > limit:
        yield finding(
            "mass_balance",
            f"{run.total_g:.6g} g came back of {run.sample_mass_g:.6g} g: "
            f"{abs(gain_percent):.1f} % {'lost' if lost else 'too much'}",
            "Look for powder left behind or spilt, and for a sieve that was not weighed."
            if lost
            else "Look for a wrong reading, a sieve weighed with its lid, or damp powder.",
            run=run,
            value=gain_percent,
            limit=-limit if lost else limit,
            unit="%",
        )


def dominant_class(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """A sieve that holds most of the powder, so that the curve has one step there."""
    del study
    for reading in run.readings:
        percent = 100.0 * reading.net_g / run.total_g
        if reading.aperture_um > 0 and percent > limits["percent"]:
            yield finding(
                "dominant_class",
                f"the sieve holds {percent:.3g} % of the powder",
                "Add a sieve between this one and the next coarser one.",
                run=run,
                reading=reading,
                value=percent,
                limit=limits["percent"],
                unit="%",
            )


def not_bracketed(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """Percentiles that no two sieves enclose."""
    del study, limits
    sieves = [reading for reading in run.readings if reading.aperture_um > 0]
    finest = 1.0 - sum(reading.net_g for reading in sieves) / run.total_g
    coarsest = 1.0 - sieves[-1].net_g / run.total_g
    fine = [f"D{100 * level:.0f}" for level in _LEVELS if finest > level * (1.0 + 1e-9)]
    coarse = [f"D{100 * level:.0f}" for level in _LEVELS if coarsest < level * (1.0 - 1e-9)]
    for names, reading, side, value, remedy in (
        (fine, sieves[0], "below the finest sieve", finest, "Add a finer sieve"),
        (coarse, sieves[-1], "above the coarsest sieve", 1.0 - coarsest, "Add a coarser sieve"),
    ):
        if names:
            place = "in the pan" if names is fine else "on the top sieve"
            lies = "lies" if len(names) == 1 else "lie"
            yield finding(
                "not_bracketed",
                f"{', '.join(names)} {lies} {side}: {100 * value:.3g} % of the powder is {place}",
                f"{remedy}; until then the size is an open interval.",
                run=run,
                reading=reading,
                value=100.0 * value,
                limit=10.0,
                unit="%",
            )


def end_point(study: Study, run: Run, limits: Limits) -> Iterator[Finding]:
    """Sieves whose load still changed in a second shaking (USP <786>, from memory)."""
    del study
    small_share = practice_rule("end_point_small_share").value / 100.0
    for reading in run.readings:
        if reading.gross_again_g is None or reading.aperture_um == 0:
            continue
        net_g = max(reading.net_g, 0.0)
        change_g = abs(reading.gross_again_g - reading.gross_g)
        small = net_g < small_share * run.total_g
        percent = limits["small_percent"] if small else limits["percent"]
        limit_g = max(percent / 100.0 * net_g, limits["mass_g"])
        if change_g > limit_g * (1.0 + 1e-9):
            yield finding(
                "end_point",
                f"the load changed by {change_g:.3g} g in the second shaking, more than "
                f"{limit_g:.3g} g",
                "Shake longer, until no sieve changes any more.",
                run=run,
                reading=reading,
                value=change_g,
                limit=limit_g,
                unit="g",
            )


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


_OF_STUDY: Mapping[str, Callable[[Study], Iterator[Finding]]] = {
    "missing_sieve": missing_sieve,
    "aperture_order": aperture_order,
    "off_series": off_series,
    "certificate": certificate,
}
_OF_RUN: Mapping[str, Callable[[Study, Run, Mapping[str, float]], Iterator[Finding]]] = {
    "negative_net": negative_net,
    "overload": overload,
    "over_capacity": over_capacity,
    "finer_than_resolution": finer_than_resolution,
    "mass_balance": mass_balance,
    "dominant_class": dominant_class,
    "not_bracketed": not_bracketed,
    "end_point": end_point,
}


def check_study(study: Study) -> CheckReport:
    """Run every check that the study does not switch off.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    CheckReport
        Findings, errors first.
    """
    return _report(study, ())


def check_file(path: str | Path, *, encoding: str | None = None) -> CheckReport:
    """Check the files of a study, also where they cannot be read as they stand.

    Parameters
    ----------
    path : str or Path
        Folder, flat CSV file or workbook.
    encoding : str or None
        Encoding of the CSV files where it is not UTF-8.

    Returns
    -------
    CheckReport
        What cannot be read, as errors, and the findings of all runs that can.
    """
    study, problems = read_leniently(path, encoding=encoding)
    unreadable = [from_problem(problem) for problem in problems]
    if study is None:
        return CheckReport(findings=tuple(unreadable))
    return _report(study, unreadable)


def _report(study: Study, unreadable: Iterable[Finding]) -> CheckReport:
    stopping = list(stopping_findings(study))
    stopped = {found.run for found in stopping}
    sound = replace(study, runs=tuple(run for run in study.runs if run.name not in stopped))
    found = [*unreadable, *stopping]
    for name in CHECKS:
        limits = _limits(study, name)
        if limits is None:
            continue
        if name in _OF_STUDY:
            found += _OF_STUDY[name](sound)
        elif name in _OF_RUN:
            for run in sound.runs:
                found += _OF_RUN[name](sound, run, limits)
    found += [each for each in tare_findings(sound) if _limits(study, each.check) is not None]
    rank = {severity: index for index, severity in enumerate(Severity)}
    off = tuple(name for name in CHECKS if _limits(study, name) is None)
    return CheckReport(
        findings=tuple(sorted(found, key=lambda each: rank[each.severity])), switched_off=off
    )


def _limits(study: Study, name: str) -> Mapping[str, float] | None:
    """Thresholds of a check, or None where the study switches it off."""
    setting = study.checks.get(name, True)
    if setting is False and not CHECKS[name].stops:
        return None
    own = setting if isinstance(setting, Mapping) else {}
    return {**CHECKS[name].thresholds, **{key: float(value) for key, value in own.items()}}
