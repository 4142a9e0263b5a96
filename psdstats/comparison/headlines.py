"""The answer of a comparison in plain words: what changed, how much, and when it stopped.

Two kinds of finding may part.  The test of all levels at once asks whether anything differs at all;
a family of contrasts asks which level differs, and holds its level by itself, whatever that test
says.  The contrasts are the question that was asked, so they lead: against the first level where
the levels have an order, all pairs otherwise.  Where the test disagrees, its sentence says why
both are right.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import OverallTest, QuantityComparison, Route
from psdstats.models.mixed_model_words import joined
from psdstats.models.verdicts import NO_CHANGE_SEEN_PERCENT
from psdstats.models.wording import word_p
from psdstats.wording import column_words, signed

__all__ = ["headlines"]

_AGAINST_FIRST = "against first"
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
    lead = _AGAINST_FIRST if _AGAINST_FIRST in families else families[0]
    rows = result.family(lead)
    shown = rows[rows["p_adjusted"] < alpha]
    sentences = [_test_sentence(plan, result, shown, lead, alpha)] if result.tests else []
    if lead == _AGAINST_FIRST:
        sentences += [sentence for own in _each(rows).values() for sentence in _last_levels(own)]
    elif len(rows) <= _MOST_PAIRS:
        sentences += [str(sentence) for sentence in rows["sentence"]]
    else:
        sentences += _of_many_pairs(result.quantity, rows)
    if "successive" in families:
        leading = _each(rows) if lead == _AGAINST_FIRST else {}
        sentences += [
            _last_step(plan, f"{result.quantity}{_where(plan, level)}", own, leading.get(level))
            for level, own in _each(result.family("successive")).items()
        ]
    return sentences


def _last_levels(rows: pd.DataFrame) -> list[str]:
    """The last level, and the last one that changed where this is another."""
    last = len(rows) - 1
    changed = np.flatnonzero((rows["verdict"] == _CHANGED).to_numpy())
    places = sorted({last, int(changed[-1]) if len(changed) else last})
    return [str(rows["sentence"].iloc[place]) for place in places]


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


def _test_sentence(
    plan: ComparisonPlan, result: QuantityComparison, shown: pd.DataFrame, lead: str, alpha: float
) -> str:
    """The test of all levels at once, reconciled with the single verdicts where they part."""
    test = result.tests[0]
    name = column_words(plan.by)
    by_measurement = result.route is Route.MEASUREMENT_ONLY
    if test.p >= alpha and not shown.empty:
        return _by_single_levels(plan, result.quantity, shown, test, by_measurement)
    if by_measurement:
        differ = "differ by more" if test.p < alpha else "were not shown to differ by more"
        text = (
            f"{result.quantity}: the single runs at the levels of {name} {differ} than the "
            f"measurement ({_basis(test)})"
        )
    else:
        verb = "changed" if test.p < alpha else "was not shown to change"
        text = f"{name[0].upper()}{name[1:]} {verb} {result.quantity} ({_basis(test)})"
    if test.p < alpha and shown.empty:
        first = lead == _AGAINST_FIRST
        none = "no level is shown to differ from the first" if first else "no pair is shown to"
        if first and result.family(lead)["p_adjusted"].isna().all():
            none = "none can be compared with the first"
        text += (
            f": the levels are not all alike, but {none}; the single verdicts lead, since this "
            "test cannot say which levels differ"
        )
    return f"{text}."


def _by_single_levels(
    plan: ComparisonPlan,
    quantity: str,
    shown: pd.DataFrame,
    test: OverallTest,
    by_measurement: bool,
) -> str:
    """Levels that differ although the test of all levels at once did not show it."""
    places = [
        f"{plan.place(high.partition(' at ')[0])} against {plan.place(low.partition(' at ')[0])}"
        + _where(plan, high.partition(" at ")[2])
        for high, low in zip(shown["high"], shown["low"], strict=True)
    ]
    told = joined(places) if len(places) <= _MOST_PAIRS else f"{len(places)} of the contrasts"
    verb = "differs by more than the measurement" if by_measurement else "changed"
    return (
        f"{quantity} {verb} at {told}, although the test of all levels at once did not show it "
        f"({_basis(test)}): that test spreads over levels that changed little, so the single "
        "verdicts lead, which already allow for having looked at several."
    )


def _basis(test: OverallTest) -> str:
    if not np.isfinite(test.df_den):
        statistic = f"chi-square({test.df_num:.0f}) = {test.f * test.df_num:.1f}"
    else:
        statistic = f"F({test.df_num:.0f}, {test.df_den:.1f}) = {_short(test.f)}"
    return f"{statistic}, {word_p(test.p)}"


def _last_step(
    plan: ComparisonPlan, quantity: str, steps: pd.DataFrame, leading: pd.DataFrame | None
) -> str:
    """When the change stopped, step by step, beside the verdicts against the first level."""
    changed = np.flatnonzero((steps["verdict"] == _CHANGED).to_numpy())
    has_lead = leading is not None and bool((leading["verdict"] == _CHANGED).any())
    if steps["p_adjusted"].isna().all():
        return f"{quantity}: no single step can be judged."
    if len(changed) == 0:
        spread = "; the change is spread over several" if has_lead else ""
        return f"{quantity}: no single step was shown to change it{spread}."
    last = steps.iloc[int(changed[-1])]
    low, high = (str(last[name]).partition(" at ")[0] for name in ("low", "high"))
    change = signed(float(last["change_percent"]), "+.1f")
    text = (
        f"{quantity}: the last step shown to change it is from {low} to {plan.place(high)} "
        f"({change} %)"
    )
    if leading is not None and not has_lead and leading["p_adjusted"].notna().any():
        text += ", although no level is shown to differ from the first, which leads"
    after = steps.iloc[int(changed[-1]) + 1 :]
    if after.empty:
        return f"{text}; it had not stopped changing at the end of the trial."
    seen = after["detectable_decrease_percent"].dropna()
    if not seen.max() < NO_CHANGE_SEEN_PERCENT:  # or none can be judged
        return f"{text}; later steps cannot be judged."
    return (
        f"{text}; in later steps no change was shown, where a decrease of {seen.max():.2g} % would "
        "have been seen with 80 % power."
    )


def _short(f: float) -> str:
    return f"{f:.3g}" if f < 1000 else f"{f:.0f}"
