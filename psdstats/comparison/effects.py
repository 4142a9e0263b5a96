"""Families of contrasts as effects with verdicts: one row a contrast, ready to be read.

Responses are natural logarithms of sizes, so every effect is a ratio.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.comparison.plan import ComparisonPlan
from psdstats.models import (
    ContrastResult,
    Evidence,
    equivalence_test,
    smallest_detectable,
    verdict,
)
from psdstats.models.contrast_matrices import contrast_matrix, within_each

__all__ = ["COLUMNS", "EffectContext", "effect_rows", "families_for"]

POWER = 0.8

COLUMNS = [
    "family",
    "contrast",
    "high",
    "low",
    "ratio",
    "ratio_lower",
    "ratio_upper",
    "change_percent",
    "change_lower_percent",
    "change_upper_percent",
    "ratio_lower_single",
    "ratio_upper_single",
    "df",
    "p",
    "p_adjusted",
    "detectable_decrease_percent",
    "equivalence_p",
    "verdict",
    "sentence",
]


@dataclass(frozen=True, kw_only=True)
class EffectContext:
    """What a verdict needs beside the numbers of a contrast.

    Parameters
    ----------
    quantity : str
        The quantity.
    plan : ComparisonPlan
        What is compared with what, and the margin of equivalence.
    levels, at_levels : sequence of str
        All levels of both, in order.
    lost_column : str
        Column that the obstacles belong to: the factor or ``at_each``.
    obstacles : mapping of str to str
        Why a level of that column cannot be judged.
    level : float
        Confidence level.
    """

    quantity: str
    plan: ComparisonPlan
    levels: Sequence[str]
    at_levels: Sequence[str]
    lost_column: str
    obstacles: Mapping[str, str]
    level: float

    def subject(self, high: str, low: str) -> str:
        """Words for one comparison."""
        top, _, where = high.partition(" at ")
        bottom = low.partition(" at ")[0]
        each = f" ({self.plan.each_place(where)})" if where else ""
        return f"{self.quantity} at {self.plan.place(top)} against {self.plan.place(bottom)}{each}"


def families_for(levels: Sequence[object]) -> tuple[str, ...]:
    """Families that make sense: ordered numbers also step by step, names only pair by pair."""
    if len(levels) == 2:
        return ("all pairs",)
    if all(isinstance(level, (int, float, np.number)) for level in levels):
        return ("against first", "successive", "all pairs")
    return ("all pairs",)


def effect_rows(
    family: str,
    contrasts: ContrastResult | None,
    context: EffectContext,
    *,
    missing: str = "no run is left to estimate it from",
) -> pd.DataFrame:
    """Turn one family of contrasts into rows with verdicts.

    Parameters
    ----------
    family : str
        "against first", "successive" or "all pairs".
    contrasts : ContrastResult or None
        The estimated contrasts; None where nothing could be estimated.
    context : EffectContext
        Names, margin and obstacles.
    missing : str
        Why a contrast without an obstacle has no estimate, as a clause.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`; contrasts that could not be estimated are kept, with the reason.
    """
    planned = contrast_matrix(context.levels, family)
    if context.plan.at_each is not None:
        planned = within_each(planned, context.at_levels)
    estimated = {} if contrasts is None else _estimated(contrasts, context)
    first_is_lost = (
        family == "against first"
        and context.lost_column == context.plan.by
        and context.levels[0] in context.obstacles
    )
    rows = []
    for label, high, low in zip(planned.labels, planned.high, planned.low, strict=True):
        found = None if first_is_lost else estimated.pop((high, low), None)
        rows.append(found or _unjudged(label, high, low, context, missing))
    if not first_is_lost:
        rows.extend(estimated.values())
    return pd.DataFrame(rows).assign(family=family).reindex(columns=COLUMNS)


def _unjudged(
    label: str, high: str, low: str, context: EffectContext, missing: str
) -> dict[str, object]:
    by_level = context.lost_column == context.plan.by
    names = (
        [high.partition(" at ")[0], low.partition(" at ")[0]]
        if by_level
        else [high.partition(" at ")[2]]
    )
    reasons = tuple(context.obstacles[name] for name in names if name in context.obstacles)
    finding = verdict(
        Evidence(
            subject=context.subject(high, low),
            level=context.level,
            obstacles=reasons or (missing,),
        )
    )
    return {
        "contrast": label,
        "high": high,
        "low": low,
        "verdict": finding.verdict.value,
        "sentence": finding.sentence,
    }


def _estimated(
    contrasts: ContrastResult, context: EffectContext
) -> dict[tuple[str, str], dict[str, object]]:
    table = contrasts.as_ratios()
    critical = (contrasts.upper - contrasts.estimate) / contrasts.standard_error
    detectable = smallest_detectable(
        contrasts.standard_error, contrasts.df, critical=critical, power=POWER
    )
    table["detectable_decrease_percent"] = detectable.decrease_percent
    table["equivalence_p"] = np.nan
    if context.plan.margin_percent is not None:
        table["equivalence_p"] = equivalence_test(
            contrasts.estimate,
            contrasts.standard_error,
            contrasts.df,
            margin_percent=context.plan.margin_percent,
            alpha=1.0 - context.level,
        ).p
    rows: dict[tuple[str, str], dict[str, object]] = {}
    for record in table.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        finding = verdict(_evidence(row, context))
        rows[row["high"], row["low"]] = {
            **row,
            "verdict": finding.verdict.value,
            "sentence": finding.sentence,
        }
    return rows


def _evidence(row: Mapping[str, object], context: EffectContext) -> Evidence:
    number = {key: float(value) for key, value in row.items() if isinstance(value, float)}
    has_margin = context.plan.margin_percent is not None
    with np.errstate(divide="ignore"):  # an interval without end begins at a ratio of 0
        lower, upper = (float(np.log(number[f"ratio_{end}"])) for end in ("lower", "upper"))
    return Evidence(
        subject=context.subject(str(row["high"]), str(row["low"])),
        log_ratio=float(np.log(number["ratio"])),
        lower=lower,
        upper=upper,
        p_adjusted=number["p_adjusted"],
        level=context.level,
        margin_percent=context.plan.margin_percent,
        equivalence_p=number["equivalence_p"] if has_margin else None,
        detectable_decrease_percent=number["detectable_decrease_percent"],
        power=POWER,
    )
