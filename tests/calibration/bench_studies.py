"""Clean studies for the calibration of the bench checks, written apart from `psdstats.simulate`.

Invented: log-normal powders that get finer with milling time, one charge a group and replicate
sampled at all times, sieved on one stack a group, weighed with noise and rounding.
"""

import math
from itertools import pairwise
from statistics import NormalDist
from types import MappingProxyType

import numpy as np

from psdstats.sieves import Sieve
from psdstats.study import Balance, Reading, Run, Study
from psdstats.study.records import Place

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
        replicate=str(replicate), charge=f"{group}-{replicate}", sample_mass_g=weigh(sample_g),
    )  # fmt: skip
    return run, row
