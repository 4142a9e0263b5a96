"""Ctrl-C or SIGTERM leaves the old output or none, and is said in one sentence.

More of it, and every command, in the study of attacks (`tests/calibration/writing_attacks.py`).
"""

import os
import shutil
import signal
import subprocess
import sys
import time

import pytest
from psdstats_datasets import demo_path

from psdstats import read_study

RUN = """
import signal, sys
from psdstats_cli.__main__ import main

signal.signal(signal.SIGINT, signal.default_int_handler)  # a job in the background ignores it
sys.exit(main())
"""


def _start(folder, *words, run=RUN):
    return subprocess.Popen(
        [sys.executable, "-c", run, *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )


def _wait_for_draft(folder, process, pattern):
    """Wait until the command is writing: its draft stands under a hidden name."""
    end = time.monotonic() + 120
    while time.monotonic() < end and process.poll() is None:
        if list(folder.glob(pattern)):
            return True
        time.sleep(0.002)
    return False


def _interrupt(folder, pattern, *words, by=signal.SIGINT):
    """Stop a command while its draft stands; gives its exit code and what it said."""
    process = _start(folder, *words)
    assert _wait_for_draft(folder, process, pattern)
    process.send_signal(by)
    _, said = process.communicate(timeout=120)
    return process.returncode, said


STOPPED = {
    signal.SIGINT: (130, "psdstats: Stopped from the keyboard; nothing was half-written.\n"),
    signal.SIGTERM: (143, "psdstats: Stopped by SIGTERM; nothing was half-written.\n"),
}
DRAFT = ".{}.psdstats-draft/draft-*/new/*"


def test_interrupt_while_results_are_written(tmp_path, two_times, contents):
    words = ("sizes", two_times.name, "--method", "linear", "--out", "r", "--quiet")
    before = contents(tmp_path)
    said = _interrupt(tmp_path, DRAFT.format("r") + "/tables/*", *words)
    assert said == STOPPED[signal.SIGINT]
    assert contents(tmp_path) == before


@pytest.mark.parametrize(("target", "by"), [("r.xlsx", signal.SIGINT), ("r", signal.SIGTERM)])
def test_interrupt_while_a_study_is_converted(tmp_path, benches, contents, target, by):
    """A conversion is short: it may be whole before the signal arrives, but never half."""
    before = contents(tmp_path)
    words = ("convert", benches.name, target, "--quiet")
    for _ in range(5):
        code, said = _interrupt(tmp_path, DRAFT.format(target), *words, by=by)
        if code:
            break
        place = tmp_path / target
        assert len(read_study(place).runs) == 80
        shutil.rmtree(place) if place.is_dir() else place.unlink()
    assert (code, said) == STOPPED[by]
    assert contents(tmp_path) == before


LOADING = """
import os, signal, sys

class Finder:  # Ctrl-C at the moment a module is loaded
    def find_spec(name, path=None, target=None):
        if name == MODULE:
            sys.meta_path.remove(Finder)
            os.kill(os.getpid(), signal.SIGINT)

signal.signal(signal.SIGINT, signal.default_int_handler)
sys.meta_path.insert(0, Finder)
from psdstats_cli.__main__ import main

sys.exit(main())
"""


@pytest.mark.parametrize(
    ("module", "ends"),
    [
        ("argparse", (-signal.SIGINT, "")),
        ("psdstats_cli.main", (-signal.SIGINT, "")),
        ("numpy", STOPPED[signal.SIGINT]),
        ("pandas", STOPPED[signal.SIGINT]),
    ],
)
def test_interrupt_while_modules_are_loaded(tmp_path, bench, module, ends):
    """Before there is anything to say, the process ends without a word."""
    run = LOADING.replace("MODULE", repr(module))
    process = _start(tmp_path, "check", bench.name, run=run)
    _, said = process.communicate(timeout=120)
    assert (process.returncode, said) == ends


SWALLOWED = """
import os, signal, sys
from psdstats_cli.commands import demo

def run(options, console):
    try:
        os.kill(os.getpid(), signal.SIGINT)
    except KeyboardInterrupt:
        return 0

demo.run = run
from psdstats_cli.__main__ import main

signal.signal(signal.SIGINT, signal.default_int_handler)
sys.exit(main())
"""


def test_interrupt_that_a_library_swallows_is_said_all_the_same(tmp_path):
    process = _start(tmp_path, "demo", "d", run=SWALLOWED)
    _, said = process.communicate(timeout=120)
    assert (process.returncode, said) == STOPPED[signal.SIGINT]


def test_reader_that_leaves_is_no_error(tmp_path, benches):
    """A pipe closed early (as by head) ends the command without a traceback."""
    process = _start(tmp_path, "check", benches.name, "--notes")
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=120) == 1  # it found warnings
    assert said == ""


def test_files_are_written_though_the_reader_left(tmp_path):
    words = ("plan", "charge", "--jar-mm", "150", "--jar-ml", "2000", "--balls", "20:2,10:1")
    words += ("--ball-density", "7.8", "--ball-to-powder", "5", "--out", "p")
    process = _start(tmp_path, *words)
    process.stdout.close()
    assert (process.stderr.read(), process.wait(timeout=120)) == ("", 0)
    process.stderr.close()
    assert list((tmp_path / "p" / "tables").iterdir())


@pytest.mark.parametrize(
    ("closed", "words", "code"),
    [
        ("<&- >&- 2>&-", "demo d", 0),
        (">&-", "demo d", 0),
        (">&-", "--help", 0),
        ("2>&-", "demo", 2),
        (">&- 2>&-", "demo", 2),
        (">/dev/full", "--help", 2),
        (">/dev/full", "demo d", 2),
        ("2>/dev/full", "demo", 2),
    ],
)
def test_closed_and_full_streams(tmp_path, closed, words, code):
    """No traceback, and no word of it in a file that took the number of a closed stream."""
    done = subprocess.run(
        ["sh", "-c", f'exec "$0" -m psdstats_cli {words} {closed}', sys.executable],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == code, done.stderr
    assert done.stderr.count("\n") == (">/dev/full" in closed and "2" not in closed)
    if words == "demo d":
        names = ("README.md", "runs.csv", "sieves.csv", "study.toml", "weighings.csv")
        source = demo_path("four_benches")
        for name in names:
            assert (tmp_path / "d" / name).read_bytes() == (source / name).read_bytes()
