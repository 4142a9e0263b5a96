"""Checks without which no size can be computed: a study that fails one is not read.

Masses in g.  A loaded sieve that weighs a little less than the empty one, within weighing noise,
is no error: an empty sieve reads so half of the time.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from statistics import median

from psdstats.columns import signed
from psdstats.errors import Problem
from psdstats.sieves.standards import practice_rule
from psdstats.study.findings import Finding, finding
from psdstats.study.records import Balance, Reading, Run, Study

_NOISE_FACTOR = 8.0  # room for balances noisier than they say; a real mix-up is far larger


def net_noise_g(balance: Balance) -> float:
    """Standard uncertainty of the difference of two readings of one balance, g.

    Notes
    -----
    sqrt(2 (d²/12 + s_r²)): rounding to the resolution d and repeatability s_r of each reading
    (JCGM 100, F.2.2.1, from memory); s_r is taken as at least 0.41 d (USP <41>, from memory), so
    that a balance of which it is not known is not taken for perfect.
    """
    step = balance.resolution_g
    spread = max(balance.repeatability_g, practice_rule("least_repeatability").value * step)
    return math.sqrt(2.0 * (step**2 / 12.0 + spread**2))


def lowest_net_g(balance: Balance) -> float:
    """Net mass below which a reading is wrong and not merely noisy, g."""
    return -max(_NOISE_FACTOR * net_noise_g(balance), balance.resolution_g)


def stopping_findings(study: Study) -> Iterator[Finding]:
    """Everything that makes a run impossible to evaluate."""
    for run in study.runs:
        yield from _stack_findings(run)
        lowest = lowest_net_g(study.balances[run.balance])
        for reading in run.readings:
            if reading.net_g < lowest:
                yield finding(
                    "gross_below_tare",
                    f"gross {reading.gross_g:.10g} g is below its tare {reading.tare_g:.10g} g "
                    f"(net {signed(reading.net_g, '.6g')} g)",
                    _remedy(study, run, reading, lowest),
                    run=run,
                    reading=reading,
                    value=reading.net_g,
                    limit=lowest,
                    unit="g",
                )
        if not run.total_g > 0:
            yield finding(
                "no_powder",
                f"the net masses add up to {signed(run.total_g, '.6g')} g",
                "Weigh the run again.",
                run=run,
                value=run.total_g,
                limit=0.0,
                unit="g",
            )


def _remedy(study: Study, run: Run, reading: Reading, lowest_g: float) -> str:
    """What to do about a gross below its tare; the other tares tell where the tare is at fault."""
    others = [
        each.tare_g
        for other in study.runs
        if other is not run
        and other.balance == run.balance
        and (reading.aperture_um > 0 or other.group == run.group)
        for each in other.readings
        if (each.sieve, each.aperture_um) == (reading.sieve, reading.aperture_um)
    ]
    usual_g = median(others) if others else reading.tare_g
    if usual_g < reading.tare_g and reading.gross_g - usual_g >= lowest_g:
        return (
            f"In its other runs this sieve weighs {usual_g:.10g} g empty: correct the tare if it "
            "was mistyped, or weigh the empty sieve again."
        )
    return (
        "Weigh the sieve with its powder again, or correct the tare if it belongs to another sieve."
    )


def _stack_findings(run: Run) -> Iterator[Finding]:
    apertures = Counter(reading.aperture_um for reading in run.readings)
    if 0.0 not in apertures:
        yield finding(
            "no_pan", "the pan (aperture 0) is missing", "Weigh the pan and add its row.", run=run
        )
    if not any(apertures):
        yield finding("no_sieve", "there is no sieve", "Add the weighings of the sieves.", run=run)
    seen: dict[float, str] = {}
    keys: set[str] = set()
    for reading in sorted(run.readings, key=lambda each: each.place.row):
        first = seen.get(reading.aperture_um)
        if first is not None or reading.sieve in keys:
            name = "the pan" if reading.aperture_um == 0 else f"{reading.aperture_um:.12g} µm"
            yield finding(
                "repeated_sieve",
                f"{name} is there twice"
                + ("" if first in (None, reading.sieve) else f" (also as sieve {first})"),
                "Delete the row that was written twice, or correct its aperture.",
                run=run,
                reading=reading,
                value=reading.aperture_um,
                unit="µm",
            )
        seen.setdefault(reading.aperture_um, reading.sieve)
        keys.add(reading.sieve)


def stopping_problems(study: Study) -> list[Problem]:
    """Give the same as problems, for the error that reading raises."""
    return [found.to_problem() for found in stopping_findings(study)]
