"""The cells of a precision experiment: every group's results at every level, on the chosen scale.

Values are sizes in µm (or any positive quantity) and are taken as natural logarithms unless the
raw scale is asked for: an SD of ln D, times 100, is close to a relative SD in per cent, and a
difference of ln D is a ratio of sizes.  Nothing is estimated here.

Intervals for the repeatability, between-group and reproducibility variances.

The variances are in squared units of the response.  The within-group variance has the exact
chi-square interval.  The others are modified large-sample intervals on the between-group and
within-group mean squares: A. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu,
"Confidence intervals on linear combinations of variance components that are unrestricted in sign"
(1990) for a difference, and F. A. Graybill and C.-M. Wang, "Confidence intervals on nonnegative
linear combinations of variances" (1980) for a sum (formulas from memory; the tests hold them
against the F test and against simulated coverage).  Unequal numbers of results enter through the
unweighted mean square of the group means and the harmonic mean number; the intervals then hold
their coverage only nearly (94 to 98 % for a nominal 95 % with 6 groups of 1 to 6 results, 3,000
simulated trials).

Repeatability, between-group and reproducibility SD at each milling time (ISO 5725-2).

Computed on ln D unless the raw scale is asked for: then s_r, s_L and s_R are SDs of ln D, and 100 s
is close to a relative SD in per cent.  Unequal numbers of results and groups with a single result
are allowed.  Outliers are neither sought nor removed here (`outliers`, `consistency`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from psdstats.errors import ModelError


class Scale(StrEnum):
    """Scale on which SDs and differences are computed."""

    LOG = "log"
    RAW = "raw"


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelCells:
    """All results at one level.

    Parameters
    ----------
    level : dict of str to object
        Column and value of each level column; empty where there is only one level.
    groups : tuple of str
        Groups with at least one result, in order of first appearance.
    count : ndarray, shape (n_groups,)
        Number of results of each group.
    mean, sd : ndarray, shape (n_groups,)
        Mean and SD of each group on the scale used; the SD of a single result is NaN.
    left_out : int
        Results that were not numbers (sizes the sieves do not bracket) and were left out.
    """

    level: dict[str, object]
    groups: tuple[str, ...]
    count: NDArray[np.int64]
    mean: NDArray[np.float64]
    sd: NDArray[np.float64]
    left_out: int

    @property
    def df(self) -> NDArray[np.int64]:
        """Degrees of freedom within each group."""
        return self.count - 1

    @property
    def within_sum_of_squares(self) -> float:
        """Sum of squares within groups."""
        return float(np.nansum(self.df * np.nan_to_num(self.sd) ** 2))


def cells_at_levels(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str] | None,
    scale: Scale | str,
) -> list[LevelCells]:
    """Sort a tidy frame into cells, one record a level."""
    scale = Scale(scale)
    levels = [level] if isinstance(level, str) else list(level or ())
    for column in (value, group, *levels):
        if column not in frame.columns:
            raise ModelError(
                f"There is no column {column!r} in the frame (it has {list(frame.columns)}); "
                "name one that exists."
            )
    numbers = frame[value].astype(float)
    bad = frame.index[numbers.notna() & ((numbers <= 0) | np.isinf(numbers))].tolist()
    if scale is Scale.LOG and bad:
        raise ModelError(
            f"Column {value!r}, row {bad[0]!r} holds {float(numbers[bad[0]])!r}, which has no "
            "logarithm; correct it or use scale='raw'."
        )
    work = frame[[*levels, group]].assign(_y=np.log(numbers) if scale is Scale.LOG else numbers)
    if not work["_y"].notna().any():
        raise ModelError(f"Column {value!r} holds no number at all; nothing can be compared.")
    if not levels:
        return [_cells({}, work, group)]
    parts = []
    for key, part in work.groupby(levels, sort=True, observed=True):
        names = dict(zip(levels, key, strict=True))
        if part["_y"].notna().any():
            parts.append(_cells(names, part, group))
    return parts


def _cells(level: dict[str, object], part: pd.DataFrame, group: str) -> LevelCells:
    known = part[part["_y"].notna()]
    by_group = known.groupby(group, sort=False, observed=True)["_y"]
    return LevelCells(
        level=level,
        groups=tuple(str(name) for name in by_group.size().index),
        count=np.asarray(by_group.size(), dtype=np.int64),
        mean=np.asarray(by_group.mean(), dtype=np.float64),
        sd=np.asarray(by_group.std(ddof=1), dtype=np.float64),
        left_out=len(part) - len(known),
    )


def _chi2_upper(df: float, tail: float) -> float:
    return float(special.chdtri(df, tail))


def _f_upper(df_1: float, df_2: float, tail: float) -> float:
    return float(special.fdtri(df_1, df_2, 1.0 - tail))


def interval_within(mean_square: float, df: float, *, coverage: float) -> tuple[float, float]:
    """Exact interval of a variance from its mean square.

    Examples
    --------
    >>> lower, upper = interval_within(4.0, 10, coverage=0.95)
    >>> round(lower, 3), round(upper, 3)
    (1.953, 12.319)
    """
    tail = (1 - coverage) / 2
    return (
        mean_square * df / _chi2_upper(df, tail),
        mean_square * df / _chi2_upper(df, 1 - tail),
    )


def _one_sided(df: float, tail: float) -> tuple[float, float]:
    """Relative distances of the two limits of a variance from its mean square."""
    return 1 - df / _chi2_upper(df, tail), df / _chi2_upper(df, 1 - tail) - 1


def interval_between(
    between: float,
    df_between: float,
    within: float,
    df_within: float,
    number: float,
    *,
    coverage: float,
) -> tuple[float, float]:
    """Interval of the between-group variance (between - within) / number.

    Notes
    -----
    The uncut lower limit is zero exactly where the F test of no difference between groups reaches
    its one-sided significance (1 - coverage)/2.
    """
    tail = (1 - coverage) / 2
    g_1, h_1 = _one_sided(df_between, tail)
    g_2, h_2 = _one_sided(df_within, tail)
    f_high = _f_upper(df_between, df_within, tail)
    f_low = _f_upper(df_between, df_within, 1 - tail)
    g_12 = ((f_high - 1) ** 2 - g_1**2 * f_high**2 - h_2**2) / f_high
    h_12 = ((1 - f_low) ** 2 - h_1**2 * f_low**2 - g_2**2) / f_low
    down = g_1**2 * between**2 + h_2**2 * within**2 + g_12 * between * within
    up = h_1**2 * between**2 + g_2**2 * within**2 + h_12 * between * within
    difference = between - within
    lower = (difference - math.sqrt(max(down, 0.0))) / number
    upper = (difference + math.sqrt(max(up, 0.0))) / number
    return max(lower, 0.0), max(upper, 0.0)


def interval_total(
    between: float,
    df_between: float,
    within: float,
    df_within: float,
    number: float,
    *,
    coverage: float,
) -> tuple[float, float]:
    """Interval of the variance of a single result, between/n + (1 - 1/n) within."""
    tail = (1 - coverage) / 2
    g_1, h_1 = _one_sided(df_between, tail)
    g_2, h_2 = _one_sided(df_within, tail)
    part_1 = between / number
    part_2 = (1 - 1 / number) * within
    total = part_1 + part_2
    return (
        total - math.hypot(g_1 * part_1, g_2 * part_2),
        total + math.hypot(h_1 * part_1, h_2 * part_2),
    )


_LIMIT = 2.8  # repeatability and reproducibility limit in SDs, ISO 5725-6 (from memory): 1.96 √2


@dataclass(frozen=True, kw_only=True)
class LevelPrecision:
    """Precision at one level.

    Parameters
    ----------
    level : dict of str to object
        Column and value of each level column.
    groups, results, left_out : int
        Groups and results used; results left out because they are not numbers.
    mean : float
        General mean in the unit of the values (geometric on the log scale).
    repeatability_sd, between_sd, reproducibility_sd : float
        s_r, s_L and s_R on the scale used; NaN where `status` says they cannot be told.
    repeatability_interval, between_interval, reproducibility_interval : tuple of float
        Lower and upper limits of the SDs.
    df_within : int
        Degrees of freedom of s_r.
    status : str
        "estimated", or in words what cannot be told and why.
    """

    level: dict[str, object]
    groups: int
    results: int
    left_out: int
    mean: float
    repeatability_sd: float
    between_sd: float
    reproducibility_sd: float
    repeatability_interval: tuple[float, float]
    between_interval: tuple[float, float]
    reproducibility_interval: tuple[float, float]
    df_within: int
    status: str


@dataclass(frozen=True, kw_only=True)
class Precision:
    """Precision at every level.

    Parameters
    ----------
    levels : tuple of LevelPrecision
        In the order of the levels.
    scale : Scale
        Scale of every SD.
    coverage : float
        Coverage probability of the intervals.
    """

    levels: tuple[LevelPrecision, ...]
    scale: Scale
    coverage: float

    def to_frame(self) -> pd.DataFrame:
        """One row a level; on the log scale SDs are also given in per cent (100 s)."""
        rows = []
        for one in self.levels:
            row: dict[str, object] = {
                **one.level,
                "groups": one.groups,
                "results": one.results,
                "left_out": one.left_out,
                "mean": one.mean,
            }
            for name in ("repeatability", "between", "reproducibility"):
                sd = getattr(one, f"{name}_sd")
                lower, upper = getattr(one, f"{name}_interval")
                row |= {f"{name}_sd": sd, f"{name}_sd_lower": lower, f"{name}_sd_upper": upper}
                if self.scale is Scale.LOG:
                    row[f"{name}_percent"] = 100 * sd
            row["repeatability_limit"] = _LIMIT * one.repeatability_sd
            row["reproducibility_limit"] = _LIMIT * one.reproducibility_sd
            rows.append({**row, "df_within": one.df_within, "status": one.status})
        return pd.DataFrame(rows)


def precision(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str] | None = None,
    scale: Scale | str = Scale.LOG,
    coverage: float = 0.95,
) -> Precision:
    """Repeatability, between-group and reproducibility SD per level.

    Parameters
    ----------
    frame : DataFrame
        One row a result; rows whose value is NaN are left out and counted.
    value, group : str
        Column of the results; column of the groups.
    level : str, sequence of str or None, default=None
        Column or columns that define a level, such as "milling_time_min".
    scale : {"log", "raw"}, default="log"
        Whether SDs are those of ln(value) or of the value.
    coverage : float, default=0.95
        Coverage probability of the intervals.

    Returns
    -------
    Precision
        One record a level.

    Raises
    ------
    ModelError
        If a column is missing or a value has no logarithm.

    Notes
    -----
    ISO 5725-2, 7.4 (formulas from memory), with group means ȳ_i of n_i results and p groups:
    ``s_r² = Σ(n_i-1)s_i² / Σ(n_i-1)``, ``m = Σ n_i ȳ_i / Σ n_i``,
    ``s_d² = Σ n_i (ȳ_i - m)² / (p-1)``, ``n̄ = (Σn_i - Σn_i²/Σn_i)/(p-1)``,
    ``s_L² = max(0, (s_d² - s_r²)/n̄)``, ``s_R² = s_r² + s_L²``.
    Intervals: see `precision_intervals`.

    Examples
    --------
    >>> runs = pd.DataFrame({"D50": [99.0, 101, 109, 111], "bench": ["A", "A", "B", "B"]})
    >>> table = precision(runs, value="D50", group="bench", scale="raw").to_frame()
    >>> table[["repeatability_sd", "between_sd", "reproducibility_sd"]].round(3).to_numpy()
    array([[1.414, 7.   , 7.141]])
    """
    scale = Scale(scale)
    cells = cells_at_levels(frame, value=value, group=group, level=level, scale=scale)
    return Precision(
        levels=tuple(_at_level(one, scale, coverage) for one in cells),
        scale=scale,
        coverage=coverage,
    )


def _at_level(cells: LevelCells, scale: Scale, coverage: float) -> LevelPrecision:
    centre = float(np.sum(cells.count * cells.mean) / np.sum(cells.count))
    within, between, total = _variances(cells)
    intervals = _intervals(cells, within, coverage)
    return LevelPrecision(
        level=cells.level,
        groups=len(cells.groups),
        results=int(cells.count.sum()),
        left_out=cells.left_out,
        mean=math.exp(centre) if scale is Scale.LOG else centre,
        repeatability_sd=math.sqrt(within),
        between_sd=math.sqrt(between),
        reproducibility_sd=math.sqrt(total),
        repeatability_interval=_root(intervals[0]),
        between_interval=_root(intervals[1]),
        reproducibility_interval=_root(intervals[2]),
        df_within=int(cells.df.sum()),
        status=_status(cells, between),
    )


def _variances(cells: LevelCells) -> tuple[float, float, float]:
    """Within-group, between-group and total variance; NaN where the design does not tell."""
    n = cells.count.astype(float)
    groups, df = len(n), int(cells.df.sum())
    within = cells.within_sum_of_squares / df if df else math.nan
    if groups < 2:
        return within, math.nan, math.nan
    if not df:
        return math.nan, math.nan, float(np.var(cells.mean, ddof=1))
    centre = np.sum(n * cells.mean) / n.sum()
    square = float(np.sum(n * (cells.mean - centre) ** 2)) / (groups - 1)
    number = float(n.sum() - np.sum(n**2) / n.sum()) / (groups - 1)
    between = max(0.0, (square - within) / number)
    return within, between, within + between


def _intervals(
    cells: LevelCells, within: float, coverage: float
) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
    """Intervals of the three variances, in the same order."""
    unknown = (math.nan, math.nan)
    groups, df = len(cells.groups), int(cells.df.sum())
    of_within = interval_within(within, df, coverage=coverage) if df else unknown
    if groups < 2:
        return of_within, unknown, unknown
    spread = float(np.var(cells.mean, ddof=1))
    if not df:
        return unknown, unknown, interval_within(spread, groups - 1, coverage=coverage)
    harmonic = groups / float(np.sum(1 / cells.count))
    parts = (harmonic * spread, groups - 1, within, df, harmonic)
    return (
        of_within,
        interval_between(*parts, coverage=coverage),
        interval_total(*parts, coverage=coverage),
    )


def _status(cells: LevelCells, between: float) -> str:
    replicated = bool(cells.df.sum())
    if len(cells.groups) < 2:
        if replicated:
            return "only one group: between-group and reproducibility SD cannot be told"
        return "a single result: no SD can be told"
    if not replicated:
        return "no group has a replicate: repeatability and between-group SD cannot be told apart"
    if between == 0.0:
        return "estimated; the groups differ no more than their repeatability explains"
    return "estimated"


def _root(limits: tuple[float, float]) -> tuple[float, float]:
    return math.sqrt(limits[0]), math.sqrt(limits[1])
