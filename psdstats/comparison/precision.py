"""Repeatability, between-group and reproducibility SD at each milling time (ISO 5725-2).

Computed on ln D unless the raw scale is asked for: then s_r, s_L and s_R are SDs of ln D, and 100 s
is close to a relative SD in per cent.  Unequal numbers of results and groups with a single result
are allowed.  Outliers are neither sought nor removed here (`outliers`, `consistency`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.comparison.precision_cells import LevelCells, Scale, cells_at_levels
from psdstats.comparison.precision_intervals import (
    interval_between,
    interval_total,
    interval_within,
)

__all__ = ["LevelPrecision", "Precision", "precision"]

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
