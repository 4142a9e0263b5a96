"""How a column of the run table lies to milling time and groups: what it can be compared with.

A further factor can be judged at each time only where its levels were run side by side.  A level
that goes with the group, with the time or with another factor cannot be told from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from psdstats.columns import CHARGE, GROUP, TIME
from psdstats.models.design_columns import level_text


class Crossing(StrEnum):
    """How the levels of a factor were run."""

    CROSSED = "crossed"  # every level at every time
    PARTLY = "partly crossed"  # two levels or more share two times or more, some cells are empty
    CONSTANT = "constant"  # one level, or none
    APART = "apart"  # no two levels share two times: a date, a room temperature
    WITH_TIME = "with time"  # each time has one level
    IN_GROUPS = "in groups"  # each group has one level
    WITH_OTHER = "with another factor"  # each level of the one has one level of the other


@dataclass(frozen=True, kw_only=True)
class FactorPlace:
    """Place of one factor in a design.

    Parameters
    ----------
    column : str
        Column of the run table.
    crossing : Crossing
        How its levels were run; only `CROSSED` and `PARTLY` allow it to be judged at a time.
    levels : tuple of str
        Its levels as text, in order.
    times : tuple of str
        Levels of time at which two of its levels or more were run.
    missing : tuple of (str, str)
        Combinations of time and level without a run.
    other : str
        The column that it cannot be told from; empty where there is none.
    in_charges : bool
        Whether each charge that was sampled at several times has one level: levels are then told
        apart between charges only, and how they change within them.
    """

    column: str
    crossing: Crossing
    levels: tuple[str, ...] = ()
    times: tuple[str, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    other: str = ""
    in_charges: bool = False

    @property
    def is_judged(self) -> bool:
        """Whether its levels can be compared at one time at least."""
        return self.crossing in (Crossing.CROSSED, Crossing.PARTLY)


def place_factor(
    runs: pd.DataFrame, column: str, *, by: str = TIME, among: Sequence[str] = ()
) -> FactorPlace:
    """Find how a factor lies to the levels of `by`, to groups and to other factors.

    Parameters
    ----------
    runs : DataFrame
        Run table; runs without a value of the factor are left aside.
    column : str
        The factor.
    by : str, default="milling_time_min"
        Column whose levels are compared.
    among : sequence of str
        Other factors, with which it might go one to one.
    """
    frame = runs[runs[column].notna() & runs[by].notna()]
    cells = pd.crosstab(frame[by], frame[column])
    held = cells.to_numpy() > 0  # (times, levels)
    times, levels = (tuple(map(level_text, axis)) for axis in (cells.index, cells.columns))

    def found(crossing: Crossing, other: str = "") -> FactorPlace:
        return FactorPlace(
            column=column,
            crossing=crossing,
            levels=levels,
            times=tuple(time for time, row in zip(times, held, strict=True) if row.sum() > 1),
            missing=tuple((times[t], levels[k]) for t, k in np.argwhere(~held)),
            other=other,
            in_charges=_in_charges(frame, column, by),
        )

    if len(levels) < 2:
        return found(Crossing.CONSTANT)
    if goes_with(frame, column, by):
        return found(Crossing.WITH_TIME, by)
    if goes_with(frame, column, GROUP):
        return found(Crossing.IN_GROUPS, GROUP)
    shared = held.T.astype(int) @ held
    if np.triu(shared, 1).max() < 2:
        return found(Crossing.APART)
    for other in among:
        if goes_with(frame, column, other) and goes_with(frame, other, column):
            return found(Crossing.WITH_OTHER, other)
    return found(Crossing.CROSSED if held.all() else Crossing.PARTLY)


def goes_with(runs: pd.DataFrame, column: str, other: str) -> bool:
    """Whether each level of another column has one level of this one."""
    if column == other or other not in runs:
        return False
    told = runs[[column, other]].dropna().drop_duplicates()
    return len(told) > 0 and bool(told[other].is_unique)


def _in_charges(runs: pd.DataFrame, column: str, by: str) -> bool:
    """Whether charges were sampled at several levels of time, each with one level of the factor."""
    if CHARGE not in runs or runs[CHARGE].isna().all():
        return False
    keys = [GROUP, CHARGE] if GROUP in runs else [CHARGE]
    counts = runs.groupby(keys, observed=True)[[by, column]].nunique()
    return bool((counts[by] > 1).any()) and bool((counts[column] < 2).all())
