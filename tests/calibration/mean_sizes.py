"""Whether the 95 % interval of a mean size holds that of the groups and charges as they ran.

Trials are those of `trial_findings`, by powders and sievings that are written apart from psdstats;
the truth is the mean of the powders' own sizes over the groups, drift and charges of the trial as
they were drawn, not that of all such groups.  Columns, per cent: how often the interval of each
mean without an open run holds it, by size; half_width: median for D50.

    python tests/calibration/mean_sizes.py --trials 100 --out tests/calibration/results
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import date
from functools import partial
from pathlib import Path

import pandas as pd
from sharing import add_sharing, shared
from trial_findings import CASES, QUANTITIES, SEED, Case, draw_trial

from psdstats.comparison.analysis import analyse
from psdstats.comparison.answers import condition_means
from psdstats.comparison.plan import plan_comparison


def one_trial(case: Case, seed: int) -> list[dict[str, object]]:
    """Each mean of a trial: whether its interval holds, and its half width."""
    study, true = draw_trial(case, seed)
    plan = plan_comparison(study, drift=case.declared)
    analysis, rows = analyse(study, plan, quantities=QUANTITIES), list[dict[str, object]]()
    for name in QUANTITIES:
        means = condition_means(analysis[name])
        levels = means[plan.where] if plan.where else [""] * len(means)
        for at, where, low, high in zip(
            means[plan.by], levels, means["lower"], means["upper"], strict=True
        ):
            own = true[name, str(where)][round(float(at) / 10)]
            half = 100 * (high - low) / 2
            rows.append({"quantity": name, "holds": low <= own <= high, "half": half})
    return rows


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=100)
    add_sharing(parser)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args(arguments)
    rows = []
    for case in CASES:
        found = shared(options)(partial(one_trial, case), range(options.trials))
        table = pd.DataFrame([row for own in found for row in own])
        held = 100 * table.groupby("quantity")["holds"].mean()
        half = table.loc[table["quantity"] == "D50", "half"].median()
        rows.append({"case": case.name, **held.round(1).to_dict(), "half_width": round(half, 1)})
        sys.stdout.write(f"{rows[-1]}\n")
        sys.stdout.flush()
    if options.out is not None:
        write(pd.DataFrame(rows), options.trials, options.out)


def write(table: pd.DataFrame, trials: int, out: Path) -> None:
    """The page."""
    error = 100 * (0.05 * 0.95 / trials) ** 0.5
    pooled = table[list(QUANTITIES)].to_numpy().mean()
    lines = [
        "# Intervals of mean sizes, against the groups as they ran",
        "",
        (__doc__ or "").split("\n\n    python")[0].strip(),
        "",
        f"`python tests/calibration/mean_sizes.py --trials {trials}`, seed {SEED}, "
        f"{date.today()}.  Monte Carlo error of one time's mean {error:.1f}, less for a row, "
        f"whose times are not independent.  Mean of all: {pooled:.1f} %.",
        "",
        "| " + " | ".join(table.columns) + " |",
        "|" + "---|" * len(table.columns),
        *("| " + " | ".join(map(str, row)) + " |" for row in table.to_numpy().tolist()),
        "",
    ]
    out.mkdir(parents=True, exist_ok=True)
    (out / "mean_sizes.md").write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
