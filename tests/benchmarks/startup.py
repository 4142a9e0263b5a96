"""Time to the first answer of the command line: help, small commands, the demo reports.

Each is a fresh process, as a user starts it; the first run is thrown away (warm), the median of
the rest counts.  Ratios to an empty Python process are steadier than seconds on a busy machine.

Run: python tests/benchmarks/startup.py
"""

import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RUN = "import sys; from psdstats_cli.main import main; sys.exit(main(sys.argv[1:]))"
ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


def seconds(code, *words, cwd=None):
    """Wall time of one fresh process."""
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", code, *words],
        check=True,
        cwd=cwd,
        env=ENVIRONMENT,
        stdout=subprocess.DEVNULL,
    )
    return time.perf_counter() - start


def processor_seconds(work, *arguments, **options):
    """Processor time, s, of the processes that some work starts: steady on a busy machine.

    With one thread it is about the wall time of a free machine.
    """
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    work(*arguments, **options)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def median_seconds(code, *words, repeats=5):
    """Median over warm runs."""
    seconds(code, *words)
    return statistics.median(seconds(code, *words) for _ in range(repeats))


def empty_python(repeats=5):
    """Median time of a Python process that does nothing."""
    return median_seconds("pass", repeats=repeats)


def help_page(repeats=5):
    """Median time of `psdstats --help`."""
    return median_seconds(RUN, "--help", repeats=repeats)


def imports_of_help():
    """Names of the modules loaded for `psdstats --help`."""
    code = (
        "import sys, contextlib, io\n"
        "from psdstats_cli.main import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "    main(['--help'])\n"
        "print('\\n'.join(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, env=ENVIRONMENT
    )
    return set(done.stdout.split())


def demo_report(*words, small=False):
    """Seconds of the report of a demo study in a fresh process, with its default options."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        seconds(RUN, "demo", "trial", *(["--small"] if small else []), cwd=folder)
        study = "trial/one_bench.csv" if small else "trial"
        return seconds(RUN, "report", study, "--out", "out", "--quiet", *words, cwd=folder)


def main():
    """Print the table."""
    nothing, helped = empty_python(), help_page()
    rows = {
        "python -c pass": nothing,
        "psdstats --help": helped,
        "report of the small demo": demo_report(small=True),
        "report of the large demo, linear": demo_report("--method", "linear"),
        "report of the large demo": demo_report(),
    }
    for name, value in rows.items():
        sys.stdout.write(f"{name:34}{value:6.2f} s, ratio {value / nothing:.1f}\n")


if __name__ == "__main__":
    main()
