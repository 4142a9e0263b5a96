"""Monte Carlo propagation of distributions with adaptive stop (JCGM 101, JCGM 102).

The driver knows nothing of sieves: it is given blocks of joint draws of some quantities and stops
when the results have settled to the wanted digits.  Only summaries of blocks are kept, so memory
does not grow with the number of draws.  Draws without a value are +inf or -inf ("above", "below").
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
from psdstats.uncertainty.blocks import (
    BlockSummary,
    merge_blocks,
    numerical_tolerance,
    summarise_block,
)

MIN_BLOCKS = 10
MAX_BLOCKS = 100


class Accumulator:
    """Merges block summaries in order and says when they have settled.

    Parameters
    ----------
    digits : int
        Significant digits of u that the results shall be good to.
    min_blocks : int
        Fewest blocks before the test is made.
    watched : ndarray of bool, shape (Q,), optional
        Quantities that have to settle; all of them if left out.
    differences : tuple of ndarray of int, each of shape (Q,), optional
        Where given, the results are differences of the quantities of the blocks, first minus
        second, and so are the ends of the blocks.
    """

    def __init__(
        self,
        *,
        digits: int = 2,
        min_blocks: int = MIN_BLOCKS,
        watched: NDArray[np.bool_] | None = None,
        differences: tuple[NDArray[np.intp], NDArray[np.intp]] | None = None,
    ) -> None:
        if digits not in (1, 2):
            raise UncertaintyError(f"digits is {digits!r}; give 1 or 2 (JCGM 101:2008, 7.9.2).")
        self.digits = digits
        self.min_blocks = max(min_blocks, 2)
        self._watched = slice(None) if watched is None else watched
        self._differences = differences
        self.blocks = 0
        self.draws = 0
        self.total: BlockSummary | None = None
        self._statistics: list[Array] = []

    def add(self, block: BlockSummary) -> None:
        """Take in the next block."""
        self.blocks += 1
        self.draws += block.draws
        own = np.vstack([*self._mean_and_u(block), block.ends])
        self._statistics.append(own)
        self.total = block if self.total is None else merge_blocks(self.total, block)

    def _mean_and_u(self, block: BlockSummary) -> tuple[Array, Array]:
        if self._differences is None:
            return block.moments.mean, block.moments.u
        return block.moments.differences(*self._differences)

    @property
    def merged(self) -> BlockSummary:
        """Summary of all draws so far."""
        if self.total is None:
            raise UncertaintyError("no draws were asked for; allow at least one block of draws.")
        return self.total

    @property
    def u(self) -> Array:
        """Standard deviations of the results over all draws, shape (Q,)."""
        return self._mean_and_u(self.merged)[1]

    @property
    def ends(self) -> Array:
        """Interval ends averaged over the blocks, shape (4, Q).

        An end that is open in half of the blocks or more is open; otherwise the blocks where it
        is open do not count.
        """
        return _average_ends(np.array(self._statistics)[:, 2:])

    @property
    def scatter(self) -> Array:
        """Twice the standard deviation of the averages of mean, u and symmetric ends, (4, Q)."""
        if self.blocks < 2:
            return np.full((4, self._statistics[0].shape[1]), np.nan)
        seen = np.array(self._statistics)[:, :4]
        with np.errstate(invalid="ignore"):
            spread = seen.std(axis=0, ddof=1)
        return np.asarray(2.0 * spread / np.sqrt(self.blocks))

    @property
    def tolerance(self) -> Array:
        """Numerical tolerance δ of each quantity, shape (Q,)."""
        return numerical_tolerance(self.u, self.digits)

    @property
    def settled(self) -> bool:
        """Whether every finite watched result has settled: 2 s < δ (JCGM 101:2008, 7.9.4)."""
        if self.blocks < self.min_blocks:
            return False
        scatter, tolerance = self.scatter[:, self._watched], self.tolerance[self._watched]
        # open ends, quantities without a value and constants have nothing to settle
        return bool(np.all((scatter < tolerance) | ~np.isfinite(scatter) | (scatter == 0)))


@dataclass(frozen=True, kw_only=True, eq=False)
class MonteCarloResult:
    """Result for Q quantities.

    Attributes
    ----------
    mean, u : ndarray, shape (Q,)
        Average and standard deviation of the draws.
    covariance : ndarray, shape (Q, Q)
        Joint covariance.
    lower, upper : ndarray, shape (Q,)
        Probabilistically symmetric coverage interval.
    shortest_lower, shortest_upper : ndarray, shape (Q,)
        Shortest coverage interval.
    coverage : float
        Coverage probability.
    draws : int
        Draws made.
    tolerance : ndarray, shape (Q,)
        Numerical tolerance δ.
    settled : bool
        Whether the adaptive test was passed within the allowed draws.
    """

    mean: Array
    u: Array
    covariance: Array
    lower: Array
    upper: Array
    shortest_lower: Array
    shortest_upper: Array
    coverage: float
    draws: int
    tolerance: Array
    settled: bool


def adaptive_monte_carlo(
    draw_block: Callable[[int], Array],
    *,
    coverage: float = 0.95,
    digits: int = 2,
    min_blocks: int = MIN_BLOCKS,
    max_blocks: int = MAX_BLOCKS,
) -> MonteCarloResult:
    """Draw blocks until the results have settled to the wanted digits of u.

    Notes
    -----
    JCGM 101:2008, 7.9.  The standard may stop after two blocks; two give a poor standard deviation,
    so at least `min_blocks` are made.  Interval ends are averages over blocks (7.9.4 g, h).
    """
    accumulator = Accumulator(digits=digits, min_blocks=min_blocks)
    blocks = (
        summarise_block(np.array(draw_block(number), dtype=float), coverage)
        for number in range(max_blocks)
    )
    total = accumulate(accumulator, blocks)
    ends = accumulator.ends
    return MonteCarloResult(
        mean=total.moments.mean,
        u=total.moments.u,
        covariance=total.moments.covariance,
        lower=ends[0],
        upper=ends[1],
        shortest_lower=ends[2],
        shortest_upper=ends[3],
        coverage=coverage,
        draws=accumulator.draws,
        tolerance=accumulator.tolerance,
        settled=accumulator.settled,
    )


def accumulate(accumulator: Accumulator, blocks: Iterable[BlockSummary]) -> BlockSummary:
    """Add blocks until they have settled or run out; return their merged summary."""
    for block in blocks:
        accumulator.add(block)
        if accumulator.settled:
            break
    return accumulator.merged


def validate_linear(
    *,
    value: Array,
    expanded: Array,
    lower: Array,
    upper: Array,
    u: Array,
    digits: int = 1,
) -> NDArray[np.bool_]:
    """Whether a linear interval agrees with the Monte Carlo one (JCGM 101:2008, clause 8).

    Shapes: value, expanded (Q,), lower, upper (Q,), u (Q,); gives (Q,).
    """
    allowed = numerical_tolerance(u, digits)
    with np.errstate(invalid="ignore"):
        low = np.abs(value - expanded - lower)
        high = np.abs(value + expanded - upper)
        return (low <= allowed) & (high <= allowed)


def _average_ends(ends: Array) -> Array:
    below = np.isneginf(ends).mean(axis=0)
    above = np.isposinf(ends).mean(axis=0)
    finite = np.isfinite(ends)
    count = finite.sum(axis=0)
    mean = np.where(finite, ends, 0.0).sum(axis=0) / np.maximum(count, 1)
    side = np.where(below >= above, -np.inf, np.inf)
    return np.where(below + above >= 0.5, side, mean)
