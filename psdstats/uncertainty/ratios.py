"""Ratios of sizes between runs, or between means of runs, with intervals from the joint draws.

The law of a ratio is not normal where a rectangular aperture error dominates it, so ± 1.96 u from
the joint covariance is too wide there; the quantiles of the drawn ratios are not.  Draws are those
of `propagate` for the same seed.  Intervals hold what weighing, sieves and sampling do to these
runs; how runs of one kind differ among themselves belongs to `psdstats.comparison`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import partial

from psdstats.distribution.sizes import QUANTITIES
from psdstats.study.records import Study
from psdstats.uncertainty.engine import prepare
from psdstats.uncertainty.monte_carlo import accumulate
from psdstats.uncertainty.options import (
    CHUNK_DRAWS,
    MAX_DRAWS,
    as_method,
    blocks_of,
    digits_for,
    fewest_blocks,
    wanted_coverage,
    whole_number,
)
from psdstats.uncertainty.plan import make_plan
from psdstats.uncertainty.propagation import Method
from psdstats.uncertainty.ratio_blocks import summarise_ratios
from psdstats.uncertainty.ratio_pairs import Pair, read_pairs
from psdstats.uncertainty.ratio_parts import drawn_ratios, linear_ratios, ratio_accumulator
from psdstats.uncertainty.ratio_result import RatioIntervals
from psdstats.uncertainty.sources.base import Source
from psdstats.uncertainty.study_blocks import study_blocks

__all__ = ["ratio_intervals"]


def ratio_intervals(
    study: Study,
    pairs: Iterable[Pair],
    *,
    quantities: Sequence[str] = QUANTITIES,
    method: str | Method = Method.MONTE_CARLO,
    seed: int = 0,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
    coverage: float | None = None,
    draws: int | None = None,
    max_draws: int = MAX_DRAWS,
    digits: int | None = None,
    workers: int = 1,
    cluster: str | None = None,
    chunk: int = CHUNK_DRAWS,
    progress: Callable[[int, int], None] | None = None,
) -> RatioIntervals:
    """Ratios of sizes between runs with coverage intervals.

    Parameters
    ----------
    study : Study
        The weighings.
    pairs : iterable of (high, low)
        Each side the name of a run, or a sequence of names, whose geometric mean is taken.
    quantities : sequence of str, default=("D10", "D50", "D90", "span")
        Which ratios.
    method : {"monte carlo", "linear"}, default="monte carlo"
        JCGM 101, quantiles of the drawn ratios; or JCGM 100, exp(± k u) on the logarithm.
    seed, sources, rule, coverage, draws, max_draws, workers, cluster, chunk, progress
        As in `propagate`; runs that stand in no pair are not drawn.
    digits : {1, 2}, optional
        Significant digits of u_log to which the adaptive method works; by default 2 for up to ten
        pairs, else 1.

    Returns
    -------
    RatioIntervals

    Raises
    ------
    UncertaintyError
        If a pair, an option or a source is not possible as asked.
    SizeError
        If a run of a pair cannot be read as a distribution.

    Notes
    -----
    Each interval has its coverage by itself; joint statements over many pairs need `covariance`
    of the result, or a wider coverage.  Memory does not grow with the number of draws.
    """
    way = as_method(method)
    wanted = wanted_coverage(study, coverage)
    asked = read_pairs(study, pairs, quantities)
    named = {name for side in asked.sides for name in side}
    ready = prepare(
        study, sources=sources, rule=rule, runs=[run for run in study.runs if run.name in named]
    )
    layout = asked.layout(ready.arrays.runs)
    if way is Method.LINEAR:
        parts = linear_ratios(ready, layout, wanted)
    else:
        plan = make_plan(
            ready.table,
            ready.arrays,
            rule=ready.sizes.rule,
            seed=seed,
            coverage=wanted,
            chunk=whole_number("chunk", chunk),
        )
        size, n_blocks = blocks_of(draws, max_draws, wanted)
        figures = digits_for(digits, len(asked.high))
        blocks = study_blocks(
            plan,
            block_draws=size,
            max_blocks=n_blocks,
            summarise=partial(summarise_ratios, layout=layout),
            workers=whole_number("workers", workers),
            cluster=cluster,
            progress=progress,
        )
        accumulator = ratio_accumulator(
            ready,
            layout,
            digits=figures,
            min_blocks=n_blocks if draws is not None else fewest_blocks(figures),
        )
        accumulate(accumulator, blocks)
        parts = drawn_ratios(ready, layout, accumulator)
    notes = (*study.notes, *ready.sizes.notes, *ready.table.notes, *parts.notes)
    return RatioIntervals(
        high=asked.high,
        low=asked.low,
        quantities=asked.quantities,
        coverage=wanted,
        method=way,
        seed=seed,
        sources=tuple(source.name for source in ready.sources.included),
        sources_left_out=ready.sources.left_out,
        rule=str(ready.sizes.rule),
        **(vars(parts) | {"notes": notes}),
    )
