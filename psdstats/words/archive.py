"""An archive of trials in words: what was collected, a size over dates, runs alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import isfinite

import numpy as np
import pandas as pd

from psdstats.archive.charts import ControlChart, Limits, Repeatability
from psdstats.columns import UNITS, column_words, with_unit
from psdstats.words.numbers import PLAIN, Numerals, p_words
from psdstats.words.remarks import joined, plural

HEADING = "Trials over the years"
DATE_AXIS = "date"
OTHERS, UNNAMED = "other materials", "material not named"
FEW_POINTS = 20  # below which limits are called preliminary: common practice, no source
_NAMED = 3  # points that a sentence names
_TELLS = 0.05


def collected(trials: pd.DataFrame, evaluated: int, unchanged: int) -> str:
    """How many trials there are, and what was done with them."""
    told = [f"{plural(len(trials), 'trial')} in the archive"]
    if evaluated or unchanged:
        told.append(f"{evaluated} read now, {unchanged} unchanged")
    refused, gone = int(trials["refusal"].notna().sum()), int(trials["gone"].sum())
    if refused:
        told.append(f"{refused} cannot be evaluated")
    if gone:
        told.append(f"{gone} no longer found where they were")
    return f"{told[0]}: {'; '.join(told[1:])}." if told[1:] else f"{told[0]}."


def way_words(trials: pd.DataFrame) -> str:
    """What sizes and verdicts are."""
    judged, count = int(trials["judged"].sum()), len(trials)
    own = (
        "Sizes are those of each run by its own readings (as `sizes` gives them with borrowing = "
        "false in study.toml), so that a point of a chart depends on no other run; intervals of "
        "their means are two standard uncertainties of the measurement."
    )
    if not judged:
        return f"{own} --verdicts adds what `compare` says of each trial."
    which = "Each trial" if judged == count else f"{judged} of {count} trials"
    has = "has" if judged in (1, count) else "have"
    verdicts = (
        f"{which} {has} the verdict of `compare`, with its sizes, which borrow the shape of the "
        "curve across the trial, and its intervals."
    )
    return f"{verdicts} Beside them and in charts: {own[0].lower()}{own[1:]}"


def copies_words(trials: pd.DataFrame) -> str:
    """Trials that stand at several places with the same content; empty where none do."""
    copies = int(trials["sha256"].duplicated().sum())
    if not copies:
        return ""
    has = "has" if copies == 1 else "have"
    return (
        f"{plural(copies, 'trial')} {has} the same content as another; each content counts once "
        "in charts and pooled figures."
    )


def chosen_words(where: Mapping[str, str]) -> str:
    """Which runs were chosen.

    Examples
    --------
    >>> chosen_words({"milling_time_min": "0", "group": "Alder"})
    'milling time 0 min, group Alder'
    >>> chosen_words({})
    'all runs'
    """
    told = [
        f"{column_words(name)} {level}{' ' if name in UNITS else ''}{UNITS.get(name, '')}"
        for name, level in where.items()
    ]
    return ", ".join(told) or "all runs"


def chart_sentences(
    chart: ControlChart, where: Mapping[str, str], say: Numerals = PLAIN
) -> Iterator[str]:
    """Middle, limits, points outside, drift."""
    frame = chart.points
    half = np.log(frame["upper"].to_numpy() / frame["lower"].to_numpy()) / 2
    low, high = (say.significant(100 * float(one), 2) for one in (half.min(), half.max()))
    apart = f"±{low} %" if low == high else f"±{low} to ±{high} %, each by its own uncertainty"
    mean = with_unit(
        say.rounded(chart.mean, chart.mean * float(np.median(half)) / 3), chart.quantity
    )
    yield (
        f"{chart.quantity} of {chosen_words(where)}: {plural(len(frame), 'point')} from "
        f"{frame['date'].iloc[0]} to {frame['date'].iloc[-1]}, mean {mean}; limits {apart}."
    )
    yield _outside(chart, say)
    yield _sigma(chart, say)
    if isfinite(chart.slope):
        yield _drift(chart, say)


def _outside(chart: ControlChart, say: Numerals) -> str:
    found = chart.points[chart.points["is_outside"]]
    sides = int(chart.points["is_one_side"].sum())
    row = (
        f" {plural(sides, 'point')} {'ends' if sides == 1 else 'end'} or lengthen a row of nine "
        "on one side of the mean."
        if sides
        else ""
    )
    if found.empty:
        return f"No point lies outside its limits.{row}"
    named = [
        f"{path} of {day} ({say.change(size / chart.mean, decimals=1)})"
        for path, day, size in found[["path", "date", "size"]].tail(_NAMED).to_numpy().tolist()
    ]
    which = "the latest are " if len(found) > _NAMED else ""
    lie = "lies" if len(found) == 1 else "lie"
    return f"{plural(len(found), 'point')} {lie} outside: {which}{joined(named)}.{row}"


def _sigma(chart: ControlChart, say: Numerals) -> str:
    u = say.significant(100 * float(np.median(chart.points["u"])), 2)
    if chart.sigma <= 0:
        return f"The measurement alone ({u} % a point) explains how far points differ."
    sd = say.significant(100 * chart.sigma, 2)
    if chart.limits is Limits.WITHIN:
        return (
            f"Limits allow for runs alike within a trial ({sd} % a run) and for the measurement "
            f"({u} % a point), not for what trials differ by."
        )
    return f"Points differ by {sd} % beyond the measurement, which makes {u} % of a point."


def _drift(chart: ControlChart, say: Numerals) -> str:
    rate, low, high = (
        say.signed(100 * float(np.expm1(one)), 2) for one in (chart.slope, *chart.slope_ends)
    )
    shown = "A drift is shown" if chart.slope_p < _TELLS else "No drift is shown"
    return f"{shown}: {rate} % a year ({low} to {high} %, {p_words(chart.slope_p, say)})."


def chart_caption(chart: ControlChart, where: Mapping[str, str]) -> str:
    """What the control chart shows."""
    basis = (
        "moving ranges of successive points (d2 = 2/√π)"
        if chart.limits is Limits.BETWEEN
        else "runs alike within trials"
    )
    return (
        f"{chart.quantity} of {chosen_words(where)} over dates: the mean of each trial and day, "
        f"its limits of three standard deviations by {basis} and by what is known of that point, "
        "and the mean of all."
    )


def trend_caption(quantity: str) -> str:
    """What the figure of the trials over dates shows."""
    return (
        f"{quantity} at the first milling time of each trial (open) and at the last (filled), over "
        "dates, with the interval of each."
    )


def trend_told(ends: pd.DataFrame, quantity: str, say: Numerals = PLAIN) -> str:
    """What the figure tells: the sizes that trials came to, and verdicts, counted."""
    sizes = ends["end_size"].dropna()
    low, *rest = (say.significant(float(sizes.quantile(at))) for at in (0, 0.5, 1))
    half, high = (with_unit(one, quantity) for one in rest)
    told = f"{quantity} at the last milling time: {low} to {high}, half below {half}."
    count = ends["verdict"].value_counts()
    parts = [f"{number} {name}" for name, number in count.items()]
    return f"{told} Verdicts of `compare`: {', '.join(parts)}." if parts else told


def spread_sentence(found: Sequence[Repeatability], quantity: str, say: Numerals = PLAIN) -> str:
    """How far runs alike differ in one size, and whether trials agree on it."""
    one = next((one for one in found if one.quantity == quantity), None)
    if one is None:
        return f"No trial holds runs alike with a {quantity}, so how far runs differ is not known."
    rest = (
        f"{plural(one.trials, 'trial')}, {say(one.runs_df, '.0f')} degrees of freedom; the "
        f"measurement alone makes {say.significant(one.measurement_percent, 2)} %"
    )
    if one.df < 1:
        most = say.significant(one.upper_percent, 2)
        told = f"by no more than the measurement explains (at most {most} % beyond it; {rest})"
    else:
        ends = (say.significant(end, 2) for end in (one.lower_percent, one.upper_percent))
        told = "by {} % beyond the measurement ({} to {} %; {})".format(
            say.significant(one.percent, 2), *ends, rest
        )
    apart = ""
    if one.p_alike < _TELLS:
        apart = f" Trials do not agree on it ({p_words(one.p_alike, say)})."
    return f"Runs alike differ in {quantity} {told}.{apart}"


def use_words(path: str) -> str:
    """What the pooled spread is for."""
    return f"For trials of single runs: psdstats compare TRIAL --run-to-run {path}"


def chart_notes(chart: ControlChart, undated: int) -> Iterator[str]:
    """What was left out of a chart, and how far its limits can be trusted."""
    if len(chart.points) < FEW_POINTS:
        yield (
            f"Limits of fewer than {FEW_POINTS} points are preliminary (common practice, no "
            "source)."
        )
    yield (
        "An error that all points share (the same sieves, one balance) moves none of them against "
        "the others and is in no limit; where points have other sieves, their limits allow for it. "
        "Sieves and balances of one name, aperture and uncertainty count as the same."
    )
    if undated:
        yield (
            f"{plural(undated, 'trial')} without a date: none in weighed_on, in the settings, or "
            "in the name of file or folder as year-month-day; no chart holds them."
        )


def no_chart(reason: str) -> str:
    """Why there is no control chart."""
    return f"No control chart: {reason}"


def mean_label(mean: float, say: Numerals = PLAIN) -> str:
    """The middle line of a chart, beside it."""
    return f"mean {say.significant(mean)}"


def hover_point(
    say: Numerals, path: str, date: str, size: float, lower: float, upper: float
) -> str:
    """A point of the chart on pointing at it."""
    low, high = say.significant(lower), say.significant(upper)
    return f"{path}, {date}: {say.significant(size)} (limits {low} to {high})"
