"""The numbers of `ratio_intervals`, from the linear law or from merged blocks of draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from psdstats.distribution.sizes import QUANTITIES
from psdstats.uncertainty.assemble import linear_parts, unsettled_note
from psdstats.uncertainty.engine import Prepared
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.monte_carlo import Accumulator
from psdstats.uncertainty.ratio_blocks import RatioLayout

__all__ = ["RatioParts", "drawn_ratios", "linear_ratios", "ratio_accumulator"]

Array = NDArray[np.float64]


@dataclass(kw_only=True)
class RatioParts:
    """Fields of `RatioIntervals` that come from the numbers; shape (P, C) unless it says more."""

    ratio: Array
    bound_lower: Array
    bound_upper: Array
    u_log: Array
    lower: Array
    upper: Array
    shortest_lower: Array
    shortest_upper: Array
    k: Array
    effective_df: Array
    share_unbracketed: Array
    log_covariance: Array
    tolerance: Array
    draws: int
    settled: bool
    notes: tuple[str, ...]


def ratio_accumulator(
    ready: Prepared, layout: RatioLayout, *, digits: int, min_blocks: int
) -> Accumulator:
    """Merges blocks until every ratio that has a value has settled."""
    return Accumulator(
        digits=digits,
        min_blocks=min_blocks,
        watched=~np.isnan(_ln_ratios(layout, ready.sizes.value, ready.sizes.value)).ravel(),
        differences=layout.differences,
    )


def drawn_ratios(ready: Prepared, layout: RatioLayout, accumulator: Accumulator) -> RatioParts:
    """Quantiles of the drawn ratios."""
    ratio, bound_lower, bound_upper = _estimates(ready, layout)
    shape, known = ratio.shape, ~np.isnan(ratio)
    total = accumulator.merged
    ends = np.exp(accumulator.ends).reshape(4, *shape)
    share = (total.below + total.above).reshape(shape) / total.draws
    nothing = np.full(shape, np.nan)
    stopped = accumulator.settled or accumulator.blocks == 1
    return RatioParts(
        ratio=ratio,
        bound_lower=bound_lower,
        bound_upper=bound_upper,
        u_log=np.where(known, accumulator.u.reshape(shape), np.nan),
        lower=ends[0],
        upper=ends[1],
        shortest_lower=ends[2],
        shortest_upper=ends[3],
        k=nothing,
        effective_df=nothing,
        share_unbracketed=share,
        log_covariance=_pair_covariance(layout, total.moments.covariance, known),
        tolerance=accumulator.tolerance.reshape(shape),
        draws=total.draws,
        settled=accumulator.settled,
        notes=(
            *(() if stopped else (unsettled_note(accumulator),)),
            *_share_notes(ready, layout, share, known),
        ),
    )


def linear_ratios(ready: Prepared, layout: RatioLayout, coverage: float) -> RatioParts:
    """Ratio · exp(± k u) with k from the effective degrees of freedom of the difference."""
    ratio, bound_lower, bound_upper = _estimates(ready, layout)
    shape, known = ratio.shape, ~np.isnan(ratio)
    by_side = _contributions(ready, layout)
    first, second = layout.differences
    parts = sparse.csr_array(by_side[first] - by_side[second])
    squares = parts.multiply(parts).tocsr()
    variance = np.asarray(squares.sum(axis=1)).ravel()
    spread = squares.multiply(squares).tocsr() @ (1.0 / ready.table.degrees_of_freedom)
    freedom = np.where(spread > 0, variance**2 / np.where(spread > 0, spread, 1.0), np.inf)
    u = np.where(known, np.sqrt(variance).reshape(shape), np.nan)
    k = np.where(known, coverage_factor(coverage, freedom.reshape(shape)), np.nan)
    nothing = np.full(shape, np.nan)
    return RatioParts(
        ratio=ratio,
        bound_lower=bound_lower,
        bound_upper=bound_upper,
        u_log=u,
        lower=np.where(known, ratio * np.exp(-k * u), bound_lower),
        upper=np.where(known, ratio * np.exp(k * u), bound_upper),
        shortest_lower=nothing,
        shortest_upper=nothing,
        k=k,
        effective_df=np.where(known, freedom.reshape(shape), np.nan),
        share_unbracketed=nothing,
        log_covariance=_pair_covariance(layout, (by_side @ by_side.T).toarray(), known),
        tolerance=nothing,
        draws=0,
        settled=True,
        notes=_doubt_notes(ready, layout, coverage),
    )


def _estimates(ready: Prepared, layout: RatioLayout) -> tuple[Array, Array, Array]:
    """Ratios at the best estimates, NaN where not bracketed, and the bounds the sieves leave."""
    sizes = ready.sizes
    least = _ln_ratios(layout, sizes.lower, sizes.upper)
    most = _ln_ratios(layout, sizes.upper, sizes.lower)
    return np.exp(_ln_ratios(layout, sizes.value, sizes.value)), np.exp(least), np.exp(most)


def _ln_ratios(layout: RatioLayout, of_high: Array, of_low: Array) -> Array:
    """Ln of the ratios of geometric means of sizes by run (R, 4), shape (P, C)."""
    with np.errstate(divide="ignore"):  # an open size may be 0
        high, low = (
            np.array([np.log(sizes[rows][:, layout.columns]).mean(axis=0) for rows in layout.sides])
            for sizes in (of_high, of_low)
        )
    return np.asarray(high[layout.high] - low[layout.low])


def _contributions(ready: Prepared, layout: RatioLayout) -> sparse.csr_array:
    """What a standard deviation of each input adds to ln of each side, shape (S C, N)."""
    scale = np.nan_to_num(ready.sensitivities.scale(log=True))
    lengths = [rows.size for rows in layout.sides]
    side = np.repeat(np.arange(len(layout.sides)), lengths)[:, None]
    runs = np.concatenate(layout.sides)[:, None]
    n_columns = layout.columns.size
    target = side * n_columns + np.arange(n_columns)
    taken = len(QUANTITIES) * runs + layout.columns
    weight = scale[taken] / np.repeat(lengths, lengths)[:, None]
    weights = sparse.csr_array(
        (weight.ravel(), (target.ravel(), taken.ravel())),
        shape=(len(layout.sides) * n_columns, scale.size),
    )
    return sparse.csr_array(weights @ ready.sensitivities.matrix)


def _pair_covariance(layout: RatioLayout, joint: Array, known: NDArray[np.bool_]) -> Array:
    """Covariance of ln ratio over the pairs, (C, P, P), from that of the sides; NaN if unknown."""
    step, high, low = layout.columns.size, layout.high, layout.low
    found = np.empty((step, high.size, high.size))
    for column in range(step):
        sides = joint[column::step, column::step]
        by_side = sides[high] - sides[low]
        found[column] = by_side[:, high] - by_side[:, low]
        gap = np.where(known[:, column], 1.0, np.nan)
        found[column] *= np.outer(gap, gap)
    return found


def _doubt_notes(ready: Prepared, layout: RatioLayout, coverage: float) -> tuple[str, ...]:
    """Sentences on runs whose own linear interval is doubtful."""
    valid = linear_parts(ready, coverage).linear_valid
    return tuple(
        f"Run {run!r}: the linear interval of {QUANTITIES[column]} is doubtful, and so are those "
        "of its ratios; use Monte Carlo."
        for run, of_run in zip(ready.arrays.runs, valid, strict=True)
        for column in layout.columns.tolist()
        if of_run[column] is False
    )


def _share_notes(
    ready: Prepared, layout: RatioLayout, share: Array, known: NDArray[np.bool_]
) -> tuple[str, ...]:
    """Sentences on ratios whose draws are partly open."""

    def named(side: int) -> str:
        rows = layout.sides[side]
        return ", ".join(repr(ready.arrays.runs[row]) for row in rows.tolist())

    return tuple(
        f"{QUANTITIES[layout.columns[column]]} of {named(layout.high[pair])} over "
        f"{named(layout.low[pair])}: {100 * share[pair, column]:.2g} % of the draws are not "
        "bracketed by the sieves; its u_log is that of the others."
        for pair, column in np.argwhere((share > 0) & known)
        if QUANTITIES[layout.columns[column]] != "span"
    )
