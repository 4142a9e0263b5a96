"""Runs that share their classes, and which of those classes moved between levels of a factor."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import pandas as pd

from psdstats.comparison.common_classes import CommonClasses
from psdstats.comparison.moved_classes import MovedClasses, moved_classes, pair_text
from psdstats.errors import ModelError

__all__ = ["Pairs", "StackPart", "groups_of", "part_of"]


class Pairs(StrEnum):
    """Which levels are compared: each with the first, or each with the one before."""

    FIRST = "first"
    SUCCESSIVE = "successive"

    def of(self, levels: list[object]) -> Iterator[tuple[object, object]]:
        """Pairs (low, high) of the sorted levels."""
        if self is Pairs.SUCCESSIVE:
            return iter(itertools.pairwise(levels))
        return ((levels[0], level) for level in levels[1:])


@dataclass(frozen=True, kw_only=True)
class StackPart:
    """Runs that share their classes.

    Parameters
    ----------
    name : str
        Groups that used these stacks.
    classes : CommonClasses
        Common classes and masses.
    moved : tuple of MovedClasses
        Changes of classes, one record a pair of levels.
    untold : tuple of str
        Pairs of levels that could not be judged, and why.
    """

    name: str
    classes: CommonClasses
    moved: tuple[MovedClasses, ...]
    untold: tuple[str, ...]


def groups_of(table: pd.DataFrame, within: str | None) -> list[str]:
    """Group of each run as text; one group for all where none is named."""
    return [""] * len(table) if within is None else [str(one) for one in table[within]]


def part_of(
    classes: CommonClasses,
    table: pd.DataFrame,
    *,
    by: str,
    within: str | None,
    pairs: Pairs,
    level: float,
    permutations: int,
    seed: int,
) -> StackPart:
    """Changes of classes of one family of stacks, for each pair of levels.

    Parameters
    ----------
    classes : CommonClasses
        Masses of the runs of the family.
    table : DataFrame
        Run table of the same runs in the same order.
    by, within, level, permutations, seed
        As in `compare_distributions`.
    pairs : Pairs
        Which levels are compared.

    Returns
    -------
    StackPart
        Changes, and the pairs that could not be judged.
    """
    factor = table[by].to_numpy()
    strata = groups_of(table, within)
    unit = "min" if by.endswith("_min") else ""
    found, untold = [], []
    for low, high in pairs.of(sorted(set(factor))):
        try:
            found.append(
                moved_classes(
                    classes.fractions,
                    factor,
                    low=low,
                    high=high,
                    names=classes.names,
                    strata=strata,
                    unit=unit,
                    level=level,
                    permutations=permutations,
                    seed=seed,
                )
            )
        except ModelError as error:
            pair = pair_text(low, high, unit=unit)
            untold.append(f"{pair}: cannot be told which classes moved. {error}")
    name = ", ".join(dict.fromkeys(str(group) for group in table["group"]))
    return StackPart(name=name, classes=classes, moved=tuple(found), untold=tuple(untold))
