"""What is kept of one block of study draws: sizes and spans of every run, jointly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.sizes import span_bounds
from psdstats.uncertainty.blocks import BlockSummary, interval_ends
from psdstats.uncertainty.moments import JointMoments
from psdstats.uncertainty.plan import DrawPlan, RunPlan

__all__ = ["LEAST_SPAN", "open_spans", "summarise_sizes"]

Array = NDArray[np.float64]

LEAST_SPAN = 1e-12
"""Only errors declared on D10 and D90 apart could turn them round; a span is never negative."""


def summarise_sizes(plan: DrawPlan, ln_size: Array, negative: Array) -> BlockSummary:
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
            least, most = open_spans(plan.runs[row], values[row, :n_levels])
            inside = valid[row, n_levels]
            values[row, n_levels, inside] = least[inside]
            overrides[row] = least, most
    ends = _ends(values, plan.coverage, overrides)
    if valid is not None:
        np.copyto(values, 1.0, where=~valid)
        np.copyto(logs[:, :n_levels], 0.0, where=~valid[:, :n_levels])
    np.log(np.maximum(values[:, n_levels], LEAST_SPAN), out=logs[:, n_levels])
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


def open_spans(run: RunPlan, size: Array) -> tuple[Array, Array]:
    """Least and largest span of every draw of a run of which some draws are open.

    `size` holds D10, D50, D90, shape (3, n), -inf below the finest sieve and +inf above
    the coarsest; the apertures of these open ends are the best estimates.
    """
    finest, coarsest = run.edges_um
    low, high = np.isneginf(size), np.isposinf(size)
    lower = np.where(low, 0.0, np.where(high, coarsest, size))
    upper = np.where(low, finest, size)
    return span_bounds(lower.T, upper.T)


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
