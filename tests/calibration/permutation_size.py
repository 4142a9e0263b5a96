"""Size of the permutation tests of whole distributions under the null, by simulation.

Invented weighings without any effect of milling time: groups differ, class masses scatter, classes
near the ends are often empty, numbers of runs are unequal and masses are rounded to 0.01 g.

    python tests/calibration/permutation_size.py --out tests/calibration/results

writes permutation_size.csv and permutation_size.md.
"""

import argparse
import time
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.linalg import block_diag
from sharing import add_sharing, shared

from psdstats.comparison.classes import (
    log_ratio_coordinates,
    moved_classes,
    permutation_manova,
    replace_zeros,
)

DATE = "2026-11-25"


@dataclass(frozen=True)
class Design:
    """Numbers of runs, and typical masses of the classes."""

    name: str
    runs: tuple[tuple[int, ...], ...]  # runs of each group at each time
    grams: tuple[float, ...]  # typical mass of each class, finest first
    separate_stacks: bool = False


SMALL_ENDS = (0.004, 3.0, 12.0, 20.0, 12.0, 3.0, 0.004)
MANY_EMPTY = (0.002, 0.006, 5.0, 25.0, 18.0, 2.0, 0.006, 0.002)
DESIGNS = (
    Design("1 group, 2 times, 4 + 7 runs", ((4, 7),), SMALL_ENDS),
    Design("2 groups, 2 times, 2 + 4 and 5 + 3 runs", ((2, 4), (5, 3)), SMALL_ENDS),
    Design(
        "4 groups, 5 times, 1 to 3 runs, 1 to 2 times missing",
        ((2, 3, 1, 2, 2), (2, 2, 0, 2, 3), (1, 2, 2, 0, 0), (3, 1, 2, 2, 1)),
        MANY_EMPTY,
    ),
    Design("2 groups on different stacks, 3 times", ((3, 2, 4), (2, 4, 2)), MANY_EMPTY, True),
)


def null_masses(design: Design, rng):
    """Class masses, group and time codes; nothing depends on time."""
    group = np.repeat(range(len(design.runs)), [sum(one) for one in design.runs])
    when = np.concatenate([np.repeat(range(len(one)), one) for one in design.runs])
    typical = np.log(design.grams) + rng.normal(0, 0.1, (len(design.runs), len(design.grams)))
    # heavy tails and unequal scatter: the test needs neither normality nor equal covariances
    scatter = 0.15 * rng.standard_t(4, (len(group), len(design.grams)))
    mass = np.exp(typical[group] + scatter)
    return np.round(mass, 2), group, when


def coordinates(mass, group, separate):
    delta = 0.65 * 0.01 / mass.sum(axis=1)
    blocks = [group == one for one in np.unique(group)] if separate else [group >= 0]
    return block_diag(
        *(log_ratio_coordinates(replace_zeros(mass[rows], delta[rows])) for rows in blocks)
    )


def calibrate(seeded: tuple[Design, int], trials: int, permutations: int) -> dict[str, object]:
    design, seed = seeded
    rng = np.random.default_rng(seed)
    hits = family = empty = classes = 0
    for number in range(trials):
        mass, group, when = null_masses(design, rng)
        factor = group * 100 + when if design.separate_stacks else when
        test = permutation_manova(
            coordinates(mass, group, design.separate_stacks),
            factor,
            strata=group,
            permutations=permutations,
            seed=number,
        )
        hits += test.p <= 0.05
        share = mass / mass.sum(axis=1, keepdims=True)
        moved = moved_classes(
            share,
            when,
            low=0,
            high=1,
            limits_um=range(1, mass.shape[1]),
            strata=group,
            permutations=permutations,
            seed=number,
        )
        family += bool(moved.moved.any())
        empty += int(np.count_nonzero(mass == 0))
        classes += mass.size
    return {
        "design": design.name,
        "trials": trials,
        "rearrangements": "all" if test.exact else str(permutations),
        "attainable_percent": 100 * np.floor(0.05 * test.used + 1e-9) / test.used,
        "rejected_percent": 100 * hits / trials,
        "classes_attainable_percent": 100 * np.floor(0.05 * moved.used + 1e-9) / moved.used,
        "any_class_moved_percent": 100 * family / trials,
        "empty_percent": 100 * empty / classes,
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=20_000)
    parser.add_argument("--permutations", type=int, default=999)
    parser.add_argument("--seed", type=int, default=20261125)
    add_sharing(parser)
    options = parser.parse_args()
    start = time.perf_counter()
    calibrated = partial(calibrate, trials=options.trials, permutations=options.permutations)
    seeded = [(design, options.seed + i) for i, design in enumerate(DESIGNS)]
    table = pd.DataFrame(shared(options)(calibrated, seeded))
    options.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(options.out / "permutation_size.csv", index=False, float_format="%.4f")
    error = 100 * np.sqrt(0.05 * 0.95 / options.trials)
    lines = [
        "# Size of the permutation tests",
        "",
        f"Command: `python tests/calibration/permutation_size.py --trials {options.trials} "
        f"--permutations {options.permutations} --seed {options.seed}`, {DATE}; "
        f"{time.perf_counter() - start:.0f} s.",
        f"{options.trials} trials a design without any effect of time (invented); tests at 5 %,",
        f"Monte Carlo error {error:.2f} % (one standard error). `attainable_percent` is the size",
        "that the number of rearrangements allows (p comes in steps); `any_class_moved_percent` is",
        "the family-wise error over all classes between the first two times.",
        "",
        "| " + " | ".join(table.columns) + " |",
        "|" + "---|" * len(table.columns),
    ]
    for row in table.itertuples(index=False):
        cells = [f"{one:.2f}" if isinstance(one, float) else str(one) for one in row]
        lines.append("| " + " | ".join(cells) + " |")
    (options.out / "permutation_size.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
