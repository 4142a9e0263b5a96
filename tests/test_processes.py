"""Work beside this process: the same result, its own error, nothing lost where the copy dies."""

import os
from functools import partial

import pytest

from psdstats.errors import PsdstatsError
from psdstats.processes import beside, forks, shared_out


def test_what_is_made_beside_is_what_would_be_made_here():
    here = os.getpid()
    with beside(lambda: (os.getpid(), 6 * 7)) as wait:
        process, made = wait()
    assert made == 42
    assert (process != here) is forks()


def test_what_fails_beside_fails_here_in_its_own_words():
    def fail():
        raise PsdstatsError("no such thing")

    with beside(fail) as wait, pytest.raises(PsdstatsError, match="no such thing"):
        wait()


def test_a_copy_that_dies_is_made_up_for():
    here = os.getpid()
    with beside(lambda: 1 if os.getpid() == here else os._exit(3)) as wait:
        assert wait() == 1


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
