"""Level and power of what is said of groups: at each condition, in rate, on average.

    python tests/calibration/bench_findings.py --out tests/calibration/results

Every data set is ln size of groups at four milling times: a course over time, scatter between runs,
the reading's own uncertainty and that of the sieves' apertures, the sieves being one stack that all
groups used or a stack for each group.  Each is judged by `comparison.benches`.  A row is a design
and a truth: "alike" (no group differs), "cells" (nor do they here, but cells of group and time
scatter more than their replicates do), "level" and "rate" (the first group lies 8 per cent higher
throughout, or falls by 8 per cent more, so that the other question is still a true "no"), and
"one time" (8 per cent higher at the last time alone).  Given is how often, per cent, a difference
is told of any group at any condition, all questions at the level of 5 per cent; NaN where the runs
leave the scatter unknown.

Writes ``bench_findings.csv`` and ``bench_findings.md``.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from psdstats.comparison.benches import BenchRuns, Deviation, at_conditions, in_rate, on_average
from psdstats.findings import Rule
from psdstats.models import posterior

Array = np.ndarray

DATE, SEED = "2026-11-29", 20261129
STANDS = (
    "It does not depend on the law of the curve between sieves.  Compared 2026-11-30 with what "
    "made it, all 48 designs, 3 sets each, alike and cells: p differ by at most 0.006, none of 720 "
    "verdicts differs, so the table stands."
)
"""To be written anew when the table is run again."""
ALPHA = 0.05
DRAWS = 10_000
TIMES = 4
COURSE = np.log([420.0, 270.0, 180.0, 150.0])
READING, APERTURE = 0.005, 0.01  # standard uncertainties of ln size
OFF = 0.08
QUESTIONS = {"conditions": at_conditions, "rate": in_rate, "average": on_average}
TRUE_NO = {
    "alike": ("conditions", "rate", "average"),
    "cells": ("rate", "average"),
    "level": ("rate",),
    "rate": ("average",),
    "one time": (),
}
"""What is a false finding of each truth; the other numbers are its power."""
KEYS = ["scatter_percent", "stacks", "groups", "replicates", "truth"]


@dataclass(frozen=True, kw_only=True)
class Design:
    """One design."""

    groups: int
    replicates: int
    stacks: str
    scatter: float

    @property
    def group(self) -> Array:
        """Code of the group of each run."""
        return np.repeat(np.arange(self.groups), TIMES * self.replicates)

    @property
    def condition(self) -> Array:
        """Code of the time of each run."""
        return np.tile(np.repeat(np.arange(TIMES), self.replicates), self.groups)

    def known(self) -> Array:
        """Covariance of the measurement: two sieves a time, one of them the next's."""
        of_sieve = np.zeros((len(self.group), TIMES + 1))
        rows = np.arange(len(self.group))
        of_sieve[rows, self.condition], of_sieve[rows, self.condition + 1] = 0.6, 0.4
        stack = self.group if self.stacks == "own" else np.zeros_like(self.group)
        shared = APERTURE**2 * (of_sieve @ of_sieve.T) * np.equal.outer(stack, stack)
        return np.asarray(shared + READING**2 * np.eye(len(self.group)))


DESIGNS = [
    Design(groups=groups, replicates=replicates, stacks=stacks, scatter=scatter)
    for scatter, stacks, groups, replicates in product(
        (0.02, 0.005), ("shared", "own"), (2, 3, 4, 6), (1, 2, 3)
    )
]


def shift(truth: str, design: Design) -> Array:
    """What the truth adds to ln size."""
    first, late = design.group == 0, design.condition / (TIMES - 1)
    if truth == "level":
        return OFF * first
    if truth == "rate":
        return -OFF * first * (late - late.mean())
    return OFF * (first & (design.condition == TIMES - 1)) * (truth == "one time")


def trials(design: Design, truth: str, sets: int, rng: np.random.Generator) -> Iterator[BenchRuns]:
    """Data sets of one design and truth."""
    group, condition, known = design.group, design.condition, design.known()
    root = np.linalg.cholesky(known)
    cell_sd = design.scatter if truth == "cells" else 0.0
    for _ in range(sets):
        y = COURSE[condition] + shift(truth, design) + root @ rng.standard_normal(len(group))
        y = y + design.scatter * rng.standard_normal(len(group))
        cells = cell_sd * rng.standard_normal(design.groups * TIMES)
        yield BenchRuns(
            y=y + cells[group * TIMES + condition],
            known=known,
            group=group,
            condition=condition,
            order=np.arange(TIMES, dtype=float),
        )


def told(found: Sequence[Deviation]) -> float:
    """Whether any difference is told; NaN where the scatter is unknown."""
    if not found or any(one.undone_by_percent is not None for one in found):
        return np.nan
    return float(any(one.numbers.p_adjusted < ALPHA for one in found))


def row_of(design: Design, truth: str, sets: int, seed: int) -> dict[str, object]:
    """How often each question finds a difference, per cent."""
    rng = np.random.default_rng([seed, DESIGNS.index(design), list(TRUE_NO).index(truth)])
    found = [
        [told(ask(runs, Rule(level=1 - ALPHA, margin_percent=None))) for ask in QUESTIONS.values()]
        for runs in trials(design, truth, sets, rng)
    ]
    rates = 100 * np.mean(found, axis=0)
    return {
        "scatter_percent": 100 * design.scatter,
        "stacks": design.stacks,
        "groups": design.groups,
        "replicates": design.replicates,
        "truth": truth,
        "sets": sets,
        **dict(zip(QUESTIONS, rates.round(2).tolist(), strict=True)),
    }


def simulate(
    sets: int, seed: int, truths: Sequence[str], only: Sequence[int]
) -> Iterator[dict[str, object]]:
    """Every design and truth; cells scatter more than replicates only where there are any."""
    for truth, number in product(truths, only):
        if truth != "cells" or DESIGNS[number].replicates > 1:
            yield row_of(DESIGNS[number], truth, sets, seed)


def joined(path: Path, row: dict[str, object]) -> pd.DataFrame:
    """The rows there are, with one replaced, in the order of truths and designs."""
    new = pd.DataFrame([row])
    old = pd.read_csv(path) if path.exists() else new
    frame = pd.concat([old, new]).drop_duplicates(KEYS, keep="last")
    place = frame["truth"].map(list(TRUE_NO).index)
    return frame.assign(place=place).sort_values(["place", *KEYS[:-1]]).drop(columns="place")


def written(frame: pd.DataFrame, seed: int) -> str:
    """The tables as Markdown."""
    sets = int(frame["sets"].min())
    error = 100 * (ALPHA * (1 - ALPHA) / sets) ** 0.5
    lines = [
        "# What is said of groups",
        "",
        "`python tests/calibration/bench_findings.py --out tests/calibration/results`, "
        f"seed {seed}, {DATE}; with {sets} data sets a rate of 5 per cent has a standard error of "
        f"{error:.1f}.",
        "",
        " ".join((__doc__ or "").split("\n\n")[2].split()),
        "",
        STANDS,
        "",
    ]
    false = [
        frame.loc[frame["truth"] == truth, name] for truth, no in TRUE_NO.items() for name in no
    ]
    worst = pd.concat(false).dropna()
    lines += [
        f"False findings, which should be at most 5 per cent: {worst.mean():.1f} on average, "
        f"{worst.max():.1f} at most, over {len(worst)} rates.",
    ]
    for truth in dict.fromkeys(frame["truth"]):
        own = frame[frame["truth"] == truth].drop(columns="truth")
        head = ", ".join(TRUE_NO[truth]) or "none"
        lines += ["", f"## {truth} (false findings: {head})", ""]
        lines += ["| " + " | ".join(own.columns) + " |", "|" + " --- |" * own.shape[1]]
        for values in own.to_numpy().tolist():
            lines.append("| " + " | ".join(_shown(value) for value in values) + " |")
    return "\n".join(lines) + "\n"


def _shown(value: object) -> str:
    if isinstance(value, float):
        return "" if np.isnan(value) else f"{value:.1f}"
    return str(value)


def main() -> None:
    """Simulate and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=1000, help="data sets a row")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--truths", nargs="+", choices=list(TRUE_NO), default=list(TRUE_NO))
    parser.add_argument("--only", nargs="+", type=int, default=list(range(len(DESIGNS))))
    parser.add_argument("--out", type=Path, default=None, help="folder of the tables")
    given = parser.parse_args()
    posterior.DRAWS = DRAWS
    for row in simulate(given.sets, given.seed, given.truths, given.only):
        if given.out is not None:
            frame = joined(given.out / "bench_findings.csv", row)
            frame.to_csv(given.out / "bench_findings.csv", index=False)
            text = written(frame, given.seed)
            (given.out / "bench_findings.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
