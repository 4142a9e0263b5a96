"""Summaries of blocks of study draws, made in this process, in workers or on a cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.sizes import span_bounds
from psdstats.uncertainty.blocks import BlockSummary, interval_ends
from psdstats.uncertainty.kernel import STRIPE_BLOCKS, draw_blocks
from psdstats.uncertainty.moments import JointMoments
from psdstats.uncertainty.plan import DrawPlan

__all__ = ["study_blocks"]

Array = NDArray[np.float64]

_LEAST_SPAN = 1e-12


def study_blocks(
    plan: DrawPlan,
    *,
    block_draws: int,
    max_blocks: int,
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
    workers : int, default=1
        Processes; with more than one, whole stripes are made ahead of the stop test.
    cluster : str, optional
        Address of a Dask scheduler; its workers make the stripes.
    progress : callable, optional
        Called with (blocks done, most blocks).
    """
    if workers == 1 and cluster is None:
        blocks = _one_by_one(plan, block_draws, max_blocks)
    else:
        blocks = _by_stripes(plan, block_draws, max_blocks, workers, cluster)
    for number, block in enumerate(blocks):
        if progress is not None:
            progress(number + 1, max_blocks)
        yield block


def summarise_stripe(
    plan: DrawPlan, stripe: int, block_draws: int, n_blocks: int
) -> list[BlockSummary]:
    """Summaries of the first blocks of one stripe."""
    drawn = draw_blocks(plan, stripe=stripe, block_draws=block_draws, n_blocks=n_blocks)
    return [_summarise(plan, ln_size, negative) for ln_size, negative in drawn]


def _stripes(max_blocks: int) -> Iterator[tuple[int, int]]:
    for start in range(0, max_blocks, STRIPE_BLOCKS):
        yield start // STRIPE_BLOCKS, min(STRIPE_BLOCKS, max_blocks - start)


def _one_by_one(plan: DrawPlan, block_draws: int, max_blocks: int) -> Iterator[BlockSummary]:
    for stripe, n_blocks in _stripes(max_blocks):
        for drawn in draw_blocks(plan, stripe=stripe, block_draws=block_draws, n_blocks=n_blocks):
            yield _summarise(plan, *drawn)


def _by_stripes(
    plan: DrawPlan, block_draws: int, max_blocks: int, workers: int, cluster: str | None
) -> Iterator[BlockSummary]:
    """Make as many stripes at a time as there are workers."""
    from psdstats.uncertainty.workers import parallel_map

    with parallel_map(workers=workers, cluster=cluster) as (run_all, at_a_time):
        stripes = list(_stripes(max_blocks))
        for start in range(0, len(stripes), at_a_time):
            tasks = [
                (plan, stripe, block_draws, n_blocks)
                for stripe, n_blocks in stripes[start : start + at_a_time]
            ]
            for blocks in run_all(summarise_stripe, tasks):
                yield from blocks


def _summarise(plan: DrawPlan, ln_size: Array, negative: Array) -> BlockSummary:
    """Moments of values and logarithms, interval ends and counts of one block.

    Quantities are in the order run by run, D10, D50, D90, span.
    """
    n_runs, n_levels, n_draws = ln_size.shape
    logs = np.empty((n_runs, n_levels + 1, n_draws))
    logs[:, :n_levels] = ln_size
    values = np.empty_like(logs)
    np.exp(ln_size, out=values[:, :n_levels])
    open_runs: NDArray[np.bool_] = np.logical_not(np.isfinite(ln_size).all(axis=(1, 2)))
    _fill_span(values, ~open_runs)
    valid: NDArray[np.bool_] | None = None
    overrides: dict[int, tuple[Array, Array]] = {}
    below, above = np.zeros((2, n_runs, n_levels + 1))
    if open_runs.any():
        valid = np.ones(values.shape, dtype=bool)
        for row in np.flatnonzero(open_runs).tolist():
            low, high = np.isneginf(ln_size[row]), np.isposinf(ln_size[row])
            valid[row, :n_levels] = ~(low | high)
            valid[row, n_levels] = valid[row, :n_levels].all(axis=0)
            below[row, :n_levels], above[row, :n_levels] = low.sum(axis=1), high.sum(axis=1)
            above[row, n_levels] = high.any(axis=0).sum()
            below[row, n_levels] = (low.any(axis=0) & ~high.any(axis=0)).sum()
            values[row, :n_levels][low] = -np.inf
            overrides[row] = _open_spans(plan, row, values[row])
    ends = _ends(values, plan.coverage, overrides)
    if valid is not None:
        np.copyto(values, 1.0, where=~valid)
        np.copyto(logs[:, :n_levels], 0.0, where=~valid[:, :n_levels])
    # only errors declared on D10 and D90 apart could turn them round; a span is never negative
    np.log(np.maximum(values[:, n_levels], _LEAST_SPAN), out=logs[:, n_levels])
    flat_valid = None if valid is None else valid.reshape(-1, n_draws)
    return BlockSummary(
        draws=n_draws,
        moments=JointMoments.of(values.reshape(-1, n_draws), flat_valid),
        ends=ends,
        below=below.ravel(),
        above=above.ravel(),
        log_moments=JointMoments.of(logs.reshape(-1, n_draws), flat_valid),
        negative=negative,
    )


def _fill_span(values: Array, bracketed: NDArray[np.bool_]) -> None:
    span = values[:, 3]
    span[:] = 1.0
    np.subtract(values[:, 2], values[:, 0], out=span, where=bracketed[:, None])
    np.divide(span, values[:, 1], out=span, where=bracketed[:, None])


def _open_spans(plan: DrawPlan, row: int, values: Array) -> tuple[Array, Array]:
    """Least and largest span of every draw of a run of which some draws are open."""
    apertures = [plan.sieves[slot][0] for slot in plan.runs[row].sieve_slot]
    size = values[:3]
    low, high = np.isneginf(size), np.isposinf(size)
    lower = np.where(low, 0.0, np.where(high, apertures[-1], size))
    upper = np.where(low, apertures[0], size)
    least, most = span_bounds(lower.T, upper.T)
    inside = ~(low | high).any(axis=0)
    values[3, inside] = least[inside]
    return least, most


def _ends(values: Array, coverage: float, overrides: dict[int, tuple[Array, Array]]) -> Array:
    n_runs, n_quantities, _ = values.shape
    ends = np.empty((n_runs, n_quantities, 4))
    for row in range(n_runs):
        for quantity in range(n_quantities):
            if quantity == n_quantities - 1 and row in overrides:
                least, most = (
                    np.array(interval_ends(np.sort(side), coverage)) for side in overrides[row]
                )
                ends[row, quantity] = least[[0, 0, 2, 2]]
                ends[row, quantity, 1::2] = most[[1, 3]]
            else:
                ends[row, quantity] = interval_ends(np.sort(values[row, quantity]), coverage)
    return ends.reshape(-1, 4).T
