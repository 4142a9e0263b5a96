"""How often the bench checks cry wolf, and how often they find what they are for.

Clean studies (`bench_studies`) and faults (`bench_faults`) are invented, by a simulator written
apart from `psdstats.simulate`, so that the checks are not judged by the model they might share.

    python tests/calibration/bench_checks.py --out tests/calibration/results

writes bench_checks.csv (every figure) and bench_checks.md (with command, seed and date).
"""

import argparse
import math
import time
from collections import Counter
from pathlib import Path

import numpy as np
from bench_faults import SIZES, plant
from bench_studies import clean_study

from psdstats.study import check_study
from psdstats.study.flags import CHECKS

SEED = 20261125


def false_alarms(number, rng):
    """Findings in clean studies: share of studies with a warning or an error, and by check."""
    with_warning, by_check = 0, Counter()
    for _ in range(number):
        report = check_study(clean_study(rng))
        warned = {each.check for each in report.flags if each.severity != "note"}
        with_warning += bool(warned)
        by_check.update(warned)
    return with_warning, by_check


def found(check, number, rng):
    """How many of so many planted faults the check finds."""
    hits = tried = 0
    while tried < number:
        study = clean_study(rng)
        planted = plant(check, study, int(rng.integers(len(study.runs))), rng)
        if planted is None:
            continue
        tried += 1
        hits += any(each.check == check for each in check_study(planted).flags)
    return hits


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--clean", type=int, default=500)
    parser.add_argument("--planted", type=int, default=200)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    start = time.perf_counter()
    rng = np.random.default_rng(options.seed)
    warned, by_check = false_alarms(options.clean, rng)
    rows = [("clean studies with a warning", "no fault", warned, options.clean)]
    rows += [
        (check, SIZES[check], found(check, options.planted, rng), options.planted)
        for check in CHECKS
    ]
    options.out.mkdir(parents=True, exist_ok=True)
    lines = ["what,size,count,of,percent,monte_carlo_error_percent"]
    table = ["| what | planted size | count | share | Monte Carlo error |", "|---|---|---|---|---|"]
    for what, size, count, of in rows:
        share = count / of
        error = 100.0 * math.sqrt(max(share * (1.0 - share), 1.0 / of) / of)
        lines.append(f'{what},"{size}",{count},{of},{100 * share:.2f},{error:.2f}')
        table.append(f"| {what} | {size} | {count} of {of} | {100 * share:.1f} % | {error:.1f} % |")
    (options.out / "bench_checks.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    alarms = ", ".join(f"{name} {count}" for name, count in by_check.items()) or "none"
    text = (
        "# Bench checks: false alarms and planted faults\n\n"
        "Clean studies and faults are invented (see the script). Wanted: under 5 % of clean "
        "studies with a warning, at least 95 % of planted faults found.\n\n"
        + "\n".join(table)
        + f"\n\nWarnings in clean studies by check: {alarms}.\n\n"
        f"Command: `python tests/calibration/bench_checks.py --out tests/calibration/results "
        f"--clean {options.clean} --planted {options.planted} --seed {options.seed}`; "
        f"{time.strftime('%Y-%m-%d')}; {time.perf_counter() - start:.0f} s on one core.\n"
    )
    (options.out / "bench_checks.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
