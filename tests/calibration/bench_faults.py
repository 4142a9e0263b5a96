"""Faults to plant into a clean study, one for each bench check, and how large each is.

Each function takes a study, the number of a run and a generator, and returns the study with the
fault; None where it cannot be planted there.
"""

import dataclasses
import math
from types import MappingProxyType

import numpy as np

from psdstats.sieves import tolerance_um
from psdstats.sieves.standards import practice_rule

SIZES = {
    "gross_below_tare": "tare and gross of the fullest sieve exchanged",
    "no_pan": "pan left out",
    "no_sieve": "pan alone",
    "repeated_sieve": "one row twice",
    "no_powder": "every net mass 0 g",
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


def _step(study):
    return study.balances["bench"].resolution_g


def _reading_u(study):
    """Standard uncertainty of one reading as the tare check takes it."""
    balance = study.balances["bench"]
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
    return with_reading(study, index, -1, gross_g=round(reading.tare_g - _step(study), 6))


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
    sieve = dataclasses.replace(study.sieves[key], nominal_um=study.sieves[key].nominal_um + 1.0)
    return dataclasses.replace(study, sieves=MappingProxyType({**study.sieves, key: sieve}))


def plant_certificate(study, index, rng):
    key = study.runs[index].readings[2].sieve
    nominal = study.sieves[key].nominal_um
    certified = nominal + 1.2 * tolerance_um(nominal)
    sieve = dataclasses.replace(study.sieves[key], certified_um=certified)
    return dataclasses.replace(study, sieves=MappingProxyType({**study.sieves, key: sieve}))


def plant_overload(study, index, rng):
    nets = [reading.net_g for reading in study.runs[index].readings]
    factor = 1.05 * 219.91 / max(nets[1:])  # 7 kg/m² on 200 mm is 219.91 g
    return with_nets(study, index, [factor * net for net in nets])


def plant_over_capacity(study, index, rng):
    balance = dataclasses.replace(study.balances["bench"], capacity_g=300.0)
    return dataclasses.replace(study, balances=MappingProxyType({"bench": balance}))


def plant_finer_than_resolution(study, index, rng):
    number = int(rng.integers(len(study.runs[index].readings)))
    reading = study.runs[index].readings[number]
    return with_reading(study, index, number, gross_g=reading.gross_g + 0.3 * _step(study))


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


def plant_tare_drift(study, index, rng):
    if study.balances["bench"].repeatability_g == 0.0:  # then the size in units of it is unknown
        return None
    index = len(study.runs) - 1
    number = int(rng.integers(len(study.runs[index].readings)))
    reading = study.runs[index].readings[number]
    residue = 10.0 * _reading_u(study)
    return with_reading(study, index, number, tare_g=reading.tare_g + residue)


def plant_swapped_sieves(study, index, rng):
    index = len(study.runs) - 1
    readings = study.runs[index].readings
    first, second = rng.choice(len(readings), 2, replace=False)
    tares = readings[first].tare_g, readings[second].tare_g
    study = with_reading(study, index, first, tare_g=tares[1])
    readings = study.runs[index].readings
    wide = 10.0 * _reading_u(study)
    if abs(tares[0] - tares[1]) < wide:  # frames of nearly one weight cannot be told apart
        return None
    shift = tares[1] - tares[0]
    study = with_reading(study, index, first, gross_g=readings[first].gross_g + shift)
    return with_reading(
        study, index, second, tare_g=tares[0], gross_g=readings[second].gross_g - shift
    )
