"""Coverage of the intervals of `psdstats.compare`: whole studies, simulated and judged.

Every trial is milled, sampled, sieved and weighed by `psdstats.simulate` and judged by `compare` on
its D50 (some on D10 or D90) by milling time.  The truth is the mean over benches, runs and sieves
of ln D(time) less ln D(first time), D the powder's own size (of its true curve, by no rule); it
comes from 20,000 trials of their own seed.

For each design the table gives the last time against the first (interval of this contrast alone)
and all times against the first (joint interval) by each rule of spread: the default (benches may
drift apart), each contrast by its own spread, one spread pooled; and how often the caution about
the scatter is given.  Columns own_curve show the pooled spread when the sensitivities of the known
covariance are taken at each run's own curve instead of the mean curve of runs alike: the weight of
a run then depends on the very reading it weighs, which biases the estimate (known in data
evaluation as Peelle's puzzle; from memory).

    python tests/calibration/time_effect.py --out tests/calibration/results
    python tests/calibration/time_effect.py --last --out tests/calibration/results
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sharing import add_sharing, shared

from psdstats import compare
from psdstats.columns import QUANTITIES
from psdstats.comparison import Comparison
from psdstats.comparison.analysis import analyse, analyse_sizes
from psdstats.comparison.answers import question_of
from psdstats.comparison.compare import compare_analysis
from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.response import ComparisonRemark
from psdstats.findings import ContrastKind
from psdstats.models.judged import Question
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread, lay_out
from psdstats.simulate.trial import simulate_net_masses
from psdstats.study import Balance, Study, TareHandling
from psdstats.uncertainty import propagate

__all__ = ["CASES", "Case", "coverage_row", "design_of", "judge", "last_row", "true_effects"]

STACK_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
OTHER_UM = (53.0, 75.0, 106.0, 150.0, 212.0, 300.0, 425.0, 600.0)
SOURCES = {"rounding": True, "repeatability": True, "aperture": True, "sampling": True}
OWN_CURVE = "own curve"
SPREADS = ("drifting", "each contrast", "pooled", OWN_CURVE)  # the first is the default
FAMILY = ("against first",)
LEVEL = 0.95
SEED = 20261125
Array = NDArray[np.float64]
DATE = (
    "2026-11-25, with sizes by straight lines between sieves and the default of that day, "
    "Kenward-Roger intervals of a mixed model with a line for each bench; not run again since.  "
    "Of today's default, with the law of the curve and the calibrated level, `--last` makes "
    "`time_effect_last.md`; `tests/simulate/test_interval_coverage.py` asks 60 trials of one case"
)
"""Of the table by every rule of spread; to be written anew when it is run again."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One design and how it is judged."""

    name: str
    quantity: str = "D50"
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
        name="drifting: spread in the milling rate, little at 0 min",
        spread=Spread(rate_bench=0.08, rate_run=0.05, size_bench=0.01, size_run=0.01),
    ),
    Case(
        name="drifting, benches differ at 0 min too",
        spread=Spread(rate_bench=0.08, size_bench=0.03, size_run=0.01),
    ),
    Case(
        name="drifting, one shared stack", stacks="shared",
        spread=Spread(rate_bench=0.08, rate_run=0.05, size_bench=0.01, size_run=0.01),
    ),
    Case(
        name="drifting, 3 benches, 1 replicate",
        benches=3, replicates=1, within=("group",),
        spread=Spread(rate_bench=0.08, rate_run=0.05, size_bench=0.01, size_run=0.01),
    ),
    Case(
        name="1 bench, 4 replicates, scatter grows",
        benches=1, replicates=4, within=(),
        spread=Spread(rate_run=0.08, size_run=0.01),
    ),
    Case(name="D10 up to 24 min, own stacks", quantity="D10", times_min=(0.0, 6.0, 12.0, 24.0)),
    Case(
        name="D10 up to 24 min, one shared stack",
        quantity="D10", times_min=(0.0, 6.0, 12.0, 24.0), stacks="shared",
    ),
    Case(name="D90, own stacks", quantity="D90"),
    Case(name="D90, one shared stack", quantity="D90", stacks="shared"),
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


def true_effects(
    design: TrialDesign, quantity: str, *, trials: int = 20_000, seed: int = SEED + 1
) -> Array:
    """Mean over benches, runs and sieves of ln size less that at the first time, later times."""
    masses = simulate_net_masses(design, trials=trials, seed=seed)
    ln_size = np.log(masses.true[..., QUANTITIES.index(quantity)]).mean(axis=0)
    mean = pd.Series(ln_size).groupby(lay_out(design).time_min).mean().to_numpy()
    return np.asarray(mean[1:] - mean[0])


def judge(study: Study, case: Case, spreads: Sequence[str]) -> dict[str, Comparison]:
    """The study compared by each spread; "own curve" is the pooled one at each run's own curve."""
    sizes = propagate(study, method="linear")
    found = {}
    for spread in spreads:
        if spread == OWN_CURVE:
            known = {case.quantity: sizes.covariance(case.quantity, log=True).to_numpy()}
            plan = plan_comparison(study, within=case.within, spread="pooled")
            analysis = analyse_sizes(study, plan, sizes.value, known, measured=lambda: sizes)
            found[spread] = compare_analysis(analysis, families=FAMILY)
            continue
        found[spread] = compare(
            study,
            within=case.within,
            spread=spread,
            quantities=(case.quantity,),
            families=FAMILY,
            propagation=sizes,
        )
    return found


def _limits(comparison: Comparison, quantity: str) -> Array:
    """Rows estimate, lower and upper of all, single lower and upper; one column a later time."""
    rows = comparison[quantity].to_frame()
    columns = ["ratio", "ratio_lower", "ratio_upper", "ratio_lower_single", "ratio_upper_single"]
    return np.asarray(np.log(rows[columns].to_numpy(dtype=float))).T


def coverage_row(
    case: Case, *, trials: int, seed: int, spreads: Sequence[str] = SPREADS
) -> dict[str, object]:
    """One line of the table: bias of the first spread, then the figures of each."""
    design = design_of(case)
    truth = true_effects(design, case.quantity)
    found, warned = [], []
    for child in np.random.SeedSequence(seed).spawn(trials):
        study = simulate_study(design, seed=np.random.default_rng(child)).study
        ways = judge(study, case, spreads).values()
        found.append([_limits(way, case.quantity) for way in ways])
        warned.append(
            [
                any(one.kind is ComparisonRemark.MISFIT for one in way[case.quantity].remarks)
                for way in ways
            ]
        )
    estimate, lower, upper, single_lower, single_upper = np.moveaxis(np.array(found), 2, 0)
    last = (single_lower <= truth) & (truth <= single_upper)
    held = ((lower <= truth) & (truth <= upper)).all(axis=2)
    half = 50 * np.median(single_upper[..., -1] - single_lower[..., -1], axis=0)
    bias = 100 * (estimate[..., -1].mean(axis=0) - truth[-1])
    row: dict[str, object] = {
        "case": case.name,
        "studies": trials,
        "true_ratio": np.exp(truth[-1]),
        "bias_percent": bias[0],
        "bias_error_percent": 100 * estimate[:, 0, -1].std(ddof=1) / np.sqrt(trials),
        "monte_carlo_error_percent": 100 * float(np.sqrt(LEVEL * (1 - LEVEL) / trials)),
    }
    for way, spread in enumerate(spreads):
        name = "" if way == 0 else spread.replace(" ", "_") + "_"
        if spread == OWN_CURVE:
            row[f"{name}bias_percent"] = bias[way]
        else:
            row[f"{name}half_width_percent"] = half[way]
        row[f"{name}coverage_percent"] = 100 * last[:, way, -1].mean()
        if spread != OWN_CURVE:
            row[f"{name}joint_coverage_percent"] = 100 * held[:, way].mean()
    row["caution_percent"] = 100 * np.mean(warned, axis=0)[0]
    return row


def last_row(case: Case, *, trials: int, seed: int) -> dict[str, float]:
    """Figures of `coverage_row` on the last time alone, by the default spread.

    The law of `compare` is asked this one contrast, and the truth is known from fewer trials: a
    fraction of the time of a whole comparison.
    """
    design = design_of(case)
    truth = true_effects(design, case.quantity, trials=4000)[-1]
    found = []
    for child in np.random.SeedSequence(seed).spawn(trials):
        study = simulate_study(design, seed=np.random.default_rng(child)).study
        found.append(_last(study, case))
    estimate, half = np.array(found).T
    return {
        "bias_percent": 100 * float(estimate.mean() - truth),
        "bias_error_percent": 100 * float(estimate.std(ddof=1) / np.sqrt(trials)),
        "half_width_percent": 100 * float(np.median(half)),
        "coverage_percent": 100 * float((abs(estimate - truth) <= half).mean()),
    }


def _last(study: Study, case: Case) -> tuple[float, float]:
    """Estimate and half width of the interval of the last time against the first."""
    plan = plan_comparison(study, within=case.within, spread=SPREADS[0])
    sizes = propagate(study, method="linear")
    analysis = analyse(study, plan, quantities=(case.quantity,), propagation=sizes)
    one = analysis.quantities[case.quantity]
    asked = question_of(one, (ContrastKind.AGAINST_FIRST,), factors=False)
    last = asked.families[0][1].places[-1:]
    judged = one.judge(Question(contrasts=asked.question.contrasts[last]))
    return float(judged.estimate[0]), float(judged.half_width(1 - LEVEL)[0])


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every case and write the table as CSV and Markdown."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--last", action="store_true", help="the last time alone, by the default")
    add_sharing(parser)
    options = parser.parse_args(arguments)
    row, write = (last_row, write_last) if options.last else (coverage_row, write_table)
    rows = shared(options)(partial(row, trials=options.trials, seed=options.seed), CASES)
    write(pd.DataFrame(rows), options.out, trials=options.trials, seed=options.seed)


def write_last(table: pd.DataFrame, out: Path, *, trials: int, seed: int) -> None:
    """The table of the default alone, and what it says together."""
    out.mkdir(parents=True, exist_ok=True)
    table.insert(0, "case", [case.name for case in CASES])
    table.to_csv(out / "time_effect_last.csv", index=False, float_format="%.6g")
    held, drifting = table["coverage_percent"], table["case"].str.startswith("drifting")

    def together(rows: pd.Series) -> str:
        error = 100 * np.sqrt(LEVEL * (1 - LEVEL) / (trials * rows.sum()))
        return f"{held[rows].mean():.1f} % (Monte Carlo error {error:.1f})"

    (out / "time_effect_last.md").write_text(
        "# Coverage of the 95 % interval of the time effect by default\n\n"
        f"`python tests/calibration/time_effect.py --last --trials {trials} --seed {seed}`, "
        f"{date.today()}, with the law of the curve between sieves that rises between them (since "
        "2026-11-30) and the calibrated level.  Whole studies, ratio of D50 (D10 or D90 where the "
        "case says so) at the last time over that at the first, by the default: three benches or "
        "more may drift apart along lines of their own; the truth is the powder's own.  Monte "
        f"Carlo error of a case {100 * np.sqrt(LEVEL * (1 - LEVEL) / trials):.1f} %.\n\n"
        f"All {len(table)} cases: {together(held > -1)}; the {drifting.sum()} that drift: "
        f"{together(drifting)}.  Intervals are wide rather than narrow, since they hold what the "
        "curve may do between the sieves.\n\n" + _markdown(table) + "\n",
        encoding="utf-8",
    )


def write_table(table: pd.DataFrame, out: Path, *, trials: int, seed: int) -> None:
    """Write the table with what a reader must know."""
    out.mkdir(parents=True, exist_ok=True)
    table.to_csv(out / "time_effect.csv", index=False, float_format="%.6g")
    (out / "time_effect.md").write_text(
        "# Coverage of the 95 % intervals of the time effect\n\n"
        f"`python tests/calibration/time_effect.py --trials {trials} --seed {seed}`, {DATE}. "
        "Whole studies through `psdstats.compare`, ratio of D50 (D10 or D90 where the case "
        "says so) at the last time over that at the first, in per cent. Without a prefix: benches "
        "may drift apart. pooled: one spread for all times. each_contrast: every contrast by its "
        "own differences within benches. coverage: of this contrast alone; joint_coverage: of all "
        "times against the first together; half_width: median. caution: how often a comparison "
        "says that the scatter changes with the level in a way its model does not hold. "
        "own_curve: pooled, but with the known covariance at each run's own curve, as psdstats "
        "does not do it.\n\n"
        "The drifting cases are not what the pooled model assumes: benches that mill at different "
        "rates agree at 0 min and drift apart, while that model has one variance for all times, so "
        "its interval for late times is too narrow, and its caution does not find every such "
        "trial. Where benches may drift apart intervals cover within 93 to 97 % up to Monte Carlo "
        "error, D90 a little more: "
        "its apertures, rectangular in the simulation, weigh most there. Each contrast by its own "
        "spread covers too, but for all times together on a shared stack; its price is the "
        "width.\n\n" + _markdown(table) + "\n",
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
