"""Ratios, intervals and p-values as text, rounded for reading.

A ratio is given to two significant digits of the half width of its interval (the habit of JCGM
100, 7.2.6, for uncertainties).  Text only: nothing computes with these numbers.
"""

from __future__ import annotations

import numpy as np

from psdstats.columns import signed


def word_effect(
    log_ratio: float, lower: float, upper: float, *, p: float | None, level: float
) -> str:
    """Put a ratio of sizes, its interval, the change in per cent and p into words.

    Examples
    --------
    >>> word_effect(0.02, -0.06, 0.10, p=0.6, level=0.95)
    'ratio 1.020 (95 % interval 0.942 to 1.105), an increase of 2.0 % (−5.8 % to 10.5 %), p = 0.60'
    """
    direction = -1.0 if log_ratio < 0.0 else 1.0
    with np.errstate(over="ignore"):  # with next to no degrees of freedom there is no upper limit
        ratio, low, high = np.exp([log_ratio, lower, upper])
        change, *ends = direction * 100.0 * np.expm1([log_ratio, lower, upper])
    decimals = _decimals((high - low) / 2.0)
    low_text, high_text = (signed(value, f".{decimals}f") for value in (low, high))
    name = "a decrease" if direction < 0.0 else "an increase"
    shown = (change, min(ends), max(ends))
    middle, lowest, highest = (f"{signed(value, f'.{decimals - 2}f')} %" for value in shown)
    size = f"ratio {ratio:.{decimals}f} ({100 * level:.3g} % interval {low_text} to {high_text})"
    last = "" if p is None else f", {word_p(p)}"
    return f"{size}, {name} of {middle} ({lowest} to {highest}){last}"


def word_p(p: float) -> str:
    """Put a p-value into words, two significant digits; the ends of the scale are not rounded.

    Examples
    --------
    >>> word_p(0.01234), word_p(0.0101), word_p(0.6), word_p(3e-7), word_p(0.9961)
    ('p = 0.012', 'p = 0.010', 'p = 0.60', 'p below 0.0001', 'p above 0.99')
    """
    if np.isnan(p):
        return "p unknown"
    if p < 0.0001:
        return "p below 0.0001"
    return "p above 0.99" if p > 0.99 else f"p = {_two_digits(p)}"


def _two_digits(p: float) -> str:
    """Two significant digits, a zero at the end kept; p between 0.0001 and 0.99."""
    rounded = float(f"{p:.1e}")
    return f"{rounded:.{1 - int(np.floor(np.log10(rounded)))}f}"


def _decimals(spread: float) -> int:
    """Decimals that keep two significant digits of a spread; two or more."""
    if not 0.0 < spread < np.inf:
        return 3
    return int(np.clip(1 - np.floor(np.log10(spread)), 2, 12))
