"""What is kept of one block of study draws where ratios between runs are asked for.

Ratios are differences of logarithms, draw by draw, of the joint draws of all runs: what two runs
share cancels in every draw.  Only ends, counts and the joint moments of the sides are kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.sizes import LEVELS
from psdstats.uncertainty.blocks import BlockSummary, interval_ends
from psdstats.uncertainty.moments import JointMoments
from psdstats.uncertainty.plan import DrawPlan, RunPlan
from psdstats.uncertainty.size_blocks import LEAST_SPAN, open_spans

__all__ = ["RatioLayout", "ln_bounds", "summarise_ratios"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


@dataclass(frozen=True, kw_only=True, eq=False)
class RatioLayout:
    """Which ratios are wanted: P pairs of S sides, and C quantities.

    Attributes
    ----------
    sides : tuple of ndarray of int
        Rows of the runs of each side; a side is their geometric mean.
    high, low : ndarray of int, shape (P,)
        Sides of each ratio, high over low.
    columns : ndarray of int, shape (C,)
        Which of D10, D50, D90, span.
    """

    sides: tuple[Index, ...]
    high: Index
    low: Index
    columns: Index

    @property
    def differences(self) -> tuple[Index, Index]:
        """Places of both sides of ratio p C + c among the side quantities s C + c."""
        within = np.arange(self.columns.size)
        first, second = (
            (self.columns.size * side[:, None] + within).ravel() for side in (self.high, self.low)
        )
        return first, second


def summarise_ratios(
    plan: DrawPlan, ln_size: Array, negative: Array, *, layout: RatioLayout
) -> BlockSummary:
    """Moments of ln of the sides, ends of ln of the ratios and counts of one block.

    Quantities of the moments are in the order side by side, results in the order pair by pair.
    A draw in which a run is open counts with the least and the most its ratio can be.
    """
    bounds = [ln_bounds(run, size) for run, size in zip(plan.runs, ln_size, strict=True)]
    shape = (len(layout.sides), layout.columns.size, ln_size.shape[2])
    least, most = np.empty(shape), np.empty(shape)
    missing = np.zeros(shape, dtype=bool)
    for number, rows in enumerate(layout.sides):
        lower, upper = (
            np.stack([bounds[row][end][layout.columns] for row in rows.tolist()]) for end in (0, 1)
        )
        lower.mean(axis=0, out=least[number])
        upper.mean(axis=0, out=most[number])
        missing[number] = (lower != upper).any(axis=0)
    ends, below, above = _ratio_results(layout, (least, most), missing, plan.coverage)
    n_draws = shape[2]
    valid = ~missing.reshape(-1, n_draws) if missing.any() else None
    return BlockSummary(
        draws=n_draws,
        moments=JointMoments.of(least.reshape(-1, n_draws), valid),
        ends=ends,
        below=below,
        above=above,
        negative=negative,
    )


def ln_bounds(run: RunPlan, ln_size: Array) -> tuple[Array, Array]:
    """Least and most that ln D10, ln D50, ln D90 and ln span of each draw can be, each (4, n).

    They are equal where the draw has a value; an open size lies between zero and the finest
    aperture, or between the coarsest and infinity.
    """
    n_levels = LEVELS.size
    least = np.empty((n_levels + 1, ln_size.shape[1]))
    least[:n_levels] = ln_size
    size = np.exp(ln_size)
    low, high = np.isneginf(ln_size), np.isposinf(ln_size)
    if not (low.any() or high.any()):
        span = (size[2] - size[0]) / size[1]
        np.log(np.maximum(span, LEAST_SPAN), out=least[n_levels])
        return least, least
    most = least.copy()
    finest, coarsest = run.edges_um
    least[:n_levels][high] = np.log(coarsest)
    most[:n_levels][low] = np.log(finest)
    size[low] = -np.inf
    bracketed = ~(low | high).any(axis=0)
    with np.errstate(divide="ignore"):
        for bound, span in zip((least, most), open_spans(run, size), strict=True):
            bound[n_levels] = np.log(np.where(bracketed, np.maximum(span, LEAST_SPAN), span))
    return least, most


def _ratio_results(
    layout: RatioLayout, bounds: tuple[Array, Array], missing: NDArray[np.bool_], coverage: float
) -> tuple[Array, Array, Array]:
    """Ends of ln ratio, shape (4, P C), and draws without a value by side, each (P C,)."""
    least, most = bounds
    n_results = layout.high.size * layout.columns.size
    ends = np.empty((n_results, 4))
    below, above = np.zeros((2, n_results))
    pairs = zip(layout.high.tolist(), layout.low.tolist(), strict=True)
    for pair, (high, low) in enumerate(pairs):
        for column in range(layout.columns.size):
            at = pair * layout.columns.size + column
            lower = least[high, column] - most[low, column]
            ends[at] = _ends(lower, coverage)
            open_draws = missing[high, column] | missing[low, column]
            if open_draws.any():
                upper = most[high, column] - least[low, column]
                ends[at, 1::2] = _ends(upper, coverage)[1::2]
                above[at] = np.count_nonzero(open_draws & np.isposinf(upper))
                below[at] = np.count_nonzero(open_draws) - above[at]
    return ends.T, below, above


def _ends(ln_ratio: Array, coverage: float) -> Array:
    """Ends on the logarithm; the shortest interval is that of the ratio itself."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(interval_ends(np.sort(np.exp(ln_ratio)), coverage)))
