"""Ctrl-C at any moment of a report leaves the old output or none, and says so in one sentence."""

import os
import signal
import subprocess
import sys
import time

import pytest

RUN = "import sys; from psdstats_cli.main import main; sys.exit(main(sys.argv[1:]))"


def _start(folder, *words):
    return subprocess.Popen(
        [sys.executable, "-c", RUN, *words],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )


def _wait_for_draft(folder, process):
    """Wait until the command is writing: its draft stands under a hidden name."""
    end = time.monotonic() + 120
    while time.monotonic() < end and process.poll() is None:
        if list(folder.glob(".r.psdstats-*/tables/*")):
            return True
        time.sleep(0.005)
    return False


@pytest.mark.parametrize("is_there", [False, True], ids=["new", "replacing"])
def test_interrupt_while_writing(tmp_path, bench, contents, is_there):
    words = ("sizes", bench.name, "--method", "linear", "--out", "r", "--replace")
    if is_there:
        first = _start(tmp_path, *words)
        first.communicate(timeout=120)
        assert first.returncode == 0
    before = contents(tmp_path)
    process = _start(tmp_path, *words)
    assert _wait_for_draft(tmp_path, process)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=120)
    assert process.returncode == 130
    assert said == "psdstats: Stopped from the keyboard; nothing was half-written.\n"
    assert contents(tmp_path) == before


def test_reader_that_leaves_is_no_error(tmp_path, benches):
    """A pipe closed early (as by head) ends the command without a traceback."""
    process = _start(tmp_path, "check", benches.name, "--notes")
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=120) == 0
    assert said == ""
