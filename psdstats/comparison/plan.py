"""What is compared with what: the factor, the groupings and the further factors of a comparison.

Nothing is chosen silently: every choice made here that the caller did not make is a note, and the
notes travel with the result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.comparison.spread import SpreadRule, as_spread_rule
from psdstats.errors import ModelError
from psdstats.study.records import Study

__all__ = ["ComparisonPlan", "Grouping", "level_in_words", "plan_comparison"]

Grouping = str | tuple[str, ...]

_TIME = "milling_time_min"
_NOT_FACTORS = ("run", "sample_mass_g", "balance", "replicate")


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
        """A level of the factor in words, e.g. "24 min" or "ball_ratio 10"."""
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


def level_in_words(column: str, level: str) -> str:
    """A level of a column of the run table in words, e.g. "24 min" or "ball_ratio 10"."""
    return f"{level} min" if column == _TIME else f"{column} {level}"


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
    """Settle the design of a comparison from the caller, then `study.toml`, then the data.

    Parameters
    ----------
    study : Study
        The trial.
    by, within, also, at_each, margin_percent, spread
        As in `ComparisonPlan`; what is None is taken from the table ``[compare]`` of study.toml,
        and failing that from the data, with a note.

    Returns
    -------
    ComparisonPlan

    Raises
    ------
    ModelError
        If a column does not exist, or has a single level, or there is no such spread.
    """
    frame = study.runs_frame()
    asked = _settings_for(study.compare, by)
    by = str(by or asked.get("by") or _TIME)
    at_each = at_each or _optional_text(asked, "at_each")
    if at_each == by:
        raise ModelError(f"The comparison is by {by} within each {at_each}: name two columns.")
    notes: list[str] = []
    chosen_also = _names(also if also is not None else asked.get("also"))
    if also is None and "also" not in asked:
        chosen_also = _default_also(frame, by, at_each, notes)
    chosen_also = tuple(name for name in chosen_also if name not in (by, at_each))
    for column in (by, *([at_each] if at_each else []), *chosen_also):
        _require_levels(frame, column)
    groupings = within if within is not None else asked.get("within")
    chosen_within = (
        _default_within(frame, by, at_each, chosen_also, notes)
        if groupings is None
        else _groupings(frame, groupings)
    )
    _note_left_out(frame, (by, at_each, *chosen_also), chosen_within, notes)
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


def _settings_for(settings: Mapping[str, object], by: str | None) -> Mapping[str, object]:
    """The settings of study.toml, adapted where another factor than theirs is compared.

    The groupings they name belong to their own factor and are dropped; their factor and further
    factors stay in the model as further factors.
    """
    own = settings.get("by")
    if by is None or own is None or own == by:
        return settings
    kept = (str(own), *_names(settings.get("also")))
    adapted: dict[str, object] = {"also": tuple(name for name in kept if name != by)}
    adapted |= {key: settings[key] for key in ("margin_percent", "spread") if key in settings}
    return adapted


def _default_also(
    frame: pd.DataFrame, by: str, at_each: str | None, notes: list[str]
) -> tuple[str, ...]:
    if by == _TIME or at_each == _TIME or frame[_TIME].nunique() < 2:
        return ()
    notes.append(
        f"Runs of several milling times are compared by {by}: milling time was set aside as a "
        "further factor of the model."
    )
    return (_TIME,)


def _default_within(
    frame: pd.DataFrame,
    by: str,
    at_each: str | None,
    also: Sequence[str],
    notes: list[str],
) -> tuple[Grouping, ...]:
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
    if len(frame) >= 2 * len(cells):
        within = ("group", ("group", by))
        notes.append(
            f"Groups, and the combination of group and {by}, were taken as random, since each "
            "combination holds two runs or more."
        )
    else:
        notes.append("Groups were taken as random: the answer is meant for groups like these.")
    return within


def _groupings(frame: pd.DataFrame, given: object) -> tuple[Grouping, ...]:
    items: Sequence[object] = [given] if isinstance(given, str) else list(given)  # type: ignore[call-overload]
    result: list[Grouping] = []
    for item in items:
        if isinstance(item, str):
            columns = tuple(part.strip() for part in item.split(":"))
        else:
            columns = tuple(str(part) for part in item)  # type: ignore[attr-defined]
        for column in columns:
            _require_levels(frame, column)
        result.append(columns[0] if len(columns) == 1 else columns)
    return tuple(result)


def _note_left_out(
    frame: pd.DataFrame,
    fixed: Sequence[str | None],
    within: Sequence[Grouping],
    notes: list[str],
) -> None:
    used = {name for name in fixed if name}
    for grouping in within:
        used.update([grouping] if isinstance(grouping, str) else grouping)
    for column in frame.columns:
        if column in used or column in _NOT_FACTORS or frame[column].nunique() < 2:
            continue
        notes.append(
            f"{column} differs between runs and is not in the model; its effect counts as "
            "variation between runs unless it is added as a further factor."
        )


def _require_levels(frame: pd.DataFrame, column: str) -> None:
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


def _names(given: object) -> tuple[str, ...]:
    if given is None:
        return ()
    if isinstance(given, str):
        return tuple(part.strip() for part in given.split(",") if part.strip())
    return tuple(str(name) for name in given)  # type: ignore[attr-defined]


def _optional_text(options: Mapping[str, object], key: str) -> str | None:
    value = options.get(key)
    return None if value is None else str(value)


def _positive(margin: object) -> float | None:
    if margin is None:
        return None
    value = float(margin)  # type: ignore[arg-type]
    if not (np.isfinite(value) and value > 0):
        raise ModelError(f"The margin is {margin} per cent; it must be a positive number.")
    return value
