"""Work shared among processes: no more than there are cores, none outliving the one that asked."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Any, TypeVar

Made = TypeVar("Made")

_LOOK_EVERY_S = 0.5


def cores() -> int:
    """Cores that this process may use."""
    from joblib import cpu_count

    return int(cpu_count())


def in_processes(
    work: Callable[..., Any], tasks: Iterable[tuple[Any, ...]], *, workers: int
) -> Iterator[Any]:
    """What `work` makes of each task, in their order; begins at once.

    Parameters
    ----------
    work : callable
        Can be pickled, as can the tasks.
    tasks : iterable of tuple
        Arguments of each call.
    workers : int
        Processes asked for; at most the cores are started, and one means this process.

    Returns
    -------
    iterator
    """
    from joblib import Parallel, delayed

    pool = Parallel(n_jobs=min(workers, cores()), return_as="generator")
    made: Iterator[Any] = pool(delayed(_beside)(os.getpid(), work, task) for task in tasks)
    return made


def _beside(owner: int, work: Callable[..., Any], task: tuple[Any, ...]) -> Any:
    if os.getpid() != owner:
        _end_with(owner)
    return work(*task)


_WATCHED: set[int] = set()


def _end_with(owner: int) -> None:
    """End this process, whatever it is doing, once the one that started it has ended.

    Windows does not tell a process so; there it ends when it has nothing more to do.
    """
    if owner in _WATCHED:
        return
    _WATCHED.add(owner)

    def watch() -> None:
        while os.getppid() == owner:
            time.sleep(_LOOK_EVERY_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def forks() -> bool:
    """Whether work can begin at once in a copy of this process, and a core is free for it.

    Not where other threads run (a notebook has some): a lock that one holds stays shut in the copy.
    """
    alone = threading.active_count() == 1
    return sys.platform == "linux" and alone and cores() > 1


@contextmanager
def beside(make: Callable[[], Made]) -> Iterator[Callable[[], Made]]:
    """Make something in a copy of this process while this one goes on; gives what waits for it.

    Parameters
    ----------
    make : callable
        Needs no pickling, its result does.  Where there are no copies, or the copy fails, it is
        called here when the result is wanted.

    Yields
    ------
    callable
    """
    if not forks():
        yield make
        return
    here, there = multiprocessing.Pipe(duplex=False)
    copy = multiprocessing.get_context("fork").Process(
        target=_make, args=(os.getpid(), make, there)
    )
    with warnings.catch_warnings():  # threads of libraries below Python count there too
        warnings.simplefilter("ignore", DeprecationWarning)
        copy.start()
    there.close()

    def wait() -> Made:
        try:
            made: Made = here.recv()
        except EOFError:
            made = make()
        return made

    try:
        yield wait
    finally:
        here.close()
        copy.kill()
        copy.join()


def _make(owner: int, make: Callable[[], Any], to: Connection) -> None:
    """In the copy: an error is left to the process that asked, which will meet it itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    _end_with(owner)
    try:
        to.send(make())
    except Exception:
        to.close()


def shared_out(
    tasks: Sequence[Callable[[], Made]], *, told: Callable[[int], None] = lambda _: None
) -> list[Made]:
    """What each task makes, in order: two processes take one after another, whoever is free.

    What a task changes in memory is lost where the other process did it; files stay.

    Parameters
    ----------
    tasks : sequence of callable
        Need no pickling, their results do.
    told : callable, optional
        Called, in this process, with how many tasks are done or being done.

    Returns
    -------
    list
    """
    taken = multiprocessing.get_context("fork").Value("i", 0) if forks() else None

    def done_by_one(told: Callable[[int], None]) -> dict[int, Made]:
        made = {}
        while taken is not None:
            with taken.get_lock():
                number = taken.value
                taken.value += 1
            if number >= len(tasks):
                break
            told(number)
            made[number] = tasks[number]()
        return made

    with beside(lambda: done_by_one(lambda _: None)) as by_other:
        made = done_by_one(told)
        made |= by_other()
    for number, task in enumerate(tasks):
        if number not in made:
            told(number)
            made[number] = task()
    return [made[number] for number in range(len(tasks))]
