"""What stands above and below every table, by its name; captions of figures that never differ.

Then the words that figures write themselves, longer than the name of an axis, and what they tell.
Those found by a name stand in `phrases.csv`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from psdstats.columns import BALL_RATIO, column_words
from psdstats.findings import Verdict
from psdstats.words.numbers import LEAST_TOLD, PLAIN, Numerals
from psdstats.words.remarks import phrases

CAPTIONS, FIGURES = phrases("table"), phrases("figure")
NOTES, FURTHER_NOTES = phrases("note"), phrases("further note")
WEIGHING_ORDER = "weighing of the empty sieve, in order"
TIME_AXIS = "milling time / min"
SIZE_AXIS = "size / µm"
BOUND = "at least so much"
BELOW_SIEVES = "below the finest sieve"
APERTURE_AXIS = "sieve aperture / µm"
UNDERSIZE_AXIS = "cumulative undersize / % by mass"


def late_day(clock: str) -> str:
    """By when a day at the bench has ended, mostly."""
    return f"ended by {clock} on 9 of 10 simulated days"


def minutes(time_min: float, say: Numerals = PLAIN) -> str:
    """A milling time in a figure."""
    return f"{say(time_min, '.12g')} min"


def level_label(level: str, factor: str) -> str:
    """A level of a factor as short as a figure and a heading want it.

    Examples
    --------
    >>> level_label("10", "ball_ratio"), level_label("wet", "medium")
    ('10:1', 'wet')
    """
    return f"{level}:1" if factor == BALL_RATIO and level else level


def shared_words(half: float, say: Numerals = PLAIN) -> str:
    """What all means of a panel have in common: half an interval of ln size, in per cent."""
    return f"sieves ±{say.significant(100 * half, 2)} %"


def change_words(row: Mapping[Hashable, Any], say: Numerals = PLAIN) -> str:
    """A change beside its interval: "−49 %", "≥ 59 % finer"; other verdicts than a change named.

    Examples
    --------
    >>> row = {"ratio": 0.51, "ratio_lower": 0.48, "ratio_upper": 0.54, "verdict": "changed"}
    >>> change_words(row), change_words(row | {"verdict": "not shown"})
    ('−49 %', '−49 %  not shown')
    >>> change_words(row | {"ratio": float("nan"), "ratio_lower": 0.0, "ratio_upper": 0.412})
    '≥ 58 % finer'
    """
    verdict = "" if row["verdict"] == Verdict.CHANGED else str(row["verdict"])
    return "  ".join(one for one in (short_change(row, say), verdict) if one)


def short_change(row: Mapping[Hashable, Any], say: Numerals = PLAIN) -> str:
    """The same without the verdict, which the mark has; empty where there is no number."""
    ratio, lower, upper = (float(row[name]) for name in ("ratio", "ratio_lower", "ratio_upper"))
    if np.isfinite(ratio):
        return say.change(ratio, decimals=1 if abs(ratio - 1.0) < 0.0995 else 0)
    if lower <= 0.0 and np.isfinite(upper):  # a bound; one that gives no number says the way
        limit = f"≥ {say.at_least(1.0 - upper)} " if 1.0 - upper >= LEAST_TOLD else ""
        return f"{limit}finer" if upper <= 1.0 else ""
    if np.isinf(upper) and lower > 0.0:
        limit = f"≥ {say.at_least(lower - 1.0)} " if lower - 1.0 >= LEAST_TOLD else ""
        return f"{limit}coarser" if lower >= 1.0 else ""
    if np.isfinite([lower, upper]).all():
        signs = (say.signed(100.0 * (one - 1.0), 0) for one in (lower, upper))
        return f"{' to '.join(signs)} %"
    return ""


def changes_alternative(changes: pd.DataFrame, pairs: pd.DataFrame, say: Numerals = PLAIN) -> str:
    """The figure of changes for who cannot see it: a sentence per quantity and level, or pair."""
    told = []
    for frame in (changes, pairs):
        for (quantity, level), own in frame.groupby(["quantity", "level"], sort=False):
            head = ", ".join(one for one in (str(quantity), str(level)) if one)
            shown = (own["verdict"] == Verdict.CHANGED).all()
            parts = [
                f"{minutes(float(row['at']), say)} {' '.join(change_words(row, say).split())}"
                for row in own.to_dict("records")
            ]
            told.append(f"{head}: {', '.join(parts)}{' (all changed)' if shown else ''}.")
    return " ".join(told)


def changes_titles(first: str, factor: str, pairs: Iterable[str]) -> tuple[str, str]:
    """What stands above both panels of changes."""
    names = list(dict.fromkeys(pairs))
    beside = names[0] if len(names) == 1 else f"{column_words(factor)}: level vs level"
    return f"change from {first} min", beside


def changes_labels(
    first: str, pairs: Iterable[tuple[str, str]], what: str = "size"
) -> tuple[str, str]:
    """What the axes of both panels of changes show."""
    names = list(dict.fromkeys(pairs))
    high, low = names[0] if len(names) == 1 else ("first level", "second")
    return (
        f"{what} at the later time / {what} at {first} min",
        f"{what} at {high} / {what} at {low}",
    )


def changes_caption(
    level: float, margin_percent: float | None, shown: tuple[int, int], say: Numerals = PLAIN
) -> str:
    """What the figure of changes shows."""
    said = (
        f"Ratios on a log scale, left of 1 is smaller; each {say(100 * level, '.3g')} % interval "
        "holds for itself, each verdict for all times together."
    )
    if margin_percent is not None:
        said += f" Shaded: within the margin of {say(margin_percent)} %."
    if shown[0] < shown[1]:
        said += f" Here are {shown[0]} of {shown[1]} later times; the appendix has all."
    return said
