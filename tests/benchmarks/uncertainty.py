"""Speed of the uncertainty engine as ratios within one run.

    python tests/benchmarks/uncertainty.py

prints them.  The other sides, measured in turn with the engine on the same machine: the random
numbers alone (one of each input, same generators, same kinds, same chunks), and a plain loop over
draws with `np.interp`.  By the law of the curves the engine makes fewer: normal inputs of a run
that act on the same places are drawn together.  Times are processor time, the ratio is the median
over interleaved rounds.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable, Sequence
from statistics import median

import numpy as np

from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study
from psdstats.uncertainty.draws import (
    DrawPlan,
    draw_blocks,
    fill,
    keyed_generator,
    make_plan,
)
from psdstats.uncertainty.engine import Drawing, propagate
from psdstats.uncertainty.inputs import Kind
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.linear import percentile_jacobian

LEVELS = np.array([0.1, 0.5, 0.9])
APERTURES_UM = (0, 45, 63, 90, 125, 180, 250, 355, 500)
SHARES = np.array([0.035, 0.045, 0.12, 0.19, 0.235, 0.19, 0.125, 0.045, 0.015])
BLOCK, CHUNK = 10_000, 5_000


def make_study(n_runs: int, rule: str | None = None) -> Study:
    """Invented runs of 50 g on eight sieves and a pan, one stack, balance d = 0.01 g."""
    generator = np.random.default_rng(20261125)
    runs = []
    for number in range(n_runs):
        net = np.round(50 * SHARES * np.exp(0.03 * generator.standard_normal(9)), 2)
        readings = tuple(
            Reading(
                sieve=f"s{aperture}",
                aperture_um=float(aperture),
                tare_g=400.0 + place,
                gross_g=400.0 + place + mass,
                place=Place("weighings.csv", place + 2),
            )
            for place, (aperture, mass) in enumerate(zip(APERTURES_UM, net.tolist(), strict=True))
        )
        runs.append(
            Run(
                name=f"run-{number:04d}",
                group="alder",
                milling_time_min=0.0,
                readings=readings,
                balance="bench",
            )
        )
    return Study(
        title="invented",
        rule=rule,
        runs=tuple(runs),
        sieves={f"s{a}": Sieve(key=f"s{a}", nominal_um=float(a)) for a in APERTURES_UM[1:]},
        balances={"bench": Balance(name="bench", resolution_g=0.01, repeatability_g=0.005)},
    )


def plan_of(n_runs: int, rule: str | None = None) -> DrawPlan:
    """Draw plan with the default sources, by the law of the curves or by a rule."""
    ready = prepare(make_study(n_runs, rule))
    return make_plan(
        ready.on_sizes(),
        ready.arrays,
        rule=ready.sizes.rule,
        curve=None if ready.curves is None else ready.curves.curve,
        seed=1,
        coverage=0.95,
    )


def random_numbers(inputs: Sequence[tuple[Kind, float]], draws: int) -> None:
    """Make a raw draw of every input, told by kind and shape, and nothing else."""
    out = np.empty(CHUNK)
    for stripe in range(-(-draws // (10 * BLOCK))):
        generators = [keyed_generator(1, place, stripe) for place in range(len(inputs))]
        for _ in range(min(draws, 10 * BLOCK) // CHUNK):
            for (kind, shape), generator in zip(inputs, generators, strict=True):
                fill(generator, kind, shape, out)


def inputs_of(n_runs: int, rule: str | None = None) -> list[tuple[Kind, float]]:
    """Kind and shape of every input of such runs."""
    table = prepare(make_study(n_runs, rule)).on_sizes()
    return list(zip(table.kind, table.shape, strict=True))


def made_by(plan: DrawPlan) -> list[tuple[Kind, float]]:
    """The same of the numbers that the engine makes."""
    streams = [*plan.shared, *(stream for run in plan.runs for stream in run.own)]
    return [(stream.kind, stream.shape) for stream in streams]


def draws_only(plan: DrawPlan, draws: int) -> None:
    """Joint draws of ln D10, ln D50, ln D90, without summaries."""
    for stripe in range(-(-draws // (10 * BLOCK))):
        for _ in draw_blocks(plan, stripe=stripe, block_draws=BLOCK):
            pass


def summaries(plan: DrawPlan, draws: int) -> None:
    """Draws with means, joint covariance of values and logarithms, and both intervals."""
    for _ in Drawing(coverage=plan.coverage, draws=draws).drawn(plan):
        pass


def plain_loop(draws: int) -> None:
    """One run, one draw at a time, with `np.interp`."""
    study = make_study(1)
    run = study.runs[0]
    tare = np.array([reading.tare_g for reading in run.readings])
    gross = np.array([reading.gross_g for reading in run.readings])
    aperture = np.array(APERTURES_UM[1:], dtype=float)
    half_width = 0.04 * aperture
    generator = np.random.default_rng(1)
    sizes = np.empty((draws, 4))
    for draw in range(draws):
        net = gross - tare
        net = net + generator.uniform(-0.005, 0.005, 9) - generator.uniform(-0.005, 0.005, 9)
        net = net + generator.normal(0, 0.005, 9) - generator.normal(0, 0.005, 9)
        shifted = aperture + generator.uniform(-half_width, half_width)
        undersize = np.cumsum(net)[:-1] / net.sum()
        d10, d50, d90 = np.exp(np.interp(LEVELS, undersize, np.log(shifted)))
        sizes[draw] = d10, d50, d90, (d90 - d10) / d50


def linear_batch(masses: np.ndarray, ln_aperture: np.ndarray) -> np.ndarray:
    """Derivatives and 3 × 3 covariance of ln D10, ln D50, ln D90 of every run of a batch."""
    found = percentile_jacobian(masses, ln_aperture, LEVELS)
    parts = ((3e-5, found.by_mass), (4e-4, found.by_ln_aperture))
    return sum(variance * part @ part.swapaxes(1, 2) for variance, part in parts)


def batch_of(n_runs: int) -> tuple[np.ndarray, np.ndarray]:
    """Net masses and ln apertures of invented runs."""
    generator = np.random.default_rng(1)
    masses = 50 * SHARES * np.exp(0.1 * generator.standard_normal((n_runs, 9)))
    return masses, np.log(np.repeat([APERTURES_UM[1:]], n_runs, axis=0).astype(float))


def seconds(work: Callable[[], object]) -> float:
    """Processor time of one call."""
    start = time.process_time()
    work()
    return time.process_time() - start


def ratio(work: Callable[[], object], other: Callable[[], object], rounds: int = 7) -> float:
    """Median over rounds of the time of one over the time of the other, measured in turn."""
    work()
    other()
    return median(seconds(work) / seconds(other) for _ in range(rounds))


def extra_memory_mb(draws: int, n_runs: int = 1) -> float:
    """Peak memory a propagation adds, in MB."""
    study = make_study(n_runs)
    propagate(study, draws=BLOCK)
    tracemalloc.start()
    propagate(study, draws=draws)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def main() -> None:
    """Print every ratio."""
    for rule in (None, "semilog"):
        one, forty = plan_of(1, rule), plan_of(40, rule)
        rows = [
            ("1 run, 1e6 draws: draws / random numbers", draws_only, one, 1_000_000),
            ("1 run, 1e6 draws: draws and intervals / random numbers", summaries, one, 1_000_000),
            ("40 runs, 1e5 draws: draws and intervals / random numbers", summaries, forty, 100_000),
        ]
        for label, work, plan, draws in rows:
            every, made = (
                ratio(
                    lambda w=work, p=plan, n=draws: w(p, n),
                    lambda i=inputs, n=draws: random_numbers(i, n),
                )
                for inputs in (inputs_of(len(plan.runs), rule), made_by(plan))
            )
            told = f"{every:.2f}, over those made: {made:.2f}"
            print(f"{rule or 'law of the curves'}, {label}: {told}")  # noqa: T201
    loop = ratio(lambda: plain_loop(2_000), lambda: summaries(one, 100_000)) * 50
    print(f"1 run: plain loop / draws and intervals: {loop:.0f}")  # noqa: T201
    batch = batch_of(1000)
    times = [seconds(lambda: [linear_batch(*batch) for _ in range(20)]) / 20 for _ in range(9)]
    print(f"linear batch of 1,000 runs: {1e3 * median(times):.2f} ms")  # noqa: T201
    for draws in (100_000, 1_000_000):
        print(f"extra memory, 1 run, {draws} draws: {extra_memory_mb(draws):.1f} MB")  # noqa: T201
    print(f"extra memory, 40 runs, 1e5 draws: {extra_memory_mb(100_000, 40):.1f} MB")  # noqa: T201


if __name__ == "__main__":
    main()
