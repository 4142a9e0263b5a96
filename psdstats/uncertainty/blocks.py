"""One block of Monte Carlo draws: how large it is, and what is kept of it (JCGM 101, 7.7, 7.9).

Draws without a value are +inf or -inf ("above", "below"); interval ends may be open that way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import UncertaintyError
from psdstats.uncertainty.moments import JointMoments

__all__ = [
    "BLOCK_DRAWS",
    "BlockSummary",
    "block_draws",
    "interval_ends",
    "merge_blocks",
    "numerical_tolerance",
    "summarise_block",
]

Array = NDArray[np.float64]

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
    """Ends of the symmetric and of the shortest interval of sorted draws (JCGM 101:2008, 7.7).

    Returns
    -------
    tuple of float
        Lower and upper end with equal probability outside, lower and upper end of the shortest.
    """
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
