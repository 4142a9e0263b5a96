"""The line of progress: time left from the shares of the stages, and nothing left behind."""

import contextlib
import os
import pty
import re
import subprocess
import sys

import pytest
from psdstats_cli import console as progress
from psdstats_cli.console import Console

RUN = """
import sys
from psdstats_cli import console, main

console.AFTER_S = console.EVERY_S = 0.0  # as if the work were long
sys.exit(main.main(sys.argv[1:]))
"""


@pytest.fixture
def clock(monkeypatch):
    """A clock that the test winds, beside a terminal of 80 columns."""

    class Clock:
        now = 100.0

    monkeypatch.setattr(progress.time, "monotonic", lambda: Clock.now)
    monkeypatch.setenv("COLUMNS", "80")
    return Clock


def _lines(capsys):
    return [line.rstrip() for line in capsys.readouterr().err.split("\r")[1:]]


def test_time_left_follows_the_shares_of_the_stages(clock, capsys):
    """Exact case: 4 s for 20 of 100 parts leave 16 s; half of the next 60 makes 50 of 100."""
    line = progress.ProgressLine({"drawing": 20, "fitting": 60, "writing": 20})
    line.begin("drawing")
    clock.now += 4.0
    line.begin("fitting")
    clock.now += 6.0
    line.update(5, 10)
    clock.now += 10.0
    line.update(10, 10)
    assert _lines(capsys) == [
        "20 % done, about 16 s left (fitting)",
        "50 % done, about 10 s left (fitting)",
        "80 % done, about 5 s left (fitting)",
    ]


def test_short_work_shows_nothing(clock, capsys):
    line = progress.ProgressLine({"drawing": 1})
    line.begin("drawing")
    clock.now += 0.9
    line.update(1, 2)
    line.clear()
    assert capsys.readouterr().err == ""


def test_line_is_removed_and_never_wraps(clock, monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "20")
    line = progress.ProgressLine({"drawing readings": 1})
    line.begin("drawing readings")
    clock.now += 5.0
    line.update(1, 2)
    line.clear()
    start, shown, wiped, end = capsys.readouterr().err.split("\r")
    assert (start, shown, wiped, end) == ("", "50 % done, about 5 ", " " * 19, "")


def test_no_callback_where_nobody_looks(capsys):
    for console in (Console(), Console(quiet=True)):
        with console.stages({"drawing": 1}), console.progress("drawing") as callback:
            assert callback is None
    assert capsys.readouterr().err == ""


def test_on_a_terminal_progress_is_shown_and_nothing_is_coloured(two_times):
    """A real pseudo-terminal on standard error; the result goes through a pipe."""
    ours, theirs = pty.openpty()
    words = ("sizes", str(two_times), "--draws", "20000")
    with subprocess.Popen(
        [sys.executable, "-c", RUN, *words], stdout=subprocess.PIPE, stderr=theirs
    ) as process:
        os.close(theirs)
        result = process.stdout.read()
        said = _drained(ours)
    assert process.returncode == 0
    assert re.search(rb"\d+ % done, about \d+ s left \(drawing readings\)", said)
    assert b"\x1b" not in said + result
    assert said.endswith(b"\r")


def test_asked_for_progress_goes_down_a_pipe_as_lines(two_times):
    """Whole lines beside a result that is the same with and without them; --quiet ends them."""
    words = [sys.executable, "-c", RUN, "sizes", str(two_times), "--draws", "20000"]
    bare, asked, quiet = (
        subprocess.run([*words, *more], capture_output=True, check=True)
        for more in ((), ("--progress",), ("--progress", "--quiet"))
    )
    lines = asked.stderr.decode().splitlines(keepends=True)
    form = re.compile(r"psdstats: \d+ % done(, about \d+ s left)? \(.+\)\n")
    told = [line for line in lines if form.fullmatch(line)]
    assert told
    assert [line for line in lines if line not in told] == bare.stderr.decode().splitlines(True)
    assert not re.search(rb"% done", bare.stderr + quiet.stderr)
    assert asked.stdout == bare.stdout


def test_progress_that_nobody_reads_ends_nothing(two_times):
    """The reader of the lines goes away; the result is there all the same."""
    words = [sys.executable, "-c", RUN, "sizes", str(two_times), "--draws", "20000", "--progress"]
    theirs, ours = os.pipe()
    os.close(theirs)
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=ours) as process:
        os.close(ours)
        result = process.stdout.read()
    assert process.returncode == 0
    assert b"D50" in result


def _drained(terminal):
    """Everything written to a terminal whose other side is closed."""
    said = b""
    with contextlib.suppress(OSError):  # how Linux reports that the other side is closed
        while part := os.read(terminal, 65536):
            said += part
    os.close(terminal)
    return said
