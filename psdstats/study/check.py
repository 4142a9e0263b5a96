"""The bench checks: each a function that goes through a study and yields flags.

Masses in g, apertures in µm.  `checks.csv` declares the checks; errors stop a study from being
read, warnings travel with every result, notes inform.  A loaded sieve that weighs a little less
than the empty one, within weighing noise, is no error: an empty sieve reads so half of the time.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import pairwise
from statistics import median

from psdstats.columns import BALL_RATIO, signed
from psdstats.sieves.sieve import Sieve
from psdstats.sieves.standards import FINEST_UM, nominal_apertures_um, practice_rule, tolerance_um
from psdstats.study.flags import CHECKS, CheckReport, Flag, Severity, Spot, at, limits_of
from psdstats.study.records import Balance, Reading, Run, Study
from psdstats.study.tares import net_noise_g, tare_flags

Limits = Mapping[str, float]

_STOPPING_NOISE = 8.0  # room for balances noisier than they say; a real mix-up is far larger
_NOISE = 4.0  # normal tail 6e-5 a run
_LEVELS = (0.10, 0.50, 0.90)


def lowest_net_g(balance: Balance) -> float:
    """Net mass below which a loaded sieve was not weighed right, whatever the noise, g."""
    noise_g = net_noise_g(balance.resolution_g, balance.repeatability_g)
    return -max(_STOPPING_NOISE * noise_g, balance.resolution_g)


def stopping_flags(study: Study) -> Iterator[Flag]:
    """Everything that makes a run impossible to evaluate: such a study is not read."""
    for run in study.runs:
        yield from _stack_flags(run)
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


def negative_net(study: Study, _: Limits) -> Iterator[Flag]:
    """Net masses below zero that weighing noise explains."""
    remedy = "Nothing needs to be done: an empty sieve reads so half of the time."
    for run in study.runs:
        for one in run.readings:
            if one.net_g < 0:
                mass = signed(one.net_g, ".6g")
                says = f"net mass {mass} g is below zero, within weighing noise"
                yield Flag("negative_net", says, remedy, at(run, one), one.net_g, 0.0, "g")


def overload(study: Study, limits: Limits) -> Iterator[Flag]:
    """Sieves that hold more than their load limit (ASTM C136/C136M-19, 8.3)."""
    area_m2 = math.pi / 4.0 * (limits["sieve_diameter_mm"] / 1000.0) ** 2
    coarse_um = practice_rule("coarse_from").value
    per_mm = practice_rule("load_limit_coarse").value
    remedy = "Sieve in two portions, put a sieve above it, or use larger sieves."
    for run in study.runs:
        for one in run.readings:
            coarse = one.aperture_um >= coarse_um
            per_area = per_mm * one.aperture_um / 1000.0 if coarse else limits["kg_per_m2"]
            limit_g = 1000.0 * per_area * area_m2
            if one.aperture_um > 0 and one.net_g > limit_g:
                says = f"the sieve holds {one.net_g:.4g} g, more than its load limit of "
                says += f"{limit_g:.3g} g"
                yield Flag("overload", says, remedy, at(run, one), one.net_g, limit_g, "g")


def over_capacity(study: Study, _: Limits) -> Iterator[Flag]:
    """Readings above the capacity of the balance."""
    remedy = "Look for a typing error, or use a larger balance."
    for run in study.runs:
        capacity_g = study.balances[run.balance].capacity_g
        for one in run.readings:
            mass = max(one.tare_g, one.gross_g)
            if capacity_g is not None and mass > capacity_g:
                says = f"reading {mass:.10g} g is above the capacity of balance {run.balance}"
                yield Flag("over_capacity", says, remedy, at(run, one), mass, capacity_g, "g")


def finer_than_resolution(study: Study, _: Limits) -> Iterator[Flag]:
    """Readings that the display cannot have shown."""
    check, remedy = (
        "finer_than_resolution",
        "Correct the reading, or the resolution of the balance.",
    )
    for run in study.runs:
        step = study.balances[run.balance].resolution_g
        for one in run.readings:
            for name, mass in (("tare", one.tare_g), ("gross", one.gross_g)):
                if abs(mass / step - round(mass / step)) > 0.01:
                    says = f"{name} {mass:.10g} g is not a multiple of the resolution of balance "
                    yield Flag(check, says + run.balance, remedy, at(run, one), mass, step, "g")


def mass_balance(study: Study, limits: Limits) -> Iterator[Flag]:
    """Loss or gain against the mass put on the stack, beyond what weighing noise explains."""
    for run in study.runs:
        if run.sample_mass_g is None:
            continue
        balance = study.balances[run.balance]
        noise_g = _NOISE * net_noise_g(balance.resolution_g, balance.repeatability_g)
        if abs(run.total_g - run.sample_mass_g) <= noise_g * math.sqrt(len(run.readings) + 0.5):
            continue
        gain_percent = 100.0 * (run.total_g / run.sample_mass_g - 1.0)
        lost = gain_percent < 0
        limit = limits["percent"] if lost else limits["gain_percent"]
        if abs(gain_percent) > limit:
            says = f"{run.total_g:.6g} g came back of {run.sample_mass_g:.6g} g: "
            says += f"{abs(gain_percent):.1f} % {'lost' if lost else 'too much'}"
            remedy = (
                "Look for powder left behind or spilt, and for a sieve that was not weighed."
                if lost
                else "Look for a wrong reading, a sieve weighed with its lid, or damp powder."
            )
            limit = -limit if lost else limit
            yield Flag("mass_balance", says, remedy, at(run), gain_percent, limit, "%")


def dominant_class(study: Study, limits: Limits) -> Iterator[Flag]:
    """A sieve that holds most of the powder, so that the curve has one step there."""
    limit = limits["percent"]
    remedy = "Add a sieve between this one and the next coarser one."
    for run in study.runs:
        total_g = run.total_g
        for one in run.readings:
            percent = 100.0 * one.net_g / total_g
            if one.aperture_um > 0 and percent > limit:
                says = f"the sieve holds {percent:.3g} % of the powder"
                yield Flag("dominant_class", says, remedy, at(run, one), percent, limit, "%")


def not_bracketed(study: Study, _: Limits) -> Iterator[Flag]:
    """Percentiles that no two sieves enclose."""
    for run in study.runs:
        sieves = [reading for reading in run.readings if reading.aperture_um > 0]
        total_g = run.total_g
        finest = 1.0 - sum(reading.net_g for reading in sieves) / total_g
        coarsest = 1.0 - sieves[-1].net_g / total_g
        fine = [f"D{100 * level:.0f}" for level in _LEVELS if finest > level * (1.0 + 1e-9)]
        coarse = [f"D{100 * level:.0f}" for level in _LEVELS if coarsest < level * (1.0 - 1e-9)]
        for names, reading, side, share, place, sieve in (
            (fine, sieves[0], "below the finest sieve", finest, "in the pan", "finer"),
            (coarse, sieves[-1], "above the coarsest sieve", 1.0 - coarsest, "on the top sieve",
             "coarser"),
        ):  # fmt: skip
            if names:
                lies = "lies" if len(names) == 1 else "lie"
                says = f"{', '.join(names)} {lies} {side}: {100 * share:.3g} % of the powder is "
                remedy = f"Add a {sieve} sieve; until then the size is an open interval."
                spot = at(run, reading)
                yield Flag("not_bracketed", says + place, remedy, spot, 100.0 * share, 10.0, "%")


def end_point(study: Study, limits: Limits) -> Iterator[Flag]:
    """Sieves whose load still changed in a second shaking (USP <786>, from memory)."""
    small_share = practice_rule("end_point_small_share").value / 100.0
    remedy = "Shake longer, until no sieve changes any more."
    for run in study.runs:
        for one in run.readings:
            if one.gross_again_g is None or one.aperture_um == 0:
                continue
            net_g = max(one.net_g, 0.0)
            change_g = abs(one.gross_again_g - one.gross_g)
            small = net_g < small_share * run.total_g
            percent = limits["small_percent"] if small else limits["percent"]
            limit_g = max(percent / 100.0 * net_g, limits["mass_g"])
            if change_g > limit_g * (1.0 + 1e-9):
                says = f"the load changed by {change_g:.3g} g in the second shaking, more than "
                says += f"{limit_g:.3g} g"
                yield Flag("end_point", says, remedy, at(run, one), change_g, limit_g, "g")


def missing_sieve(study: Study, _: Limits) -> Iterator[Flag]:
    """Runs without an aperture that at least half of the group's other runs have."""
    members = Counter(run.group for run in study.runs)
    having: dict[str, Counter[float]] = {group: Counter() for group in members}
    for run in study.runs:
        having[run.group].update({reading.aperture_um for reading in run.readings})
    remedy = "Add its weighing, or leave it out of every run of the group."
    for run in study.runs:
        own = {reading.aperture_um for reading in run.readings}
        others = members[run.group] - 1
        for aperture_um, count in sorted(having[run.group].items()):
            if aperture_um not in own and 2 * count >= others:
                name = f"{aperture_um:.12g} µm"
                says = f"{name} is missing, which {count} of the group's {others} other runs have"
                spot = at(run, sieve=name)
                yield Flag("missing_sieve", says, remedy, spot, aperture_um, None, "µm")


def aperture_order(study: Study, _: Limits) -> Iterator[Flag]:
    """Runs whose sieves are written neither from coarse to fine nor from fine to coarse."""
    remedy = "Look for a mistyped aperture; if it is right, write the sieves from coarse to fine."
    for run in study.runs:
        sieves = [reading for reading in run.readings if reading.aperture_um > 0]
        written = sorted(sieves, key=lambda reading: reading.place.row)
        if written in (sieves, sieves[::-1]):
            continue
        steps = list(pairwise(written))
        down = 2 * sum(after.aperture_um < before.aperture_um for before, after in steps)
        falls = down >= len(steps)
        odd = next(b for a, b in steps if (b.aperture_um < a.aperture_um) is not falls)
        says = f"{odd.aperture_um:.12g} µm is out of order"
        yield Flag("aperture_order", says, remedy, at(run, odd), odd.aperture_um, None, "µm")


def off_series(study: Study, _: Limits) -> Iterator[Flag]:
    """Apertures between the limits of the standard table that are not in it."""
    standard = nominal_apertures_um()
    remedy = "Look at the plate of the sieve; if it is right, nothing needs to be done."
    for sieve in study.sieves.values():
        nominal = sieve.nominal_um
        if standard[0] <= nominal <= standard[-1] and nominal not in standard:
            nearest = min(standard, key=lambda known: abs(known - nominal))
            says = f"{nominal:.12g} µm is no standard aperture; the nearest is {nearest:.12g} µm"
            yield Flag("off_series", says, remedy, Spot(sieve=sieve.key), nominal, nearest, "µm")


def certificate(study: Study, _: Limits) -> Iterator[Flag]:
    """Certified apertures outside the tolerance, and sieves about whose mesh nothing is known."""
    used = {reading.sieve for run in study.runs for reading in run.readings}
    for sieve in study.sieves.values():
        if sieve.key in used:
            yield from _certificate(sieve, Spot(sieve=sieve.key))


def _certificate(sieve: Sieve, spot: Spot) -> Iterator[Flag]:
    """What is wrong with the certificate of one sieve."""
    nominal_um, certified_um = sieve.nominal_um, sieve.certified_um
    if nominal_um < FINEST_UM:
        if not sieve.is_certified:
            says = f"no standard tolerance covers {nominal_um:.12g} µm and there is no certificate"
            remedy = "Give the certified aperture and its expanded uncertainty in the sieve table."
            yield Flag("certificate", says, remedy, spot, nominal_um, FINEST_UM, "µm")
    elif certified_um is not None:
        limit_um = tolerance_um(nominal_um, standard=sieve.standard)
        deviation_um = certified_um - nominal_um
        if abs(deviation_um) > limit_um:
            says = (
                f"the certified aperture {certified_um:.12g} µm differs from the nominal "
                f"{nominal_um:.12g} µm by more than {sieve.standard} allows ({limit_um:.3g} µm)"
            )
            remedy = "Look at the certificate; if it is right, the sieve is worn or is another one."
            yield Flag("certificate", says, remedy, spot, deviation_um, limit_um, "µm")


def charge(study: Study, _: Limits) -> Iterator[Flag]:
    """Charges in two groups, of two ball ratios, sampled twice at a time, and runs without one."""
    by_charge: dict[str | None, list[Run]] = {}
    for run in study.runs:
        by_charge.setdefault(run.charge, []).append(run)
    nameless = by_charge.pop(None, [])
    for run in nameless if by_charge else ():
        says = "the run names no charge, which other runs do: it counts as one of its own"
        yield Flag("charge", says, "Write which filling it was sampled from.", at(run))
    for name, runs in by_charge.items():
        yield from _charge(name, runs)


def _charge(name: str | None, runs: list[Run]) -> Iterator[Flag]:
    """What is odd about one charge; the first run that differs from the first is named."""
    own = "If these are two fillings of the jar, give each a name of its own"
    first = runs[0]
    for run in runs:
        if run.group != first.group:
            says = f"charge {name} is in group {first.group} and in group {run.group}"
            remedy = f"{own}; if one was divided between the groups, nothing needs to be done."
            yield Flag("charge", says, remedy, at(run))
            break
    for run in runs:
        ratio, other = (one.factors.get(BALL_RATIO) for one in (first, run))
        if ratio != other and run.group == first.group:
            levels = (f"{one:g}" if isinstance(one, float) else one for one in (ratio, other))
            says = "charge {} has ball ratio {} in run {first} and {} here".format(
                name, *levels, first=first.name
            )
            yield Flag("charge", says, f"{own}.", at(run))
            break
    samples: dict[tuple[str, float], Run] = {}
    for run in runs:
        taken = samples.setdefault((run.group, run.milling_time_min), run)
        if taken is not run and (run.split is None or taken.sample != run.sample):
            says = f"charge {name} was sampled at {run.milling_time_min:g} min in run {taken.name} "
            remedy = f"{own}; if one sample was divided, number its parts in a column split."
            yield Flag("charge", says + "and here again", remedy, at(run))
            break


_CHECKS: tuple[Callable[[Study, Limits], Iterator[Flag]], ...] = (
    negative_net,
    missing_sieve,
    aperture_order,
    off_series,
    certificate,
    overload,
    over_capacity,
    finer_than_resolution,
    mass_balance,
    dominant_class,
    not_bracketed,
    end_point,
    charge,
)


def check_study(study: Study) -> CheckReport:
    """Run every check that the study does not switch off.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    CheckReport
        Flags, errors first.
    """
    return report_with(study, ())


def report_with(study: Study, unreadable: Iterable[Flag]) -> CheckReport:
    """Run every check on the runs that can be evaluated; what cannot be read stands first."""
    stopping = list(stopping_flags(study))
    stopped = {flag.spot.run for flag in stopping}
    sound = replace(study, runs=tuple(run for run in study.runs if run.name not in stopped))
    limits = {name: limits_of(study, name) for name in CHECKS}
    found = [*unreadable, *stopping]
    for check in _CHECKS:
        own = limits[check.__name__]
        found += [] if own is None else check(sound, own)
    found += [flag for flag in tare_flags(sound) if limits[flag.check] is not None]
    rank = {severity: index for index, severity in enumerate(Severity)}
    return CheckReport(
        flags=tuple(sorted(found, key=lambda flag: rank[flag.severity])),
        switched_off=tuple(name for name, own in limits.items() if own is None),
    )
