"""Coverage of the 95 % interval of the time effect: whole studies, simulated and judged.

Every trial is milled, sampled, sieved and weighed by `psdstats.simulate`, its measurement
covariance comes from `psdstats.uncertainty.propagate`, and ln D50 goes into a `MixedModel` with
that covariance as its known part.  The truth is the mean over benches, runs and sieves of
ln D50(last time) − ln D50(first time), D50 by the rule of the study from true apertures and true
fractions; it comes from 20,000 trials of their own seed.

The known part is taken in two ways.  "Mean curve": the sensitivities of a run are those of the mean
curve of the runs like it (same time, same apertures).  "Own curve": each run's own.  The second
lets the weight of a run depend on the very reading it weighs, which biases the estimate (known in
data evaluation as Peelle's puzzle; from memory); the table shows by how much.

    python tests/calibration/time_effect.py --out tests/calibration/results
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.models import MixedModel
from psdstats.simulate import (
    Bench,
    Breakage,
    Powder,
    SieveSet,
    Spread,
    TrialDesign,
    simulate_net_masses,
    simulate_study,
)
from psdstats.study import Balance, Run, Study, TareHandling
from psdstats.uncertainty import Propagation, propagate

__all__ = [
    "CASES", "Case", "at_mean_curve", "coverage_row", "design_of", "time_effect", "true_effect",
]  # fmt: skip

STACK_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
OTHER_UM = (53.0, 75.0, 106.0, 150.0, 212.0, 300.0, 425.0, 600.0)
SOURCES = {"rounding": True, "repeatability": True, "aperture": True, "sampling": True}
LEVEL = 0.95
SEED = 20261125
DATE = "2026-11-25"


@dataclass(frozen=True, kw_only=True)
class Case:
    """One design and how it is judged."""

    name: str
    benches: int = 4
    times_min: tuple[float, ...] = (0.0, 6.0, 12.0, 24.0, 48.0)
    replicates: int = 2
    resolution_g: float = 0.01
    repeatability_g: float = 0.008
    sample_mass_g: float = 50.0
    stacks: str = "one a bench"  # or "shared", "one differs"
    tares: TareHandling = TareHandling.EACH_RUN
    spread: Spread = field(
        default_factory=lambda: Spread(size_bench=0.03, size_bench_time=0.02, size_run=0.015)
    )
    within: tuple[str | tuple[str, ...], ...] = ("group", ("group", "milling_time_min"))


CASES = (
    Case(name="4 benches, 2 replicates, own stacks"),
    Case(name="4 benches, 2 replicates, one shared stack", stacks="shared"),
    Case(name="4 benches, 2 replicates, one bench with another series", stacks="one differs"),
    Case(
        name="3 benches, 1 replicate",
        benches=3, replicates=1, within=("group",),
        spread=Spread(size_bench=0.03, size_run=0.02),
    ),
    Case(
        name="3 benches, 2 times, 3 replicates",
        benches=3, replicates=3, times_min=(0.0, 24.0), within=("group",),
        spread=Spread(size_bench=0.03, size_run=0.02),
    ),
    Case(
        name="0.1 g balance, 10 g samples: the balance dominates",
        resolution_g=0.1, repeatability_g=0.05, sample_mass_g=10.0,
        spread=Spread(size_bench=0.01, size_run=0.005), within=("group",),
    ),
    Case(
        name="0.1 g balance, 10 g samples, tared once",
        resolution_g=0.1, repeatability_g=0.05, sample_mass_g=10.0, tares=TareHandling.ONCE,
        spread=Spread(size_bench=0.01, size_run=0.005), within=("group",),
    ),
    Case(
        name="spread in the milling rate, none at 0 min",
        spread=Spread(rate_bench=0.08, rate_run=0.05, size_bench=0.01, size_run=0.01),
    ),
)  # fmt: skip


def design_of(case: Case) -> TrialDesign:
    """The simulated trial of a case."""
    balance = Balance(
        name="b", resolution_g=case.resolution_g, repeatability_g=case.repeatability_g
    )
    names = ("Alder", "Birch", "Cedar", "Rowan")[: case.benches]
    shared = SieveSet(name="stack", apertures_um=STACK_UM)
    benches = [Bench(name=name, sieves=shared, balance=balance) for name in names]
    if case.stacks != "shared":
        benches = [replace(bench, sieves=replace(shared, name=bench.name)) for bench in benches]
    if case.stacks == "one differs":
        last = replace(benches[-1].sieves, apertures_um=OTHER_UM)
        benches[-1] = replace(benches[-1], sieves=last)
    breakage = Breakage(rate_per_min=0.06, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3)
    return TrialDesign(
        benches=tuple(benches),
        powder=Powder(breakage=breakage, density_g_per_cm3=2.71),
        times_min=case.times_min,
        replicates=case.replicates,
        spread=case.spread,
        sample_mass_g=case.sample_mass_g,
        tares=case.tares,
        uncertainty=SOURCES,
    )


def true_effect(design: TrialDesign, *, trials: int = 20_000, seed: int = SEED + 1) -> float:
    """Mean over benches, runs and sieves of ln D50(last) − ln D50(first)."""
    masses = simulate_net_masses(design, trials=trials, seed=seed)
    ln_d50 = np.log(masses.by_rule[..., 1]).mean(axis=0)
    time = masses.runs["milling_time_min"].to_numpy()
    return float(ln_d50[time == time.max()].mean() - ln_d50[time == time.min()].mean())


def at_mean_curve(study: Study) -> Study:
    """The study with every run's masses replaced by those of the mean curve of runs like it.

    Runs are alike when they share milling time and apertures.  Each keeps its own sieves, balance,
    tares and total mass, so that shared errors stay shared.
    """
    kinds = [_kind(run) for run in study.runs]
    shares = [np.array([r.net_g for r in run.readings]) / run.total_g for run in study.runs]
    mean = {
        kind: np.mean([one for one, own in zip(shares, kinds, strict=True) if own == kind], axis=0)
        for kind in set(kinds)
    }
    return replace(
        study,
        runs=tuple(
            _with_shares(run, mean[kind]) for run, kind in zip(study.runs, kinds, strict=True)
        ),
    )


def _with_shares(run: Run, shares: NDArray[np.float64]) -> Run:
    """The run with its total mass spread over the classes in these shares."""
    net_g = (run.total_g * shares).tolist()
    readings = tuple(
        replace(reading, gross_g=reading.tare_g + net)
        for reading, net in zip(run.readings, net_g, strict=True)
    )
    return replace(run, readings=readings)


def _kind(run: Run) -> tuple[float, ...]:
    return (run.milling_time_min, *(reading.aperture_um for reading in run.readings))


def time_effect(
    study: Study, case: Case, *, sizes: Propagation, known: Propagation
) -> tuple[float, float, float]:
    """Estimate, lower and upper end of the 95 % interval of ln D50(last) − ln D50(first)."""
    frame = study.runs_frame()
    d50 = pd.Series(sizes.value[:, sizes.quantities.index("D50")], index=sizes.runs)
    frame["ln_d50"] = np.log(d50.loc[frame["run"]].to_numpy())
    covariance = known.covariance("D50", log=True).loc[frame["run"], frame["run"]]
    fit = MixedModel(
        frame,
        response="ln_d50",
        fixed=["milling_time_min"],
        random=list(case.within),
        known_covariance=covariance.to_numpy(),
        factors=["milling_time_min"],
        boundary="free",
    ).fit()
    table = fit.contrasts("milling_time_min", kind="against first", adjust="none")
    return table.estimate[-1], table.lower_single[-1], table.upper_single[-1]


def coverage_row(
    case: Case, *, trials: int, seed: int, own_curve: bool = True
) -> dict[str, object]:
    """One line of the table: bias, coverage and width; `own_curve` adds the second way."""
    design = design_of(case)
    truth = true_effect(design)
    found = []
    for child in np.random.SeedSequence(seed).spawn(trials):
        study = simulate_study(design, seed=np.random.default_rng(child)).study
        own = propagate(study, method="linear")
        ways = [propagate(at_mean_curve(study), method="linear"), own][: 2 if own_curve else 1]
        found.append([time_effect(study, case, sizes=own, known=known) for known in ways])
    estimate, lower, upper = np.moveaxis(np.array(found), -1, 0)
    bias = estimate.mean(axis=0) - truth
    cover = 100 * ((lower <= truth) & (truth <= upper)).mean(axis=0)
    row = {
        "case": case.name,
        "studies": trials,
        "true_ratio": np.exp(truth),
        "bias_percent": 100 * bias[0],
        "bias_error_percent": 100 * estimate[:, 0].std(ddof=1) / np.sqrt(trials),
        "median_half_width_percent": 50 * float(np.median(upper[:, 0] - lower[:, 0])),
        "coverage_percent": cover[0],
        "monte_carlo_error_percent": 100 * float(np.sqrt(LEVEL * (1 - LEVEL) / trials)),
    }
    if own_curve:
        row |= {"own_curve_bias_percent": 100 * bias[1], "own_curve_coverage_percent": cover[1]}
    return row


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every case and write the table as CSV and Markdown."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args(arguments)
    from joblib import Parallel, delayed

    rows = Parallel(n_jobs=options.workers)(
        delayed(coverage_row)(case, trials=options.trials, seed=options.seed) for case in CASES
    )
    write_table(pd.DataFrame(rows), options.out, trials=options.trials, seed=options.seed)


def write_table(table: pd.DataFrame, out: Path, *, trials: int, seed: int) -> None:
    """Write the table with what a reader must know."""
    out.mkdir(parents=True, exist_ok=True)
    table.to_csv(out / "time_effect.csv", index=False, float_format="%.6g")
    (out / "time_effect.md").write_text(
        "# Coverage of the 95 % interval of the time effect\n\n"
        f"`python tests/calibration/time_effect.py --trials {trials} --seed {seed}`, {DATE}. "
        "Ratio D50(last time) / D50(first time); Kenward-Roger intervals of a mixed model with the "
        "measurement covariance as known part, its sensitivities taken at the mean curve of runs "
        "alike (columns own_curve: at each run's own curve). The last case is not what the model "
        "assumes: benches that mill at different rates agree at 0 min and drift apart, while the "
        "model has one variance for all times, so its interval is too short.\n\n"
        + _markdown(table)
        + "\n",
        encoding="utf-8",
    )


def _markdown(table: pd.DataFrame) -> str:
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * table.shape[1]]
    for row in table.itertuples(index=False):
        cells = [f"{cell:.4g}" if isinstance(cell, float) else str(cell) for cell in row]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    main()
