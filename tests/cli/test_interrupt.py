"""Ctrl-C while a command writes leaves the old output or none, and says so in one sentence."""

import os
import shutil
import signal
import subprocess
import sys
import time

import pytest

from psdstats import read_study

RUN = """
import signal, sys
from psdstats_cli.main import main

signal.signal(signal.SIGINT, signal.default_int_handler)  # a job in the background ignores it
sys.exit(main(sys.argv[1:]))
"""


def _start(folder, *words):
    return subprocess.Popen(
        [sys.executable, "-c", RUN, *words],
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


def _interrupt(folder, pattern, *words):
    """Stop a command while its draft stands; gives its exit code and what it said."""
    process = _start(folder, *words)
    assert _wait_for_draft(folder, process, pattern)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=120)
    return process.returncode, said


STOPPED = (130, "psdstats: Stopped from the keyboard; nothing was half-written.\n")
DRAFT = ".{}.psdstats-draft/draft-*/new/*"


@pytest.mark.parametrize(("command", "is_there"), [("sizes", False), ("report", True)])
def test_interrupt_while_results_are_written(
    psdstats, tmp_path, two_times, contents, command, is_there
):
    words = (command, two_times.name, "--method", "linear", "--out", "r", "--replace", "--quiet")
    if is_there:
        assert psdstats("sizes", *words[1:]).code == 0
    before = contents(tmp_path)
    assert _interrupt(tmp_path, DRAFT.format("r") + "/tables/*", *words) == STOPPED
    assert contents(tmp_path) == before


@pytest.mark.parametrize("target", ["r.xlsx", "r.csv", "r"])
def test_interrupt_while_a_study_is_converted(tmp_path, benches, contents, target):
    """A conversion is short: it may be whole before the signal arrives, but never half."""
    before = contents(tmp_path)
    for _ in range(5):
        code, said = _interrupt(
            tmp_path, DRAFT.format(target), "convert", benches.name, target, "--quiet"
        )
        if code:
            break
        place = tmp_path / target
        assert len(read_study(place).runs) == 80
        shutil.rmtree(place) if place.is_dir() else place.unlink()
    assert (code, said) == STOPPED
    assert contents(tmp_path) == before


def test_reader_that_leaves_is_no_error(tmp_path, benches):
    """A pipe closed early (as by head) ends the command without a traceback."""
    process = _start(tmp_path, "check", benches.name, "--notes")
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=120) == 1  # it found warnings
    assert said == ""
