"""What spread a contrast is judged by.

Columns of the run table that a comparison names: do they exist, and can they play that part.

What a comparison takes for granted where the caller left it open, and what is said of it.

Each function adds to the notes what it chose; nothing is chosen silently.

What is compared with what: the factor, the groupings and the further factors of a comparison.

Nothing is chosen silently: every choice made here that the caller did not make is a note, and the
notes travel with the result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import BOOKKEEPING, TIME, column_words, signed, without_value
from psdstats.errors import ModelError
from psdstats.models.design_columns import level_text
from psdstats.study.records import Study


class SpreadRule(StrEnum):
    """What a comparison allows the scatter to do from level to level.

    ``drifting``: groups may drift apart in the order of the levels, each along a line of its own.
    ``pooled``: one spread for all levels.  ``each contrast``: no model of the spread at all, every
    contrast is judged by its own differences.
    """

    DRIFTING = "drifting"
    POOLED = "pooled"
    EACH_CONTRAST = "each contrast"


def as_spread_rule(given: object) -> SpreadRule:
    """The rule named, or the default for None."""
    if given is None:
        return SpreadRule.DRIFTING
    try:
        return SpreadRule(given)  # type: ignore[arg-type]
    except ValueError as cause:
        known = ", ".join(repr(str(one)) for one in SpreadRule)
        raise ModelError(f"There is no spread {given!r}; choose from {known}.") from cause


Grouping = str | tuple[str, ...]

_LISTED = 4  # pairs named before "and so on"


def names_in(given: object) -> tuple[str, ...]:
    """Names given one by one, or in one text between commas; none for None."""
    if given is None:
        return ()
    if isinstance(given, str):
        return tuple(part.strip() for part in given.split(",") if part.strip())
    return tuple(str(name) for name in given)  # type: ignore[attr-defined]


def require_levels(frame: pd.DataFrame, column: str) -> None:
    """Raise if the run table has no such column, or it has fewer than two values."""
    if column not in frame.columns:
        known = ", ".join(name for name in frame.columns if name != "run")
        raise ModelError(f"The run table has no column {column!r}. Name one of: {known}.")
    levels = frame[column].dropna().unique()
    if len(levels) < 2:
        found = "no value" if len(levels) == 0 else f"the single value {levels[0]!s}"
        raise ModelError(
            f"Column {column} holds {found} in all {len(frame)} runs, so there is nothing to "
            "compare. Choose a column with two values or more."
        )


def read_groupings(frame: pd.DataFrame, given: object) -> tuple[Grouping, ...]:
    """Groupings as named: one text or several; a text with ":" or a tuple is a combination."""
    items: Sequence[object] = [given] if isinstance(given, str) else list(given)  # type: ignore[call-overload]
    result: list[Grouping] = []
    for item in items:
        if isinstance(item, str):
            columns = tuple(part.strip() for part in item.split(":"))
        else:
            columns = tuple(str(part) for part in item)  # type: ignore[attr-defined]
        for column in columns:
            require_levels(frame, column)
        result.append(columns[0] if len(columns) == 1 else columns)
    return tuple(result)


def refuse_compared(
    within: Sequence[Grouping], crossed: tuple[str, str | None], also: Sequence[str]
) -> None:
    """Raise if a grouping is a factor of the comparison, or the combination of its two factors."""
    for grouping in within:
        columns = {grouping} if isinstance(grouping, str) else set(grouping)
        if isinstance(grouping, str) and columns <= {*crossed, *also}:
            mates = [one for one in (*within, "group") if one not in (*crossed, *also)]
            combined = (
                f", or name its combination with {mate} as one text, '{mate}:{grouping}' (two "
                "names side by side are two groupings)"
                for mate in mates[:1]
            )
            raise ModelError(
                f"{grouping} is a factor of this comparison, so it cannot be a grouping (within) "
                f"by itself: leave it out of one of them{''.join(combined)}."
            )
        if None not in crossed and columns == set(crossed):
            raise ModelError(
                f"{' and '.join(map(str, crossed))} are compared in every combination, so that "
                "combination cannot be a grouping (within) as well: leave it out of within, or "
                "add a further column to it."
            )


def refuse_inseparable(
    frame: pd.DataFrame, factors: Sequence[str], within: Sequence[Grouping]
) -> None:
    """Raise if a factor goes with a grouping one to one, so that nothing tells them apart."""
    for grouping in within:
        if not isinstance(grouping, str):
            continue
        for factor in factors:
            pairs = frame[[factor, grouping]].drop_duplicates()
            if not (pairs[factor].is_unique and pairs[grouping].is_unique):
                continue
            listed = [
                f"{level_text(level)} only in {level_text(name)}"
                for level, name in pairs.to_numpy()
            ]
            raise ModelError(
                f"{factor} differs only where {grouping} does ({', '.join(listed[:_LISTED])}"
                f"{' and so on' if len(listed) > _LISTED else ''}), so what {factor} did cannot "
                f"be told from what {grouping} did. Compare by {grouping} instead, or leave "
                f"{factor} out; to judge it, run two of its levels in one {grouping}."
            )


def settings_for(settings: Mapping[str, object], by: str | None) -> Mapping[str, object]:
    """The settings of study.toml, adapted where another factor than theirs is compared.

    The groupings they name belong to their own factor and are dropped; their factor and further
    factors stay in the model as further factors.
    """
    own = settings.get("by")
    if by is None or own is None or own == by:
        return settings
    kept = (str(own), *names_in(settings.get("also")))
    adapted: dict[str, object] = {"also": tuple(name for name in kept if name != by)}
    adapted |= {key: settings[key] for key in ("margin_percent", "spread") if key in settings}
    return adapted


def default_also(
    frame: pd.DataFrame, by: str, at_each: str | None, notes: list[str]
) -> tuple[str, ...]:
    """Milling time as a further factor, where runs of several times are compared by another."""
    if by == TIME or at_each == TIME or frame[TIME].nunique() < 2:
        return ()
    notes.append(
        f"Runs of several milling times are compared by {column_words(by)}: milling time was set "
        "aside as a further factor of the model."
    )
    return (TIME,)


def with_factors(frame: pd.DataFrame, factors: Sequence[str], notes: list[str]) -> pd.DataFrame:
    """The runs that have a value of every factor; those that have none are noted."""
    kept = frame
    for column in factors:
        lost = kept.loc[kept[column].isna(), "run"].tolist()
        if not lost:
            continue
        notes.append(without_value(lost, column))
        kept = kept[kept[column].notna()]
    if len(kept) < len(frame):
        for column in factors:
            require_levels(kept, column)
    return kept


def default_within(
    frame: pd.DataFrame,
    by: str,
    at_each: str | None,
    also: Sequence[str],
    notes: list[str],
) -> tuple[Grouping, ...]:
    """Groups as random, with their combinations with the factor where these hold two runs each."""
    fixed = {by, at_each, *also}
    if "group" in fixed or frame["group"].nunique() < 2:
        return ()
    if frame["group"].is_unique:
        notes.append(
            "Each group has a single run, so differences between groups and between runs cannot "
            "be told apart; they count together as variation between runs."
        )
        return ()
    within: tuple[Grouping, ...] = ("group",)
    cells = frame.groupby(["group", by], observed=True).size()
    apart = len(cells) - frame["group"].nunique() - frame[by].nunique() + 1
    if len(frame) >= 2 * len(cells) and apart > 0:
        within = ("group", ("group", by))
        notes.append(
            f"Groups, and the combination of group and {column_words(by)}, were taken as random, "
            "since each combination holds two runs or more."
        )
    else:
        notes.append("Groups were taken as random: the answer is meant for groups like these.")
    return within


def note_left_out(
    frame: pd.DataFrame,
    fixed: Sequence[str | None],
    within: Sequence[Grouping],
    notes: list[str],
) -> None:
    """Note every column of the run table that differs between runs and is not in the model.

    A column that is the same in all runs of one level of a factor goes into what is found for
    that factor; any other counts as scatter.
    """
    factors = [name for name in fixed if name]
    used = set(factors)
    for grouping in within:
        used.update([grouping] if isinstance(grouping, str) else grouping)
    for column in frame.columns:
        if column in used or column in BOOKKEEPING or frame[column].nunique() < 2:
            continue
        bound = [name for name in factors if _is_constant_within(frame, column, name)]
        if bound:
            factor = column_words(bound[0])
            notes.append(
                f"{column_words(column)} is not in the model and is the same in all runs of one "
                f"{factor}; its effect cannot be told from that of {factor} and is part of it."
            )
            continue
        notes.append(
            f"{column_words(column)} differs between runs and is not in the model; its effect "
            "counts as variation between runs unless it is added as a further factor."
        )


def _is_constant_within(frame: pd.DataFrame, column: str, factor: str) -> bool:
    return bool(frame[[factor, column]].drop_duplicates()[factor].is_unique)


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
    notes : tuple of str
        Choices that were made for the caller, and columns that were left out.
    spread : SpreadRule, default=SpreadRule.DRIFTING
        What the scatter may do from level to level.
    """

    by: str
    within: tuple[Grouping, ...]
    also: tuple[str, ...]
    at_each: str | None
    margin_percent: float | None
    notes: tuple[str, ...]
    spread: SpreadRule = SpreadRule.DRIFTING

    def place(self, level: str) -> str:
        """A level of the factor in words."""
        return level_in_words(self.by, level)

    def each_place(self, level: str) -> str:
        """A level of ``at_each`` in words."""
        return level_in_words(str(self.at_each), level)

    @property
    def factors(self) -> tuple[str, ...]:
        """Every column that enters the fixed part as a factor."""
        each = () if self.at_each is None else (self.at_each,)
        return (self.by, *each, *self.also)

    @property
    def fixed(self) -> list[Grouping]:
        """Terms of the fixed part, an interaction being a tuple."""
        terms: list[Grouping] = [*self.factors]
        if self.at_each is not None:
            terms.append((self.by, self.at_each))
        return terms

    @property
    def crossing(self) -> Grouping | None:
        """The first grouping that holds several levels of the factor; None where there is none."""
        for grouping in self.within:
            if self.by not in ((grouping,) if isinstance(grouping, str) else grouping):
                return grouping
        return None

    @property
    def cell(self) -> list[str]:
        """Columns whose combination is one cell: first grouping and every factor."""
        first = [self.within[0]] if self.within and isinstance(self.within[0], str) else []
        return [*first, *self.factors]

    def placed(self, runs: pd.DataFrame) -> NDArray[np.bool_]:
        """Runs that have a value in every factor and grouping, and so a place in the comparison.

        Shapes: gives (R,).
        """
        columns = set(self.factors)
        for grouping in self.within:
            columns.update([grouping] if isinstance(grouping, str) else grouping)
        return runs[sorted(columns)].notna().all(axis=1).to_numpy(dtype=bool)


def level_in_words(column: str, level: str) -> str:
    """A level of a column of the run table in words, e.g. "24 min" or "ball ratio 10"."""
    return f"{level} min" if column == TIME else f"{column_words(column)} {level}"


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
    frame = study.runs_frame()
    asked = settings_for(study.compare, by)
    by = str(by or asked.get("by") or TIME)
    at_each = at_each or _optional_text(asked, "at_each")
    if at_each == by:
        raise ModelError(f"The comparison is by {by} within each {at_each}: name two columns.")
    notes: list[str] = []
    chosen_also = names_in(also if also is not None else asked.get("also"))
    if also is None and "also" not in asked:
        chosen_also = default_also(frame, by, at_each, notes)
    chosen_also = tuple(name for name in chosen_also if name not in (by, at_each))
    factors = (by, *([at_each] if at_each else []), *chosen_also)
    for column in factors:
        require_levels(frame, column)
    frame = with_factors(frame, factors, notes)
    groupings = within if within is not None else asked.get("within")
    chosen_within = (
        default_within(frame, by, at_each, chosen_also, notes)
        if groupings is None
        else read_groupings(frame, groupings)
    )
    refuse_compared(chosen_within, (by, at_each), chosen_also)
    refuse_inseparable(frame, factors, chosen_within)
    note_left_out(frame, (by, at_each, *chosen_also), chosen_within, notes)
    margin = margin_percent if margin_percent is not None else asked.get("margin_percent")
    return ComparisonPlan(
        by=by,
        within=chosen_within,
        also=chosen_also,
        at_each=at_each,
        margin_percent=_positive(margin),
        notes=tuple(notes),
        spread=as_spread_rule(spread if spread is not None else asked.get("spread")),
    )


def _optional_text(options: Mapping[str, object], key: str) -> str | None:
    value = options.get(key)
    return None if value is None else str(value)


def _positive(margin: object) -> float | None:
    if margin is None:
        return None
    value = float(margin)  # type: ignore[arg-type]
    if not (np.isfinite(value) and value > 0):
        raise ModelError(f"The margin is {signed(value)} per cent; it must be a positive number.")
    return value
