"""What makes a run impossible to evaluate: such a study is checked, and not read.

Masses in g, apertures in µm.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from statistics import median

from psdstats.columns import signed
from psdstats.study.flags import Flag, at
from psdstats.study.records import Balance, Reading, Run, Study
from psdstats.study.tares import net_noise_g

_STOPPING_NOISE = 8.0  # room for balances noisier than they say; a real mix-up is far larger


def lowest_net_g(balance: Balance) -> float:
    """Net mass below which a loaded sieve was not weighed right, whatever the noise, g."""
    noise_g = net_noise_g(balance.resolution_g, balance.repeatability_g)
    return -max(_STOPPING_NOISE * noise_g, balance.resolution_g)


def stopping_flags(study: Study) -> Iterator[Flag]:
    """Everything that makes a run impossible to evaluate."""
    for run in study.runs:
        yield from _stack_flags(run)
        yield from _crossed_flags(study, run)
        lowest_g = lowest_net_g(study.balances[run.balance])
        for one in run.readings:
            if one.net_g < lowest_g:  # wrong, and not merely noisy
                yield _below_tare(study, run, one, lowest_g)
        total_g = run.total_g
        if not total_g > 0:
            says = f"the net masses add up to {signed(total_g, '.6g')} g"
            yield Flag("no_powder", says, "Weigh the run again.", at(run), total_g, 0.0, "g")


def _below_tare(study: Study, run: Run, reading: Reading, lowest_g: float) -> Flag:
    """A gross below its tare; the other tares of the sieve tell whether the tare is at fault."""
    tare_g, gross_g, net_g = reading.tare_g, reading.gross_g, reading.net_g
    says = f"gross {gross_g:.10g} g is below its tare {tare_g:.10g} g "
    says += f"(net {signed(net_g, '.6g')} g)"
    remedy = "Weigh the sieve with its powder again, or correct the tare if it belongs to another "
    remedy += "sieve."
    others = [
        each.tare_g
        for other in study.runs
        if other is not run
        and other.balance == run.balance
        and (reading.aperture_um > 0 or other.group == run.group)
        for each in other.readings
        if (each.sieve, each.aperture_um) == (reading.sieve, reading.aperture_um)
    ]
    usual_g = median(others) if others else tare_g
    if usual_g < tare_g and gross_g - usual_g >= lowest_g:
        remedy = f"In its other runs this sieve weighs {usual_g:.10g} g empty: correct the tare if "
        remedy += "it was mistyped, or weigh the empty sieve again."
    return Flag("gross_below_tare", says, remedy, at(run, reading), net_g, lowest_g, "g")


def _stack_flags(run: Run) -> Iterator[Flag]:
    """A pan or sieves that are missing, and sieves that are there twice."""
    apertures = {reading.aperture_um for reading in run.readings}
    if 0.0 not in apertures:
        remedy = "Weigh the pan and add its row."
        yield Flag("no_pan", "the pan (aperture 0) is missing", remedy, at(run))
    if not any(apertures):
        yield Flag("no_sieve", "there is no sieve", "Add the weighings of the sieves.", at(run))
    if len(apertures) == len({reading.sieve for reading in run.readings}) == len(run.readings):
        return
    seen: dict[float, str] = {}
    keys: set[str] = set()
    for reading in sorted(run.readings, key=lambda each: each.place.row):
        aperture_um, sieve = reading.aperture_um, reading.sieve
        first = seen.get(aperture_um)
        if first is not None or sieve in keys:
            name = "the pan" if aperture_um == 0 else f"{aperture_um:.12g} µm"
            also = "" if first in (None, sieve) else f" (also as sieve {first})"
            says = f"{name} is there twice{also}"
            remedy = "Delete the row that was written twice, or correct its aperture."
            yield Flag("repeated_sieve", says, remedy, at(run, reading), aperture_um, None, "µm")
        seen.setdefault(aperture_um, sieve)
        keys.add(sieve)


def _crossed_flags(study: Study, run: Run) -> Iterator[Flag]:
    """Sieves that act, by their certificates, as if they stood in another order."""
    readings = {one.sieve: one for one in run.readings if one.aperture_um > 0}
    for finer, coarser in pairwise(study.sieves[name] for name in readings):
        if finer.best_um < coarser.best_um or finer.nominal_um >= coarser.nominal_um:
            continue
        both = (finer, coarser)
        odd, other = sorted(both, key=lambda one: -abs(one.best_um / one.nominal_um - 1.0))
        way = "at least as wide as" if odd is finer else "no wider than"
        says = f"by its certificate sieve {odd.key} has {odd.best_um:.6g} µm (nominal "
        says += f"{odd.nominal_um:.6g} µm), {way} sieve {other.key} with {other.best_um:.6g} µm "
        says += f"(nominal {other.nominal_um:.6g} µm)"
        remedy = f"Correct the aperture of sieve {odd.key} in the sieve table; look whether two "
        remedy += "certificates were exchanged."
        place, value = at(run, readings[odd.key]), odd.best_um
        yield Flag("certified_order", says, remedy, place, value, other.best_um, "µm", says)
