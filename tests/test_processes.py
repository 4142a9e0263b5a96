"""Work shared among processes: order, most of them, and what becomes of them with their parent."""

import os
import signal
import subprocess
import sys
import threading
import time
from functools import partial
from pathlib import Path

import pytest

from psdstats import processes
from psdstats.errors import PsdstatsError
from psdstats.processes import beside, cores, forks, in_processes, shared_out

SLEEPERS = """
import time
from psdstats.processes import in_processes
list(in_processes(time.sleep, [(120,)] * 2, workers=2))
"""


def test_one_worker_is_this_process():
    assert list(in_processes(lambda a, b: (a - b, os.getpid()), [(3, 1), (5, 2)], workers=1)) == [
        (2, os.getpid()),
        (3, os.getpid()),
    ]


def test_no_more_processes_than_cores(monkeypatch):
    asked = []

    class Pool:
        def __init__(self, n_jobs, return_as):
            asked.append(n_jobs)

        def __call__(self, tasks):
            return iter(())

    monkeypatch.setattr("joblib.Parallel", Pool)
    for workers in (1, 2, 100_000):
        list(in_processes(abs, [], workers=workers))
    assert asked == [1, min(2, cores()), cores()]


def children_of(process):
    """Processes below one, as Linux lists them."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            after = place.read_text(encoding="utf-8").rpartition(")")[2].split()
        except OSError:
            continue
        if int(after[1]) == process and after[0] != "Z":
            found.append(int(place.parent.name))
    return found


def lives(process):
    try:
        state = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    except OSError:
        return False
    return state[0] != "Z"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_children_end_with_their_parent(tmp_path):
    """Killed so that it cannot say good-bye, while its children work."""
    with (tmp_path / "said").open("wb") as said:
        parent = subprocess.Popen([sys.executable, "-c", SLEEPERS], stderr=said)
    try:
        until = time.monotonic() + 60
        workers = []
        while len(workers) < 2 and time.monotonic() < until:
            time.sleep(0.1)
            workers = [
                one
                for one in children_of(parent.pid)
                if b"LokyProcess" in Path(f"/proc/{one}/cmdline").read_bytes()
            ]
        assert len(workers) == 2, "the workers never started"
        time.sleep(3 * processes._LOOK_EVERY_S)  # they have taken up their tasks
        assert all(map(lives, workers))
    finally:
        parent.send_signal(signal.SIGKILL)
        parent.wait()
    until = time.monotonic() + 30
    while any(map(lives, workers)) and time.monotonic() < until:
        time.sleep(0.1)
    left = [one for one in workers if lives(one)]
    for one in left:
        os.kill(one, signal.SIGKILL)
    assert left == []


@pytest.fixture
def by_itself(monkeypatch):
    """As in a process that runs the tests with no thread of its own beside them."""
    monkeypatch.setattr("threading.active_count", lambda: 1)


def test_no_copy_is_made_while_other_threads_run():
    until = threading.Event()
    thread = threading.Thread(target=until.wait)
    thread.start()
    try:
        assert not forks()
        here = os.getpid()
        with beside(os.getpid) as wait:
            assert wait() == here
    finally:
        until.set()
        thread.join()


@pytest.mark.usefixtures("by_itself")
def test_what_is_made_beside_is_what_would_be_made_here():
    here = os.getpid()
    with beside(lambda: (os.getpid(), 6 * 7)) as wait:
        process, made = wait()
    assert made == 42
    assert (process != here) is forks()


@pytest.mark.usefixtures("by_itself")
def test_what_fails_beside_fails_here_in_its_own_words():
    def fail():
        raise PsdstatsError("no such thing")

    with beside(fail) as wait, pytest.raises(PsdstatsError, match="no such thing"):
        wait()


@pytest.mark.usefixtures("by_itself")
def test_a_copy_that_dies_is_made_up_for():
    here = os.getpid()
    with beside(lambda: 1 if os.getpid() == here else os._exit(3)) as wait:
        assert wait() == 1


@pytest.mark.usefixtures("by_itself")
@pytest.mark.parametrize("alone", [False, True])
def test_tasks_shared_out_are_each_done_and_in_order(monkeypatch, tmp_path, alone):
    if alone:
        monkeypatch.setattr("psdstats.processes.forks", lambda: False)

    def task(number):
        with (tmp_path / f"{number}").open("x"):  # refused where it was done before
            return number**2

    told = []
    tasks = [partial(task, number) for number in range(20)]
    assert shared_out(tasks, told=told.append) == [number**2 for number in range(20)]
    assert told == sorted(told)
    assert len(list(tmp_path.iterdir())) == 20
