"""Work shared among processes: order, most of them, and what becomes of them with their parent."""

import os
import signal
import subprocess
import sys
import threading
import time
from functools import partial
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from psdstats import processes
from psdstats.errors import PsdstatsError
from psdstats.processes import beside, forks, mapped, shared_out

on_linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="of Linux alone")
SLEEPERS = """
import time
from psdstats import processes
processes.forks = lambda: {forks}
list(processes.mapped(time.sleep, [120] * 2, workers=2))
"""


@pytest.fixture(params=["copies", "processes"])
def others(request, monkeypatch):
    """Both ways of working in other processes."""
    monkeypatch.setattr("psdstats.processes.forks", lambda: request.param == "copies")


def by_whom(task):
    return task**2, os.getpid()


def test_one_worker_is_this_process():
    assert list(mapped(by_whom, [3, -5])) == [(9, os.getpid()), (25, os.getpid())]


@pytest.mark.usefixtures("others")
def test_two_workers_give_the_same_in_the_same_order():
    found = list(mapped(by_whom, range(20), workers=2))
    assert [made for made, _ in found] == [task**2 for task in range(20)]
    assert os.getpid() not in {process for _, process in found}


@pytest.mark.usefixtures("others")
def test_who_does_one_of_several_tasks_shares_it_no_further(monkeypatch):
    monkeypatch.setattr("psdstats.processes.cores", lambda: 2)
    assert list(mapped(may_fork, range(4), workers=2)) == [False] * 4


def may_fork(_):
    return forks()


@pytest.mark.usefixtures("others")
def test_tasks_are_taken_up_a_few_ahead():
    taken = []
    tasks = (taken.append(task) or task for task in count())
    found = mapped(by_whom, tasks, workers=2)
    assert [next(found)[0] for _ in range(10)] == [task**2 for task in range(10)]
    found.close()
    assert len(taken) <= 10 + 2 * 2


@pytest.mark.usefixtures("others")
def test_what_a_killed_process_had_in_hand_is_done_all_the_same(tmp_path):
    found = list(mapped(partial(dies_at, 5, os.getpid()), range(9), workers=2))
    assert found == list(range(9))


def dies_at(task, owner, number):
    if number == task and os.getpid() != owner:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def all_die(owner, number):
    return dies_at(number, owner, number)


@pytest.mark.usefixtures("others")
def test_all_is_done_here_where_every_process_is_killed():
    assert list(mapped(partial(all_die, os.getpid()), range(9), workers=2)) == list(range(9))


@pytest.mark.usefixtures("others")
def test_an_error_comes_up_in_its_own_words():
    with pytest.raises(PsdstatsError, match="no such thing as 1"):
        list(mapped(fail, [1, 2], workers=2))


def fail(task):
    raise PsdstatsError(f"no such thing as {task}")


@pytest.mark.usefixtures("others")
@pytest.mark.parametrize("workers", [1, 2])
def test_arrays_are_laid_out_alike_whoever_works_on_them(workers):
    """Sums depend on it in their last bits."""
    turned = np.arange(12.0).reshape(3, 4)[:, ::2]
    found = list(mapped(partial(layout, turned), [turned] * 2, workers=workers))
    assert {(known, given, made.strides) for known, given, made in found} == {
        ((16, 8), (16, 8), (16, 8))
    }


def layout(known, given):
    return known.strides, given.strides, given[:, ::1]


@pytest.mark.usefixtures("others")
def test_who_stops_early_waits_for_nothing():
    found = mapped(time.sleep, [0, 0, 3, 3], workers=2)
    next(found)
    begun = time.monotonic()
    found.close()
    assert time.monotonic() - begun < 2


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


def is_worker(process):
    return b"LokyProcess" in Path(f"/proc/{process}/cmdline").read_bytes()


def lives(process):
    try:
        state = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    except OSError:
        return False
    return state[0] != "Z"


@on_linux
@pytest.mark.parametrize("copies", [True, False])
def test_children_end_with_their_parent(tmp_path, copies):
    """Killed so that it cannot say good-bye, while its children work."""
    with (tmp_path / "said").open("wb") as said:
        parent = subprocess.Popen(
            [sys.executable, "-c", SLEEPERS.format(forks=copies)], stderr=said
        )
    try:
        until = time.monotonic() + 60
        workers = []
        while len(workers) < 2 and time.monotonic() < until:
            time.sleep(0.1)
            workers = [one for one in children_of(parent.pid) if copies or is_worker(one)]
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
    """As in a process that runs the tests with no thread of its own beside them, on two cores."""
    here, counted = os.getpid(), threading.active_count
    monkeypatch.setattr("threading.active_count", lambda: 1 if os.getpid() == here else counted())
    monkeypatch.setattr("psdstats.processes.cores", lambda: 2)


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


@on_linux
@pytest.mark.usefixtures("by_itself")
def test_a_copy_may_share_its_work_and_those_it_shares_with_may_not():
    with beside(lambda: (forks(), shared_out([forks, forks]))) as wait:
        assert wait() == (True, [False, False])


@on_linux
@pytest.mark.usefixtures("by_itself")
def test_a_slow_task_keeps_no_other_waiting(tmp_path):
    last = tmp_path / "last"

    def wait_for_the_last():
        until = time.monotonic() + 60
        while not last.exists() and time.monotonic() < until:
            time.sleep(0.01)
        return last.exists()

    tasks = [wait_for_the_last, *[lambda: True] * 8, lambda: last.write_text("done") > 0]
    assert shared_out(tasks) == [True] * 10
