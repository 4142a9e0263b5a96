"""What a comparison takes for granted where the caller left it open, and what is said of it.

Each function adds to the notes what it chose; nothing is chosen silently.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from psdstats.comparison.plan_columns import TIME, Grouping, names_in, require_levels
from psdstats.wording import column_words, without_value

__all__ = ["default_also", "default_within", "note_left_out", "settings_for", "with_factors"]

_NOT_FACTORS = ("run", "sample_mass_g", "balance", "replicate")


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
    """The runs that have a value of every factor; those that have none are noted.

    Raises
    ------
    ModelError
        If the runs left hold fewer than two values of a factor.
    """
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
        if column in used or column in _NOT_FACTORS or frame[column].nunique() < 2:
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
