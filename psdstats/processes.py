"""Work shared among processes: no more than there are cores, none outliving the one that asked."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import sys
import threading
import time
import warnings
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from itertools import count
from multiprocessing.connection import Connection, wait
from typing import Any, TypeVar

from psdstats.errors import UncertaintyError
from psdstats.limits import WORKERS
from psdstats.room import one_thread

Task = TypeVar("Task")
Made = TypeVar("Made")

_LOOK_EVERY_S = 0.5
_PROTOCOL = 5  # of pickles: arrays keep the order of their axes
_AHEAD = 2  # tasks taken up for each process
_ANSWER_WITHIN = "10s"
_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


def cores() -> int:
    """Cores that this process may use."""
    from joblib import cpu_count

    return int(cpu_count())


def mapped(
    work: Callable[[Task], Made],
    tasks: Iterable[Task],
    *,
    workers: int = 1,
    cluster: str | None = None,
) -> Iterator[Made]:
    """What `work` makes of each task, in their order; the same whoever does it.

    Tasks are taken up a few ahead of what is asked for, so that memory stays flat and little is
    lost by who stops early.

    Parameters
    ----------
    work : callable
        Takes one task, and is pickled, as are the tasks and what is made of them: arrays reach it
        laid out alike wherever it is done, so that the last bits are the same.
    tasks : iterable
        Taken one after another.
    workers : int
        Processes asked for; at most the cores are started, and one means this process.  On a
        cluster, tasks at a time; one means all its threads.
    cluster : str, optional
        Address of a Dask scheduler (extra `psdstats[cluster]`) whose machines have psdstats.

    Yields
    ------
    object
        What is made of each task.

    Raises
    ------
    UncertaintyError
        If no such cluster answers, or it is lost.

    Notes
    -----
    On Linux the processes are copies of this one, ready at once, unless other threads run in it;
    elsewhere joblib's, which first load what they need (seconds).  What a process had in hand when
    it was killed is done by another one or here; errors come up here.

    Examples
    --------
    >>> list(mapped(abs, [-3, 2, -1]))
    [3, 2, 1]
    """
    asked = int(WORKERS.require("workers", workers, UncertaintyError))
    at_once, known = min(asked, cores()), _as_sent(work)
    if cluster is not None:
        yield from _on_cluster(known, tasks, cluster, asked)
    elif at_once == 1:
        yield from map(partial(_here, known), tasks)
    elif forks():
        yield from _in_copies(known, tasks, at_once)
    else:
        yield from _in_processes(known, tasks, at_once)


def _as_sent(thing: Made) -> Made:
    """The thing as another process would receive it, its numbers in the same place.

    Arrays are then laid out alike everywhere, on which the last bits of their sums depend.
    """
    numbers: list[pickle.PickleBuffer] = []
    text = pickle.dumps(thing, protocol=_PROTOCOL, buffer_callback=numbers.append)
    received: Made = pickle.loads(text, buffers=numbers)  # noqa: S301
    return received


def _sent(thing: object) -> bytes:
    return pickle.dumps(thing, protocol=_PROTOCOL)


@one_thread
def _here(work: Callable[[Task], Made], task: Task) -> Made:
    return _as_sent(work(_as_sent(task)))


@one_thread
def _there(work: Callable[[Any], Any], task: bytes) -> bytes:
    return _sent(work(pickle.loads(task)))  # noqa: S301


def _in_copies(
    work: Callable[[Task], Made], tasks: Iterable[Task], at_once: int, most: int | None = None
) -> Iterator[Made]:
    """In copies of this process, each with one task in hand; here what lost its copy."""
    remaining, most = enumerate(tasks), most or _AHEAD * at_once
    idle: list[Any] = []
    in_hand: dict[Any, tuple[int, Task]] = {}
    ready: dict[int, Callable[[], Made]] = {}

    def hand_in(copy: Any) -> bool:
        """Whether it goes on; what one that is lost had in hand is left to do."""
        number, task = in_hand.pop(copy)
        try:
            ready[number] = partial(pickle.loads, copy.recv_bytes())
        except (EOFError, OSError):
            ready[number] = partial(_here, work, task)
            return False
        return True

    with ExitStack() as copies:
        for wanted in count():
            while True:
                while (idle or at_once) and len(in_hand) + len(ready) < most:
                    if (following := next(remaining, None)) is None:
                        break
                    if not idle:
                        idle.append(copies.enter_context(_worker(work)))
                        at_once -= 1
                    in_hand[idle[-1]] = following
                    with suppress(OSError):  # it is lost, as will be seen
                        idle.pop().send_bytes(_sent(following[1]))
                if wanted in ready:
                    break
                if in_hand:
                    idle += [copy for copy in wait(list(in_hand)) if hand_in(copy)]
                elif (following := next(remaining, None)) is not None:
                    ready[following[0]] = partial(_here, work, following[1])
                else:
                    return
            yield ready.pop(wanted)()


@contextmanager
def _worker(work: Callable[[Any], Any]) -> Iterator[Connection]:
    """A copy of this process that does the tasks sent to it, and ends where one fails."""
    here, there = multiprocessing.Pipe()
    with _copy(_work, work, there):
        there.close()
        try:
            yield here
        finally:
            here.close()


def _work(work: Callable[[Any], Any], asked: Connection) -> None:
    _SHARING.add(os.getpid())
    while True:
        asked.send_bytes(_there(work, asked.recv_bytes()))


def _in_processes(
    work: Callable[[Task], Made], tasks: Iterable[Task], at_once: int
) -> Iterator[Made]:
    """In processes that joblib starts and keeps for the next time; here what one of them lost."""
    from joblib.externals.loky import get_reusable_executor

    pool = get_reusable_executor(max_workers=at_once, env=_ONE_THREAD)

    def submit(task: Task) -> Any:
        with suppress(BrokenExecutor):
            return pool.submit(_beside, os.getpid(), work, _sent(task))

    for task, future in _ahead(submit, tasks, at_once):
        try:
            made = _here(work, task) if future is None else pickle.loads(future.result())  # noqa: S301
        except BrokenExecutor:
            made = _here(work, task)
        yield made


def _beside(owner: int, work: Callable[[Any], Any], task: bytes) -> bytes:
    _end_with(owner)
    _SHARING.add(os.getpid())
    return _there(work, task)


def _ahead(
    submit: Callable[[Task], Any], tasks: Iterable[Task], at_once: int
) -> Iterator[tuple[Task, Any]]:
    """Each task with its future, in order; where nobody wants more, none is begun any more."""
    waiting: deque[tuple[Task, Any]] = deque()
    try:
        for task in tasks:
            waiting.append((task, submit(task)))
            if len(waiting) >= _AHEAD * at_once:
                yield waiting.popleft()
        while waiting:
            yield waiting.popleft()
    finally:
        for _, future in waiting:
            if future is not None:
                future.cancel()


def _on_cluster(
    work: Callable[[Task], Made], tasks: Iterable[Task], cluster: str, workers: int
) -> Iterator[Made]:
    """On the machines of a Dask cluster, which does again what a lost one had in hand."""
    with _client(cluster) as client:
        from distributed import CancelledError, KilledWorker
        from distributed.comm.core import CommClosedError
        from distributed.protocol import pickle as by_value

        threads = sum(client.nthreads().values())

        def submit(act: Callable[..., Any], *given: Any) -> Any:
            with warnings.catch_warnings():  # large studies travel as they are
                warnings.simplefilter("ignore", UserWarning)
                return client.submit(act, *given, pure=False)

        known = submit(pickle.loads, by_value.dumps(work, protocol=_PROTOCOL))  # type: ignore[no-untyped-call]
        at_once = threads if workers == 1 else min(workers, threads)
        for _, future in _ahead(lambda task: submit(_there, known, _sent(task)), tasks, at_once):
            try:
                made = future.result()
            except (CancelledError, KilledWorker, CommClosedError, ImportError) as cause:
                raise UncertaintyError(
                    f"the Dask cluster at {cluster!r} was lost or cannot do the work "
                    f"({type(cause).__name__}: {cause}); look whether its workers run and have "
                    "psdstats, or work without it."
                ) from cause
            yield pickle.loads(made)  # noqa: S301


@contextmanager
def _client(cluster: str) -> Iterator[Any]:
    """Connection to a Dask scheduler that has workers."""
    try:
        from distributed import Client
    except ImportError as cause:
        raise UncertaintyError(
            "a cluster needs Dask, which is not installed; install psdstats[cluster]."
        ) from cause
    try:
        client: Any = Client(cluster, timeout=_ANSWER_WITHIN, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as cause:
        raise UncertaintyError(
            f"no Dask scheduler answers at {cluster!r}; check the address and that it is running."
        ) from cause
    with client:
        try:
            client.wait_for_workers(1, timeout=_ANSWER_WITHIN)
        except TimeoutError as cause:
            raise UncertaintyError(
                f"the Dask scheduler at {cluster!r} has no workers; start some, as with "
                f"`dask worker {cluster}`."
            ) from cause
        yield client


_WATCHED: set[tuple[int, int]] = set()  # a process, and the one that it ends with
_SHARING: set[int] = set()  # processes that do one of several tasks, and share theirs no further


def _end_with(owner: int) -> None:
    """End this process, whatever it is doing, once the one that started it has ended.

    Windows does not tell a process so; there it ends when it has nothing more to do.
    """
    if (os.getpid(), owner) in _WATCHED:
        return
    _WATCHED.add((os.getpid(), owner))

    def watch() -> None:
        while os.getppid() == owner:
            time.sleep(_LOOK_EVERY_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def forks() -> bool:
    """Whether work can begin at once in a copy of this process, and a core is free for it.

    Not where other threads run (a notebook has some): a lock that one holds stays shut in the copy.
    """
    here = os.getpid()
    watching = sum(process == here for process, _ in _WATCHED)
    alone = threading.active_count() == 1 + watching and here not in _SHARING
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

    def made() -> Made:
        try:
            found: Made = here.recv()
        except EOFError:
            found = make()
        return found

    with _copy(_send, make, there):
        there.close()
        try:
            yield made
        finally:
            here.close()


def _send(make: Callable[[], Any], to: Connection) -> None:
    to.send(make())


@contextmanager
def _copy(act: Callable[..., None], *given: Any) -> Iterator[None]:
    """A copy of this process that acts; it ends with what is done here meanwhile."""
    copy = multiprocessing.get_context("fork").Process(target=_act, args=(os.getpid(), act, *given))
    with warnings.catch_warnings():  # threads of libraries below Python count there too
        warnings.simplefilter("ignore", DeprecationWarning)
        copy.start()
    try:
        yield
    finally:
        copy.kill()
        copy.join()


def _act(owner: int, act: Callable[..., None], *given: Any) -> None:
    """In the copy: an error is left to the process that asked, which will meet it itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    _end_with(owner)
    with suppress(Exception):
        act(*given)


def shared_out(
    tasks: Sequence[Callable[[], Made]], *, told: Callable[[int], None] = lambda _: None
) -> list[Made]:
    """What each task makes, in order: two copies of this process take one after another.

    What a task changes in memory is lost where a copy did it; files stay.

    Parameters
    ----------
    tasks : sequence of callable
        Need no pickling, their results do.
    told : callable, optional
        Called with how many tasks are done.

    Returns
    -------
    list
    """

    def do(number: int) -> Made:
        return tasks[number]()

    numbers, made = range(len(tasks)), list[Made]()
    in_copies = len(tasks) > 1 and forks()
    for one in _in_copies(do, numbers, 2, len(tasks)) if in_copies else map(do, numbers):
        made.append(one)
        told(len(made))
    return made
