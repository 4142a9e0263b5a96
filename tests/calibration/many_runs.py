"""What the law of very many runs leaves out: its uncertainties over those of the law of fewer.

One study that is small enough for both (250 runs of the archive in tests/benchmarks/large_studies,
fifty groups at five times; invented).  No truth comes in: this compares two computations, and says
by how much the shorter one is more certain than the whole one.  For D10, D50, D90: u of each size,
u of the change from the first to the last time and from each time to the next within each group,
and u of the change of the means over all groups.

    python tests/calibration/many_runs.py --out tests/calibration/results
"""

import argparse
import sys
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
import large_studies

from psdstats.uncertainty import law as laws

TIMES = sorted(large_studies.TIMES_MIN)
RUNS, NAMES = 250, ("D10", "D50", "D90")
SHARES = (0.0, 0.05, 0.5, 1.0)


def uncertainties(study, most_at_once):
    """Standard uncertainties of ln sizes, changes within groups and changes of means, by name."""
    laws.MOST_AT_ONCE = most_at_once
    laws._FOUND.clear()
    found = laws.prepare(study)
    runs = {run.name: run for run in study.runs}
    order = [runs[name] for name in found.arrays.runs]
    at = [np.array([run.milling_time_min == time for run in order]) for time in TIMES]
    first, last = at[0], at[-1]
    groups = sorted({run.group for run in order})
    member = np.array([[run.group == group for run in order] for group in groups])
    mean = last / last.sum() - first / first.sum()
    within = (member & last) * 1.0 - (member & first)
    steps = np.concatenate([1.0 * (member & b) - (member & a) for a, b in pairwise(at)])
    told = {}
    for q, name in enumerate(NAMES):
        own = found.contributions.rows(slice(q, None, 4))
        told[name, "a size"] = own.u
        told[name, "a change within one group"] = own.contrasts(within).u
        told[name, "a step within one group"] = own.contrasts(steps).u
        told[name, "the change of the means of all groups"] = own.contrasts(mean[None]).u
    return told


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    usual = laws.MOST_AT_ONCE
    study = large_studies.large_study(RUNS)
    whole, many = (uncertainties(study, limit) for limit in (RUNS, 0))
    lines = [
        "# The law of very many runs against the whole law",
        "",
        *__doc__.split("\n\n")[1:2],
        "",
        f"`python tests/calibration/many_runs.py`, seed {large_studies.SEED}, {date.today()}.",
        f"Above {usual} runs the law of very many runs is used.",
        "",
        "| size | u of | number | lowest ratio | 5 % below | median | highest |",
        "|---|---|--:|--:|--:|--:|--:|",
    ]
    for (name, what), u in whole.items():
        ratio = many[name, what] / u
        ratio = ratio[np.isfinite(ratio)]
        cells = " | ".join(f"{one:.2f}" for one in np.quantile(ratio, SHARES))
        lines.append(f"| {name} | {what} | {ratio.size} | {cells} |")
    text = "\n".join(lines) + "\n"
    sys.stdout.write(text)
    if options.out is not None:
        (options.out / "many_runs.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
