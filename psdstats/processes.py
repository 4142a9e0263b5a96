"""Work shared among processes: no more than there are cores, none outliving the one that asked."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

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
