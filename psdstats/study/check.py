"""The bench checks: each a function that goes through a study and yields flags.

Masses in g, apertures in µm.  `checks.csv` declares the checks; errors stop a study from being
read, warnings travel with every result, notes inform.  A loaded sieve that weighs a little less
than the empty one, within weighing noise, is no error: an empty sieve reads so half of the time.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import groupby, pairwise
from operator import itemgetter

from psdstats.columns import BALL_RATIO, signed
from psdstats.sieves import standards
from psdstats.sieves.standards import Sieve
from psdstats.study.flags import CHECKS, CheckReport, Flag, Severity, Spot, at, limits_of, readings
from psdstats.study.names import LABEL_CHECKS, Flags, Limits
from psdstats.study.records import Study
from psdstats.study.runs import Reading, Run
from psdstats.study.tares import TARE_CHECKS, mass_balance, stopping_flags, tare_flags

Weighed = tuple[Run, Reading, float]
"""A mass with its place."""

_PER_G = 10_000_000  # steps of 0.1 µg: what is finer comes from arithmetic
_LOADED = 20.0  # scale intervals: powder whose mass does not come out alike by chance
_LEVELS = (0.10, 0.50, 0.90)


def negative_net(study: Study, _: Limits) -> Flags:
    """Net masses below zero that weighing noise explains."""
    for run, one in readings(study):
        if one.net_g < 0:
            says = f"net mass {signed(one.net_g, '.6g')} g is below zero, within weighing noise"
            yield Flag("negative_net", says, at(run, one), one.net_g, 0.0)


def overload(study: Study, limits: Limits) -> Flags:
    """Sieves that hold more than their load limit (ASTM C136/C136M-19, 8.3)."""
    area_m2 = math.pi / 4.0 * (limits["sieve_diameter_mm"] / 1000.0) ** 2
    coarse_um = standards.practice_rule("coarse_from").value
    per_mm = standards.practice_rule("load_limit_coarse").value
    for run, one in readings(study):
        coarse = one.aperture_um >= coarse_um
        per_area = per_mm * one.aperture_um / 1000.0 if coarse else limits["kg_per_m2"]
        limit_g = 1000.0 * per_area * area_m2
        if one.aperture_um > 0 and one.net_g > limit_g:
            says = f"the sieve holds {one.net_g:.4g} g, more than its load limit of {limit_g:.3g} g"
            yield Flag("overload", says, at(run, one), one.net_g, limit_g)


def over_capacity(study: Study, _: Limits) -> Flags:
    """Readings above the capacity of the balance."""
    for run, one in readings(study):
        capacity_g, mass = study.balances[run.balance].capacity_g, max(one.tare_g, one.gross_g)
        if capacity_g is not None and mass > capacity_g:
            says = f"reading {mass:.10g} g is above the capacity of balance {run.balance}"
            yield Flag("over_capacity", says, at(run, one), mass, capacity_g)


def finer_than_resolution(study: Study, _: Limits) -> Flags:
    """Readings that the display cannot have shown, where most it can."""
    for name, kind, every, finer in _by_balance(study):
        step = study.balances[name].resolution_g
        for run, one, mass in finer if 2 * len(finer) <= len(every) else ():
            says = f"{kind} {mass:.10g} g is not a multiple of the resolution of balance {name}"
            yield Flag("finer_than_resolution", says, at(run, one), mass, step)


def _by_balance(study: Study) -> Iterator[tuple[str, str, list[float], list[Weighed]]]:
    """Tares, then gross masses, of each balance, and those with their place between its steps."""
    for name, balance in study.balances.items():
        own, step = (
            [each for each in readings(study) if each[0].balance == name],
            balance.resolution_g,
        )
        for kind in ("tare", "gross"):
            every = [(run, one, getattr(one, f"{kind}_g")) for run, one in own]
            off = [abs(mass - step * round(mass / step)) for *_, mass in every]
            least = min(0.01 * step, 1.0 / _PER_G)
            finer = [one for one, far in zip(every, off, strict=True) if far > least]
            yield name, kind, [mass for *_, mass in every], finer


def resolution(study: Study, limits: Limits) -> Flags:
    """Resolutions that the tares, or the gross masses, of a balance contradict as a whole."""
    for name, kinds in groupby(_by_balance(study), key=itemgetter(0)):
        step_g, says = study.balances[name].resolution_g, list[str]()
        for _, kind, masses, finer in kinds:
            shown_g = math.gcd(*(round(mass * _PER_G) for mass in masses)) / _PER_G
            if 2 * len(finer) > len(masses):
                says.append(f"{len(finer)} of {len(masses)} {kind} masses show finer steps")
            elif 2 * len(masses) >= limits["readings"] and shown_g >= limits["steps"] * step_g:
                says.append(f"all {len(masses)} {kind} masses are multiples of {shown_g:g} g")
        if says:
            told = f"the resolution of balance {name} cannot be {step_g:g} g: {' and '.join(says)}"
            yield Flag("resolution", told, _settings(study), step_g)


def _settings(study: Study) -> Spot:
    """Where the settings of a study stand, if they have a file of their own."""
    return Spot(next((one.name for one in study.files if one.name.endswith(".toml")), None))


def density(study: Study, limits: Limits) -> Flags:
    """A density that no solid has, most often one in kg/m³."""
    value = study.density_g_per_cm3
    if value is None or limits["lowest"] <= value <= limits["highest"]:
        return
    low = value < limits["lowest"]
    limit = limits["lowest" if low else "highest"]
    says = f"the density, {value:g} g/cm³, is {'below' if low else 'above'} that of any solid "
    says += f"taken as meant ({limit:g} g/cm³)"
    unit, meant = ("g/mm³", value * 1000.0) if low else ("kg/m³", value / 1000.0)
    remedy = "Write density_g_per_cm3 in g/cm³"
    if limits["lowest"] <= meant <= limits["highest"]:
        remedy += f": {meant:g} if {value:g} is in {unit}"
    yield Flag("density", says, _settings(study), value, limit, remedy=f"{remedy}.")


def copied_run(study: Study, limits: Limits) -> Flags:
    """Runs that repeat another one reading for reading."""
    seen: dict[tuple[tuple[float, float], ...], Run] = {}
    for run in study.runs:
        first = seen.setdefault(tuple((one.aperture_um, one.gross_g) for one in run.readings), run)
        step_g = study.balances[run.balance].resolution_g
        loaded = sum(one.net_g >= _LOADED * step_g for one in run.readings)
        if first is not run and loaded >= limits["loaded"]:
            says = f"every loaded sieve weighs as in run {first.name}, {loaded} of them with powder"
            yield Flag("copied_run", says, at(run), loaded, limits["loaded"])


def sample_mass(study: Study, _: Limits) -> Flags:
    """Runs without the sample mass that others have."""
    says = "no sample mass is written, so loss of powder is not looked for"
    without = [run for run in study.runs if run.sample_mass_g is None]
    for run in without if len(without) < len(study.runs) else ():
        yield Flag("sample_mass", says, at(run), common=says)


def no_sample_mass(study: Study, _: Limits) -> Flags:
    """Studies without any sample mass."""
    if study.runs and all(run.sample_mass_g is None for run in study.runs):
        says = "no run has a sample mass, so loss of powder is not looked for"
        yield Flag("no_sample_mass", says)


def dominant_class(study: Study, limits: Limits) -> Flags:
    """A sieve that holds most of the powder, so that the curve has one step there."""
    for run in study.runs:
        total_g = run.total_g
        for one in run.readings:
            percent = 100.0 * one.net_g / total_g
            if one.aperture_um > 0 and percent > limits["percent"]:
                says = f"the sieve holds {percent:.3g} % of the powder"
                yield Flag("dominant_class", says, at(run, one), percent, limits["percent"])


def not_bracketed(study: Study, _: Limits) -> Flags:
    """Percentiles that no two sieves enclose."""
    for run in study.runs:
        sieves = [reading for reading in run.readings if reading.aperture_um > 0]
        finest = 1.0 - sum(reading.net_g for reading in sieves) / run.total_g
        coarsest = 1.0 - sieves[-1].net_g / run.total_g
        fine = [f"D{100 * level:.0f}" for level in _LEVELS if finest > level * (1.0 + 1e-9)]
        coarse = [f"D{100 * level:.0f}" for level in _LEVELS if coarsest < level * (1.0 - 1e-9)]
        for names, reading, side, share, place, sieve in (
            (fine, sieves[0], "below the finest sieve", finest, "in the pan", "finer"),
            (coarse, sieves[-1], "above the coarsest sieve", 1.0 - coarsest, "on the top sieve",
             "coarser"),
        ):  # fmt: skip
            if names:
                told = f"{', '.join(names)} {'lies' if len(names) == 1 else 'lie'} {side}"
                says = f"{told}: {100 * share:.3g} % of the powder is {place}"
                remedy = f"Add a {sieve} sieve; until then the size is an open interval."
                yield Flag(
                    "not_bracketed", says, at(run, reading), 100 * share, 10.0, told, remedy=remedy
                )


def end_point(study: Study, limits: Limits) -> Flags:
    """Sieves whose load still changed in a second shaking (USP <786>, from memory)."""
    small_share = standards.practice_rule("end_point_small_share").value / 100.0
    for run, one in readings(study):
        if one.gross_again_g is None or one.aperture_um == 0:
            continue
        net_g = max(one.net_g, 0.0)
        change_g = abs(one.gross_again_g - one.gross_g)
        small = net_g < small_share * run.total_g
        percent = limits["small_percent"] if small else limits["percent"]
        limit_g = max(percent / 100.0 * net_g, limits["mass_g"])
        if change_g > limit_g * (1.0 + 1e-9):
            says = f"the load changed by {change_g:.3g} g in the second shaking, more than "
            yield Flag("end_point", f"{says}{limit_g:.3g} g", at(run, one), change_g, limit_g)


def _apertures(run: Run) -> set[float]:
    return {reading.aperture_um for reading in run.readings}


def missing_sieve(study: Study, _: Limits) -> Flags:
    """Runs without an aperture that at least half of the group's other runs have."""
    members = Counter(run.group for run in study.runs)
    having = Counter((run.group, aperture) for run in study.runs for aperture in _apertures(run))
    stacks = sorted(having.items())
    for run in study.runs:
        own, others = _apertures(run), members[run.group] - 1
        for (group, aperture_um), count in stacks:
            if group == run.group and aperture_um not in own and 2 * count >= others:
                name = f"{aperture_um:.12g} µm"
                says = f"{name} is missing, which {count} of the group's {others} other runs have"
                yield Flag("missing_sieve", says, at(run, sieve=name), aperture_um)


def aperture_order(study: Study, _: Limits) -> Flags:
    """Runs whose sieves are written neither from coarse to fine nor from fine to coarse."""
    for run in study.runs:
        sieves = [reading for reading in run.readings if reading.aperture_um > 0]
        written = sorted(sieves, key=lambda reading: reading.place.row)
        if written in (sieves, sieves[::-1]):
            continue
        falls = [after.aperture_um < before.aperture_um for before, after in pairwise(written)]
        usual = 2 * sum(falls) >= len(falls)
        odd = written[1 + falls.index(not usual)]
        says = f"{odd.aperture_um:.12g} µm is out of order"
        yield Flag("aperture_order", says, at(run, odd), odd.aperture_um)


def off_series(study: Study, _: Limits) -> Flags:
    """Apertures between the limits of the standard table that are not in it."""
    standard = standards.nominal_apertures_um()
    for sieve in study.sieves.values():
        nominal = sieve.nominal_um
        if standard[0] <= nominal <= standard[-1] and nominal not in standard:
            nearest = min(standard, key=lambda known: abs(known - nominal))
            says = f"{nominal:.12g} µm is no standard aperture; the nearest is {nearest:.12g} µm"
            yield Flag("off_series", says, Spot(sieve=sieve.key), nominal, nearest)


def odd_aperture(study: Study, _: Limits) -> Flags:
    """One aperture of a whole group that no other has, where its neighbours are alike."""
    stacks: dict[str, list[set[float]]] = defaultdict(list)
    for run in study.runs:
        stacks[run.group].append(_apertures(run) - {0.0})
    standard = standards.nominal_apertures_um()
    for group, own in stacks.items():
        every, some = set.intersection(*own), set.union(*own)
        others = [set.intersection(*stacks[name]) for name in stacks if name != group]
        others = [one for one in others if 2 * len(one & every) >= len(every)]  # of one series
        usual = set.intersection(*others) - some if others else set()
        for odd_um in sorted(every.difference(*others)) if usual else ():
            beside = _neighbours(odd_um, every)
            meant = [one for one in usual if all(_neighbours(one, s) == beside for s in others)]
            if not (meant and any(beside) and (len(others) > 1 or odd_um not in standard)):
                continue
            says = f"group {group} has {odd_um:.12g} µm where the other groups have "
            says += f"{meant[0]:.12g} µm, between the same neighbours"
            for run, one in readings(study):
                if run.group == group and one.aperture_um == odd_um:
                    yield Flag("odd_aperture", says, at(run, one), odd_um, meant[0], says)


def _neighbours(aperture_um: float, stack: Iterable[float]) -> tuple[float, float]:
    """The next finer and the next coarser aperture of a stack; 0 where there is none."""
    finer = max((one for one in stack if one < aperture_um), default=0.0)
    return finer, min((one for one in stack if one > aperture_um), default=0.0)


def _used_sieves(study: Study) -> list[Sieve]:
    used = {reading.sieve for _, reading in readings(study)}
    return [sieve for sieve in study.sieves.values() if sieve.key in used]


def certificate_uncertainty(study: Study, limits: Limits) -> Flags:
    """Uncertainties of certificates that are too large or too small for the aperture."""
    for sieve in _used_sieves(study):
        nominal_um, stated_um = sieve.nominal_um, sieve.expanded_uncertainty_um
        kind, most = "U", limits["percent"] / 100.0 * nominal_um
        if sieve.effective_um is not None:
            kind, stated_um = "twice the u of the reference", 2.0 * (sieve.effective_u_um or 0.0)
        elif standards.FINEST_UM <= nominal_um <= standards.COARSEST_UM:
            tolerance_um = standards.tolerance_um(nominal_um, standard=sieve.standard)
            most = limits["tolerances"] * tolerance_um
        least = limits["least_percent"] / 100.0 * nominal_um
        if stated_um is None or least <= stated_um <= most:
            continue
        way, limit = ("above", most) if stated_um > most else ("below", least)
        says = f"{kind}, {stated_um:.4g} µm, is {way} what is plausible for {nominal_um:.12g} µm "
        says += f"({limit:.3g} µm)"
        yield Flag("certificate_uncertainty", says, Spot(sieve=sieve.key), stated_um, limit)


def certificate(study: Study, _: Limits) -> Flags:
    """Certified apertures outside the tolerance, and sieves about whose mesh nothing is known."""
    for sieve in _used_sieves(study):
        spot, nominal_um, certified_um = Spot(sieve=sieve.key), sieve.nominal_um, sieve.certified_um
        if nominal_um < standards.FINEST_UM and not sieve.is_certified:
            says = f"no standard tolerance covers {nominal_um:.12g} µm and there is no certificate"
            remedy = "Give the certified aperture and its expanded uncertainty in the sieve table."
            yield Flag("certificate", says, spot, nominal_um, standards.FINEST_UM, remedy=remedy)
        if nominal_um < standards.FINEST_UM or certified_um is None:
            continue
        limit_um = standards.tolerance_um(nominal_um, standard=sieve.standard)
        deviation_um = certified_um - nominal_um
        if abs(deviation_um) > limit_um:
            says = f"the certified aperture {certified_um:.12g} µm differs from the nominal "
            says += f"{nominal_um:.12g} µm by more than {sieve.standard} allows ({limit_um:.3g} µm)"
            remedy = "Look at the certificate; if it is right, the sieve is worn or is another one."
            yield Flag("certificate", says, spot, deviation_um, limit_um, remedy=remedy)


def charge(study: Study, _: Limits) -> Flags:
    """Charges in two groups, of two ball ratios, sampled twice at a time, and runs without one."""
    by_charge: dict[str | None, list[Run]] = defaultdict(list)
    for run in study.runs:
        by_charge[run.charge].append(run)
    nameless = by_charge.pop(None, [])
    for run in nameless if by_charge else ():
        says = "the run names no charge, which other runs do: it counts as one of its own"
        yield Flag("charge", says, at(run), remedy="Write which filling it was sampled from.")
    for name, runs in by_charge.items():
        yield from _charge(name, runs)


def _charge(name: str | None, runs: list[Run]) -> Flags:
    """What is odd about one charge; the first run that differs from the first is named."""
    own = "If these are two fillings of the jar, give each a name of its own"
    first = runs[0]
    if run := next((one for one in runs if one.group != first.group), None):
        says = f"charge {name} is in group {first.group} and in group {run.group}"
        remedy = f"{own}; if one was divided between the groups, nothing needs to be done."
        yield Flag("charge", says, at(run), remedy=remedy)
    for run in (one for one in runs if one.group == first.group):
        ratio, other = (one.factors.get(BALL_RATIO) for one in (first, run))
        if ratio != other:
            levels = [f"{one:g}" if isinstance(one, float) else one for one in (ratio, other)]
            says = f"charge {name} has ball ratio {levels[0]} in run {first.name} and {levels[1]} "
            yield Flag("charge", f"{says}here", at(run), remedy=f"{own}.")
            break
    samples: dict[tuple[str, float], Run] = {}
    for run in runs:
        taken = samples.setdefault((run.group, run.milling_time_min), run)
        if taken is not run and (run.split is None or taken.sample != run.sample):
            says = f"charge {name} was sampled at {run.milling_time_min:g} min in run {taken.name} "
            remedy = f"{own}; if one sample was divided, number its parts in a column split."
            yield Flag("charge", f"{says}and here again", at(run), remedy=remedy)
            break


_CHECKS: tuple[Callable[[Study, Limits], Flags], ...] = (
    *LABEL_CHECKS, density, resolution, copied_run, sample_mass, no_sample_mass, negative_net,
    missing_sieve, odd_aperture, aperture_order, off_series, certificate, certificate_uncertainty,
    overload, over_capacity, finer_than_resolution, mass_balance, dominant_class, not_bracketed,
    end_point, charge, *TARE_CHECKS,
)  # fmt: skip


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

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> report = psdstats.check_study(study)
    >>> report.exit_code, [str(flag.severity) for flag in report.flags]
    (0, ['note', 'note'])
    """
    return report_with(study, ())


def report_with(study: Study, unreadable: Iterable[Flag]) -> CheckReport:
    """Run every check on the runs that can be evaluated; what cannot be read stands first."""
    stopping = list(stopping_flags(study))
    stopped = {flag.spot.run for flag in stopping if flag.doubts}
    sound = replace(study, runs=tuple(run for run in study.runs if run.name not in stopped))
    limits = {name: limits_of(study, name) for name in CHECKS}
    found = [*unreadable, *stopping]
    for check in _CHECKS:
        own = limits[check.__name__]
        found += [] if own is None else check(sound, own)
    found += [flag for flag in tare_flags(sound) if limits[flag.check] is not None]
    rank = list(Severity)
    return CheckReport(
        flags=tuple(sorted(found, key=lambda flag: rank.index(flag.severity))),
        switched_off=tuple(name for name, own in limits.items() if own is None),
        title=study.title,
        files=study.files,
    )
