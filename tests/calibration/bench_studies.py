"""Clean studies for the calibration of the bench checks, written apart from `psdstats.simulate`.

Invented: log-normal powders that get finer with milling time, one charge a group and replicate
sampled at all times, weighed with noise and rounding.  They differ in what laboratories do
differently: names, times, one stack for all groups or one each, certificates, one balance or two,
balances of stated and unstated repeatability, tares weighed once, further factors in words and in
numbers, groups that end earlier, lack a coarse sieve or have one more in the middle.
"""

import math
from itertools import pairwise
from statistics import NormalDist
from types import MappingProxyType

import numpy as np

from psdstats.sieves import Sieve, tolerance_um
from psdstats.study import Balance, Reading, Run, Study, TareHandling
from psdstats.study.records import Place

STACKS_UM = (
    (500.0, 355.0, 250.0, 180.0, 125.0, 90.0, 63.0, 45.0),
    (500.0, 355.0, 250.0, 180.0, 125.0, 90.0, 63.0, 45.0, 32.0),
    (600.0, 425.0, 300.0, 212.0, 150.0, 106.0, 75.0, 53.0, 45.0, 38.0),
)
GROUPS = (
    ("Alder", "Birch", "Cedar", "Rowan"),
    ("Op A", "Op B", "Op C", "Op D"),
    ("1", "2", "11", "12"),
    ("Mühle Ost", "Mühle West", "Mühle Süd", "Mühle Nord"),
    ("day", "Day 2", "night", "Night 2"),
)
TIMES_MIN = (
    (0.0, 6.0, 12.0, 24.0, 48.0),
    (0.0, 5.0, 10.0, 20.0, 40.0),
    (0.0, 1.0, 4.0, 15.0, 60.0),
    (0.5, 2.0, 8.0, 30.0, 120.0),
)
NORMAL = NormalDist()


class Bench:
    """How one study is done: its balances, and what the noise of a reading is on each."""

    def __init__(self, rng):
        self.rng = rng
        self.balances, self.noise_g = {}, {}
        for name in ("bench", "side")[: rng.integers(1, 3)]:
            step_g = float(rng.choice([0.01, 0.1, 0.001, 0.02], p=[0.6, 0.15, 0.15, 0.1]))
            spread = float(rng.choice([0.0, 0.5, 1.0, 2.0]))
            stated = bool(rng.random() < 0.7)
            self.balances[name] = Balance(
                name=name, resolution_g=step_g, repeatability_g=spread * step_g if stated else 0.0,
                linearity_g=2.0 * step_g if rng.random() < 0.5 else None,
            )  # fmt: skip
            self.noise_g[name] = spread * step_g

    def weigh(self, true_g, balance):
        """What the balance shows."""
        step_g = self.balances[balance].resolution_g
        shown = np.round((true_g + self.rng.normal(0.0, self.noise_g[balance])) / step_g) * step_g
        return round(float(shown), 6)


def clean_study(rng):
    """One study without a fault: 1-4 groups, 3-5 times, 1-2 replicates."""
    bench = Bench(rng)
    groups = GROUPS[rng.integers(len(GROUPS))][: rng.integers(1, 5)]
    times = TIMES_MIN[rng.integers(len(TIMES_MIN))][: rng.integers(3, 6)]
    replicates = int(rng.integers(1, 3))
    same, shared = rng.random() < 0.5, rng.random() < 0.2
    once = shared or rng.random() < 0.1  # a sieve that is weighed once is weighed on one balance
    stacks = [STACKS_UM[rng.integers(len(STACKS_UM))] for _ in groups]
    stacks = [stacks[0]] * len(groups) if same or shared else stacks
    if not shared:
        stacks = [_own_stack(rng, stack) for stack in stacks]
    ends = [len(times) - int(rng.random() < 0.2) for _ in groups]
    factors = _factors(rng, groups)
    sieves, runs, row, empty_g = {}, [], 2, {}
    for group, stack, end in zip(groups, stacks, ends, strict=True):
        owner = "lab" if shared else group
        keys = [f"{owner} {aperture:g}" for aperture in stack]
        for key, aperture in zip(keys, stack, strict=True):
            sieves.setdefault(key, _sieve(rng, key, aperture))
            empty_g.setdefault(key, rng.uniform(330.0, 420.0))
        empty_g[f"{group} pan"] = rng.uniform(330.0, 420.0)
        balance = str(rng.choice([*bench.balances])) if not once else "bench"
        start_um = rng.uniform(150.0, 190.0)
        for minutes in times[:end]:
            for replicate in range(replicates):
                median_um = (
                    start_um
                    * (1.0 + 2.5 * minutes / times[-1]) ** -0.25
                    * math.exp(rng.normal(0, 0.02))
                )
                run, row = _run(
                    bench, group, minutes, replicate, stack, keys, empty_g, median_um, balance,
                    factors[group], row,
                )  # fmt: skip
                runs.append(run)
    runs = _with_one_tare(runs) if once else runs
    used = {run.balance for run in runs}
    return Study(
        title="invented", runs=tuple(runs), sieves=MappingProxyType(sieves),
        balances={name: one for name, one in bench.balances.items() if name in used},
        density_g_per_cm3=None if rng.random() < 0.3 else float(rng.uniform(0.9, 8.0)),
        tares=TareHandling.ONCE if once else TareHandling.EACH_RUN,
    )  # fmt: skip


def _own_stack(rng, stack):
    """The stack of a group: as the others', or without its second sieve, or with one more."""
    way = rng.random()
    if way < 0.1:
        return (stack[0], *stack[2:])
    return tuple(sorted({*stack, 80.0}, reverse=True)) if way < 0.2 else stack


def _factors(rng, groups):
    """Further columns of the run table, by group: numbers or words, or both kinds of column."""
    known = {
        "ball_ratio": lambda place: 5.0 * (1 + place % 2),
        "operator": lambda place: ("A. N.", "B. O.")[place % 2],
        "mill": lambda place: ("Mill 1", "Mill 2", "Mill 11", "mill room")[place % 4],
    }
    chosen = [name for name in known if rng.random() < 0.3]
    return {
        group: {name: known[name](place) for name in chosen} for place, group in enumerate(groups)
    }


def _sieve(rng, key, aperture):
    """A sieve with a certificate or without; its mesh is within the tolerance."""
    if rng.random() < 0.5:
        return Sieve(key=key, nominal_um=aperture)
    limit_um = tolerance_um(aperture)
    return Sieve(
        key=key, nominal_um=aperture, certified_um=aperture + rng.uniform(-0.6, 0.6) * limit_um,
        expanded_uncertainty_um=rng.uniform(0.1, 0.5) * limit_um,
    )  # fmt: skip


def _with_one_tare(runs):
    """The same runs, every sieve with the tare of its first weighing."""
    first, again = {}, []
    for run in runs:
        readings = []
        for one in run.readings:
            tare_g = first.setdefault(one.sieve, one.tare_g)
            gross_g = round(one.gross_g + tare_g - one.tare_g, 6)
            readings.append(_like(one, tare_g, gross_g))
        again.append(_run_like(run, tuple(readings)))
    return again


def _like(one, tare_g, gross_g):
    return Reading(sieve=one.sieve, aperture_um=one.aperture_um, tare_g=tare_g, gross_g=gross_g,
                   place=one.place)  # fmt: skip


def _run_like(run, readings):
    fields = {name: getattr(run, name) for name in run.__dataclass_fields__}
    return Run(**{**fields, "readings": readings})


def _run(
    bench, group, minutes, replicate, stack, keys, empty_g, median_um, balance, factors, row
):  # fmt: skip
    spread, rng = 0.62, bench.rng
    undersize = [NORMAL.cdf(math.log(aperture / median_um) / spread) for aperture in stack]
    edges = [1.0, *undersize, 0.0]
    sample_g = rng.uniform(40.0, 60.0)
    kept_g = sample_g * (1.0 - rng.uniform(0.0, 0.01))
    nets = [kept_g * (above - below) for above, below in pairwise(edges)]
    names, sizes = [*keys, f"{group} pan"], [*stack, 0.0]
    readings = []
    for name, aperture, net_g in zip(names, sizes, nets, strict=True):
        place = Place("weighings.csv", row)
        row += 1
        tare_g = empty_g[name]
        readings.append(
            Reading(sieve=name, aperture_um=aperture, tare_g=bench.weigh(tare_g, balance),
                    gross_g=bench.weigh(tare_g + net_g, balance), place=place)
        )  # fmt: skip
    run = Run(
        name=f"{group}-{minutes:g}-{replicate}", group=group, milling_time_min=minutes,
        readings=tuple(sorted(readings, key=lambda each: each.aperture_um)), balance=balance,
        replicate=str(replicate), charge=f"{group}-{replicate}",
        sample_mass_g=bench.weigh(sample_g, balance), factors=factors,
    )  # fmt: skip
    return run, row
