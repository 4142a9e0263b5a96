"""What is compared with what: the factor, the groupings and the further factors of a comparison.

Nothing is chosen silently: every choice made here that the caller did not make is a note, and the
notes travel with the result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.plan_columns import (
    TIME,
    Grouping,
    names_in,
    read_groupings,
    refuse_compared,
    refuse_inseparable,
    require_levels,
)
from psdstats.comparison.plan_defaults import (
    default_also,
    default_within,
    note_left_out,
    settings_for,
    with_factors,
)
from psdstats.comparison.spread import SpreadRule, as_spread_rule
from psdstats.errors import ModelError
from psdstats.study.records import Study
from psdstats.wording import column_words, signed

__all__ = ["ComparisonPlan", "Grouping", "level_in_words", "plan_comparison"]


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
        """A level of the factor in words.

        Parameters
        ----------
        level : str
            The level as text.

        Returns
        -------
        str
            Such as "24 min" or "ball ratio 10".
        """
        return level_in_words(self.by, level)

    def each_place(self, level: str) -> str:
        """A level of ``at_each`` in words.

        Parameters
        ----------
        level : str
            The level as text.

        Returns
        -------
        str
        """
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

        Parameters
        ----------
        runs : DataFrame
            The run table.

        Returns
        -------
        ndarray of bool, shape (R,)
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
        If a column does not exist, has a single level, or is both compared and a grouping by
        itself; or there is no such spread.
    """
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
