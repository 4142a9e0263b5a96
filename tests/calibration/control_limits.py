"""How often a point in control lies outside its limits, and one out of control inside (simulated).

Points differ by a standard deviation between trials of 1 %; their own uncertainty, and the errors
of the sieves they were made with, are as in each row.  Beside the limits of the archive stand those
of the textbook, which know no uncertainty: mean ± 2.66 mean moving range.  "Coarse" are the points
of the worse balance, "new" those of the last stack of sieves.

Run: python tests/calibration/control_limits.py [--charts N] [--write]
"""

import argparse
import datetime
import sys
from pathlib import Path

import numpy as np
import pandas as pd

from psdstats.archive.charts import D2, Points, chart_of

SEED = 16
BETWEEN = 0.01
SHIFT = 0.05
RESULT = Path(__file__).parent / "results/control_limits.md"
KINDS = {
    "u 0": (0.0, 0.0, 0.0),
    "u 1 % each": (0.01, 0.01, 0.0),
    "u 0.2 %, every fifth 3 % (coarse)": (0.002, 0.03, 0.0),
    "u 0.2 %, five stacks of sieves, each off by 2 %": (0.002, 0.002, 0.02),
}


def simulated(points, kind, rng):
    """One chart's points, and which of them are marked."""
    fine, coarse, sieves = KINDS[kind]
    every_fifth = np.arange(points) % 5 == 4
    own = np.where(every_fifth, coarse, fine)
    stack = np.repeat(np.eye(5), -(-points // 5), axis=0)[:points]
    marked = stack[:, 4] > 0 if sieves else every_fifth
    y = BETWEEN * rng.standard_normal(points) + own * rng.standard_normal(points)
    y += sieves * stack @ rng.standard_normal(5)
    days = pd.Timestamp("2020-01-06") + pd.to_timedelta(7 * np.arange(points), unit="D")
    frame = pd.DataFrame({"path": "t", "date": days.strftime("%Y-%m-%d"), "runs": 1})
    shared = sieves * stack if sieves else np.zeros((points, 0))
    return Points(frame=frame, y=y, own=own, shared=shared, scatter=(0.0, 0.0, 0.0)), marked


def outside(given):
    """Points outside the limits of the archive, and outside those of the textbook."""
    found = chart_of(given, "D50").points["is_outside"].to_numpy(bool)
    half = 3 / D2 * np.abs(np.diff(given.y)).mean()
    return found, np.abs(given.y - given.y.mean()) > half


def row(points, kind, charts, rng):
    """One row of the table: shares of points, per cent."""
    counts = np.zeros((2, 3, 2))  # archive or textbook; all, marked, shifted; outside and in all
    for _ in range(charts):
        given, marked = simulated(points, kind, rng)
        for which, found in enumerate(outside(given)):
            counts[which, 0] += found.sum(), found.size
            counts[which, 1] += found[marked].sum(), marked.sum()
        y = given.y.copy()
        y[points // 2] += SHIFT
        moved = Points(
            frame=given.frame, y=y, own=given.own, shared=given.shared, scatter=given.scatter
        )
        for which, found in enumerate(outside(moved)):
            counts[which, 2] += found[points // 2], 1
    share = 100 * counts[..., 0] / np.maximum(counts[..., 1], 1)
    error = 100 * np.sqrt(0.0027 / counts[0, 0, 1])
    cells = [f"{share[which, what]:.2f}" for what in (0, 1) for which in (0, 1)]
    cells += [f"{share[which, 2]:.0f}" for which in (0, 1)]
    return f"| {kind} | {points} | {' | '.join(cells)} | {error:.2f} |"


def main():
    """Print the table; --write commits it to the results."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--charts", type=int, default=1000)
    parser.add_argument("--write", action="store_true", help="write the table of results")
    asked = parser.parse_args()
    rng = np.random.default_rng(SEED)
    rows = [row(points, kind, asked.charts, rng) for kind in KINDS for points in (25, 100)]
    heads = ("points", "all, archive", "textbook", "marked, archive", "textbook")
    heads = ("kind", *heads, "shifted, archive", "textbook", "MC error")
    text = f"""# Limits of control charts

{" ".join(__doc__.split("Run:")[0].split())}

Share of points outside, per cent: of all, of the marked, and of one point shifted by 5 %.  Known
limits of three standard deviations leave 0.27 % outside; limits estimated from few points more.
`python tests/calibration/control_limits.py --charts {asked.charts} --write`, seed {SEED},
{datetime.date.today()}.

| {" | ".join(heads)} |
|{" --- |" * len(heads)}
{chr(10).join(rows)}
"""
    sys.stdout.write(text)
    if asked.write:
        RESULT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
