"""The cells of a precision experiment: every group's results at every level, on the chosen scale.

Values are sizes in µm (or any positive quantity) and are taken as natural logarithms unless the
raw scale is asked for: an SD of ln D, times 100, is close to a relative SD in per cent, and a
difference of ln D is a ratio of sizes.  Nothing is estimated here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.errors import ModelError

__all__ = ["Scale", "cells_at_levels"]


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
    """Sort a tidy frame into cells, one record a level.

    Parameters
    ----------
    frame : DataFrame
        One row a result.
    value, group : str
        Column of the results; column of the groups.
    level : str, sequence of str or None
        Column or columns that define a level (a milling time); None takes all rows as one level.
    scale : {"log", "raw"}
        Whether logarithms are taken.

    Returns
    -------
    list of LevelCells
        In the order of the sorted levels.

    Raises
    ------
    ModelError
        If a column is missing, a value cannot have a logarithm, or no value is left.
    """
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
