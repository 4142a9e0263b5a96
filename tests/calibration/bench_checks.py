"""How often the bench checks cry wolf, and how often they find what they are for.

Clean studies are invented: log-normal powders that get finer with milling time, sieved on one
stack a group, weighed with noise and rounding.  The simulator here is written apart from
`psdstats.simulate`, so that the checks are not judged by the model they might share.

    python tests/calibration/bench_checks.py --out tests/calibration/results

writes bench_checks.csv (every figure) and bench_checks.md (with command, seed and date).
"""

import argparse
import dataclasses
import math
import time
from collections import Counter
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist
from types import MappingProxyType

import numpy as np

from psdstats.sieves import Sieve, practice_rule, tolerance_um
from psdstats.study import CHECKS, Balance, Place, Reading, Run, Study, check_study

SEED = 20261125
STACKS_UM = (
    (500.0, 355.0, 250.0, 180.0, 125.0, 90.0, 63.0, 45.0),
    (500.0, 355.0, 250.0, 180.0, 125.0, 90.0, 63.0, 45.0, 32.0),
    (600.0, 425.0, 300.0, 212.0, 150.0, 106.0, 75.0, 53.0, 45.0, 38.0),
)
NORMAL = NormalDist()


def clean_study(rng):
    """One study without a fault: 1-4 groups, 3-5 times, 1-2 replicates."""
    step_g = float(rng.choice([0.01, 0.1, 0.001], p=[0.7, 0.15, 0.15]))
    spread = float(rng.choice([0.0, 0.5, 1.0, 2.0]))
    stated = bool(rng.random() < 0.7)
    balance = Balance(
        name="bench", resolution_g=step_g, repeatability_g=spread * step_g if stated else 0.0
    )
    groups = ("Alder", "Birch", "Cedar", "Rowan")[: rng.integers(1, 5)]
    times = (0.0, 6.0, 12.0, 24.0, 48.0)[: rng.integers(3, 6)]
    replicates = int(rng.integers(1, 3))
    sieves, runs, row = {}, [], 2
    for group in groups:
        stack = STACKS_UM[rng.integers(len(STACKS_UM))]
        keys = [f"{group} {aperture:g}" for aperture in stack]
        for key, aperture in zip(keys, stack, strict=True):
            sieves[key] = Sieve(key=key, nominal_um=aperture)
        empty_g = rng.uniform(330.0, 420.0, len(stack) + 1)
        start_um = rng.uniform(150.0, 190.0)
        for minutes in times:
            for replicate in range(replicates):
                median_um = (
                    start_um * (1.0 + minutes / 12.0) ** -0.25 * math.exp(rng.normal(0, 0.02))
                )
                run, row = _run(
                    rng, group, minutes, replicate, stack, keys, empty_g, median_um,
                    step_g, spread * step_g, row,
                )  # fmt: skip
                runs.append(run)
    return Study(
        title="invented", runs=tuple(runs), sieves=MappingProxyType(sieves),
        balances=MappingProxyType({"bench": balance}),
    )  # fmt: skip


def _run(rng, group, minutes, replicate, stack, keys, empty_g, median_um, step_g, noise_g, row):
    def weigh(true_g):
        return round(float(np.round((true_g + rng.normal(0.0, noise_g)) / step_g)) * step_g, 6)

    spread = 0.62
    undersize = [NORMAL.cdf(math.log(aperture / median_um) / spread) for aperture in stack]
    edges = [1.0, *undersize, 0.0]
    sample_g = rng.uniform(40.0, 60.0)
    kept_g = sample_g * (1.0 - rng.uniform(0.0, 0.01))
    nets = [kept_g * (above - below) for above, below in pairwise(edges)]
    names, sizes = [*keys, f"{group} pan"], [*stack, 0.0]
    readings = []
    for name, aperture, tare_g, net_g in zip(names, sizes, empty_g, nets, strict=True):
        place = Place("weighings.csv", row)
        row += 1
        readings.append(
            Reading(sieve=name, aperture_um=aperture, tare_g=weigh(tare_g),
                    gross_g=weigh(tare_g + net_g), place=place)
        )  # fmt: skip
    run = Run(
        name=f"{group}-{minutes:g}-{replicate}", group=group, milling_time_min=minutes,
        readings=tuple(sorted(readings, key=lambda each: each.aperture_um)), balance="bench",
        replicate=str(replicate), sample_mass_g=weigh(sample_g),
    )  # fmt: skip
    return run, row


def _with_run(study, index, **changes):
    runs = list(study.runs)
    runs[index] = dataclasses.replace(runs[index], **changes)
    return dataclasses.replace(study, runs=tuple(runs))


def _with_reading(study, index, number, **changes):
    readings = list(study.runs[index].readings)
    readings[number] = dataclasses.replace(readings[number], **changes)
    return _with_run(study, index, readings=tuple(readings))


def _with_nets(study, index, nets):
    readings = [
        dataclasses.replace(reading, gross_g=round(reading.tare_g + net, 6))
        for reading, net in zip(study.runs[index].readings, nets, strict=True)
    ]
    return _with_run(study, index, readings=tuple(readings))


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
    return _with_reading(study, index, number, tare_g=reading.gross_g, gross_g=reading.tare_g)


def plant_no_pan(study, index, rng):
    return _with_run(study, index, readings=study.runs[index].readings[1:])


def plant_no_sieve(study, index, rng):
    return _with_run(study, index, readings=study.runs[index].readings[:1])


def plant_repeated_sieve(study, index, rng):
    readings = study.runs[index].readings
    return _with_run(study, index, readings=(*readings, readings[rng.integers(len(readings))]))


def plant_no_powder(study, index, rng):
    return _with_nets(study, index, [0.0] * len(study.runs[index].readings))


def plant_negative_net(study, index, rng):
    reading = study.runs[index].readings[-1]
    return _with_reading(study, index, -1, gross_g=round(reading.tare_g - _step(study), 6))


def plant_missing_sieve(study, index, rng):
    readings = list(study.runs[index].readings)
    del readings[rng.integers(1, len(readings))]
    return _with_run(study, index, readings=tuple(readings))


def plant_aperture_order(study, index, rng):
    readings = list(study.runs[index].readings)
    first = int(rng.integers(2, len(readings) - 1))
    places = readings[first].place, readings[first + 1].place
    readings[first] = dataclasses.replace(readings[first], place=places[1])
    readings[first + 1] = dataclasses.replace(readings[first + 1], place=places[0])
    return _with_run(study, index, readings=tuple(readings))


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
    return _with_nets(study, index, [factor * net for net in nets])


def plant_over_capacity(study, index, rng):
    balance = dataclasses.replace(study.balances["bench"], capacity_g=300.0)
    return dataclasses.replace(study, balances=MappingProxyType({"bench": balance}))


def plant_finer_than_resolution(study, index, rng):
    number = int(rng.integers(len(study.runs[index].readings)))
    reading = study.runs[index].readings[number]
    return _with_reading(study, index, number, gross_g=reading.gross_g + 0.3 * _step(study))


def plant_mass_balance(study, index, rng):
    share = 0.90 if rng.random() < 0.5 else 1.06
    nets = [share * reading.net_g for reading in study.runs[index].readings]
    return _with_nets(study, index, nets)


def plant_dominant_class(study, index, rng):
    nets = [reading.net_g for reading in study.runs[index].readings]
    total, number = sum(nets), _biggest(study, index)
    rest = total - nets[number]
    nets = [0.45 * total * net / rest for net in nets]
    nets[number] = 0.55 * total
    return _with_nets(study, index, nets)


def plant_not_bracketed(study, index, rng):
    nets = [reading.net_g for reading in study.runs[index].readings]
    total, end = sum(nets), 0 if rng.random() < 0.5 else -1
    rest = total - nets[end]
    nets = [0.88 * total * net / rest for net in nets]
    nets[end] = 0.12 * total
    return _with_nets(study, index, nets)


def plant_end_point(study, index, rng):
    number = _biggest(study, index)
    reading = study.runs[index].readings[number]
    moved = 0.06 * reading.net_g + 0.1
    return _with_reading(study, index, number, gross_again_g=reading.gross_g - moved)


def plant_tare_drift(study, index, rng):
    if study.balances["bench"].repeatability_g == 0.0:  # then the size in units of it is unknown
        return None
    index = len(study.runs) - 1
    number = int(rng.integers(len(study.runs[index].readings)))
    reading = study.runs[index].readings[number]
    residue = 10.0 * _reading_u(study)
    return _with_reading(study, index, number, tare_g=reading.tare_g + residue)


def plant_swapped_sieves(study, index, rng):
    index = len(study.runs) - 1
    readings = study.runs[index].readings
    first, second = rng.choice(len(readings), 2, replace=False)
    tares = readings[first].tare_g, readings[second].tare_g
    study = _with_reading(study, index, first, tare_g=tares[1])
    readings = study.runs[index].readings
    wide = 10.0 * _reading_u(study)
    if abs(tares[0] - tares[1]) < wide:  # frames of nearly one weight cannot be told apart
        return None
    shift = tares[1] - tares[0]
    study = _with_reading(study, index, first, gross_g=readings[first].gross_g + shift)
    return _with_reading(
        study, index, second, tare_g=tares[0], gross_g=readings[second].gross_g - shift
    )


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
    "tare_drift": "residue of 10 standard uncertainties of a reading (0.1 g with d = s_r = 0.01 g)",
    "swapped_sieves": "two sieves exchanged in the last run",
}


def false_alarms(number, rng):
    """Findings in clean studies: share of studies with a warning or an error, and by check."""
    with_warning, by_check = 0, Counter()
    for _ in range(number):
        report = check_study(clean_study(rng))
        warned = {each.check for each in report.findings if each.severity != "note"}
        with_warning += bool(warned)
        by_check.update(warned)
    return with_warning, by_check


def found(check, number, rng):
    """How many of so many planted faults the check finds."""
    plant = globals()[f"plant_{check}"]
    hits = tried = 0
    while tried < number:
        study = clean_study(rng)
        planted = plant(study, int(rng.integers(len(study.runs))), rng)
        if planted is None:
            continue
        tried += 1
        hits += any(each.check == check for each in check_study(planted).findings)
    return hits


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--clean", type=int, default=500)
    parser.add_argument("--planted", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    start = time.perf_counter()
    rng = np.random.default_rng(options.seed)
    warned, by_check = false_alarms(options.clean, rng)
    rows = [("clean studies with a warning", "no fault", warned, options.clean)]
    rows += [
        (check, SIZES[check], found(check, options.planted, rng), options.planted)
        for check in CHECKS
    ]
    options.out.mkdir(parents=True, exist_ok=True)
    lines = ["what,size,count,of,percent,monte_carlo_error_percent"]
    table = ["| what | planted size | count | share | Monte Carlo error |", "|---|---|---|---|---|"]
    for what, size, count, of in rows:
        share = count / of
        error = 100.0 * math.sqrt(max(share * (1.0 - share), 1.0 / of) / of)
        lines.append(f'{what},"{size}",{count},{of},{100 * share:.2f},{error:.2f}')
        table.append(f"| {what} | {size} | {count} of {of} | {100 * share:.1f} % | {error:.1f} % |")
    (options.out / "bench_checks.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    alarms = ", ".join(f"{name} {count}" for name, count in by_check.items()) or "none"
    text = (
        "# Bench checks: false alarms and planted faults\n\n"
        "Clean studies and faults are invented (see the script). Wanted: under 5 % of clean "
        "studies with a warning, at least 95 % of planted faults found.\n\n"
        + "\n".join(table)
        + f"\n\nWarnings in clean studies by check: {alarms}.\n\n"
        f"Command: `python tests/calibration/bench_checks.py --out tests/calibration/results "
        f"--clean {options.clean} --planted {options.planted} --seed {options.seed}`; "
        f"2026-11-25; {time.perf_counter() - start:.0f} s on one core.\n"
    )
    (options.out / "bench_checks.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
