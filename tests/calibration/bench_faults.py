"""Faults to plant into a clean study, one for each bench check, and how large each is.

Each function takes a study, the number of a run and a generator, and returns the study with the
fault; None where it cannot be planted there.
"""

import dataclasses
import math
import unicodedata
from types import MappingProxyType

import numpy as np

from psdstats.sieves import tolerance_um
from psdstats.sieves.standards import practice_rule
from psdstats.study.runs import chord_um

SIZES = {
    "gross_below_tare": "tare and gross of the fullest sieve exchanged",
    "no_pan": "pan left out",
    "no_sieve": "pan alone",
    "repeated_sieve": "one row twice",
    "no_powder": "every net mass 0 g",
    "certified_order": "certified aperture beyond that of the next coarser sieve",
    "similar_names": "group of one run in another case, with a sign that shows nothing, in NFD",
    "mixed_levels": "5:1 in one group among numbers",
    "density": "a density of 0.9 to 8 g/cm³ in kg/m³ or g/mm³",
    "time_range": "one time of 60,000 min or more, or under 0.01 min",
    "time_unit": "times of one group in hours, three digits",
    "wrong_time": "times of two runs of a group exchanged, sizes a quarter apart or more",
    "resolution": "scale interval 1,000 times as large, or a hundredth",
    "copied_run": "a run with the readings of another one of its group",
    "sample_mass": "sample mass of one run left out",
    "no_sample_mass": "all sample masses left out",
    "odd_aperture": "one aperture of one group 5 % larger, two or more others alike",
    "certificate_uncertainty": "U of 1.1 to 5 tolerances, or in mm",
    "shared_sieve": "a sieve of one group under the name of another group's",
    "negative_net": "net mass of one scale step below zero",
    "missing_sieve": "one sieve left out of one run",
    "aperture_order": "two neighbouring rows exchanged",
    "off_series": "aperture 1 µm beside the standard one",
    "certificate": "certified aperture off by 1.2 tolerances",
    "overload": "fullest sieve at 1.05 of its load limit",
    "over_capacity": "sieves of 330 g and more on a balance for 300 g",
    "finer_than_resolution": "a reading 0.3 scale steps off",
    "mass_balance": "10 to 11 % lost or 5 to 6 % too much",
    "dominant_class": "55 % on one sieve",
    "not_bracketed": "12 % in the pan or on the top sieve",
    "end_point": "6 % and 0.1 g moved in the second shaking",
    "charge": "one run with the charge of another, or with none",
    "tare_scatter": "tares of a whole balance scatter by 30 scale intervals",
    "tare_drift": "residue of 10 standard uncertainties of a reading (0.1 g with d = s_r = 0.01 g)",
    "swapped_sieves": "two sieves exchanged in the last run",
}


def plant(check, study, index, rng):
    """The study with the fault that a check is for; None where this study has no place for it."""
    return globals()[f"plant_{check}"](study, index, rng)


def with_run(study, index, **changes):
    runs = list(study.runs)
    runs[index] = dataclasses.replace(runs[index], **changes)
    return dataclasses.replace(study, runs=tuple(runs))


def with_reading(study, index, number, **changes):
    readings = list(study.runs[index].readings)
    readings[number] = dataclasses.replace(readings[number], **changes)
    return with_run(study, index, readings=tuple(readings))


def with_nets(study, index, nets):
    readings = [
        dataclasses.replace(reading, gross_g=round(reading.tare_g + net, 6))
        for reading, net in zip(study.runs[index].readings, nets, strict=True)
    ]
    return with_run(study, index, readings=tuple(readings))


def with_balance(study, index, **changes):
    balance = dataclasses.replace(_balance(study, index), **changes)
    balances = {**study.balances, balance.name: balance}
    return dataclasses.replace(study, balances=MappingProxyType(balances))


def with_sieve(study, key, **changes):
    """The study with a sieve changed; its readings have its nominal aperture."""
    sieve = dataclasses.replace(study.sieves[key], **changes)

    def change(run):
        readings = [
            dataclasses.replace(one, aperture_um=sieve.nominal_um) if one.sieve == key else one
            for one in run.readings
        ]
        return dataclasses.replace(run, readings=readings)

    sieves = MappingProxyType({**study.sieves, key: sieve})
    return dataclasses.replace(study, sieves=sieves, runs=tuple(map(change, study.runs)))


def with_runs(study, change):
    """The study with every run replaced by what a function of it gives."""
    return dataclasses.replace(study, runs=tuple(map(change, study.runs)))


def _balance(study, index):
    return study.balances[study.runs[index].balance]


def _reading_u(study, index):
    """Standard uncertainty of one reading as the tare check takes it."""
    balance = _balance(study, index)
    least = practice_rule("least_repeatability").value * balance.resolution_g
    return math.hypot(balance.resolution_g / math.sqrt(12.0), max(balance.repeatability_g, least))


def _biggest(study, index):
    nets = [reading.net_g for reading in study.runs[index].readings]
    return int(np.argmax(nets[1:])) + 1


def plant_gross_below_tare(study, index, rng):
    number = _biggest(study, index)
    reading = study.runs[index].readings[number]
    return with_reading(study, index, number, tare_g=reading.gross_g, gross_g=reading.tare_g)


def plant_no_pan(study, index, rng):
    return with_run(study, index, readings=study.runs[index].readings[1:])


def plant_no_sieve(study, index, rng):
    return with_run(study, index, readings=study.runs[index].readings[:1])


def plant_repeated_sieve(study, index, rng):
    readings = study.runs[index].readings
    return with_run(study, index, readings=(*readings, readings[rng.integers(len(readings))]))


def plant_no_powder(study, index, rng):
    return with_nets(study, index, [0.0] * len(study.runs[index].readings))


def plant_negative_net(study, index, rng):
    reading = study.runs[index].readings[-1]
    return with_reading(
        study, index, -1, gross_g=round(reading.tare_g - _balance(study, index).resolution_g, 6)
    )


def plant_missing_sieve(study, index, rng):
    readings = list(study.runs[index].readings)
    del readings[rng.integers(1, len(readings))]
    return with_run(study, index, readings=tuple(readings))


def plant_aperture_order(study, index, rng):
    readings = list(study.runs[index].readings)
    first = int(rng.integers(2, len(readings) - 1))
    places = readings[first].place, readings[first + 1].place
    readings[first] = dataclasses.replace(readings[first], place=places[1])
    readings[first + 1] = dataclasses.replace(readings[first + 1], place=places[0])
    return with_run(study, index, readings=tuple(readings))


def plant_off_series(study, index, rng):
    key = study.runs[index].readings[2].sieve
    return with_sieve(study, key, nominal_um=study.sieves[key].nominal_um + 1.0)


def plant_certificate(study, index, rng):
    key = study.runs[index].readings[2].sieve
    nominal = study.sieves[key].nominal_um
    certified = nominal + 1.2 * tolerance_um(nominal)
    return with_sieve(study, key, certified_um=certified)


def plant_overload(study, index, rng):
    nets = [reading.net_g for reading in study.runs[index].readings]
    factor = 1.05 * 219.91 / max(nets[1:])  # 7 kg/m² on 200 mm is 219.91 g
    return with_nets(study, index, [factor * net for net in nets])


def plant_over_capacity(study, index, rng):
    return with_balance(study, index, capacity_g=300.0)


def plant_finer_than_resolution(study, index, rng):
    number = int(rng.integers(len(study.runs[index].readings)))
    reading, step_g = study.runs[index].readings[number], _balance(study, index).resolution_g
    return with_reading(study, index, number, gross_g=reading.gross_g + 0.3 * step_g)


def plant_mass_balance(study, index, rng):
    share = 0.90 if rng.random() < 0.5 else 1.06
    nets = [share * reading.net_g for reading in study.runs[index].readings]
    return with_nets(study, index, nets)


def plant_dominant_class(study, index, rng):
    nets = [reading.net_g for reading in study.runs[index].readings]
    total, number = sum(nets), _biggest(study, index)
    rest = total - nets[number]
    nets = [0.45 * total * net / rest for net in nets]
    nets[number] = 0.55 * total
    return with_nets(study, index, nets)


def plant_not_bracketed(study, index, rng):
    nets = [reading.net_g for reading in study.runs[index].readings]
    total, end = sum(nets), 0 if rng.random() < 0.5 else -1
    rest = total - nets[end]
    nets = [0.88 * total * net / rest for net in nets]
    nets[end] = 0.12 * total
    return with_nets(study, index, nets)


def plant_end_point(study, index, rng):
    number = _biggest(study, index)
    reading = study.runs[index].readings[number]
    moved = 0.06 * reading.net_g + 0.1
    return with_reading(study, index, number, gross_again_g=reading.gross_g - moved)


def plant_charge(study, index, rng):
    others = sorted({run.charge for run in study.runs} - {study.runs[index].charge})
    return with_run(study, index, charge=rng.choice([None, *others]))


def plant_tare_scatter(study, index, rng):
    balance = _balance(study, index)
    if study.tares == "once" or len(study.runs) < 6:
        return None

    def change(run):
        readings = []
        for one in run.readings:
            moved = (
                round(rng.normal(0.0, 30.0)) * balance.resolution_g * (run.balance == balance.name)
            )
            masses = {name: round(getattr(one, name) + moved, 6) for name in ("tare_g", "gross_g")}
            readings.append(dataclasses.replace(one, **masses))
        return dataclasses.replace(run, readings=tuple(readings))

    return with_runs(study, change)


def plant_tare_drift(study, index, rng):
    index = len(study.runs) - 1
    if _balance(study, index).repeatability_g == 0.0:  # then the size in units of it is unknown
        return None
    if study.tares == "once":
        return None
    number = int(rng.integers(len(study.runs[index].readings)))
    reading = study.runs[index].readings[number]
    residue = 10.0 * _reading_u(study, index)
    return with_reading(study, index, number, tare_g=reading.tare_g + residue)


def plant_swapped_sieves(study, index, rng):
    if study.tares == "once":
        return None
    index = len(study.runs) - 1
    readings = study.runs[index].readings
    first, second = rng.choice(len(readings), 2, replace=False)
    tares = readings[first].tare_g, readings[second].tare_g
    study = with_reading(study, index, first, tare_g=tares[1])
    readings = study.runs[index].readings
    wide = 10.0 * _reading_u(study, index)
    if abs(tares[0] - tares[1]) < wide:  # frames of nearly one weight cannot be told apart
        return None
    shift = tares[1] - tares[0]
    study = with_reading(study, index, first, gross_g=readings[first].gross_g + shift)
    return with_reading(
        study, index, second, tare_g=tares[0], gross_g=readings[second].gross_g - shift
    )


def plant_certified_order(study, index, rng):
    readings = study.runs[index].readings
    number = int(rng.integers(1, len(readings) - 1))
    above = study.sieves[readings[number + 1].sieve].best_um
    return with_sieve(study, readings[number].sieve, certified_um=above * rng.uniform(1.0, 1.5))


def plant_similar_names(study, index, rng):
    name = study.runs[index].group
    ways = [name.swapcase(), f"{name[:1]}\u200b{name[1:]}", f"{name[:-1]}\u00ad{name[-1:]}"]
    ways += [unicodedata.normalize("NFD", name), name.replace(" ", "  ")]
    ways = [one for one in ways if one != name]
    if sum(run.group == name for run in study.runs) == 1:
        return None
    return with_run(study, index, group=str(rng.choice(ways)))


def plant_mixed_levels(study, index, rng):
    group = study.runs[index].group
    if all(run.group == group for run in study.runs):
        return None
    return with_runs(study, lambda run: dataclasses.replace(
        run, factors={"ball_ratio": "5:1" if run.group == group else "10"}
    ))  # fmt: skip


def plant_density(study, index, rng):
    value = (study.density_g_per_cm3 or 2.7) * float(rng.choice([1000.0, 0.001]))
    return dataclasses.replace(study, density_g_per_cm3=value)


def plant_time_range(study, index, rng):
    minutes = rng.uniform(6e4, 9e5) if rng.random() < 0.5 else rng.uniform(1e-4, 9e-3)
    return with_run(study, index, milling_time_min=float(minutes))


def plant_time_unit(study, index, rng):
    group = study.runs[index].group
    own = {run.milling_time_min for run in study.runs if run.group == group} - {0.0}
    if all(run.group == group for run in study.runs) or len(own) < 2:
        return None
    return with_runs(study, lambda run: run if run.group != group else dataclasses.replace(
        run, milling_time_min=float(f"{run.milling_time_min / 60.0:.3g}")
    ))  # fmt: skip


def plant_wrong_time(study, index, rng):
    own = study.runs[index]
    alike = [run for run in study.runs if run.group == own.group]
    times = sorted({run.milling_time_min for run in alike})
    if len(alike) == len(study.runs) or len(study.runs) < 8:  # others tell what a time gives
        return None
    sizes = {run.name: chord_um(run, 0.5) for run in alike}
    other = max(alike, key=lambda run: abs(math.log(sizes[run.name] / sizes[own.name])))
    if not 0.25 < abs(math.log(sizes[other.name] / sizes[own.name])) < math.inf or len(times) < 3:
        return None
    study = with_run(study, index, milling_time_min=other.milling_time_min)
    place = next(number for number, run in enumerate(study.runs) if run.name == other.name)
    return with_run(study, place, milling_time_min=own.milling_time_min)


def plant_resolution(study, index, rng):
    factor = float(rng.choice([1000.0, 0.01]))
    return with_balance(study, index, resolution_g=factor * _balance(study, index).resolution_g)


def plant_copied_run(study, index, rng):
    alike = [run for run in study.runs if run.group == study.runs[index].group]
    alike = [run for run in alike if run is not study.runs[index]]
    return with_run(study, index, readings=alike[rng.integers(len(alike))].readings)


def plant_sample_mass(study, index, rng):
    return with_run(study, index, sample_mass_g=None)


def plant_no_sample_mass(study, index, rng):
    return with_runs(study, lambda run: dataclasses.replace(run, sample_mass_g=None))


def plant_odd_aperture(study, index, rng):
    own = study.runs[index]
    stacks = {run.group: tuple(one.aperture_um for one in run.readings) for run in study.runs}
    shared = len({one.sieve for run in study.runs for one in run.readings[1:]})
    if len(stacks) < 3 or len(set(stacks.values())) > 1 or shared < 2 * len(own.readings):
        return None
    odd = own.readings[rng.integers(1, len(own.readings))]
    wrong = float(round(1.05 * odd.aperture_um))
    return with_sieve(study, odd.sieve, nominal_um=wrong)


def plant_certificate_uncertainty(study, index, rng):
    readings = study.runs[index].readings
    sieve = study.sieves[readings[rng.integers(1, len(readings))].sieve]
    limit = tolerance_um(sieve.nominal_um)
    stated = rng.uniform(1.1, 5.0) * limit if rng.random() < 0.5 else 0.3 * limit / 1000.0
    return with_sieve(study, sieve.key, certified_um=sieve.best_um, expanded_uncertainty_um=stated)


def plant_shared_sieve(study, index, rng):
    own = study.runs[index]
    number = int(rng.integers(1, len(own.readings)))
    odd = own.readings[number]
    names = {one.sieve for run in study.runs if run.group != own.group for one in run.readings
             if one.aperture_um == odd.aperture_um}  # fmt: skip
    if not names or odd.sieve in names or study.tares == "once":
        return None
    name = sorted(names)[0]

    def change(run):
        readings = tuple(
            dataclasses.replace(one, sieve=name) if one.sieve == odd.sieve else one
            for one in run.readings
        )
        return dataclasses.replace(run, readings=readings)

    return with_runs(study, change)
