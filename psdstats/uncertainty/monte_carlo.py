"""Monte Carlo propagation of distributions with adaptive stop (JCGM 101, JCGM 102).

The driver knows nothing of sieves: it is given blocks of joint draws of some quantities and stops
when the results have settled to the wanted digits.  Only summaries of blocks are kept, so memory
does not grow with the number of draws.  Draws without a value are +inf or -inf ("above", "below").
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from typing import Self

import numpy as np

from psdstats.distribution.percentiles import span_bounds
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array, Flags, Indices
from psdstats.uncertainty.draws import DrawPlan, RunPlan

# below this share of the variances a variance of a difference is round-off
_ROUND_OFF = 1e-13


@dataclass(frozen=True, kw_only=True, eq=False)
class JointMoments:
    """First and second moments of Q quantities.

    Attributes
    ----------
    count : ndarray, shape (Q,)
        Draws with a value.
    mean : ndarray, shape (Q,)
        Their mean; NaN where there is none.
    scatter : ndarray, shape (Q, Q)
        Sum of products of deviations from the mean.
    """

    count: Array
    mean: Array
    scatter: Array

    @classmethod
    def of(cls, values: Array, valid: Flags | None = None) -> Self:
        """Moments of joint draws, shape (Q, M); `values` is overwritten by its deviations."""
        count = np.full(len(values), float(values.shape[1]))
        if valid is not None:
            count = valid.sum(axis=1).astype(float)
        gaps = np.flatnonzero(count < values.shape[1])  # most rows have none
        told = True if valid is None else valid[gaps]
        values[gaps] = np.where(told, values[gaps], 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = values.sum(axis=1) / count
        values -= np.nan_to_num(mean)[:, None]
        values[gaps] = np.where(told, values[gaps], 0.0)
        return cls(count=count, mean=mean, scatter=values @ values.T)

    def merge(self, other: Self) -> Self:
        """Moments of both sets of draws together."""
        count = self.count + other.count
        some = np.maximum(count, 1.0)
        mine, theirs = np.nan_to_num(self.mean), np.nan_to_num(other.mean)
        step = np.where((self.count > 0) & (other.count > 0), theirs - mine, 0.0)
        mean = np.where(self.count > 0, mine, theirs) + step * other.count / some
        weight = np.sqrt(self.count * other.count / some)
        between = np.outer(step * weight, step * weight)
        return type(self)(
            count=count,
            mean=np.where(count > 0, mean, np.nan),
            scatter=self.scatter + other.scatter + between,
        )

    def rows(self, which: Indices | slice) -> Self:
        """Those of some of the quantities."""
        return type(self)(
            count=self.count[which], mean=self.mean[which], scatter=self.scatter[which][:, which]
        )

    @property
    def covariance(self) -> Array:
        """Joint covariance, shape (Q, Q); NaN with fewer than two values."""
        freedom = np.where(self.count > 1, self.count - 1.0, np.nan)
        return np.asarray(self.scatter / np.sqrt(np.outer(freedom, freedom)))

    @property
    def u(self) -> Array:
        """Standard deviations, shape (Q,)."""
        freedom = np.where(self.count > 1, self.count - 1.0, np.nan)
        return np.asarray(np.sqrt(np.diag(self.scatter) / freedom))

    def differences(self, first: Indices, second: Indices) -> tuple[Array, Array]:
        """Means and standard deviations of the differences of pairs of quantities."""
        joint = self.covariance
        variance = np.diag(joint)
        both = variance[first] + variance[second]
        of_difference = both - 2 * joint[first, second]
        of_difference = np.where(of_difference < _ROUND_OFF * both, 0.0, of_difference)
        return self.mean[first] - self.mean[second], np.asarray(np.sqrt(of_difference))


BLOCK_DRAWS = 10_000
"""Draws in a block (JCGM 101:2008, 7.9.4 a)."""


def block_draws(coverage: float) -> int:
    """Draws in a block for a coverage probability: max(10⁴, 100/(1-p)), JCGM 101:2008, 7.9.4 a."""
    if not 0 < coverage < 1:
        raise UncertaintyError(f"coverage is {coverage!r}; give a probability such as 0.95.")
    return max(BLOCK_DRAWS, int(np.ceil(100 / (1 - coverage) - 1e-9)))


def numerical_tolerance(u: Array, digits: int = 2) -> Array:
    """Half a unit in the last of that many significant digits of u (JCGM 101:2008, 7.9.2).

    Examples
    --------
    >>> numerical_tolerance(np.array([0.0035, 2.0])).round(6)
    array([5.e-05, 5.e-02])
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        power = np.floor(np.log10(u)) - (digits - 1)
        power += np.round(u / 10.0**power) >= 10.0**digits
        return np.where(u > 0, 0.5 * 10.0**power, np.where(np.isnan(u), np.nan, 0.0))


def interval_ends(values: Array, coverage: float) -> tuple[float, float, float, float]:
    """Ends of the symmetric and of the shortest interval of draws (JCGM 101:2008, 7.7).

    Only the tails are sorted: no end of either interval lies between them.
    """
    n_draws = values.size
    inside = min(max(int(coverage * n_draws + 0.5), 1), n_draws - 1)
    outside = n_draws - inside
    first = max((outside + 1) // 2, 1)
    parted = np.partition(values, sorted({outside, inside}))
    low, high = np.sort(parted[:outside]), np.sort(parted[inside:])
    if inside < outside:  # the tails overlap
        ordered = np.sort(values)
        low, high = ordered[:outside], ordered[inside:]
    with np.errstate(invalid="ignore"):
        width = high - low
    if np.isnan(width).any():  # inf - inf: such an interval holds no value
        width = np.where(np.isnan(width), np.inf, width)
    start = int(width.argmin())
    return float(low[first - 1]), float(high[first - 1]), float(low[start]), float(high[start])


@dataclass(frozen=True, kw_only=True, eq=False)
class BlockSummary:
    """What is kept of one block of joint draws of Q quantities.

    Attributes
    ----------
    draws : int
        Draws in the block.
    moments : JointMoments
        Of the values; the draws with a value only.
    ends : ndarray, shape (4, Q)
        Ends of the symmetric interval, then of the shortest.
    missing : ndarray, shape (Q,)
        Draws without a value.
    negative : ndarray, shape (R,)
        Draws with a net mass below zero, by run.
    log_moments : JointMoments or None
        Of the logarithms, where asked for.
    """

    draws: int
    moments: JointMoments
    ends: Array
    missing: Array
    negative: Array
    log_moments: JointMoments | None = None

    def merge(self, later: BlockSummary) -> BlockSummary:
        """Summary of the draws of both; the ends are those of the later alone."""
        logs = self.log_moments
        if logs is not None and later.log_moments is not None:
            logs = logs.merge(later.log_moments)
        return BlockSummary(
            draws=self.draws + later.draws,
            moments=self.moments.merge(later.moments),
            ends=later.ends,
            missing=self.missing + later.missing,
            negative=self.negative + later.negative,
            log_moments=logs,
        )


LEAST_SPAN = 1e-12
"""Only errors declared on D10 and D90 apart could turn them round; a span is never negative."""


def ln_bounds(plan: DrawPlan, ln_size: Array) -> tuple[Array, Array, dict[int, Array]]:
    """Least that ln D10, ln D50, ln D90 and ln span of each draw can be, and not of logarithms.

    Both (R, 4, n).  Then, by place, the most (4, n) of runs of which a size is open; of all others
    least and most are one.
    """
    n_runs, n_levels, n_draws = ln_size.shape
    least, value = np.empty((2, n_runs, n_levels + 1, n_draws))
    least[:, :n_levels] = ln_size
    size = np.exp(ln_size, out=value[:, :n_levels])
    with np.errstate(invalid="ignore", divide="ignore"):  # open sizes have no value
        span = size[:, 2] - size[:, 0]
        span /= size[:, 1]
        np.log(np.maximum(span, LEAST_SPAN, out=span), out=least[:, n_levels])
    np.exp(least[:, n_levels], out=value[:, n_levels])
    most: dict[int, Array] = {}
    for row in np.flatnonzero(~np.isfinite(ln_size).all(axis=(1, 2))).tolist():
        least[row], most[row] = _open_bounds(plan.runs[row], ln_size[row])
        np.exp(least[row], out=value[row])
    return least, value, most


def _open_bounds(run: RunPlan, ln_size: Array) -> tuple[Array, Array]:
    """The same of one run: open sizes lie below the finest or above the coarsest best aperture."""
    low, high = np.isneginf(ln_size), np.isposinf(ln_size)
    finest, coarsest = run.edges_um
    lower = np.where(low, 0.0, np.where(high, coarsest, np.exp(ln_size)))
    upper = np.where(low, finest, np.exp(ln_size))
    is_known, spans = ~(low | high).any(axis=0), span_bounds(lower.T, upper.T)
    with np.errstate(divide="ignore"):
        least, most = (
            np.log(np.vstack([size, np.where(is_known, np.maximum(span, LEAST_SPAN), span)]))
            for size, span in zip((lower, upper), spans, strict=True)
        )
    return least, most


def ends_between(least: Array, most: Array, coverage: float) -> tuple[float, float, float, float]:
    """Ends of the intervals of draws that lie between their least and their most."""
    lower = interval_ends(least, coverage)
    if np.array_equal(least, most):
        return lower
    upper = interval_ends(most, coverage)
    return lower[0], upper[1], lower[2], upper[3]


def summarise_sizes(plan: DrawPlan, ln_size: Array, negative: Array) -> BlockSummary:
    """Moments of values and logarithms, interval ends and counts of one block.

    Quantities are in the order run by run, D10, D50, D90, span.
    """
    least, value, most = ln_bounds(plan, ln_size)
    n_draws, highest = ln_size.shape[2], [*value]
    valid = np.ones(value.shape, dtype=bool)
    for row, own in most.items():
        highest[row], valid[row] = np.exp(own), least[row] == own
    flat, known = value.reshape(-1, n_draws), valid.reshape(-1, n_draws)
    both = zip(flat, chain.from_iterable(highest), strict=True)
    ends = np.array([ends_between(*own, plan.coverage) for own in both])
    return BlockSummary(
        draws=n_draws,
        moments=JointMoments.of(flat, known),
        ends=np.where(ends == 0.0, -np.inf, ends).T,  # open
        missing=n_draws - known.sum(axis=1),
        negative=negative,
        log_moments=JointMoments.of(least.reshape(-1, n_draws), known),
    )


MIN_BLOCKS = 10


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
        watched: Flags | None = None,
        differences: tuple[Indices, Indices] | None = None,
    ) -> None:
        if digits not in (1, 2):
            raise UncertaintyError(f"digits is {digits!r}; give 1 or 2 (JCGM 101:2008, 7.9.2).")
        self.digits = digits
        self.min_blocks = max(min_blocks, 2)
        self._which = slice(None) if watched is None else watched
        self.left = self.watched = 0  # results that have not settled, of those that have to
        self._differences = differences
        self._total: BlockSummary | None = None
        self._seen: list[Array] = []  # mean, u and ends of each block, (6, Q)

    def take(self, blocks: Iterable[BlockSummary]) -> BlockSummary:
        """Add blocks until they have settled or run out; return their merged summary.

        One result in a hundred is not waited for: the end of an interval that lies where few draws
        fall would take many times the draws of all others.
        """
        for block in blocks:
            self._seen.append(np.vstack([*self._mean_and_u(block), block.ends]))
            self._total = block if self._total is None else self._total.merge(block)
            scatter, tolerance = self.scatter[:, self._which], self.tolerance[self._which]
            # open ends, quantities without a value and constants have nothing to settle
            moves = np.isfinite(scatter) & (scatter != 0) & ~(scatter < tolerance)
            self.left, self.watched = int(moves.any(axis=0).sum()), tolerance.size
            if self.blocks >= self.min_blocks and 100 * self.left <= self.watched:
                break
        return self.merged

    @property
    def blocks(self) -> int:
        """Blocks so far."""
        return len(self._seen)

    @property
    def draws(self) -> int:
        """Draws so far."""
        return self.merged.draws

    def _mean_and_u(self, block: BlockSummary) -> tuple[Array, Array]:
        if self._differences is None:
            return block.moments.mean, block.moments.u
        return block.moments.differences(*self._differences)

    @property
    def merged(self) -> BlockSummary:
        """Summary of all draws so far."""
        if self._total is None:
            raise UncertaintyError("no draws were asked for; allow at least one block of draws.")
        return self._total

    @property
    def mean(self) -> Array:
        """Averages of the results over all draws, shape (Q,)."""
        return self._mean_and_u(self.merged)[0]

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
        return _average_ends(np.array(self._seen)[:, 2:])

    @property
    def scatter(self) -> Array:
        """Twice the standard deviation of the averages of mean, u and symmetric ends, (4, Q)."""
        if self.blocks < 2:
            return np.full((4, self._seen[0].shape[1]), np.nan)
        seen = np.array(self._seen)[:, :4]
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
        return self.blocks >= self.min_blocks and self.left == 0


def validate_linear(
    *, value: Array, expanded: Array, lower: Array, upper: Array, u: Array, digits: int = 1
) -> Flags:
    """Whether a linear interval agrees with the Monte Carlo one (JCGM 101:2008, clause 8).

    Shapes: value, expanded (Q,), lower, upper (Q,), u (Q,); gives (Q,).
    """
    with np.errstate(invalid="ignore"):
        off = np.maximum(np.abs(value - expanded - lower), np.abs(value + expanded - upper))
        return off <= numerical_tolerance(u, digits)


def _average_ends(ends: Array) -> Array:
    below = np.isneginf(ends).mean(axis=0)
    above = np.isposinf(ends).mean(axis=0)
    finite = np.isfinite(ends)
    count = finite.sum(axis=0)
    mean = np.where(finite, ends, 0.0).sum(axis=0) / np.maximum(count, 1)
    side = np.where(below >= above, -np.inf, np.inf)
    return np.where(below + above >= 0.5, side, mean)
