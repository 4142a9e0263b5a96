"""Tail areas and quantiles of Student's t with fractional or infinite degrees of freedom.

Degrees of freedom from small-sample corrections are seldom whole numbers, and are infinite where
nothing was estimated from the data.  Dimensionless; no tables, no rounding of the degrees of
freedom.  Upper-tail areas keep their relative accuracy however small they are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from psdstats.frozen import Array


def upper_tail(t: ArrayLike, df: ArrayLike) -> Array:
    """Probability that Student's t exceeds a value.

    Examples
    --------
    >>> upper_tail([0.0, 2.0], [4.5, float("inf")]).round(6)
    array([0.5    , 0.02275])
    """
    t_all, df_all = np.broadcast_arrays(np.asarray(t, dtype=float), np.asarray(df, dtype=float))
    finite = np.isfinite(df_all)
    area = special.ndtr(-t_all)
    student = special.stdtr(np.where(finite, df_all, 1.0), -t_all)
    return np.asarray(np.where(finite, student, area), dtype=np.float64)


def two_sided_p(t: ArrayLike, df: ArrayLike) -> Array:
    """Probability that |t| exceeds the value found; arguments as in `upper_tail`.

    Examples
    --------
    >>> two_sided_p(-2.0, 10).round(6)
    np.float64(0.073388)
    """
    return 2.0 * upper_tail(np.abs(np.asarray(t, dtype=float)), df)


def critical_t(alpha: ArrayLike, df: ArrayLike) -> Array:
    """Value that |t| exceeds with probability alpha.

    Examples
    --------
    >>> critical_t(0.05, [10, float("inf")]).round(4)
    array([2.2281, 1.96  ])
    """
    half, df_all = np.broadcast_arrays(
        np.asarray(alpha, dtype=float) / 2.0, np.asarray(df, dtype=float)
    )
    finite = np.isfinite(df_all)
    some_df = np.where(finite, df_all, 1.0)
    value = -np.where(finite, special.stdtrit(some_df, half), special.ndtri(half))
    return np.asarray(value, dtype=np.float64)


def scale_rule(df: float, *, pull: float = 0.0, edge: float = 1.0) -> tuple[Array, Array]:
    """Nodes and weights for a mean over s = sqrt(chi-square(df) / df).

    Shapes: gives (n_nodes,).

    Notes
    -----
    Trapezoidal rule in x = ln s, whose density, proportional to exp(df x - df e^(2x) / 2), is
    entire and falls off on both sides: the rule converges exponentially.
    Beyond c s a normal tail behaves as exp(-c² s² / 2), which moves the peak to
    x = -ln(1 + c²/df) / 2 and leaves its width 1/sqrt(2 df) unchanged.

    Examples
    --------
    >>> s, weight = scale_rule(7.5)
    >>> float((weight * s**2).sum().round(12))
    1.0
    """
    if np.isinf(df):
        return np.ones(1), np.ones(1)
    width = 1.0 / np.sqrt(2.0 * df)
    centre = -0.5 * np.log1p(pull * pull / df)
    left = centre - 38.0 / df - 9.0 * width
    right = 0.5 * np.log1p(100.0 / df + 13.0 / np.sqrt(df))
    step = min(0.6 * width, 0.12, 0.8 / max(edge, 1.0))
    x = np.arange(left, right + step, step)
    log_weight = df * x - 0.5 * df * np.expm1(2.0 * x)
    weight = np.exp(log_weight)  # 1 at its peak x = 0; its constant is found by summing
    return np.exp(x), weight / weight.sum()
