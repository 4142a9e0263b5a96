"""Processor time and memory of `sizes` and `compare` by the number of runs (invented data).

A simulated archive: fifty groups at five milling times, nine sieves and a pan, so ten rows a run;
five groups share a stack of sieves, ten a balance, every other stack is certified.  Each command is
a fresh process on one thread; memory is the most it held.

Run: python tests/benchmarks/large_studies.py [RUNS ...] [--write]
"""

import argparse
import datetime
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import save_study
from psdstats.study.records import Balance

SEED = 15
GROUPS, SHARE_STACK, SHARE_BALANCE = 50, 5, 10
TIMES_MIN = (0.0, 6.0, 12.0, 24.0, 48.0)
APERTURES_UM = (32.0, 45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
RESULT = Path(__file__).parents[1] / "calibration/results/large_studies.md"
KINDS = {
    "sizes, linear": ("sizes", "--method", "linear"),
    "sizes, linear by a prescribed rule": ("sizes", "--method", "linear"),
    "sizes, as usual": ("sizes",),
    "compare": ("compare",),
}
MOST = {"sizes, as usual": 500}
_CALL = "import sys; from psdstats_cli.main import main; sys.exit(main(sys.argv[1:]))"


def _bench(number):
    """One of the groups, with the stack and the balance of its neighbours."""
    stack, balance = number // SHARE_STACK, number // SHARE_BALANCE
    return Bench(
        name=f"Bench {number + 1:02d}",
        sieves=SieveSet(
            name=f"Stack {stack + 1}",
            apertures_um=APERTURES_UM,
            certificate_percent=1.0 if stack % 2 else None,
        ),
        balance=Balance(
            name=f"balance {balance + 1}",
            resolution_g=0.01,
            repeatability_g=0.008,
            capacity_g=2200.0,
            slope_u=1e-5,
            linearity_g=0.02,
        ),
    )


def large_study(runs, *, rule=None):
    """The study of that many runs, a multiple of 250."""
    design = TrialDesign(
        title=f"An archive of {runs} runs (invented)",
        benches=tuple(map(_bench, range(GROUPS))),
        powder=Powder(
            name="calcite filler (invented)",
            breakage=Breakage(
                rate_per_min=0.07, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3
            ),
            feed_d50_um=180.0,
            feed_gsd=1.42,
            density_g_per_cm3=2.71,
        ),
        times_min=TIMES_MIN,
        replicates=runs // (GROUPS * len(TIMES_MIN)),
        spread=Spread(rate_bench=0.06, rate_run=0.05, size_bench=0.012, size_run=0.012),
    )
    return simulate_study(design, seed=SEED, rule=rule).study


def measured(folder, words):
    """Processor time, s, and most memory, MB, of one command in a process of its own."""
    threads = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")
    child = subprocess.Popen(
        [sys.executable, "-c", _CALL, words[0], str(folder), *words[1:], "--quiet"],
        stdout=subprocess.DEVNULL,
        env=os.environ | threads,
    )
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(words)} ended with {child.returncode}")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1000


def main():
    """Print the table; --write commits it to the results."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("runs", type=int, nargs="*", default=[500, 1000, 2000, 5000, 10_000])
    parser.add_argument("--write", action="store_true", help="write the table of results")
    parser.add_argument("--kinds", nargs="*", default=list(KINDS), choices=list(KINDS))
    asked = parser.parse_args()
    rows = []
    for runs in asked.runs:
        with tempfile.TemporaryDirectory() as name:
            for kind in asked.kinds:
                if runs > MOST.get(kind, runs):
                    continue
                rule = "semilog" if "rule" in kind else None
                folder = Path(name) / (rule or "own")
                if not folder.exists():
                    save_study(large_study(runs, rule=rule), folder)
                spent, memory = measured(folder, KINDS[kind])
                rows.append(f"| {kind} | {runs} | {spent:.1f} | {memory:.0f} |")
                sys.stdout.write(rows[-1] + "\n")
                sys.stdout.flush()
    if asked.write:
        head = (
            "# Large studies\n\n`python tests/benchmarks/large_studies.py "
            f"{chr(32).join(sys.argv[1:])}`, seed "
            f"{SEED}, {datetime.date.today()}.\n\n{__doc__.split(chr(10) * 2)[1]}\n\n"
            "| command | runs | processor, s | most memory, MB |\n|---|--:|--:|--:|\n"
        )
        RESULT.write_text(head + "\n".join(sorted(rows)) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
