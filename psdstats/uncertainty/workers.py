"""Running tasks in worker processes (joblib) or on a Dask cluster (extra `psdstats[cluster]`)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from psdstats.errors import UncertaintyError

__all__ = ["parallel_map"]

ANSWER_WITHIN = "10s"

RunAll = Callable[[Callable[..., Any], Sequence[tuple[Any, ...]]], list[Any]]


@contextmanager
def parallel_map(*, workers: int, cluster: str | None) -> Iterator[tuple[RunAll, int]]:
    """Give a function that runs tasks in parallel and returns results in order.

    Parameters
    ----------
    workers : int
        Processes on this machine; with a cluster, most tasks in flight where it is above 1.
    cluster : str or None
        Address of a Dask scheduler.

    Yields
    ------
    run_all : callable
        Takes a function and a list of argument tuples.
    at_a_time : int
        Tasks worth handing over together.

    Raises
    ------
    UncertaintyError
        If a cluster is named and Dask is not installed.
    """
    import joblib

    def with_pool(parallel: Any) -> RunAll:
        def run_all(function: Callable[..., Any], tasks: Sequence[tuple[Any, ...]]) -> list[Any]:
            return list(parallel(joblib.delayed(function)(*task) for task in tasks))

        return run_all

    if cluster is None:
        with joblib.Parallel(n_jobs=workers) as parallel:
            yield with_pool(parallel), workers
        return
    try:
        from distributed import Client
    except ImportError as cause:
        raise UncertaintyError(
            "a cluster needs Dask, which is not installed; install psdstats[cluster]."
        ) from cause
    try:
        client: Any = Client(cluster, timeout=ANSWER_WITHIN, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as cause:
        raise UncertaintyError(
            f"no Dask scheduler answers at {cluster!r}; check the address and that it is running."
        ) from cause
    with client:
        threads = max(sum(client.nthreads().values()), 1)
        at_a_time = threads if workers == 1 else min(workers, threads)
        with joblib.parallel_config(backend="dask", client=client), joblib.Parallel() as parallel:
            yield with_pool(parallel), at_a_time
