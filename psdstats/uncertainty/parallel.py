"""Summaries of blocks of study draws, made in this process, in workers or on a cluster.

Running tasks in worker processes (joblib) or on a Dask cluster (extra `psdstats[cluster]`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
from psdstats.uncertainty.blocks import BlockSummary, summarise_sizes
from psdstats.uncertainty.draws import STRIPE_BLOCKS, DrawPlan, draw_blocks

Summarise = Callable[[DrawPlan, Array, Array], BlockSummary]


def study_blocks(
    plan: DrawPlan,
    *,
    block_draws: int,
    max_blocks: int,
    summarise: Summarise = summarise_sizes,
    workers: int = 1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Iterator[BlockSummary]:
    """Summaries of blocks 0, 1, … in order, whoever makes them."""
    if workers == 1 and cluster is None:
        blocks = _one_by_one(plan, summarise, block_draws, max_blocks)
    else:
        blocks = _by_stripes(plan, summarise, block_draws, max_blocks, workers, cluster)
    for number, block in enumerate(blocks):
        if progress is not None:
            progress(number + 1, max_blocks)
        yield block


def summarise_stripe(
    plan: DrawPlan, summarise: Summarise, stripe: int, block_draws: int, n_blocks: int
) -> list[BlockSummary]:
    """Summaries of the first blocks of one stripe."""
    drawn = draw_blocks(plan, stripe=stripe, block_draws=block_draws, n_blocks=n_blocks)
    return [summarise(plan, ln_size, negative) for ln_size, negative in drawn]


def _stripes(max_blocks: int) -> Iterator[tuple[int, int]]:
    for start in range(0, max_blocks, STRIPE_BLOCKS):
        yield start // STRIPE_BLOCKS, min(STRIPE_BLOCKS, max_blocks - start)


def _one_by_one(
    plan: DrawPlan, summarise: Summarise, block_draws: int, max_blocks: int
) -> Iterator[BlockSummary]:
    for stripe, n_blocks in _stripes(max_blocks):
        for drawn in draw_blocks(plan, stripe=stripe, block_draws=block_draws, n_blocks=n_blocks):
            yield summarise(plan, *drawn)


def _by_stripes(
    plan: DrawPlan,
    summarise: Summarise,
    block_draws: int,
    max_blocks: int,
    workers: int,
    cluster: str | None,
) -> Iterator[BlockSummary]:
    """Make as many stripes at a time as there are workers."""
    with parallel_map(workers=workers, cluster=cluster) as (run_all, at_a_time):
        stripes = list(_stripes(max_blocks))
        for start in range(0, len(stripes), at_a_time):
            tasks = [
                (plan, summarise, stripe, block_draws, n_blocks)
                for stripe, n_blocks in stripes[start : start + at_a_time]
            ]
            for blocks in run_all(summarise_stripe, tasks):
                yield from blocks


ANSWER_WITHIN = "10s"

RunAll = Callable[[Callable[..., Any], Sequence[tuple[Any, ...]]], list[Any]]


@contextmanager
def parallel_map(*, workers: int, cluster: str | None) -> Iterator[tuple[RunAll, int]]:
    """Give a function that runs tasks in parallel and returns results in order."""
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
