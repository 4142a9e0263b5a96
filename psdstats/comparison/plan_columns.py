"""Columns of the run table that a comparison names: do they exist, and can they play that part."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from psdstats.errors import ModelError
from psdstats.models.design_columns import level_text

__all__ = [
    "TIME",
    "Grouping",
    "names_in",
    "read_groupings",
    "refuse_compared",
    "refuse_inseparable",
    "require_levels",
]

Grouping = str | tuple[str, ...]

TIME = "milling_time_min"
_LISTED = 4  # pairs named before "and so on"


def names_in(given: object) -> tuple[str, ...]:
    """Names given one by one, or in one text between commas; none for None."""
    if given is None:
        return ()
    if isinstance(given, str):
        return tuple(part.strip() for part in given.split(",") if part.strip())
    return tuple(str(name) for name in given)  # type: ignore[attr-defined]


def require_levels(frame: pd.DataFrame, column: str) -> None:
    """Raise if the run table has no such column, or it has fewer than two values.

    Raises
    ------
    ModelError
        Naming the columns there are, or the value found.
    """
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
    """Groupings as named: one text or several; a text with ":" or a tuple is a combination.

    Raises
    ------
    ModelError
        If a column does not exist or has a single level.
    """
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
    """Raise if a grouping is a factor of the comparison, or the combination of its two factors.

    Parameters
    ----------
    within : sequence of str or tuple of str
        The groupings.
    crossed : tuple of str
        The factor, and the one within whose levels it is compared or None.
    also : sequence of str
        Further factors.

    Raises
    ------
    ModelError
        Naming the grouping.
    """
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
    """Raise if a factor goes with a grouping one to one, so that nothing tells them apart.

    Parameters
    ----------
    frame : DataFrame
        The runs compared.
    factors : sequence of str
        Columns of the fixed part.
    within : sequence of str or tuple of str
        The groupings.

    Raises
    ------
    ModelError
        Naming which level goes with which group.
    """
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
