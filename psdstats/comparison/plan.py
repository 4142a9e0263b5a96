"""The design of a trial as its run table shows it, and so what its analysis must hold.

Milling time is compared; every further factor that is crossed with it is answered level by level;
groups, and charges that were sampled at several times, are blocks; groups x conditions and the
drift of groups are variances where the runs can show them.  What the caller asks for is added to
that; a part is left out only by a word of its own.  Nothing is chosen silently: every choice is a
remark, and the remarks travel with the result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from psdstats.columns import BOOKKEEPING, CHARGE, GROUP, RUN, TIME, column_words
from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Flags
from psdstats.limits import MARGIN_PERCENT
from psdstats.models.design_columns import level_text, need_columns
from psdstats.study.records import Trial
from psdstats.study.settings import Declared, declared_spread

Grouping = str | tuple[str, ...]

_LISTED = 4  # pairs named before "and so on"
_FEWEST_LEFT = 2  # runs beyond the cells, so that their spread can be seen
_OF_ONE_FACTOR = ("by", "also", "within", "at_each")


class SpreadRule(StrEnum):
    """What a comparison allows the scatter to do from level to level.

    ``drifting``: groups may drift apart in the order of the levels, each along a line of its own.
    ``pooled``: one spread for all levels.  ``each contrast``: no model of the spread at all, every
    contrast is judged by its own differences.
    """

    DRIFTING = "drifting"
    POOLED = "pooled"
    EACH_CONTRAST = "each contrast"


class Direction(StrEnum):
    """Which way milling is expected to move the sizes."""

    FALLING = "falling"
    RISING = "rising"


class LevelTest(StrEnum):
    """How tests and intervals hold their level."""

    CALIBRATED = "calibrated"
    KENWARD_ROGER = "kenward-roger"


class PlanRemark(RemarkKind):
    """What was chosen for the caller, set aside or left out."""

    WITHOUT_VALUE = "runs without a value"  # runs, column
    TIME_SET_ASIDE = "time set aside"  # by
    ONE_RUN_A_GROUP = "one run a group"
    BLOCKS = "blocks"  # columns
    ONE_CHARGE = "one charge"  # charges
    OWN_CHARGES = "charges of their own"
    EACH_LEVEL = "each level by itself"  # column
    NESTED = "nested in groups"  # column
    PART_OF_FACTOR = "part of the factor"  # column, factor
    LEFT_OUT = "left out"  # column
    LEFT_OUT_ASKED = "left out as asked"  # column


CELL, DRIFT = "cell", "drift"
"""What `leave_out` calls the variance of cells and the lines of the groups."""


@dataclass(frozen=True, kw_only=True)
class ComparisonPlan:
    """The design of one comparison.

    Parameters
    ----------
    by : str
        Column of the run table whose levels are compared.
    within : tuple of str or tuple of str
        Groupings: those that hold several levels of ``by`` are blocks of the tests and random in
        the printed fit; a tuple that holds ``by`` itself is a variance of cells.
    also : tuple of str
        Further factors of the fixed part, whose differences are set aside.
    at_each : tuple of str
        Further factors within each of whose levels `by` is compared (with their interaction).
    margin_percent : float or None
        Change that is too small to matter; None where none was stated.
    remarks : tuple of Remark
        Choices that were made for the caller, and columns that were left out.
    spread : SpreadRule, default=SpreadRule.DRIFTING
        What the scatter may do from level to level.
    direction : Direction
        Which way milling is expected to move the sizes.
    one_family : bool
        Hold one error over falls, factor and stop together.
    run_to_run, drift : Declared or None
        Declared spread between runs, and of the drift of groups a step of time.
    test : LevelTest
        How tests and intervals hold their level.
    left_out : tuple of str
        Parts of the design left out as asked.
    undirected : tuple of str
        Quantities that milling is expected to move neither way.
    in_hand : bool
        Whether values are compared that come from elsewhere than weighings of a study.
    what : str
        What is compared, as sentences call it.

    Attributes
    ----------
    factors : tuple of str
        Every column that enters the fixed part as a factor.
    where : str or None
        Column of the levels answered by themselves: one factor, or several joined.
    blocks, cells : tuple of str or tuple of str
        Groupings that hold several levels of the factor; those whose combinations with it have a
        variance of their own.
    crossing : str or tuple of str, or None
        The first of the blocks.
    """

    by: str
    within: tuple[Grouping, ...] = ()
    also: tuple[str, ...] = ()
    at_each: tuple[str, ...] = ()
    margin_percent: float | None = None
    remarks: tuple[Remark, ...] = ()
    spread: SpreadRule = SpreadRule.DRIFTING
    direction: Direction = Direction.FALLING
    one_family: bool = False
    run_to_run: Declared | None = None
    drift: Declared | None = None
    test: LevelTest = LevelTest.CALIBRATED
    left_out: tuple[str, ...] = ()
    undirected: tuple[str, ...] = ("span",)
    in_hand: bool = False
    what: str = "size"

    factors: tuple[str, ...] = field(init=False, repr=False)
    where: str | None = field(init=False, repr=False)
    blocks: tuple[Grouping, ...] = field(init=False, repr=False)
    cells: tuple[Grouping, ...] = field(init=False, repr=False)
    crossing: Grouping | None = field(init=False, repr=False)

    def __post_init__(self) -> None:
        blocks = tuple(one for one in self.within if self.by not in columns_of(one))
        derived = {
            "factors": (self.by, *self.at_each, *self.also),
            "where": " and ".join(self.at_each) or None,
            "blocks": blocks,
            "cells": tuple(one for one in self.within if one not in blocks),
            "crossing": next(iter(blocks), None),
        }
        for name, value in derived.items():
            object.__setattr__(self, name, value)

    def of(self, quantity: str) -> ComparisonPlan:
        """The same for one quantity: the spread between runs declared for it."""
        declared = self.run_to_run
        return self if declared is None else replace(self, run_to_run=declared.of(quantity))

    def with_where(self, runs: pd.DataFrame) -> pd.DataFrame:
        """The runs with a column of the levels answered by themselves, where they are joined."""
        if len(self.at_each) < 2:
            return runs
        joined = runs[list(self.at_each)].map(level_text).agg(", ".join, axis=1)
        return runs.assign(**{str(self.where): joined})

    def placed(self, runs: pd.DataFrame) -> Flags:
        """Runs that have a value in every factor and grouping, and so a place in the comparison.

        Shapes: gives (R,).
        """
        columns = {*self.factors, *(name for one in self.within for name in columns_of(one))}
        return runs[sorted(columns - {CHARGE})].notna().all(axis=1).to_numpy(dtype=bool)


def columns_of(grouping: Grouping) -> tuple[str, ...]:
    """The columns of a grouping, one or several."""
    return (grouping,) if isinstance(grouping, str) else grouping


def plan_comparison(
    study: Trial,
    *,
    by: str | None = None,
    within: Sequence[Grouping] | str | None = None,
    also: Sequence[str] | None = None,
    at_each: Sequence[str] | str | None = None,
    leave_out: Sequence[str] | None = None,
    margin_percent: float | None = None,
    spread: SpreadRule | str | None = None,
    direction: Direction | str | None = None,
    one_family: bool | None = None,
    run_to_run: Declared | None = None,
    drift: Declared | None = None,
    test: LevelTest | str = LevelTest.CALIBRATED,
) -> ComparisonPlan:
    """Settle the design of a comparison from the data, study.toml and the caller.

    What the runs show is the start; study.toml and then the caller add to it.
    """
    frame, remarks = study.runs_frame(), list[Remark]()
    asked = _asked(
        study.compare,
        by=by,
        within=within,
        also=also,
        at_each=at_each,
        leave_out=leave_out,
        margin_percent=margin_percent,
        spread=spread,
        direction=direction,
        one_family=one_family,
    )
    names = list(dict.fromkeys(name for run in study.runs for name in run.factors))
    by = str(asked.get("by") or _usual_factor(frame, names))
    out, each = _names_in(asked.get("leave_out")), _names_in(asked.get("at_each"))
    if by in each:
        raise ModelError(f"The comparison is by {by} within each {by}: name two columns.")
    further = tuple(one for one in _names_in(asked.get("also")) if one != by)
    frame = _with_factors(frame, list(dict.fromkeys((by, *each, *further))), remarks)
    # what study.toml sets aside gives way to what the runs show, what the caller named does not
    beside = [name for name in (TIME, *names) if name not in (by, *_names_in(also), *out)]
    each, further = _crossed(frame, by, each, further, beside, remarks)
    extra = _read_groupings(frame, asked.get("within"))
    chosen = _groupings(frame, by, each, further, extra, out, remarks)
    _refuse_groupings(frame, chosen, (by, *each, *further), (by, *each))
    return ComparisonPlan(
        by=by,
        within=chosen,
        also=further,
        at_each=each,
        margin_percent=asked["margin_percent"],
        remarks=(*remarks, *_left_out(frame, (by, *each, *further), chosen, out)),
        spread=SpreadRule.POOLED if DRIFT in out else asked["spread"],
        direction=_one_of(Direction, asked.get("direction") or Direction.FALLING, "direction"),
        one_family=bool(asked.get("one_family", False)),
        run_to_run=run_to_run or declared_spread(study),
        drift=drift or declared_spread(study, "drift"),
        test=_one_of(LevelTest, test, "test"),
        left_out=out,
    )


def _asked(settings: Mapping[str, Any], **given: Any) -> dict[str, Any]:
    """Settings of study.toml, and above them what the caller says, each of its kind.

    Where another factor than theirs is compared, the groupings they name are dropped.
    """
    if given["by"] is not None and settings.get("by") not in (None, given["by"]):
        also = tuple(name for name in _names_in(settings.get("also")) if name != given["by"])
        kept = {name: one for name, one in settings.items() if name not in _OF_ONE_FACTOR}
        settings = {"also": also, **kept}
    asked = {**settings, **{name: one for name, one in given.items() if one is not None}}
    margin = asked.get("margin_percent")
    if margin is not None:
        margin = MARGIN_PERCENT.require("margin_percent", margin, ModelError)
    spread = _one_of(SpreadRule, asked.get("spread") or SpreadRule.DRIFTING, "spread")
    return asked | {"margin_percent": margin, "spread": spread}


def _usual_factor(frame: pd.DataFrame, names: Sequence[str]) -> str:
    """Milling time where it differs, else the first factor that does within groups, else groups."""
    within = [one for one in names if not _one_to_one(frame, one, GROUP)]
    return next((one for one in (TIME, *within, GROUP) if _differs(frame[one])), TIME)


def _differs(column: pd.Series) -> bool:
    return len(column.dropna().unique()) > 1


def _one_to_one(frame: pd.DataFrame, name: str, grouping: str) -> bool:
    """Whether each level of a factor is one level of a grouping, and the other way round."""
    pairs = frame[[name, grouping]].dropna().drop_duplicates()
    return bool(pairs[name].is_unique and pairs[grouping].is_unique)


def _crossed(
    frame: pd.DataFrame,
    by: str,
    each: tuple[str, ...],
    further: tuple[str, ...],
    beside: Sequence[str],
    remarks: list[Remark],
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Further factors answered level by level, and those set aside additively."""
    for name in (one for one in beside if one not in each and _differs(frame[one])):
        crossing = place_factor(frame, name, by=by, among=each)
        nested, answered = crossing is Crossing.IN_GROUPS, crossing is not Crossing.APART
        if name in further and not nested:
            continue
        cells = frame.groupby([by, *each, name], observed=True).ngroups
        left = len(frame) - int(cells)
        if answered and frame[name].notna().all() and (by == TIME or left >= _FEWEST_LEFT):
            each = (*each, name)
            kind = PlanRemark.NESTED if nested else PlanRemark.EACH_LEVEL
            remarks.append(kind(column=name))
        elif name == TIME:
            further = (*further, name)
            remarks.append(PlanRemark.TIME_SET_ASIDE(by=by))
    return each, tuple(name for name in further if name not in each)


class Crossing(StrEnum):
    """How the levels of a factor were run."""

    CROSSED = "crossed"  # levels share two times or more: each can be answered by itself
    IN_GROUPS = "in groups"  # the same, but each group has one level
    APART = "apart"  # they go with time or another factor, or share no times: a date, a room's heat


def place_factor(
    runs: pd.DataFrame, column: str, *, by: str = TIME, among: Sequence[str] = ()
) -> Crossing:
    """Find how a factor lies to the levels of `by`, to groups and to other factors.

    A level that goes with the time or with another factor (one of `among`) cannot be told from it.
    Runs without a value of the factor are left aside.
    """
    frame = runs[runs[column].notna() & runs[by].notna()]
    held = pd.crosstab(frame[by], frame[column]).to_numpy() > 0  # (times, levels)

    def goes_with(other: str, one: str = column) -> bool:
        """Whether each level of another column has one level of this one."""
        if one == other or other not in frame:
            return False
        told = frame[[one, other]].dropna().drop_duplicates()
        return len(told) > 0 and bool(told[other].is_unique)

    if held.shape[1] < 2 or goes_with(by):
        return Crossing.APART
    if goes_with(GROUP):
        return Crossing.IN_GROUPS if (held.sum(axis=1) > 1).sum() > 1 else Crossing.APART
    share_times = np.triu(held.T.astype(int) @ held, 1).max() > 1
    is_another = any(goes_with(other) and goes_with(column, other) for other in among)
    return Crossing.CROSSED if share_times and not is_another else Crossing.APART


def _groupings(
    frame: pd.DataFrame,
    by: str,
    each: tuple[str, ...],
    further: tuple[str, ...],
    extra: Sequence[Grouping],
    out: tuple[str, ...],
    remarks: list[Remark],
) -> tuple[Grouping, ...]:
    """Groups and charges that hold several levels, cells where replicated, and those asked."""
    found: list[Grouping] = []
    groups = frame[GROUP].nunique()
    if GROUP not in (by, *each, *further, *out) and groups > 1:
        if frame[GROUP].is_unique:
            remarks.append(PlanRemark.ONE_RUN_A_GROUP())
        elif frame.groupby(GROUP)[by].nunique().max() > 1:
            found.append(GROUP)
            remarks.append(PlanRemark.BLOCKS(columns=(GROUP,)))
        else:  # groups of one level each: what differs between them is what levels are held against
            found.append((GROUP, by))
    if CHARGE not in out and frame[CHARGE].notna().any():
        several = frame.groupby([GROUP, CHARGE], dropna=False)[by].nunique()
        if several.max() > 1:
            remarks.append(PlanRemark.ONE_CHARGE(charges=len(several)))
            if len(several) > max(1, groups):
                found.append((GROUP, CHARGE))
    elif by == TIME and not frame.duplicated([GROUP, by, *each]).any() and len(frame) > groups:
        remarks.append(PlanRemark.OWN_CHARGES())
    found += [one for one in extra if one not in found]
    if GROUP in found and CELL not in out and not any(by in columns_of(one) for one in found):
        conditions = frame.groupby([by, *each], observed=True).ngroups
        cells = frame.groupby([GROUP, by, *each], observed=True).ngroups
        if len(frame) >= 2 * cells and cells - groups - conditions + 1 > 0:
            found.append((GROUP, by, *each))
    return tuple(found)


Chosen = TypeVar("Chosen", bound=StrEnum)


def _one_of(kind: type[Chosen], given: object, name: str) -> Chosen:
    """The word named."""
    if given not in list(kind):
        known = ", ".join(repr(str(one)) for one in kind)
        raise ModelError(f"There is no {name} {given!r}; choose from {known}.")
    return kind(str(given))


def _names_in(given: object) -> tuple[str, ...]:
    """Names given one by one, or in one text between commas; none for None."""
    if given is None:
        return ()
    if isinstance(given, str):
        return tuple(part.strip() for part in given.split(",") if part.strip())
    return tuple(str(name) for name in given)  # type: ignore[attr-defined]


def _require_levels(frame: pd.DataFrame, column: str) -> None:
    """Raise if the run table has no such column, or it has fewer than two values."""
    need_columns(frame, [column], table="run table")
    levels = frame[column].dropna().unique()
    if len(levels) < 2:
        found = "no value" if len(levels) == 0 else f"the single value {levels[0]!s}"
        raise ModelError(
            f"Column {column} holds {found} in all {len(frame)} runs, so there is nothing to "
            "compare. Choose a column with two values or more."
        )


def _with_factors(
    frame: pd.DataFrame, factors: Sequence[str], remarks: list[Remark]
) -> pd.DataFrame:
    """The runs that have a value of every factor; those that have none are remarked on."""
    for column in factors:
        _require_levels(frame, column)
    kept = frame
    for column in factors:
        lost = kept[column].isna()
        if lost.any():
            remarks.append(PlanRemark.WITHOUT_VALUE(runs=tuple(kept[RUN][lost]), column=column))
            kept = kept[~lost]
    for column in factors if len(kept) < len(frame) else ():
        _require_levels(kept, column)
    return kept


def _read_groupings(frame: pd.DataFrame, given: object) -> list[Grouping]:
    """Groupings as named: one text or several; a text with ":" or a tuple is a combination."""
    items: Sequence[object] = [given] if isinstance(given, str) else list(given or ())  # type: ignore[call-overload]
    result: list[Grouping] = []
    for item in items:
        parts = item.split(":") if isinstance(item, str) else item
        columns = tuple(str(part).strip() for part in parts)  # type: ignore[attr-defined]
        for column in columns:
            _require_levels(frame, column)
        result.append(columns[0] if len(columns) == 1 else columns)
    return result


def _refuse_groupings(
    frame: pd.DataFrame, within: Sequence[Grouping], factors: Sequence[str], crossed: Sequence[str]
) -> None:
    """Raise if a grouping is what is compared, or goes with a factor one to one."""
    for grouping in within:
        if len(crossed) > 1 and set(columns_of(grouping)) == set(crossed):
            raise ModelError(
                f"{' and '.join(crossed)} are compared in every combination, so that "
                "combination cannot be a grouping (within) as well: leave it out of within, or "
                "add a further column to it."
            )
        if grouping == (GROUP, factors[0]):
            _refuse_one_to_one(frame, factors[0], GROUP)
        if not isinstance(grouping, str):
            continue
        if grouping in factors:
            mates = [one for one in (*within, GROUP) if one not in factors]
            combined = (
                f", or name its combination with {mate} as one text, '{mate}:{grouping}' (two "
                "names side by side are two groupings)"
                for mate in mates[:1]
            )
            raise ModelError(
                f"{grouping} is a factor of this comparison, so it cannot be a grouping (within) "
                f"by itself: leave it out of one of them{''.join(combined)}."
            )
        # a level answered by itself may have a group to itself
        for factor in (one for one in factors if one == factors[0] or one not in crossed):
            _refuse_one_to_one(frame, factor, grouping)


def _refuse_one_to_one(frame: pd.DataFrame, factor: str, grouping: str) -> None:
    """Raise if each level of a factor is one level of a grouping, and the other way round."""
    if not _one_to_one(frame, factor, grouping):
        return
    pairs = frame[[factor, grouping]].drop_duplicates()
    listed = [
        f"{level_text(level)} only in {level_text(place)}" for level, place in pairs.to_numpy()
    ]
    name = column_words(factor)
    raise ModelError(
        f"{name} differs only where {grouping} does ({', '.join(listed[:_LISTED])}"
        f"{' and so on' if len(listed) > _LISTED else ''}), so what {name} did cannot "
        f"be told from what {grouping} did. Compare by {grouping} instead, or leave "
        f"{name} out; to judge it, run two of its levels in one {grouping}."
    )


def _left_out(
    frame: pd.DataFrame,
    factors: Sequence[str],
    within: Sequence[Grouping],
    out: Sequence[str],
) -> list[Remark]:
    """What was asked to be left out, and every column that differs and is not in the model.

    A column that is the same in all runs of one level of a factor goes into what is found for
    that factor; any other counts as scatter.
    """
    remarks = [PlanRemark.LEFT_OUT_ASKED(column=one) for one in out]
    used = {
        *BOOKKEEPING,
        CHARGE,
        *out,
        *factors,
        *(name for one in within for name in columns_of(one)),
    }
    for column in frame.columns:
        if column in used or frame[column].nunique() < 2:
            continue
        bound = [one for one in factors if frame[[one, column]].drop_duplicates()[one].is_unique]
        remarks.append(
            PlanRemark.PART_OF_FACTOR(column=column, factor=bound[0])
            if bound
            else PlanRemark.LEFT_OUT(column=column)
        )
    return remarks
