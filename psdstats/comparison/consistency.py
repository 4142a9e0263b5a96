"""Mandel's h and k: which group's mean stands apart, and which group scatters more (ISO 5725-2).

h compares a group's mean with the mean of all groups, k its SD with the pooled SD, at each level.
The limits are exact for normal results (h: also for equal numbers of results): they come from the t
and F distributions, not from a table.  An indicator beyond a limit is a reason to look for a cause,
not to remove a result.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from psdstats.comparison.precision_cells import LevelCells, Scale, cells_at_levels
from psdstats.errors import ModelError

__all__ = ["Consistency", "consistency", "mandel_h_limit", "mandel_k_limit"]

_SIGNIFICANCES = (0.05, 0.01)


def mandel_h_limit(groups: int, significance: float) -> float:
    """Two-sided limit of Mandel's h.

    Parameters
    ----------
    groups : int
        Number of groups p, at least 3.
    significance : float
        Probability that |h| of one group exceeds the limit by chance.

    Returns
    -------
    float
        The limit.

    Raises
    ------
    ModelError
        If there are fewer than three groups: h of two groups is always ±0.707.

    Notes
    -----
    ``h = (p-1) t / √(p (t² + p - 2))`` with t the quantile 1 - significance/2 for p - 2 degrees of
    freedom; see P.-T. Wilrich, "Critical values of Mandel's h and k, the Grubbs and the Cochran
    test statistic", AStA 97 (2013) 1-10 (formula from memory).

    Examples
    --------
    >>> round(mandel_h_limit(8, 0.01), 2)
    2.06
    """
    if groups < 3:
        raise ModelError(
            f"Mandel's h needs at least 3 groups and there are {groups}; compare the two directly."
        )
    t = float(special.stdtrit(groups - 2, 1 - significance / 2))
    return (groups - 1) * t / math.sqrt(groups * (t * t + groups - 2))


def mandel_k_limit(df: int, df_others: int, significance: float) -> float:
    """Upper limit of Mandel's k.

    Parameters
    ----------
    df : int
        Degrees of freedom within the group, n_i - 1.
    df_others : int
        Degrees of freedom within all other groups together.
    significance : float
        Probability that k of one group exceeds the limit by chance.

    Returns
    -------
    float
        The limit.

    Notes
    -----
    ``k² = s_i² / s_r²`` is N/ν times a beta variable with ν/2 and (N-ν)/2, N = df + df_others.

    Examples
    --------
    Eight groups of four results (ISO 5725-2:1994, Table 6: 1.81):

    >>> round(mandel_k_limit(3, 21, 0.01), 2)
    1.81
    """
    quantile = float(special.betaincinv(df / 2, df_others / 2, 1 - significance))
    return math.sqrt((df + df_others) / df * quantile)


@dataclass(frozen=True, kw_only=True, eq=False)
class Consistency:
    """Mandel's indicators of every group at every level.

    Parameters
    ----------
    table : DataFrame
        One row a group and level: level columns, group, n, mean, sd, h, h_limit_5, h_limit_1, k,
        k_limit_5, k_limit_1, finding.  `finding` is "", "h beyond the 5 % limit" and so on.
    scale : Scale
        Scale of mean and SD.
    """

    table: pd.DataFrame
    scale: Scale

    def to_frame(self) -> pd.DataFrame:
        """A copy of the table, ready for a figure of h and k."""
        return self.table.copy()


def consistency(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str] | None = None,
    scale: Scale | str = Scale.LOG,
) -> Consistency:
    """Mandel's h and k with their 5 % and 1 % limits.

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
    Consistency
        The table of indicators; NaN where a level has fewer than three groups (h) or fewer than two
        groups with replicates (k).

    Raises
    ------
    ModelError
        If a column is missing or a value has no logarithm.

    Notes
    -----
    h: deviation of the group mean from the plain mean of the group means over the SD of the group
    means.  k: SD of the group over s_r.  With unequal numbers s_r is pooled by degrees of freedom
    (ISO 5725-2 pools equally; the same for equal numbers), because then the limit of k stays exact.
    """
    scale = Scale(scale)
    cells = cells_at_levels(frame, value=value, group=group, level=level, scale=scale)
    return Consistency(
        table=pd.concat([_indicators(one, group) for one in cells], ignore_index=True), scale=scale
    )


def _indicators(cells: LevelCells, group: str) -> pd.DataFrame:
    p = len(cells.groups)
    df = cells.df
    total_df = int(df.sum())
    table = pd.DataFrame(
        {
            **{name: [one] * p for name, one in cells.level.items()},
            group: list(cells.groups),
            "n": cells.count,
            "mean": cells.mean,
            "sd": cells.sd,
        }
    )
    spread = float(np.std(cells.mean, ddof=1)) if p > 2 else math.nan
    table["h"] = (cells.mean - cells.mean.mean()) / (spread if spread > 0 else math.nan)
    for alpha in _SIGNIFICANCES:
        table[f"h_limit_{alpha:.0%}".rstrip("%")] = mandel_h_limit(p, alpha) if p > 2 else math.nan
    pooled = math.sqrt(cells.within_sum_of_squares / total_df) if total_df else math.nan
    several = np.count_nonzero(df) > 1
    table["k"] = cells.sd / (pooled if several and pooled > 0 else math.nan)
    for alpha in _SIGNIFICANCES:
        table[f"k_limit_{alpha:.0%}".rstrip("%")] = [
            mandel_k_limit(int(one), total_df - int(one), alpha)
            if one > 0 and several
            else math.nan
            for one in df
        ]
    table["finding"] = [_finding(row) for row in table.to_dict("records")]
    return table


def _finding(row: Mapping[Hashable, Any]) -> str:
    found = []
    for letter in ("h", "k"):
        size = abs(row[letter])
        for percent in ("1", "5"):
            if size > row[f"{letter}_limit_{percent}"]:
                found.append(f"{letter} beyond the {percent} % limit")
                break
    return "; ".join(found)
