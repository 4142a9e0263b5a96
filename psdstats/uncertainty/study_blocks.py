"""Summaries of blocks of study draws, made in this process, in workers or on a cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from psdstats.uncertainty.blocks import BlockSummary
from psdstats.uncertainty.kernel import STRIPE_BLOCKS, draw_blocks
from psdstats.uncertainty.plan import DrawPlan
from psdstats.uncertainty.size_blocks import summarise_sizes

__all__ = ["Summarise", "study_blocks"]

Array = NDArray[np.float64]
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
    """Summaries of blocks 0, 1, … in order, whoever makes them.

    Parameters
    ----------
    plan : DrawPlan
        What to draw.
    block_draws, max_blocks : int
        Draws in a block; most blocks.
    summarise : callable, optional
        Makes the summary of one block from plan, draws of ln D and draws with negative masses (see
        `kernel.draw_blocks`); sent to workers, so a function of a module or a partial of one.
    workers : int, default=1
        Processes; with more than one, whole stripes are made ahead of the stop test.
    cluster : str, optional
        Address of a Dask scheduler; its workers make the stripes.
    progress : callable, optional
        Called with (blocks done, most blocks).
    """
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
    from psdstats.uncertainty.workers import parallel_map

    with parallel_map(workers=workers, cluster=cluster) as (run_all, at_a_time):
        stripes = list(_stripes(max_blocks))
        for start in range(0, len(stripes), at_a_time):
            tasks = [
                (plan, summarise, stripe, block_draws, n_blocks)
                for stripe, n_blocks in stripes[start : start + at_a_time]
            ]
            for blocks in run_all(summarise_stripe, tasks):
                yield from blocks
