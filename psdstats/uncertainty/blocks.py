"""Means and joint scatter of draws, kept so that blocks can be merged.

Merging follows T. F. Chan, G. H. Golub and R. J. LeVeque, Amer. Statist. 37 (1983) 242-247 (from
memory).  Draws without a value are left out quantity by quantity; the joint scatter then takes
them at the mean, which keeps every covariance matrix positive semi-definite.

One block of Monte Carlo draws: how large it is, and what is kept of it (JCGM 101, 7.7, 7.9).

Draws without a value are +inf or -inf ("above", "below"); interval ends may be open that way.

What is kept of one block of study draws: sizes and spans of every run, jointly.

What is kept of one block of study draws where ratios between runs are asked for.

Ratios are differences of logarithms, draw by draw, of the joint draws of all runs: what two runs
share cancels in every draw.  Only ends, counts and the joint moments of the sides are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from psdstats.columns import QUANTITIES
from psdstats.distribution.percentiles import LEVELS, span_bounds
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
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
    def of(cls, values: Array, valid: NDArray[np.bool_] | None = None) -> Self:
        """Moments of joint draws, shape (Q, M); `values` is overwritten by its deviations."""
        if valid is None:
            count = np.full(len(values), float(values.shape[1]))
            mean = values.mean(axis=1)
            values -= mean[:, None]
        else:
            count = valid.sum(axis=1).astype(float)
            np.copyto(values, 0.0, where=~valid)
            with np.errstate(invalid="ignore", divide="ignore"):
                mean = values.sum(axis=1) / count
            values -= np.nan_to_num(mean)[:, None]
            np.copyto(values, 0.0, where=~valid)
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

    def differences(self, first: NDArray[np.intp], second: NDArray[np.intp]) -> tuple[Array, Array]:
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


def interval_ends(ordered: Array, coverage: float) -> tuple[float, float, float, float]:
    """Ends of the symmetric and of the shortest interval of sorted draws (JCGM 101:2008, 7.7)."""
    n_draws = ordered.size
    inside = min(max(int(coverage * n_draws + 0.5), 1), n_draws - 1)
    first = max((n_draws - inside + 1) // 2, 1)
    with np.errstate(invalid="ignore"):
        width = ordered[inside:] - ordered[: n_draws - inside]
    if np.isnan(width).any():  # inf - inf: such an interval holds no value
        width = np.where(np.isnan(width), np.inf, width)
    start = int(width.argmin())
    return (
        float(ordered[first - 1]),
        float(ordered[first - 1 + inside]),
        float(ordered[start]),
        float(ordered[start + inside]),
    )


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
    below, above : ndarray, shape (Q,)
        Draws without a value, by side.
    log_moments : JointMoments or None
        Of the logarithms, where asked for.
    negative : ndarray or None
        Draws with a net mass below zero, by run.
    """

    draws: int
    moments: JointMoments
    ends: Array
    below: Array
    above: Array
    log_moments: JointMoments | None = None
    negative: Array | None = None


def summarise_block(values: Array, coverage: float) -> BlockSummary:
    """Summarise joint draws, shape (Q, M); `values` is overwritten."""
    ends = np.array([interval_ends(np.sort(row), coverage) for row in values]).T
    below, above = np.isneginf(values), np.isposinf(values)
    missing = below | above
    valid = ~missing if missing.any() else None
    return BlockSummary(
        draws=values.shape[1],
        moments=JointMoments.of(values, valid),
        ends=ends,
        below=below.sum(axis=1).astype(float),
        above=above.sum(axis=1).astype(float),
    )


def merge_blocks(one: BlockSummary, two: BlockSummary) -> BlockSummary:
    """Summary of the draws of both; the ends are those of the second alone."""
    log_moments = one.log_moments
    if log_moments is not None and two.log_moments is not None:
        log_moments = log_moments.merge(two.log_moments)
    negative = one.negative
    if negative is not None and two.negative is not None:
        negative = negative + two.negative
    return BlockSummary(
        draws=one.draws + two.draws,
        moments=one.moments.merge(two.moments),
        ends=two.ends,
        below=one.below + two.below,
        above=one.above + two.above,
        log_moments=log_moments,
        negative=negative,
    )


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

    def weights(self, n_sizes: int) -> sparse.csr_array:
        """Weights of ln of the sizes, row 4 r + q for quantity q of run r, in ln of each ratio."""
        width = self.columns.size
        weight, row, size = [], [], []
        for at, pair in enumerate(zip(self.high, self.low, strict=True)):
            for side, sign in zip(pair, (1.0, -1.0), strict=True):
                runs = np.repeat(self.sides[side], width)
                weight.append(np.full(runs.size, sign / self.sides[side].size))
                row.append(width * at + np.tile(np.arange(width), self.sides[side].size))
                size.append(len(QUANTITIES) * runs + np.tile(self.columns, self.sides[side].size))
        places = (np.concatenate(row), np.concatenate(size))
        shape = (self.high.size * width, n_sizes)
        return sparse.csr_array((np.concatenate(weight), places), shape=shape)


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
            ends[at] = _ends_ratio_blocks(lower, coverage)
            open_draws = missing[high, column] | missing[low, column]
            if open_draws.any():
                upper = most[high, column] - least[low, column]
                ends[at, 1::2] = _ends_ratio_blocks(upper, coverage)[1::2]
                above[at] = np.count_nonzero(open_draws & np.isposinf(upper))
                below[at] = np.count_nonzero(open_draws) - above[at]
    return ends.T, below, above


def _ends_ratio_blocks(ln_ratio: Array, coverage: float) -> Array:
    """Ends on the logarithm; the shortest interval is that of the ratio itself."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(interval_ends(np.sort(np.exp(ln_ratio)), coverage)))
