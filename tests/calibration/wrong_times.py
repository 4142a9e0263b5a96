"""How often `check` names a run of wrong time in clean trials, and how often it finds one.

Trials are those of `psdstats.simulate`: 3 to 6 times, 1 to 3 replicates, 1 to 4 groups, runs that
scatter by 1 to 5 %, groups that differ by 3 to 8 % in size and by 8 % in rate, stacks shared or
own, charges sampled once or at all times.  Into each a wrong time is planted in three ways: two
runs of a group at neighbouring times exchanged, two at any times, and one run with another time of
the trial; where groups have repeated runs also in a fourth: all runs of a group at two times
exchanged.  Counted by how far the sizes at the two times lie apart.

    python tests/calibration/wrong_times.py --out tests/calibration/results

writes wrong_times.csv and wrong_times.md (with command, seed and date).
"""

import argparse
import dataclasses
import math
import time
from collections import Counter
from pathlib import Path

import numpy as np

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import Balance, check_study
from psdstats.study.runs import chord_um

SEED = 20261130
APERTURES_UM = (32.0, 45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0, 710.0)
TIMES_MIN = (
    (0.0, 6.0, 12.0, 24.0, 48.0),
    (0.0, 1.0, 4.0, 15.0, 60.0),
    (0.0, 10.0, 20.0, 30.0, 40.0),
    (0.0, 5.0, 10.0, 20.0, 40.0, 60.0),
)
APART = ((0.0, "under 10 %"), (0.1, "10 to 20 %"), (0.2, "20 to 40 %"), (0.4, "40 % and more"))
FAULTS = (
    "neighbours exchanged", "any two exchanged", "another time written", "two times exchanged",
)  # fmt: skip
CELLS = "groups, repeated runs"  # the trials of the last fault


def clean_trial(rng, number):
    """One trial without a fault, and what kind of trial it is."""
    groups, replicates = int(rng.integers(1, 5)), int(rng.integers(1, 4))
    times = TIMES_MIN[rng.integers(len(TIMES_MIN))]
    times = times[: rng.integers(3, len(times) + 1)]
    shared = bool(rng.random() < 0.5)
    balance = Balance(name="bench", resolution_g=0.01, repeatability_g=0.01)
    benches = tuple(
        Bench(
            name=name,
            sieves=SieveSet(name="lab" if shared else name, apertures_um=APERTURES_UM),
            balance=balance,
        )
        for name in ("Alder", "Birch", "Cedar", "Rowan")[:groups]
    )
    powder = Powder(
        breakage=Breakage(rate_per_min=float(rng.choice([0.02, 0.05, 0.1]))),
        feed_d50_um=float(rng.uniform(250.0, 420.0)),
        density_g_per_cm3=2.6,
    )
    spread = Spread(
        size_run=rng.uniform(0.01, 0.05), size_bench=rng.uniform(0.03, 0.08), rate_bench=0.08
    )
    design = TrialDesign(
        benches=benches, powder=powder, times_min=times, replicates=replicates, spread=spread,
        one_charge=bool(rng.random() < 0.3),
    )  # fmt: skip
    kind = (
        f"{'one group' if groups == 1 else 'groups'}, {'single' if replicates == 1 else 'repeated'}"
    )
    return simulate_study(design, seed=number).study, f"{kind} runs"


def plant(study, fault, rng):
    """The study with a wrong time, the runs it touches, and how far their sizes lie apart."""
    runs = list(study.runs)
    times = sorted({run.milling_time_min for run in runs})
    one = int(rng.integers(len(runs)))
    group, own = runs[one].group, times.index(runs[one].milling_time_min)
    step = 1 if fault == FAULTS[0] else len(times)
    others = [
        number
        for number, run in enumerate(runs)
        if run.group == group and 0 < abs(times.index(run.milling_time_min) - own) <= step
    ]
    other = int(rng.choice(others))
    touched = [one] if fault == FAULTS[2] else [one, other]
    both = runs[one], runs[other]
    minutes = [run.milling_time_min for run in both]
    if fault == FAULTS[3]:
        touched = [
            number
            for number, run in enumerate(runs)
            if run.group == group and run.milling_time_min in minutes
        ]
    for number in touched:
        to = minutes[runs[number].milling_time_min == minutes[0]]
        runs[number] = dataclasses.replace(runs[number], milling_time_min=to)
    sizes = [chord_um(run, 0.5) for run in both]
    apart = abs(math.log(sizes[0] / sizes[1])) if max(sizes) < math.inf else math.inf
    named = {runs[number].name for number in touched}
    return dataclasses.replace(study, runs=tuple(runs)), named, apart


def named_runs(study):
    """Runs that are said to be of another time."""
    return {flag.spot.run for flag in check_study(study).flags if flag.check == "wrong_time"}


def measure(number, rng):
    """Alarms in clean trials by kind; what was named of planted faults."""
    clean, planted = Counter(), Counter()
    for trial in range(number):
        seed = int(rng.integers(2**31)) + trial
        study, kind = clean_trial(rng, seed)
        clean[kind, "trials"] += 1
        clean[kind, "alarms"] += bool(named_runs(study))
        for fault in FAULTS if kind == CELLS else FAULTS[:3]:
            own = np.random.default_rng(seed) if fault == FAULTS[3] else rng  # came later
            wrong, touched, apart = plant(study, fault, own)
            if apart == math.inf:
                continue
            where = fault, kind, max(one for one in APART if apart >= one[0])[1]
            named = named_runs(wrong)
            planted[where, "trials"] += 1
            planted[where, "all named"] += touched <= named
            planted[where, "some named"] += bool(touched & named)
            planted[where, "others named"] += bool(named - touched)
    return clean, planted


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=400)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    start = time.perf_counter()
    clean, planted = measure(options.trials, np.random.default_rng(options.seed))
    kinds = sorted({kind for kind, _ in clean})
    rows = [("no fault", kind, "", clean[kind, "trials"], clean[kind, "alarms"]) for kind in kinds]
    alarms = sum(row[4] for row in rows)
    share = alarms / options.trials
    error = math.sqrt(max(share * (1.0 - share), 1.0 / options.trials) / options.trials)
    head = ("fault", "kind", "apart", "trials", "all named", "some named", "others named")
    rows = [(*row, row[4], row[4]) for row in rows]
    rows += [
        (fault, kind, apart, planted[(fault, kind, apart), "trials"],
         *(planted[(fault, kind, apart), one] for one in head[4:]))
        for fault in FAULTS
        for kind in kinds
        for _, apart in APART
        if planted[(fault, kind, apart), "trials"]
    ]  # fmt: skip
    options.out.mkdir(parents=True, exist_ok=True)
    lines = [",".join(head), *(",".join(f'"{one}"' for one in row) for row in rows)]
    (options.out / "wrong_times.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    table = [f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    table += [f"| {' | '.join(map(str, row))} |" for row in rows]
    text = (
        "# Runs of wrong time: false alarms, and planted ones found\n\n"
        "Trials are invented (see the script).  Wanted: at most 5 % of clean trials with such a "
        f"remark.  Found: {alarms} of {options.trials}, {100 * share:.1f} % (Monte Carlo error "
        f"{100 * error:.1f} %).  Counts of trials; apart is how far ln D50 of the two runs lies.  "
        "Of single runs of one group only a rise is told, of both runs beside it.\n\n"
        + "\n".join(table)
        + "\n\nCommand: `python tests/calibration/wrong_times.py --out tests/calibration/results "
        f"--trials {options.trials} --seed {options.seed}`; "
        f"{time.strftime('%Y-%m-%d')}; {time.perf_counter() - start:.0f} s on one core.\n"
    )
    (options.out / "wrong_times.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
