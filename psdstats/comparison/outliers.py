"""Cochran's and Grubbs' tests at each level (ISO 5725-2), with critical values computed.

Cochran's test asks whether the largest within-group variance is too large, Grubbs' whether the
group mean farthest from the general mean is too far.  Critical values come from the beta and t
distributions through the probability of one named group times the number of groups.  That is exact
while two groups cannot both exceed the value, and slightly conservative beyond (Cochran: the true
significance lies between α - α²/2 and α, because shares of a total are negatively associated).
A result beyond the 1 % value is called an outlier, between 5 % and 1 % a straggler, as in the
standard.  Nothing is removed.  Grubbs' test of two outlying means is not offered.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import special

from psdstats.comparison.precision_cells import LevelCells, Scale, cells_at_levels
from psdstats.errors import ModelError

__all__ = ["cochran_critical", "grubbs_critical", "outliers"]


def cochran_critical(groups: int, results: int, significance: float) -> float:
    """Critical share of the largest of several variances in their sum.

    Parameters
    ----------
    groups : int
        Number of variances p, at least 2.
    results : int
        Results behind each variance n, at least 2.
    significance : float
        Significance α of the test.

    Returns
    -------
    float
        The critical value of Cochran's C.

    Raises
    ------
    ModelError
        If there are fewer than two groups or two results.

    Notes
    -----
    Quantile 1 - α/p of a beta variable with (n-1)/2 and (p-1)(n-1)/2.

    Examples
    --------
    >>> round(cochran_critical(8, 3, 0.05), 3)
    0.516
    """
    if groups < 2 or results < 2:
        raise ModelError(
            f"Cochran's test needs at least 2 groups of 2 results; there are {groups} groups of "
            f"{results}."
        )
    return _share_limit(results - 1, (groups - 1) * (results - 1), groups, significance)


def _share_limit(df: int, df_others: int, groups: int, significance: float) -> float:
    return float(special.betaincinv(df / 2, df_others / 2, 1 - significance / groups))


def grubbs_critical(groups: int, significance: float) -> float:
    """Two-sided critical value of Grubbs' test of one outlying mean.

    Parameters
    ----------
    groups : int
        Number of means p, at least 3.
    significance : float
        Significance α of the test.

    Returns
    -------
    float
        The critical value of G = max|ȳ_i - ȳ| / s.

    Raises
    ------
    ModelError
        If there are fewer than three groups.

    Notes
    -----
    ``G = (p-1)/√p · √(t²/(p-2+t²))``, t the quantile 1 - α/(2p) for p - 2 degrees of freedom;
    F. E. Grubbs, "Procedures for detecting outlying observations in samples", Technometrics 11
    (1969) 1-21 (formula from memory).

    Examples
    --------
    >>> round(grubbs_critical(8, 0.05), 2)
    2.13
    """
    if groups < 3:
        raise ModelError(f"Grubbs' test needs at least 3 groups and there are {groups}.")
    t = float(special.stdtrit(groups - 2, 1 - significance / (2 * groups)))
    return (groups - 1) / math.sqrt(groups) * math.sqrt(t * t / (groups - 2 + t * t))


def outliers(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str] | None = None,
    scale: Scale | str = Scale.LOG,
) -> pd.DataFrame:
    """Cochran's and Grubbs' tests at every level.

    Parameters
    ----------
    frame : DataFrame
        One row a result; rows whose value is NaN are left out.
    value, group : str
        Column of the results; column of the groups.
    level : str, sequence of str or None, default=None
        Column or columns that define a level.
    scale : {"log", "raw"}, default="log"
        Whether logarithms are taken.

    Returns
    -------
    DataFrame
        One row a level and test: level columns, test, group (the suspect), statistic, critical_5,
        critical_1, p, finding ("", "straggler", "outlier", or why the test is not possible).

    Raises
    ------
    ModelError
        If a column is missing or a value has no logarithm.

    Notes
    -----
    Unequal numbers of results: the suspect of Cochran's test is the group whose sum of squares is
    the least likely share of the total, and its share is referred to its own beta distribution.
    For equal numbers this is Cochran's C.
    """
    rows: list[dict[str, object]] = []
    for cells in cells_at_levels(frame, value=value, group=group, level=level, scale=scale):
        rows.append({**cells.level, **_cochran(cells)})
        rows.append({**cells.level, **_grubbs(cells)})
    return pd.DataFrame(rows)


def _cochran(cells: LevelCells) -> dict[str, object]:
    where = np.flatnonzero(cells.df > 0)
    total = cells.within_sum_of_squares
    if len(where) < 2 or total == 0:
        reason = "no scatter within groups" if len(where) > 1 else "fewer than 2 replicated groups"
        return _row("Cochran", "", math.nan, (math.nan, math.nan), math.nan, reason)
    df = cells.df[where]
    share = df * cells.sd[where] ** 2 / total
    others = df.sum() - df
    tail = 1 - special.betainc(df / 2, others / 2, share)
    suspect = int(np.argmin(tail))
    limits = [
        _share_limit(int(df[suspect]), int(others[suspect]), len(where), alpha)
        for alpha in (0.05, 0.01)
    ]
    p = min(1.0, len(where) * float(tail[suspect]))
    name = cells.groups[where[suspect]]
    return _row("Cochran", name, float(share[suspect]), (limits[0], limits[1]), p)


def _grubbs(cells: LevelCells) -> dict[str, object]:
    p = len(cells.groups)
    spread = float(np.std(cells.mean, ddof=1)) if p > 2 else 0.0
    if spread == 0:
        reason = "no scatter between groups" if p > 2 else "fewer than 3 groups"
        return _row("Grubbs", "", math.nan, (math.nan, math.nan), math.nan, reason)
    distance = np.abs(cells.mean - cells.mean.mean()) / spread
    suspect = int(np.argmax(distance))
    statistic = float(distance[suspect])
    limits = (grubbs_critical(p, 0.05), grubbs_critical(p, 0.01))
    rest = (p - 1) ** 2 - p * statistic**2  # zero when all other means coincide
    t = math.inf if rest <= 0 else statistic * math.sqrt(p * (p - 2) / rest)
    probability = min(1.0, 2 * p * float(special.stdtr(p - 2, -t)))
    return _row("Grubbs", cells.groups[suspect], statistic, limits, probability)


def _row(
    test: str,
    group: str,
    statistic: float,
    limits: tuple[float, float],
    p: float,
    reason: str = "",
) -> dict[str, object]:
    finding = reason
    if p <= 0.05:
        finding = "outlier" if p <= 0.01 else "straggler"
    return {
        "test": test,
        "group": group,
        "statistic": statistic,
        "critical_5": limits[0],
        "critical_1": limits[1],
        "p": p,
        "finding": finding,
    }
