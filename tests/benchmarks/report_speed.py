"""Time of the whole report: the demo studies, and an archive of many runs (invented data).

The archive is a simulated trial: five benches, five milling times and two ball ratios, with as many
replicates as the number of runs asks for; two benches share one stack of sieves and one balance,
one stack is certified, one is of another series, and one balance is coarse.  Each report is a fresh
process with the default options, as a user starts it, everything written.

Run: python tests/benchmarks/report_speed.py [RUNS ...]
"""

import argparse
import importlib.util
import sys
import tempfile
import time
from pathlib import Path
from types import MappingProxyType

from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study import save_study
from psdstats.study.records import Balance

_spec = importlib.util.spec_from_file_location(
    "benchmark_startup_for_reports", Path(__file__).with_name("startup.py")
)
startup = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(startup)

SEED = 200
TIMES_MIN = (0.0, 6.0, 12.0, 24.0, 48.0)
RATIOS = MappingProxyType({5.0: 0.7, 10.0: 1.0})
R20_3_UM = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
R40_3_UM = (53.0, 75.0, 106.0, 150.0, 212.0, 300.0, 425.0, 600.0)


def _benches():
    """Five benches on four stacks and four balances."""
    shared = SieveSet(name="Oak", apertures_um=R20_3_UM)
    fine = Balance(
        name="fine",
        resolution_g=0.01,
        repeatability_g=0.008,
        capacity_g=2200.0,
        slope_u=1e-5,
        linearity_g=0.02,
    )
    coarse = Balance(name="coarse", resolution_g=0.1, repeatability_g=0.05)
    best = Balance(name="best", resolution_g=0.001, repeatability_g=0.001)
    other = Balance(name="other", resolution_g=0.01, repeatability_g=0.01)
    certified = SieveSet(name="Elm", apertures_um=R20_3_UM, certificate_percent=1.0)
    return (
        Bench(name="Alder", sieves=shared, balance=fine),
        Bench(name="Birch", sieves=shared, balance=fine),
        Bench(name="Cedar", sieves=certified, balance=best),
        Bench(name="Hazel", sieves=SieveSet(name="Ash", apertures_um=R20_3_UM), balance=coarse),
        Bench(name="Rowan", sieves=SieveSet(name="Yew", apertures_um=R40_3_UM), balance=other),
    )


def archive_design(runs):
    """The trial with that many runs, a multiple of 50."""
    return TrialDesign(
        title=f"An archive of {runs} runs (invented)",
        benches=_benches(),
        powder=Powder(
            name="calcite filler (invented)",
            breakage=Breakage(
                rate_per_min=0.07, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3
            ),
            feed_d50_um=250.0,
            feed_gsd=1.42,
            density_g_per_cm3=2.71,
        ),
        times_min=TIMES_MIN,
        replicates=runs // (len(TIMES_MIN) * len(RATIOS) * len(_benches())),
        ball_ratios=RATIOS,
        spread=Spread(rate_bench=0.06, rate_run=0.05, size_bench=0.012, size_run=0.012),
        loss_percent=(0.2, 1.4),
    )


def write_archive(folder, runs):
    """Write the study of that many runs as files; gives its folder."""
    return save_study(simulate_study(archive_design(runs), seed=SEED).study, folder)


def report_archive(folder, runs, *words):
    """Report the archive of that many runs in a fresh process."""
    study = write_archive(Path(folder) / "archive", runs)
    out = str(Path(folder) / "out")
    startup.seconds(startup.RUN, "report", str(study), "--out", out, "--quiet", *words)


def archive_report(runs, *words):
    """Wall time, s, and processor time, s, of its report."""
    with tempfile.TemporaryDirectory() as name:
        start = time.perf_counter()
        processor = startup.processor_seconds(report_archive, name, runs, *words)
        return time.perf_counter() - start, processor


def demo_report(*, small=False):
    """Wall time, s, and processor time, s, of the report of a demo study, written first."""
    start = time.perf_counter()
    processor = startup.processor_seconds(startup.demo_report, small=small)
    return time.perf_counter() - start, processor


def main():
    """Print the table for the demo studies and archives of the numbers of runs named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("runs", type=int, nargs="*", default=[200], metavar="RUNS")
    sizes = parser.parse_args().runs
    rows = {
        "small demo (5 runs)": demo_report(small=True),
        "large demo (80 runs)": demo_report(),
        **{f"archive of {runs} runs": archive_report(runs) for runs in sizes},
    }
    for name, (wall, processor) in rows.items():
        sys.stdout.write(f"{name:24}{wall:7.1f} s, of them processor {processor:.1f} s\n")


if __name__ == "__main__":
    main()
