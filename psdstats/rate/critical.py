"""Critical value of an estimate whose variance is in part estimated from few runs.

Of the variance, a part is known or as good as known, the rest is estimated with few degrees of
freedom.  (estimate − truth)/standard error is then taken as √(1 − b) Z + √b T, Z normal, T of
Student with ν degrees of freedom and b the estimated share (W.-U. Behrens 1929 and R. A. Fisher
1935, from memory).  One Student's t with effective degrees of freedom is too short there: where
the estimated part comes out small by chance, it takes the whole for known.
"""

from __future__ import annotations

import numpy as np
from scipy import special

__all__ = ["critical_value", "student_critical"]

NODES, WEIGHTS = np.polynomial.legendre.leggauss(100)
STEPS = 40


def student_critical(level: float, df: float) -> float:
    """Two-sided critical value of Student's t, or of the normal where df is infinite.

    Examples
    --------
    >>> round(student_critical(0.95, 4.0), 3), round(student_critical(0.95, float("inf")), 3)
    (2.776, 1.96)
    """
    tail = 0.5 * (1 + level)
    return float(special.ndtri(tail) if np.isinf(df) else special.stdtrit(df, tail))


def critical_value(level: float, df: float, *, least_df: float) -> float:
    """Two-sided critical value for a variance of which only a part is estimated.

    Parameters
    ----------
    level : float
        Confidence level.
    df : float
        Effective degrees of freedom of the whole variance, `least_df` or more.
    least_df : float
        Degrees of freedom ν of the part estimated.

    Returns
    -------
    float
        Student's where `df` is `least_df`, the normal one where it is infinite.

    Notes
    -----
    The share b estimated follows from 2 V²/var(V̂) = df and var(V̂) = 2 (b V)²/ν: b = √(ν/df).
    The tail is a mean of normal tails over T = Z √(ν/χ²), by quadrature over the quantiles of χ².

    Examples
    --------
    >>> round(critical_value(0.95, 8.0, least_df=2.0), 2)
    3.28
    """
    if np.isinf(df) or df <= least_df:
        return student_critical(level, max(df, least_df))
    share = float(np.sqrt(least_df / df))
    tails = 0.5 * (1 + NODES)
    width = np.sqrt(1 - share + share * least_df / special.chdtri(least_df, tails))
    low, high = student_critical(level, np.inf), student_critical(level, least_df)
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        outside = float(WEIGHTS @ special.ndtr(-middle / width))  # the weights add up to 2
        low, high = (middle, high) if outside > 1 - level else (low, middle)
    return 0.5 * (low + high)
