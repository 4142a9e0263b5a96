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
from psdstats.uncertainty.drawing import Drawing
from psdstats.uncertainty.engine import Prepared, prepare
from psdstats.uncertainty.monte_carlo import accumulate
from psdstats.uncertainty.options import CHUNK_DRAWS, MAX_DRAWS, as_method, wanted_coverage
from psdstats.uncertainty.propagation import Method
from psdstats.uncertainty.ratio_blocks import RatioLayout, summarise_ratios
from psdstats.uncertainty.ratio_pairs import Pair, read_pairs
from psdstats.uncertainty.ratio_parts import (
    RatioParts,
    drawn_ratios,
    linear_ratios,
    ratio_accumulator,
)
from psdstats.uncertainty.ratio_result import RatioIntervals
from psdstats.uncertainty.sources.base import Source

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
        drawing = Drawing(
            seed=seed,
            coverage=wanted,
            draws=draws,
            max_draws=max_draws,
            digits=digits,
            workers=workers,
            cluster=cluster,
            chunk=chunk,
            progress=progress,
        )
        parts = _by_draws(ready, layout, drawing)
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


def _by_draws(ready: Prepared, layout: RatioLayout, drawing: Drawing) -> RatioParts:
    count = len(layout.high)
    accumulator = ratio_accumulator(
        ready,
        layout,
        digits=drawing.digits_for(count),
        min_blocks=drawing.fewest_blocks(count),
    )
    accumulate(accumulator, drawing.blocks(ready, partial(summarise_ratios, layout=layout)))
    return drawn_ratios(ready, layout, accumulator)
