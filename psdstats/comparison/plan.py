"""What is compared with what: the factor, the groupings and the further factors of a comparison.

Nothing is chosen silently: every choice made here that the caller did not make is a remark, and the
remarks travel with the result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import BOOKKEEPING, GROUP, RUN, TIME, column_words, signed
from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.models.design_columns import level_text, need_columns
from psdstats.study.records import Study

Grouping = str | tuple[str, ...]

_LISTED = 4  # pairs named before "and so on"


class SpreadRule(StrEnum):
    """What a comparison allows the scatter to do from level to level.

    ``drifting``: groups may drift apart in the order of the levels, each along a line of its own.
    ``pooled``: one spread for all levels.  ``each contrast``: no model of the spread at all, every
    contrast is judged by its own differences.
    """

    DRIFTING = "drifting"
    POOLED = "pooled"
    EACH_CONTRAST = "each contrast"


class PlanRemark(RemarkKind):
    """What was chosen for the caller, set aside or left out."""

    WITHOUT_VALUE = "runs without a value"  # runs, column
    TIME_SET_ASIDE = "time set aside"  # by
    ONE_RUN_A_GROUP = "one run a group"
    GROUPS_RANDOM = "groups random"
    CELLS_RANDOM = "groups and cells random"  # by
    PART_OF_FACTOR = "part of the factor"  # column, factor
    LEFT_OUT = "left out"  # column


@dataclass(frozen=True, kw_only=True)
class ComparisonPlan:
    """The design of one comparison.

    Parameters
    ----------
    by : str
        Column of the run table whose levels are compared.
    within : tuple of str or tuple of str
        Groupings with a random intercept; a tuple stands for the combination of its columns.
    also : tuple of str
        Further factors of the fixed part, whose differences are set aside.
    at_each : str or None
        Column within each of whose levels `by` is compared (with their interaction).
    margin_percent : float or None
        Change that is too small to matter; None where none was stated.
    remarks : tuple of Remark
        Choices that were made for the caller, and columns that were left out.
    spread : SpreadRule, default=SpreadRule.DRIFTING
        What the scatter may do from level to level.
    """

    by: str
    within: tuple[Grouping, ...] = ()
    also: tuple[str, ...] = ()
    at_each: str | None = None
    margin_percent: float | None = None
    remarks: tuple[Remark, ...] = ()
    spread: SpreadRule = SpreadRule.DRIFTING

    @property
    def factors(self) -> tuple[str, ...]:
        """Every column that enters the fixed part as a factor."""
        each = () if self.at_each is None else (self.at_each,)
        return (self.by, *each, *self.also)

    @property
    def fixed(self) -> list[Grouping]:
        """Terms of the fixed part, an interaction being a tuple."""
        return [*self.factors, *([] if self.at_each is None else [(self.by, self.at_each)])]

    @property
    def crossing(self) -> Grouping | None:
        """The first grouping that holds several levels of the factor; None where there is none."""
        return next((one for one in self.within if self.by not in columns_of(one)), None)

    def placed(self, runs: pd.DataFrame) -> NDArray[np.bool_]:
        """Runs that have a value in every factor and grouping, and so a place in the comparison.

        Shapes: gives (R,).
        """
        columns = {*self.factors, *(name for one in self.within for name in columns_of(one))}
        return runs[sorted(columns)].notna().all(axis=1).to_numpy(dtype=bool)


def columns_of(grouping: Grouping) -> tuple[str, ...]:
    """The columns of a grouping, one or several."""
    return (grouping,) if isinstance(grouping, str) else grouping


def plan_comparison(
    study: Study,
    *,
    by: str | None = None,
    within: Sequence[Grouping] | str | None = None,
    also: Sequence[str] | None = None,
    at_each: str | None = None,
    margin_percent: float | None = None,
    spread: SpreadRule | str | None = None,
) -> ComparisonPlan:
    """Settle the design of a comparison from the caller, then `study.toml`, then the data."""
    frame, remarks = study.runs_frame(), list[Remark]()
    asked = _settings_for(study.compare, by)
    by = str(by or asked.get("by") or TIME)
    if at_each is None and asked.get("at_each") is not None:
        at_each = str(asked["at_each"])
    if at_each == by:
        raise ModelError(f"The comparison is by {by} within each {at_each}: name two columns.")
    fixed = (by,) if at_each is None else (by, at_each)
    further = _names_in(also if also is not None else asked.get("also"))
    if also is None and "also" not in asked and TIME not in fixed and len(set(frame[TIME])) > 1:
        further = (TIME,)
        remarks.append(PlanRemark.TIME_SET_ASIDE(by=by))
    further = tuple(name for name in further if name not in fixed)
    factors = (*fixed, *further)
    frame = _with_factors(frame, factors, remarks)
    groupings = within if within is not None else asked.get("within")
    chosen = (
        _default_within(frame, by, factors, remarks)
        if groupings is None
        else _read_groupings(frame, groupings)
    )
    _refuse_groupings(frame, chosen, factors, fixed)
    return ComparisonPlan(
        by=by,
        within=chosen,
        also=further,
        at_each=at_each,
        margin_percent=_margin(
            margin_percent if margin_percent is not None else asked.get("margin_percent")
        ),
        remarks=(*remarks, *_left_out(frame, factors, chosen)),
        spread=_spread_rule(spread if spread is not None else asked.get("spread")),
    )


def _settings_for(settings: Mapping[str, object], by: str | None) -> Mapping[str, object]:
    """The settings of study.toml, adapted where another factor than theirs is compared.

    The groupings they name belong to their own factor and are dropped; their factor and further
    factors stay in the model as further factors.
    """
    own = settings.get("by")
    if by is None or own is None or own == by:
        return settings
    kept = (str(own), *_names_in(settings.get("also")))
    adapted: dict[str, object] = {"also": tuple(name for name in kept if name != by)}
    return adapted | {key: settings[key] for key in ("margin_percent", "spread") if key in settings}


def _names_in(given: object) -> tuple[str, ...]:
    """Names given one by one, or in one text between commas; none for None."""
    if given is None:
        return ()
    if isinstance(given, str):
        return tuple(part.strip() for part in given.split(",") if part.strip())
    return tuple(str(name) for name in given)  # type: ignore[attr-defined]


def _margin(given: object) -> float | None:
    if given is None:
        return None
    value = float(given)  # type: ignore[arg-type]
    if not (np.isfinite(value) and value > 0):
        raise ModelError(f"The margin is {signed(value)} per cent; it must be a positive number.")
    return value


def _spread_rule(given: object) -> SpreadRule:
    """The rule named, or the default for None."""
    if given is not None and given not in list(SpreadRule):
        known = ", ".join(repr(str(one)) for one in SpreadRule)
        raise ModelError(f"There is no spread {given!r}; choose from {known}.")
    return SpreadRule.DRIFTING if given is None else SpreadRule(str(given))


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
    if len(kept) < len(frame):
        for column in factors:
            _require_levels(kept, column)
    return kept


def _read_groupings(frame: pd.DataFrame, given: object) -> tuple[Grouping, ...]:
    """Groupings as named: one text or several; a text with ":" or a tuple is a combination."""
    items: Sequence[object] = [given] if isinstance(given, str) else list(given)  # type: ignore[call-overload]
    result: list[Grouping] = []
    for item in items:
        parts = item.split(":") if isinstance(item, str) else item
        columns = tuple(str(part).strip() for part in parts)  # type: ignore[attr-defined]
        for column in columns:
            _require_levels(frame, column)
        result.append(columns[0] if len(columns) == 1 else columns)
    return tuple(result)


def _default_within(
    frame: pd.DataFrame, by: str, factors: Sequence[str], remarks: list[Remark]
) -> tuple[Grouping, ...]:
    """Groups as random, with their combinations with the factor where these hold two runs each."""
    if GROUP in factors or frame[GROUP].nunique() < 2:
        return ()
    if frame[GROUP].is_unique:
        remarks.append(PlanRemark.ONE_RUN_A_GROUP())
        return ()
    cells = frame.groupby([GROUP, by], observed=True).size()
    apart = len(cells) - frame[GROUP].nunique() - frame[by].nunique() + 1
    if len(frame) >= 2 * len(cells) and apart > 0:
        remarks.append(PlanRemark.CELLS_RANDOM(by=by))
        return (GROUP, (GROUP, by))
    remarks.append(PlanRemark.GROUPS_RANDOM())
    return (GROUP,)


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
        for factor in factors:
            pairs = frame[[factor, grouping]].drop_duplicates()
            if not (pairs[factor].is_unique and pairs[grouping].is_unique):
                continue
            listed = [
                f"{level_text(level)} only in {level_text(place)}"
                for level, place in pairs.to_numpy()
            ]
            name = column_words(factor)
            raise ModelError(
                f"{name} differs only where {grouping} does ({', '.join(listed[:_LISTED])}"
                f"{' and so on' if len(listed) > _LISTED else ''}), so what {name} did cannot "
                f"be told from what {grouping} did. Compare by {grouping} instead, or leave "
                f"{name} out; to judge it, run two of its levels in one {grouping}."
            )


def _left_out(
    frame: pd.DataFrame, factors: Sequence[str], within: Sequence[Grouping]
) -> list[Remark]:
    """Every column of the run table that differs between runs and is not in the model.

    A column that is the same in all runs of one level of a factor goes into what is found for
    that factor; any other counts as scatter.
    """
    remarks = []
    used = {*BOOKKEEPING, *factors, *(name for one in within for name in columns_of(one))}
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
