"""Type-I error, coverage, family-wise error and power of the mixed-model tests, by simulation.

    python tests/calibration/mixed_models.py --out tests/calibration/results

simulates 10,000 data sets for each of 31 designs (a few minutes on one core) and writes
``mixed_models.csv`` and ``mixed_models.md``.  Times are compared with the first time.  Variances
are in units of the residual variance; the known covariance stands for ln D with a residual of 3 %,
an aperture error of 2 % shared by all runs of a stack in the same bracket, and 1 % of each run's
own.
Expected figures where there are any come from the F distribution, not from this package.
"""

from __future__ import annotations

import argparse
import operator
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, special, stats
from sharing import add_sharing, shared

from psdstats.models.engine import BatchFit, CovarianceParts, fit_batch
from psdstats.models.kenward_roger import (
    adjusted_covariance,
    kenward_roger,
    satterthwaite,
    single_df,
)
from psdstats.models.maximum_law import maximum_law

DATE = "2026-11-25"
BAND = (0.045, 0.055)


@dataclass(frozen=True)
class Design:
    """Groups × times × replicates, a share of rows lost, true variances, a known covariance."""

    groups: int
    times: int
    replicates: int
    lost: float
    group: float
    cell: float | None = None
    residual: float = 1.0
    known: str = "none"

    @property
    def name(self) -> str:
        """Size of the design in words."""
        text = f"{self.groups} × {self.times} × {self.replicates}"
        return text + (f", {100 * self.lost:.0f} % lost" if self.lost else "")

    @property
    def variances(self) -> list[float]:
        """True variances in the order of the matrices."""
        cell = [] if self.cell is None else [self.cell]
        return [self.group, *cell, self.residual]


DESIGNS = (
    Design(3, 5, 1, 0, 0),
    Design(3, 5, 1, 0, 1),
    Design(3, 5, 1, 0, 25),
    Design(3, 5, 1, 0.25, 0),
    Design(3, 5, 1, 0.25, 1),
    Design(2, 3, 1, 0, 1),
    Design(2, 6, 1, 0, 1),
    Design(4, 4, 1, 0, 1),
    Design(8, 3, 1, 0, 0),
    Design(8, 4, 1, 0.25, 1),
    Design(4, 4, 2, 0, 1, 0.5),
    Design(4, 4, 2, 0, 1, 0),
    Design(6, 4, 2, 0.25, 1, 0.5),
    Design(4, 4, 2, 0.25, 1, 0.5),
    Design(3, 4, 3, 0, 1, 1),
    Design(3, 4, 3, 0.25, 1, 1),
    Design(2, 4, 3, 0.25, 1, 1),
    Design(3, 5, 1, 0, 1, known="one stack"),
    Design(3, 5, 1, 0, 1, known="one stack, each time in a bracket of its own"),
    Design(3, 5, 1, 0, 1, known="one group with another stack"),
    Design(3, 5, 1, 0.25, 1, known="one group with another stack"),
    Design(3, 5, 1, 0, 0, residual=0.1, known="one group with another stack"),
    Design(6, 4, 2, 0, 1, 0.5, known="one group with another stack"),
    Design(2, 3, 1, 0, 1, known="one stack"),
    Design(2, 5, 1, 0, 1, known="one group with another stack"),
    Design(3, 3, 1, 0, 1, known="one group with another stack"),
    Design(4, 3, 1, 0, 1, known="one group with another stack"),
    Design(2, 3, 2, 0, 1, 0.5, known="one group with another stack"),
    Design(3, 3, 2, 0, 1, 0.5, known="one group with another stack"),
    Design(3, 4, 2, 0, 1, 0.5, known="one group with another stack"),
    Design(4, 4, 2, 0, 1, 0.5, known="one group with another stack"),
)


@dataclass(frozen=True)
class Built:
    """Arrays of one design."""

    x: np.ndarray
    parts: CovarianceParts
    covariance: np.ndarray
    groups: np.ndarray
    times: np.ndarray


def build(design: Design) -> Built:
    """X, matrices and the true V; which rows are lost depends on nothing but the design."""
    g, t, r = design.groups, design.times, design.replicates
    groups = np.repeat(np.arange(g), t * r)
    times = np.tile(np.repeat(np.arange(t), r), g)
    keep = kept_rows(groups, times, design.lost)
    groups, times = groups[keep], times[keep]
    x = np.eye(t)[times]
    x[:, 0] = 1.0
    matrices = [(groups[:, None] == groups).astype(float)]
    if design.cell is not None:
        matrices.append(matrices[0] * (times[:, None] == times))
    matrices.append(np.eye(len(x)))
    known = known_covariance(design.known, groups, times)
    parts = CovarianceParts(
        matrices=np.array(matrices), is_variance=np.ones(len(matrices), dtype=bool), known=known
    )
    return Built(x, parts, parts.covariance(np.array([design.variances]))[0], groups, times)


def kept_rows(groups: np.ndarray, times: np.ndarray, lost: float) -> np.ndarray:
    """Lose rows one by one, leaving two of every group and time."""
    keep = np.ones(len(groups), dtype=bool)
    rng = np.random.default_rng(0)
    while (~keep).sum() < round(lost * len(keep)):
        trial = keep.copy()
        trial[rng.integers(len(keep))] = False
        enough = [np.bincount(codes[trial]).min() >= 2 for codes in (groups, times)]
        keep = trial if all(enough) else keep
    return keep


def known_covariance(kind: str, groups: np.ndarray, times: np.ndarray) -> np.ndarray | None:
    if kind == "none":
        return None
    other = kind == "one group with another stack"
    stack = np.where(other & (groups == groups.max()), 1, 0)
    bracket = times if "own" in kind else (times >= (times.max() + 1) // 2).astype(int)
    shared = (stack[:, None] == stack) & (bracket[:, None] == bracket)
    return (0.02**2 * shared + 0.01**2 * np.eye(len(groups))) / 0.03**2


def exact_power(design: Design, beta: np.ndarray) -> float:
    """Power of the two-way F of cell means, from the noncentral F distribution."""
    df_num, df_den = design.times - 1, (design.groups - 1) * (design.times - 1)
    error = (design.cell or 0.0) + design.residual / design.replicates
    means = np.concatenate([[0.0], beta[1:]])
    shift = design.groups * ((means - means.mean()) ** 2).sum() / error
    critical = stats.f.ppf(0.95, df_num, df_den)
    return float(stats.ncf.sf(critical, df_num, df_den, shift))


def effect(design: Design, built: Built) -> np.ndarray:
    """A steady change with time, sized for about 80 % power (from V as if it were known)."""
    p = design.times
    line = np.concatenate([[0.0], np.linspace(0, 1, p)[1:]])
    weight = built.x.T @ np.linalg.solve(built.covariance, built.x)
    inverse = np.linalg.inv(np.linalg.inv(weight)[1:, 1:])
    unit = float(line[1:] @ inverse @ line[1:])
    df_den = (design.groups - 1) * (p - 1)
    critical = stats.f.ppf(0.95, p - 1, df_den)
    shift = optimize.brentq(lambda c: stats.ncf.sf(critical, p - 1, df_den, c) - 0.8, 1e-3, 1e4)
    return line * np.sqrt(shift / unit)


def family_threshold(contrast: np.ndarray, built: Built) -> Callable[[np.ndarray], np.ndarray]:
    """Single p below which the family of comparisons with the first time rejects, by ln df.

    Exact for the correlations at the true V; those of each data set differ little from them.
    """
    weight = built.x.T @ np.linalg.solve(built.covariance, built.x)
    spread = contrast @ np.linalg.inv(weight) @ contrast.T
    error = np.sqrt(np.diag(spread))
    law = maximum_law(spread / np.outer(error, error))
    grid = np.geomspace(1.0, 200.0, 12)
    single = [2 * special.stdtr(df, -law.critical(0.05, df)) for df in grid]
    return lambda df: np.interp(np.log(df), np.log(grid), single)


def rates(fit: BatchFit, contrast: np.ndarray, built: Built, *, drop: bool = False) -> dict:
    """Rejections of the F test, coverage of single intervals, family-wise error (true β = 0)."""
    covariance = adjusted_covariance(fit, drop_edges=drop)
    test = kenward_roger(fit, covariance, contrast)
    df = single_df(covariance, contrast)
    spread = contrast @ covariance.adjusted @ contrast.T
    error = np.sqrt(np.diagonal(spread, axis1=1, axis2=2))
    t = np.abs(fit.beta @ contrast.T) / error
    single = 2 * special.stdtr(np.minimum(df, 1e15), -t)
    threshold = family_threshold(contrast, built)
    return {
        "type_1": float((test.p < 0.05).mean()),
        "coverage": float((single >= 0.05).mean()),
        "family_wise": float((single.min(axis=1) < threshold(df.max(axis=1))).mean()),
    }


def study(design: Design, n_sets: int, seed: int) -> dict[str, object]:
    """All figures of one design."""
    built = build(design)
    n, p = built.x.shape
    contrast = np.eye(p)[1:]
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((n_sets, n)) @ np.linalg.cholesky(built.covariance).T
    free = fit_batch(noise, built.x, built.parts, free=True, tolerance=1e-7)
    bounded = fit_batch(noise, built.x, built.parts, tolerance=1e-7)
    beta = effect(design, built)
    shifted = fit_batch(noise + built.x @ beta, built.x, built.parts, free=True, tolerance=1e-7)
    main = rates(free, contrast, built)
    zero = rates(bounded, contrast, built)
    drop = rates(bounded, contrast, built, drop=True)
    other = satterthwaite(bounded, adjusted_covariance(bounded), contrast)
    power = kenward_roger(shifted, adjusted_covariance(shifted), contrast).p < 0.05
    complete = not design.lost and built.parts.known is None
    cell = "" if design.cell is None else f", cell {design.cell:g}"
    return {
        "design": design.name,
        "variances": f"group {design.group:g}{cell}, residual {design.residual:g}",
        "known_covariance": design.known,
        "rows": n,
        **main,
        "power": float(power.mean()),
        "power_exact": exact_power(design, beta) if complete else np.nan,
        "at_zero": float(bounded.on_edge.any(axis=1).mean()),
        "type_1_zero": zero["type_1"],
        "type_1_drop": drop["type_1"],
        "type_1_satterthwaite": float((other.p < 0.05).mean()),
        "not_converged": float(1 - free.converged.mean()),
    }


def explained(row: pd.Series, error: float) -> str:
    """Why a figure lies outside the band, or an empty text."""
    low, high = BAND[0] - 2 * error, BAND[1] + 2 * error
    wrong = 1 - row["coverage"]
    if all(low <= v <= high for v in (row["type_1"], row["family_wise"], wrong)):
        return ""
    if row["type_1"] < low or row["family_wise"] < low or wrong < low:
        return (
            "cautious: rows are missing and the time-by-group cells vary, so two or three error "
            "degrees of freedom are themselves estimated and the tests reject too rarely"
            if "cell" in row["variances"]
            else "cautious: few error degrees of freedom"
        )
    if row["known_covariance"] != "none":
        return (
            "liberal: so few rows beside the known covariance hardly tell their variances from it"
        )
    return "slightly liberal: missing rows and few groups"


def write(table: pd.DataFrame, out: Path, n_sets: int, seed: int) -> None:
    error = float(np.sqrt(0.05 * 0.95 / n_sets))
    table = table.assign(remark=[explained(row, error) for _, row in table.iterrows()])
    out.mkdir(parents=True, exist_ok=True)
    table.to_csv(out / "mixed_models.csv", index=False, float_format="%.5g")
    percent = table.copy()
    shares = [c for c in table.columns if table[c].dtype == float]
    for name in shares:
        percent[name] = [f"{100 * v:.2f}" if np.isfinite(v) else "" for v in table[name]]
    head = "| " + " | ".join(percent.columns) + " |"
    rule = "|" + "---|" * len(percent.columns)
    lines = ["| " + " | ".join(str(v) for v in row) + " |" for row in percent.to_numpy()]
    text = f"""# Calibration of the mixed-model tests

Command: `python tests/calibration/mixed_models.py --data-sets {n_sets} --seed {seed}`, {DATE}.
{n_sets} data sets a design; Monte Carlo error of a 5 % rate {100 * error:.2f} % (one standard
error; that of coverage is smaller, since it averages the contrasts). All shares in per cent.

`type_1`, `coverage` (single contrasts against the first time, 95 %), `family_wise` (the same
contrasts as one family) and `power` belong to Kenward-Roger tests with `boundary="free"`.
`power_exact` is that of the exact F test of cell means where one exists (complete designs without
known covariance), from the noncentral F distribution. `type_1_zero` and `type_1_drop` are the same
tests with variances stopped at zero (their uncertainty kept, or dropped); `type_1_satterthwaite` is
Satterthwaite's test with variances stopped at zero; `at_zero` is how often a variance stops there.
A remark stands where a figure lies outside 4.5 to 5.5 % (94.5 to 95.5 %) by more than two Monte
Carlo errors; `MixedModelFit.cautions` says the same beside the verdict.

"""
    (out / "mixed_models.md").write_text(text + "\n".join([head, rule, *lines]) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("tests/calibration/results"))
    parser.add_argument("--data-sets", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=20261125)
    add_sharing(parser)
    asked = parser.parse_args()
    tasks = [
        partial(study, design, asked.data_sets, asked.seed + number)
        for number, design in enumerate(DESIGNS)
    ]
    rows = list(shared(asked)(operator.call, tasks))
    write(pd.DataFrame(rows), asked.out, asked.data_sets, asked.seed)


if __name__ == "__main__":
    main()
