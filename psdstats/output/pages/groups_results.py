"""Everything the page of groups shows, asked from the library with the same conditions.

Sizes in µm.  Precision, consistency and outliers are found at each milling time (and further
condition) with the columns by which the agreement of the groups was judged.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from itertools import takewhile
from typing import Any

import pandas as pd

from psdstats.columns import TIME, column_words, without_value
from psdstats.comparison.consistency import (
    Consistency,
    Intraclass,
    consistency,
    intraclass_correlation,
    outliers,
)
from psdstats.comparison.groups import group_agreement, sizes_by_run
from psdstats.comparison.groups_result import GroupAgreement
from psdstats.comparison.precision import Precision, precision
from psdstats.output.pages.parts import number_column
from psdstats.output.tables.table import Column
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupResults:
    """Results on the groups of one study in one quantity.

    Parameters
    ----------
    agreement : GroupAgreement
        Each group against the others, with the joint covariance.
    precision : Precision
        Repeatability, between-group and reproducibility SD at each condition.
    consistency : Consistency
        Mandel's h and k.
    outliers : DataFrame
        Cochran's and Grubbs' tests.
    intraclass : Intraclass or None
        Intraclass correlations, or why there are none; None where they were not asked for.
    conditions : tuple of str
        Columns that define a condition.
    left_out : tuple of str
        Sentences on runs without a condition, which have no place in the tables of precision,
        consistency and outliers.
    """

    agreement: GroupAgreement
    precision: Precision
    consistency: Consistency
    outliers: pd.DataFrame
    intraclass: Intraclass | None
    conditions: tuple[str, ...]
    left_out: tuple[str, ...] = ()

    @property
    def quantity(self) -> str:
        """What is compared."""
        return self.agreement.quantity

    def notes(self) -> tuple[str, ...]:
        """What the tables leave out, and intraclass correlations that there are not."""
        found = self.intraclass
        if found is None or not found.table.empty:
            return self.left_out
        return (f"Intraclass correlation {found.status}.", *self.left_out)


def collect_groups(
    study: Study,
    propagation: Propagation,
    *,
    quantity: str = "D50",
    scale: str = "log",
    margin_percent: float | None = None,
    level: float = 0.95,
    intraclass: bool = True,
) -> GroupResults:
    """Ask the library for everything about the groups of a study."""
    agreement = group_agreement(
        study, propagation, quantity=quantity, margin_percent=margin_percent, level=level
    )
    named = takewhile(lambda name: name != "group", agreement.by_condition.columns)
    conditions = tuple(map(str, named)) or (TIME,)
    frame = sizes_by_run(study, propagation, quantity=quantity)
    at = list(conditions)
    return GroupResults(
        agreement=agreement,
        precision=precision(
            frame, value=quantity, group="group", level=at, scale=scale, coverage=level
        ),
        consistency=consistency(frame, value=quantity, group="group", level=at, scale=scale),
        outliers=outliers(frame, value=quantity, group="group", level=at, scale=scale),
        intraclass=intraclass_correlation(
            frame, value=quantity, group="group", level=at, scale=scale
        )
        if intraclass
        else None,
        conditions=conditions,
        left_out=tuple(
            without_value(
                frame.loc[frame[name].isna(), "run"].tolist(),
                name,
                fate="left out of precision, consistency and outliers",
            )
            for name in conditions
            if frame[name].isna().any()
        ),
    )


def condition_columns(results: GroupResults) -> list[Column]:
    """The columns that name a condition, for any table of these results."""
    frame = results.precision.to_frame()
    return [_condition_column(name, frame[name]) for name in results.conditions]


def _condition_column(name: str, values: pd.Series) -> Column:
    unit = "min" if name == TIME else ""
    return number_column(values, name=name, heading=column_words(name), unit=unit)


def place_words(row: Mapping[Hashable, Any], conditions: Iterable[str]) -> str:
    """The condition of a row in words.

    Examples
    --------
    >>> row = {"milling_time_min": 6.0, "ball_ratio": 5.0}
    >>> place_words(row, ["milling_time_min", "ball_ratio"])
    '6 min, ball ratio 5'
    """
    words = []
    for name in conditions:
        value = f"{row[name]:g}" if isinstance(row[name], float) else str(row[name])
        words.append(f"{value} min" if name == TIME else f"{column_words(name)} {value}")
    return ", ".join(words)


def stated_margin(study: Study) -> float | None:
    """The difference too small to matter that the study states, per cent."""
    value = study.compare.get("margin_percent")
    return float(value) if isinstance(value, int | float) else None
