"""Years of trials (invented data): time, memory and cost of `collect`, and how it grows.

One laboratory, a trial every second day from 2018: one bench at five milling times, two benches at
four, and the same with two runs each, in turn; folders, and every fourth a workbook.  Sieves and
certificates are replaced every thirty trials; every tenth trial is weighed on a coarse balance.
The unmilled powder of each trial is the same reference powder.

Run: python tests/benchmarks/archive.py [TRIALS ...] [--workers N] [--verdicts] [--write]
"""

import argparse
import datetime
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from psdstats.archive.collecting import find_trials
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import save_study
from psdstats.study.records import Balance

SEED = 16
FIRST_DAY, EVERY_DAYS = datetime.date(2018, 1, 8), 2
OF_ONE_STACK, COARSE_EVERY = 30, 10
APERTURES_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
KINDS = (
    (("Alder",), (0.0, 6.0, 12.0, 24.0, 48.0), 1),
    (("Alder", "Birch"), (0.0, 6.0, 12.0, 24.0), 1),
    (("Alder", "Birch"), (0.0, 6.0, 12.0, 24.0), 2),
)
FINE = Balance(
    name="house",
    resolution_g=0.01,
    repeatability_g=0.008,
    capacity_g=2200.0,
    slope_u=1e-5,
    linearity_g=0.02,
)
COARSE = replace(FINE, name="old", resolution_g=0.1, repeatability_g=0.05, linearity_g=0.1)
POWDER = Powder(
    name="calcite filler (invented)",
    breakage=Breakage(rate_per_min=0.07, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3),
    feed_d50_um=180.0,
    feed_gsd=1.42,
    density_g_per_cm3=2.71,
)
RESULT = Path(__file__).parents[1] / "calibration/results/archive.md"
LOADED = "with more than cores, wall times are too long by their ratio"
_COMMAND = "import sys; from psdstats_cli.main import main; sys.exit(main(sys.argv[1:]))"
_CALL = (
    "import sys; from psdstats import collect; trials, into, workers, verdicts = sys.argv[1:]; "
    "collect([trials], into, workers=int(workers), verdicts=verdicts == 'True')"
)


def _stack_of_trials(stack, kind, numbers):
    """Trials of one kind on the same sieves, simulated together so that errors are shared."""
    benches, times, replicates = KINDS[kind]
    sieves = SieveSet(name=f"stack {stack}", apertures_um=APERTURES_UM, certificate_percent=1.0)
    design = TrialDesign(
        title="trials",
        benches=tuple(
            Bench(
                name=f"{number} {bench}",
                sieves=sieves,
                balance=COARSE if number % COARSE_EVERY == 0 else FINE,
            )
            for number in numbers
            for bench in benches
        ),
        powder=POWDER,
        times_min=times,
        replicates=replicates,
        spread=Spread(rate_bench=0.06, rate_run=0.05, size_bench=0.012, size_run=0.012),
    )
    whole = simulate_study(design, seed=SEED + 10 * stack + kind).study
    for number in numbers:
        runs = [run for run in whole.runs if run.group.split()[0] == str(number)]
        yield replace(
            whole,
            title=f"Trial {number // 2 * 2} (invented)",  # two of one title
            material=POWDER.name,
            date=(FIRST_DAY + datetime.timedelta(days=EVERY_DAYS * number)).isoformat(),
            runs=tuple(
                replace(run, name=run.name.split("-", 1)[-1], group=run.group.split()[1])
                for run in _renamed(runs)
            ),
            sieves={key: one for key, one in whole.sieves.items() if _is_used(key, runs)},
            balances={run.balance: whole.balances[run.balance] for run in runs},
        )


def _is_used(key, runs):
    return any(reading.sieve == key for run in runs for reading in run.readings)


def _renamed(runs):
    for place, run in enumerate(runs):
        yield replace(run, name=f"x-{place + 1:02d}", charge=None)


def make_archive(folder, trials):
    """Write that many trials below a folder."""
    for stack in range(-(-trials // OF_ONE_STACK)):
        first = stack * OF_ONE_STACK
        for kind in range(len(KINDS)):
            numbers = [n for n in range(first, first + OF_ONE_STACK) if n % len(KINDS) == kind]
            numbers = [n for n in numbers if n < trials]
            for number, study in zip(
                numbers, _stack_of_trials(stack, kind, numbers) if numbers else (), strict=True
            ):
                place = Path(folder) / f"{study.date[:4]}/trial-{number:04d}"
                if number % 4:
                    save_study(study, place)
                else:
                    save_study(study, place.with_suffix(".xlsx"), form="workbook")


def measured(code, *words):
    """Wall time and processor time, s, and most memory, MB, of one process with its workers."""
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    start = time.monotonic()
    child = subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)],
        stdout=subprocess.DEVNULL,
        env=os.environ | threads,
    )
    _, status, used = os.wait4(child.pid, 0)
    wall, child.returncode = time.monotonic() - start, os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(map(str, words))} ended with {child.returncode}")
    return wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1000


def main():
    """Print the table; --write commits it to the results."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("trials", type=int, nargs="*", default=[125, 250, 500, 1000, 2000])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--verdicts", action="store_true")
    parser.add_argument("--write", action="store_true", help="write the table of results")
    asked = parser.parse_args()
    how = f"--workers {asked.workers}{' --verdicts' if asked.verdicts else ''}"
    how = f"{' '.join(map(str, asked.trials))} {how}"
    rows = []
    with tempfile.TemporaryDirectory() as name:
        make_archive(Path(name) / "all", max(asked.trials))
        for trials in asked.trials:
            rows.append(row_of(Path(name), trials, asked.workers, verdicts=asked.verdicts))
            sys.stdout.write(rows[-1] + "\n")
            sys.stdout.flush()
            if asked.write:
                RESULT.write_text(text_of(rows, how), encoding="utf-8")


def row_of(place, trials, workers, *, verdicts):
    """Collect the first trials of all, ask again, draw a chart."""
    given, into = place / str(trials), place / f"{trials}.sqlite"
    for one in sorted(find_trials([place / "all"]), key=lambda path: path.stem)[:trials]:
        own = given / one.relative_to(place / "all")
        own.parent.mkdir(parents=True, exist_ok=True)
        (shutil.copytree if one.is_dir() else shutil.copy2)(one, own)
    words = ["collect", given, "--into", into, "--workers", workers, "--quiet"]
    words += ["--verdicts"] * verdicts
    first = measured(_CALL, given, into, workers, verdicts)
    again = measured(_COMMAND, *words)
    words += ["--where", "milling_time_min=0", "--out", place / f"out {trials}"]
    chart = measured(_COMMAND, *words)
    return (
        f"| {trials} | {first[0]:.0f} | {first[1]:.0f} | {1000 * first[1] / trials:.0f} "
        f"| {first[2]:.0f} | {again[0]:.1f} | {again[1]:.1f} | {again[2]:.0f} "
        f"| {chart[0]:.1f} | {chart[2]:.0f} | {into.stat().st_size / 1e6:.1f} |"
    )


def text_of(rows, how):
    """The table with how it was made."""
    heads = ("trials", "first, s", "processor, s", "processor, ms a trial", "memory, MB")
    heads = (*heads, "again, s", "processor, s", "memory, MB")
    heads = (*heads, "chart, s", "memory, MB", "file, MB")
    load = os.getloadavg()[2]
    return f"""# Collecting an archive

{" ".join(__doc__.split("Run:")[0].split())}

`python tests/benchmarks/archive.py {how} --write`, seed {SEED}, {datetime.date.today()},
{os.cpu_count()} cores, on which {load:.0f} processes were at work (over 15 min; {LOADED}).
"First" is collecting alone, "again" the command with nothing changed and what it prints, "chart"
the same with a control chart of the unmilled powder and all files written.  Processor time is that
of the process that asked and of its workers together, memory that of the largest of them.

| {" | ".join(heads)} |
|{" ---: |" * len(heads)}
{chr(10).join(rows)}
"""


if __name__ == "__main__":
    main()
