"""Which group stands apart: Mandel's h and k, Cochran's and Grubbs' tests (ISO 5725-2), and ICC.

h compares a group's mean with the mean of all groups, k its SD with the pooled SD, at each level.
The limits are exact for normal results (h: also for equal numbers of results): they come from the t
and F distributions, not from a table.  An indicator beyond a limit is a reason to look for a cause,
not to remove a result.

Cochran's test asks whether the largest within-group variance is too large, Grubbs' whether the
group mean farthest from the general mean is too far.  Critical values come from the beta and t
distributions through the probability of one named group times the number of groups.  That is exact
while two groups cannot both exceed the value, and slightly conservative beyond (Cochran: the true
significance lies between α - α²/2 and α, because shares of a total are negatively associated).
A result beyond the 1 % value is called an outlier, between 5 % and 1 % a straggler, as in the
standard.  Nothing is removed.  Grubbs' test of two outlying means is not offered.

Intraclass correlation, by pingouin, where every group has every level: how much of the variation of
single group results at given milling times is common to all groups.  Times that differ much make it
large whatever the groups do, so it is weak evidence of agreement by itself; the difference between
consistency and absolute agreement shows whether groups are offset.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from psdstats.comparison.groups import LevelCells, Scale, cells_at_levels
from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind

_PERCENT = (5, 1)  # significance of the two limits


def mandel_h_limit(groups: int, significance: float) -> float:
    """Two-sided limit of Mandel's h.

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
            f"Mandel's h and Grubbs' test need at least 3 groups and there are {groups}; compare "
            "the two directly."
        )
    t = float(special.stdtrit(groups - 2, 1 - significance / 2))
    return (groups - 1) * t / math.sqrt(groups * (t * t + groups - 2))


def mandel_k_limit(df: int, df_others: int, significance: float) -> float:
    """Upper limit of Mandel's k.

    Notes
    -----
    ``k² = s_i² / s_r²`` is N/ν times a beta variable with ν/2 and (N-ν)/2, N = df + df_others.

    Examples
    --------
    Eight groups of four results (ISO 5725-2:1994, Table 6: 1.81):

    >>> round(mandel_k_limit(3, 21, 0.01), 2)
    1.81
    """
    return math.sqrt((df + df_others) / df * cochran_limit(df, df_others, 1, significance))


def cochran_limit(df: int, df_others: int, groups: int, significance: float) -> float:
    """Critical share of the largest of several variances in their sum.

    Notes
    -----
    Quantile 1 - α/p of a beta variable with ν/2 and half the others' degrees of freedom; Cochran's
    C where p groups of n results have n - 1 each.

    Examples
    --------
    Eight groups of three results:

    >>> round(cochran_limit(2, 14, 8, 0.05), 3)
    0.516
    """
    return float(special.betaincinv(df / 2, df_others / 2, 1 - significance / groups))


def grubbs_critical(groups: int, significance: float) -> float:
    """Two-sided critical value of Grubbs' test of one outlying mean.

    Notes
    -----
    That of h at α/p; F. E. Grubbs, "Procedures for detecting outlying observations in samples",
    Technometrics 11 (1969) 1-21 (formula from memory).

    Examples
    --------
    >>> round(grubbs_critical(8, 0.05), 2)
    2.13
    """
    return mandel_h_limit(groups, significance / groups)


def consistency(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str] | None = None,
    scale: Scale | str = Scale.LOG,
) -> pd.DataFrame:
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
    DataFrame
        One row a group and level: level columns, group, n, mean, sd, h, h_limit_5, h_limit_1, k,
        k_limit_5, k_limit_1, and in finding "", "h beyond the 5 % limit" and so on; NaN where a
        level has fewer than three groups (h) or fewer than two groups with replicates (k).

    Raises
    ------
    ModelError
        If a column is missing or a value has no logarithm.

    Notes
    -----
    h: deviation of the group mean from the plain mean of the group means over the SD of the group
    means.  k: SD of the group over s_r.  With unequal numbers s_r is pooled by degrees of freedom
    (ISO 5725-2 pools equally; the same for equal numbers), because then the limit of k stays exact.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.comparison.consistency import consistency
    >>> sizes = {"a": [100.0, 102.0], "b": [99.0, 101.0], "c": [130.0, 131.0]}
    >>> rows = [(group, size) for group, own in sizes.items() for size in own]
    >>> frame = pd.DataFrame(rows, columns=["group", "D50"])
    >>> found = consistency(frame, value="D50", group="group")
    >>> found["finding"].tolist()
    ['', '', 'h beyond the 5 % limit']
    """
    cells = cells_at_levels(frame, value=value, group=group, level=level, scale=scale)
    return pd.concat([_indicators(one, group) for one in cells], ignore_index=True)


def _indicators(cells: LevelCells, group: str) -> pd.DataFrame:
    p, df = len(cells.groups), cells.df
    total_df, several = int(df.sum()), np.count_nonzero(df) > 1
    spread = float(np.std(cells.mean, ddof=1)) if p > 2 else math.nan
    pooled = math.sqrt(cells.within_sum_of_squares / total_df) if total_df else math.nan
    columns = {
        **{name: [one] * p for name, one in cells.level.items()},
        group: list(cells.groups),
        "n": cells.count,
        "mean": cells.mean,
        "sd": cells.sd,
        "h": (cells.mean - cells.mean.mean()) / (spread if spread > 0 else math.nan),
    }
    for percent in _PERCENT:
        limit = mandel_h_limit(p, percent / 100) if p > 2 else math.nan
        columns[f"h_limit_{percent}"] = [limit] * p
    columns["k"] = cells.sd / (pooled if several and pooled > 0 else math.nan)
    for percent in _PERCENT:
        columns[f"k_limit_{percent}"] = [
            mandel_k_limit(int(one), total_df - int(one), percent / 100)
            if one > 0 and several
            else math.nan
            for one in df
        ]
    table, findings = pd.DataFrame(columns), []
    for row in table.to_dict("records"):
        beyond = {
            letter: [one for one in _PERCENT if abs(row[letter]) > row[f"{letter}_limit_{one}"]]
            for letter in ("h", "k")
        }
        found = (f"{name} beyond the {min(one)} % limit" for name, one in beyond.items() if one)
        findings.append("; ".join(found))
    return table.assign(finding=findings)


class Suspect(StrEnum):
    """What a test calls a result beyond its 5 % or its 1 % value."""

    STRAGGLER = "straggler"
    OUTLIER = "outlier"


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

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.comparison import outliers
    >>> sizes = {"a": [100.0, 102.0], "b": [99.0, 101.0], "c": [130.0, 131.0]}
    >>> rows = [(group, size) for group, own in sizes.items() for size in own]
    >>> frame = pd.DataFrame(rows, columns=["group", "D50"])
    >>> outliers(frame, value="D50", group="group")["test"].map(str).tolist()
    ['Cochran', 'Grubbs']
    """
    cells = cells_at_levels(frame, value=value, group=group, level=level, scale=scale)
    tests = {"Cochran": _cochran, "Grubbs": _grubbs}
    rows = []
    for one, (test, judge) in product(cells, tests.items()):
        found: dict[str, Any] = {"group": ""}
        found |= dict.fromkeys(("statistic", "critical_5", "critical_1", "p"), math.nan)
        found |= {"finding": ""} | judge(one)
        if found["p"] <= 0.05:
            found["finding"] = Suspect.OUTLIER if found["p"] <= 0.01 else Suspect.STRAGGLER
        rows.append({**one.level, "test": test, **found})
    return pd.DataFrame(rows)


def _cochran(cells: LevelCells) -> dict[str, Any]:
    where = np.flatnonzero(cells.df > 0)
    total = cells.within_sum_of_squares
    if len(where) < 2 or total == 0:
        reason = "no scatter within groups" if len(where) > 1 else "fewer than 2 replicated groups"
        return {"finding": reason}
    df = cells.df[where]
    share, others = df * cells.sd[where] ** 2 / total, df.sum() - df
    tail = 1 - special.betainc(df / 2, others / 2, share)
    suspect = int(np.argmin(tail))
    mine = (int(df[suspect]), int(others[suspect]), len(where))
    return {
        "group": cells.groups[where[suspect]],
        "statistic": float(share[suspect]),
        "critical_5": cochran_limit(*mine, 0.05),
        "critical_1": cochran_limit(*mine, 0.01),
        "p": min(1.0, len(where) * float(tail[suspect])),
    }


def _grubbs(cells: LevelCells) -> dict[str, Any]:
    p = len(cells.groups)
    spread = float(np.std(cells.mean, ddof=1)) if p > 2 else 0.0
    if spread == 0:
        return {"finding": "no scatter between groups" if p > 2 else "fewer than 3 groups"}
    distance = np.abs(cells.mean - cells.mean.mean()) / spread
    suspect = int(np.argmax(distance))
    statistic = float(distance[suspect])
    rest = (p - 1) ** 2 - p * statistic**2  # zero when all other means coincide
    t = math.inf if rest <= 0 else statistic * math.sqrt(p * (p - 2) / rest)
    return {
        "group": cells.groups[suspect],
        "statistic": statistic,
        "critical_5": grubbs_critical(p, 0.05),
        "critical_1": grubbs_critical(p, 0.01),
        "p": min(1.0, 2 * p * float(special.stdtr(p - 2, -t))),
    }


_KINDS = {
    "ICC(1,1)": "groups interchangeable",
    "ICC(A,1)": "absolute agreement",
    "ICC(C,1)": "consistency",
}
_COLUMNS = {"Type": "kind", "ICC": "icc", "lower": "lower", "upper": "upper", "F": "f",
            "df1": "df_1", "df2": "df_2", "pval": "p"}  # fmt: skip


class IntraclassRemark(RemarkKind):
    """Why there is no intraclass correlation."""

    TOO_FEW_GROUPS = "too few groups"
    MISSING = "groups missing at levels"
    TOO_FEW_RESULTS = "too few results"


@dataclass(frozen=True, kw_only=True)
class Intraclass:
    """Intraclass correlations of one group's result.

    Parameters
    ----------
    table : DataFrame
        kind, icc, lower, upper (95 %), f, df_1, df_2, p; empty where it is not possible.
    obstacle : Remark or None
        Why it is not possible; None where it was computed.
    """

    table: pd.DataFrame
    obstacle: Remark | None = None


def intraclass_correlation(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str],
    scale: Scale | str = Scale.LOG,
) -> Intraclass:
    """Intraclass correlations of group means, with levels as targets and groups as raters.

    Parameters
    ----------
    frame : DataFrame
        One row a result; replicates are averaged.
    value, group : str
        Column of the results; column of the groups.
    level : str or sequence of str
        Column or columns that define a level.
    scale : {"log", "raw"}, default="log"
        Whether logarithms are taken.

    Returns
    -------
    Intraclass
        The table, or an empty one and the reason.

    Raises
    ------
    ModelError
        If a column is missing or a value has no logarithm.

    References
    ----------
    K. O. McGraw and S. P. Wong, "Forming inferences about some intraclass correlation
    coefficients", Psychological Methods 1 (1996) 30-46 (from memory).

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.comparison import intraclass_correlation
    >>> sizes = {"a": [250.0, 180, 120], "b": [252.0, 178, 123], "c": [249.0, 181, 119]}
    >>> rows = [(g, time, d) for g, own in sizes.items() for time, d in zip((0, 12, 48), own)]
    >>> frame = pd.DataFrame(rows, columns=["group", "time", "D50"])
    >>> found = intraclass_correlation(frame, value="D50", group="group", level="time")
    >>> found.table[["kind", "icc"]].round(3)
                         kind    icc
    0  groups interchangeable  0.999
    1      absolute agreement  0.999
    2             consistency  0.999
    """
    cells = cells_at_levels(frame, value=value, group=group, level=level, scale=scale)
    tidy = pd.DataFrame(
        [
            {"target": number, "rater": name, "rating": mean}
            for number, one in enumerate(cells)
            for name, mean in zip(one.groups, one.mean, strict=True)
        ]
    )
    groups, results = tidy["rater"].nunique(), len(tidy)
    obstacle = None
    if groups < 2 or len(cells) < 2:
        obstacle = IntraclassRemark.TOO_FEW_GROUPS(groups=groups, levels=len(cells))
    elif results < groups * len(cells):
        obstacle = IntraclassRemark.MISSING(count=groups * len(cells) - results)
    elif results < 5:
        obstacle = IntraclassRemark.TOO_FEW_RESULTS(count=results)
    if obstacle is not None:
        return Intraclass(table=pd.DataFrame(columns=[*_COLUMNS.values()]), obstacle=obstacle)
    import pingouin

    with warnings.catch_warnings():  # pingouin calls pandas in a way that pandas will give up
        warnings.simplefilter("ignore", DeprecationWarning)
        found = pingouin.intraclass_corr(tidy, targets="target", raters="rater", ratings="rating")
    mine = found[found["Type"].isin(_KINDS)].reset_index(drop=True)
    limits = np.array(mine["CI95"].tolist(), dtype=np.float64)
    mine = mine.assign(lower=limits[:, 0], upper=limits[:, 1], Type=mine["Type"].map(_KINDS))
    return Intraclass(table=mine[[*_COLUMNS]].rename(columns=_COLUMNS))
