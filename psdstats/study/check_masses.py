"""Bench checks on the masses of one run: loads, losses, end point, resolution, bracketing.

Masses in g, apertures in µm.  Each function yields findings for one run; `check` runs them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from psdstats.sieves.rules import practice_rule
from psdstats.study.findings import Finding, finding
from psdstats.study.records import Run, Study
from psdstats.study.stopping import net_noise_g
from psdstats.wording import signed

__all__ = [
    "dominant_class",
    "end_point",
    "finer_than_resolution",
    "mass_balance",
    "negative_net",
    "not_bracketed",
    "over_capacity",
    "overload",
]

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
