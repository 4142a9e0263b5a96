"""The answer of a comparison in plain words: what changed, how much, and when it stopped."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import OverallTest, QuantityComparison, Route
from psdstats.models.wording import word_p

__all__ = ["headlines"]

_CHANGED = "changed"
_MOST_PAIRS = 3  # told one by one


def headlines(
    plan: ComparisonPlan, results: Sequence[QuantityComparison], *, level: float = 0.95
) -> tuple[str, ...]:
    """Sentences for the top of a report: two or three for each quantity.

    Parameters
    ----------
    plan : ComparisonPlan
        What was compared.
    results : sequence of QuantityComparison
        What was found.
    level : float, default=0.95
        A test counts as showing something where p is below 1 - level.

    Returns
    -------
    tuple of str
    """
    sentences: list[str] = []
    for result in results:
        sentences += _of_quantity(plan, result, 1.0 - level)
    return tuple(sentences)


def _of_quantity(plan: ComparisonPlan, result: QuantityComparison, alpha: float) -> list[str]:
    families = list(dict.fromkeys(result.effects["family"]))
    lead = "against first" if "against first" in families else families[0]
    rows = result.family(lead)
    sentences = [_test_sentence(plan, result, alpha)] if result.tests else []
    if lead == "against first":
        sentences += [str(own["sentence"].iloc[-1]) for own in _each(rows).values()]
    elif len(rows) <= _MOST_PAIRS:
        sentences += [str(sentence) for sentence in rows["sentence"]]
    else:
        sentences += _of_many_pairs(result.quantity, rows)
    if "successive" in families:
        sentences += [
            _last_step(plan, f"{result.quantity}{_where(plan, level)}", own)
            for level, own in _each(result.family("successive")).items()
        ]
    return sentences


def _of_many_pairs(quantity: str, rows: pd.DataFrame) -> list[str]:
    """Pairs that changed, each in a sentence, and the others counted."""
    changed = rows[rows["verdict"] == _CHANGED]
    counts = rows["verdict"].value_counts(sort=False)
    counted = ", ".join(f"{count} {verdict}" for verdict, count in counts.items())
    return [f"{quantity}: of {len(rows)} pairs, {counted}.", *map(str, changed["sentence"])]


def _each(rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Rows by level of ``at_each``; all under "" where there is none."""
    levels = rows["high"].str.partition(" at ")[2]
    return {str(level): own for level, own in rows.groupby(levels, sort=False)}


def _where(plan: ComparisonPlan, level: str) -> str:
    return f" ({plan.each_place(level)})" if level else ""


def _test_sentence(plan: ComparisonPlan, result: QuantityComparison, alpha: float) -> str:
    test: OverallTest = result.tests[0]
    words = "milling time" if plan.by == "milling_time_min" else plan.by.replace("_", " ")
    name = words[0].upper() + words[1:]
    if result.route is Route.MEASUREMENT_ONLY:
        differ = "differ by more" if test.p < alpha else "were not shown to differ by more"
        return (
            f"{result.quantity}: the single runs at the levels of {name.lower()} {differ} than the "
            f"measurement (chi-square({test.df_num:.0f}) = {test.f * test.df_num:.1f}, "
            f"{word_p(test.p)})."
        )
    shown = "changed" if test.p < alpha else "was not shown to change"
    basis = f"F({test.df_num:.0f}, {test.df_den:.1f}) = {_short(test.f)}"
    return f"{name} {shown} {result.quantity} ({basis}, {word_p(test.p)})."


def _last_step(plan: ComparisonPlan, quantity: str, steps: pd.DataFrame) -> str:
    changed = np.flatnonzero((steps["verdict"] == _CHANGED).to_numpy())
    if len(changed) == 0:
        return f"{quantity}: no single step was shown to change it."
    last = steps.iloc[int(changed[-1])]
    low, high = (str(last[name]).partition(" at ")[0] for name in ("low", "high"))
    change = _percent(float(last["change_percent"]))
    text = (
        f"{quantity}: the last step shown to change it is from {low} to {plan.place(high)} "
        f"({change})"
    )
    after = steps.iloc[int(changed[-1]) + 1 :]
    if after.empty:
        return f"{text}; it had not stopped changing at the end of the trial."
    seen = after["detectable_percent"].dropna()
    if seen.empty:
        return f"{text}; later steps cannot be judged."
    return (
        f"{text}; in later steps no change was shown, where a change of {seen.max():.2g} % would "
        "have been seen with 80 % power."
    )


def _percent(change: float) -> str:
    return f"{change:+.1f} %".replace("-", "−")


def _short(f: float) -> str:
    return f"{f:.3g}" if f < 1000 else f"{f:.0f}"
