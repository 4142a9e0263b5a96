"""Sizes, their uncertainty and its budget in words: sentences, notes, captions.

Sizes in µm, masses in g; uncertainties in per cent where a sentence says so.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME, column_words, unit_of, with_unit
from psdstats.comparison.plan import ComparisonPlan
from psdstats.distribution.percentiles import SizeTable
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.uncertainty.bootstrap import LEAST_UNITS
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.ratios import RatioIntervals
from psdstats.words.numbers import MISSING, PLAIN, Numerals
from psdstats.words.remarks import sentence

_MANY = 1e4  # degrees of freedom at which k is that of infinitely many to four digits


def notes_in_words(notes: Iterable[Remark | str], say: Numerals = PLAIN) -> tuple[str, ...]:
    """Remarks as sentences; text is a message of the reading."""
    return tuple(one if isinstance(one, str) else sentence(one, say) for one in notes)


SIZES_HEADING = "Sizes"
EVERY_RUN_HEADING = "Sizes of every run"
MEANS_LEAD = (
    "Each interval is that of a mean by itself, with the error of the sieves in it; differences "
    "are known better, since what is shared cancels."
)
SIZES_CAPTION = (
    "Sizes of every run: value ± expanded uncertainty U = k u, or the ends of the interval."
)
IN_HAND_HEADING = "Every run"
IN_HAND_CAPTION = "The value of every run."
UNDERSIZE_CAPTION = "Cumulative undersize of every run, with its interval."
MEANS_CAPTION = "Mean sizes and spread of every run, from the masses of the classes."
MEANS_NOTE = (
    "Every class counts as particles of one size, the geometric middle of its apertures; the pan "
    "at half the finest aperture. The means depend on that choice more than on the weighings, so "
    "they carry no uncertainty. Means as in ISO 9276-2; the specific surface is that of spheres."
)
BOOTSTRAP_STATUS = {
    "no common unit": "no unit has both levels",
    "run without size": "a run has no size: the sieves do not bracket it",
    "too few units": f"no interval: fewer than {LEAST_UNITS} independent units",
}
"""Why a mean or ratio has no bootstrap interval."""


def sizes_note(sizes: Propagation, say: Numerals = PLAIN) -> str:
    """How the table of sizes is read."""
    stated = np.isfinite(sizes.expanded)
    k, freedom = _span(sizes.k[stated], _k, say), _span(sizes.effective_df[stated], _freedom, say)
    told = f"±: expanded uncertainty U = k u with k = {k}, ν_eff = {freedom}. " if k else ""
    return (
        f"{told}Coverage {say(100 * sizes.coverage)} %, {method_words(sizes)}. − and +: how far "
        "the interval reaches below and above, where value ± U would miss one of its ends by more "
        "than one unit of the second digit of u. All of these are in the files. A value with < or "
        "> is not bracketed by the sieves: it is a bound, not an estimate. Balance: its share of "
        "the variance of D50."
    )


def _span(values: Array, words: Callable[[float, Numerals], str], say: Numerals) -> str:
    """The least and the largest of some numbers, or the one they all are; empty without any."""
    ends = (values.min(), values.max()) if len(values) else ()
    return " to ".join(dict.fromkeys(words(float(one), say) for one in ends))


def _k(number: float, say: Numerals) -> str:
    return say(number, ".2f")


def _freedom(number: float, say: Numerals) -> str:
    """Degrees of freedom cut off to a whole number (JCGM 100, G.4.1); many are as good as ∞."""
    return say(np.floor(number) if number < _MANY else np.inf, ".0f")


def method_words(sizes: Propagation) -> str:
    """How sizes and their uncertainty were found."""
    how = "the linear law" if sizes.method is Method.LINEAR else "Monte Carlo"
    return f"by {how}, sizes by the {sizes.rule} rule" if sizes.rule else f"by {how}"


def size_sentence(sizes: Propagation, run: str, quantity: str, say: Numerals = PLAIN) -> str:
    """One size as a report states it: ± U where the interval is symmetric, else the interval."""
    return _size_at((sizes.runs.index(run), sizes.quantities.index(quantity)), sizes, say)


def _size_at(at: tuple[int, int], sizes: Propagation, say: Numerals) -> str:
    """The same by row and column."""
    run, quantity = sizes.runs[at[0]], sizes.quantities[at[1]]
    value, u, expanded, lower, upper = (
        float(getattr(sizes, name)[at]) for name in ("value", "u", "expanded", "lower", "upper")
    )
    unit = f" {unit_of(quantity)}".rstrip()
    coverage, how = f"{say(100 * sizes.coverage)} %", method_words(sizes)
    if np.isnan(value):
        limits = say.interval(lower or -np.inf, upper)
        return f"{quantity} of {run}: {limits}{unit}; the sieves do not bracket it."
    if np.isnan(expanded):
        return (
            f"{quantity} of {run} = {say.rounded(value, u)}{unit}, {coverage} interval "
            f"{say.interval(lower, upper, u=u)}{unit}, not symmetric (u = {say.rounded(u, u)}"
            f"{unit}), {how}."
        )
    k, freedom = float(sizes.k[at]), float(sizes.effective_df[at])
    return (
        f"{quantity} of {run} = ({say.measured(value, u, expanded)}){unit}, expanded uncertainty "
        f"with k = {_k(k, say)} (ν_eff = {_freedom(freedom, say)}), coverage {coverage}, {how}."
    )


def size_sentences(sizes: Propagation, say: Numerals = PLAIN) -> str:
    """Every size of every run as a report states it, one a line."""
    return "".join(
        f"{_size_at((row, column), sizes, say)}\n"
        for row in range(len(sizes.runs))
        for column in range(len(sizes.quantities))
    )


def values_heading(what: str) -> str:
    """Heading of a page of values in hand."""
    return f"{what.capitalize()}s"


def in_hand_note(values: Propagation, say: Numerals = PLAIN) -> str:
    """How a table of values in hand is read; empty where none has an uncertainty."""
    k = values.k[np.isfinite(values.k)]
    if not len(k):
        return ""
    return (
        f"Values and u as given; ±: expanded uncertainty U = k u with k = {_k(k.max(), say)}, "
        f"coverage {say(100 * values.coverage)} %."
    )


def sizes_introduction(rule: str) -> str:
    """What the sizes and their uncertainties are."""
    what = (
        f"Sizes by the {rule} rule: the intervals hold the size by that rule, which is not the "
        "powder's own where its curve bends between two sieves."
        if rule
        else "Sizes of the powder itself: what its curve may do between two sieves is part of the "
        "uncertainty."
    )
    return (
        f"{what} The uncertainties here are those of the measurement (readings, sieves, and "
        "whatever else was counted); how much runs and groups differ is in the comparison."
    )


def balance_sentence(propagation: Propagation, say: Numerals = PLAIN) -> str:
    """How much of the measurement's doubt about D50 is the balance."""
    column = propagation.quantities.index("D50")
    shares = propagation.balance_share[:, column]
    shares = shares[np.isfinite(shares)]
    if len(shares) == 0:
        return "No D50 is bracketed, so its uncertainty cannot be divided."
    u = 100 * propagation.u[:, column] / propagation.value[:, column]
    u = u[np.isfinite(u)]
    middle, least, most = (say.significant(float(of(u)), 2) for of in (np.median, np.min, np.max))
    largest = float(shares.max())
    part = f"less than {say(0.1)} % of that variance in every run"
    if largest >= 0.001:
        median = say.per_cent(float(np.median(shares)), decimals=1)
        part = f"{median} of that variance (median), at most {say.per_cent(largest, decimals=1)}"
    return (
        f"The measurement leaves D50 with a standard uncertainty of {middle} % (median over the "
        f"runs; {least} % to {most} %). The balance accounts for {part}."
    )


def propagation_sentences(sizes: Propagation, say: Numerals = PLAIN) -> tuple[str, ...]:
    """From where to where each size goes over the runs, how it was found, and how well."""
    return (_ranges(sizes, method_words(sizes), say), balance_sentence(sizes, say))


def rule_sentences(sizes: SizeTable, say: Numerals = PLAIN) -> tuple[str, ...]:
    """From where to where each size goes over the runs, by which rule."""
    return (_ranges(sizes, f"by the {sizes.rule} rule" if sizes.rule else "by the law", say),)


def _ranges(sizes: Propagation | SizeTable, how: str, say: Numerals) -> str:
    known = [column[np.isfinite(column)] for column in sizes.value.T]
    told = [
        with_unit(f"{quantity} {_span(own, lambda one, say: say.significant(one), say)}", quantity)
        for quantity, own in zip(sizes.quantities, known, strict=True)
        if len(own)
    ]
    runs = len(sizes.runs)
    return f"{runs} {'run' if runs == 1 else 'runs'}, {how}: {', '.join(told)}."


def ratio_sentences(found: RatioIntervals, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Every ratio with its interval."""
    return tuple(
        f"{row['quantity']} of {row['high']} over that of {row['low']}: "
        f"{say.ratio(row['ratio'], row['lower'], row['upper'])}."
        for row in found.to_frame().to_dict("records")
    )


def covariance_caption(quantity: str) -> str:
    """What a joint covariance holds."""
    unit = "" if quantity == "span" else ", µm²"
    return f"Joint covariance of {quantity} over all runs{unit}: what they share is in it."


def covariance_left(runs: int, most: int) -> str:
    """Why the files have no joint covariance."""
    return (
        f"The joint covariance of {runs} runs is not among the files, which hold that of up to "
        f"{most}; Propagation.covariance gives it."
    )


def means_caption(plan: ComparisonPlan, level: float, say: Numerals = PLAIN) -> str:
    """What the table of means shows."""
    told = f"Mean {plan.what} at each condition with its {say(100 * level, '.3g')} % interval"
    if plan.in_hand:
        return f"{told}."
    return f"{told}; < and > are bounds, where runs lie beyond the sieves."


NO_INTERVAL = "Without an interval: the spread of that mean cannot be told from these runs."


def conditions_caption(coverage: float, say: Numerals = PLAIN) -> str:
    """What the table of means by the measurement alone shows."""
    return (
        "Mean size of the runs at each condition ± its expanded uncertainty "
        f"({say(100 * coverage, '.3g')} %) by the measurement, run-to-run variation apart; < and > "
        "are bounds, where runs lie beyond the sieves."
    )


def mean_cell(row: Mapping[Hashable, Any], places: int, say: Numerals = PLAIN) -> str:
    """A mean with its interval in so many decimals, or the bounds that hold it.

    Examples
    --------
    >>> mean_cell({"value": 127.76, "lower": 122.02, "upper": 133.77, "side": ""}, 1)
    '127.8 (122.0 to 133.8)'
    >>> mean_cell({"value": 51.43, "lower": 0.0, "upper": 51.43, "side": "<"}, 1)
    '< 51.43'
    """
    value, lower, upper = (float(row[name]) for name in ("value", "lower", "upper"))
    if row["side"] in ("<", ">"):
        return say.measured(value, np.nan, side=str(row["side"]))
    if np.isfinite(value) and np.isnan([lower, upper]).any():
        return say.fixed(value, places)
    if np.isfinite(value):
        told, low, high = (say.fixed(one, places) for one in (value, lower, upper))
        return f"{told} ({low} to {high})"
    if np.isfinite([lower, upper]).all():
        scale = 10.0**places  # outwards: still bounds
        low, high = np.floor(lower * scale) / scale, np.ceil(upper * scale) / scale
        return f"between {say.fixed(low, places)} and {say.fixed(high, places)}"
    return MISSING


def course_caption(means: pd.DataFrame, factor: str) -> str:
    """What the figure of sizes against time shows."""
    line = "a line through the means"
    line = f"a line per {column_words(factor)} through its means" if factor else line
    is_time = pd.api.types.is_numeric_dtype(means[TIME])
    told = [f"A dot per run, {line if is_time else 'a larger mark per mean'}."]
    bars = "comparing_lower" in means.columns and means["comparing_lower"].notna().any()
    if bars:
        what = "at one time " if factor else ""
        told.append(
            f"Bars of two means {what}that do not overlap show a difference (95 %, each pair for "
            "itself); a bar that is not seen is shorter than its mark."
        )
    if bars and (means["shared"] > 0).any():
        told.append("The bar at the side is the error of the sieves, which these means share.")
    if (means["side"] != "").any():
        told.append("Arrows mark bounds, where runs lie beyond the sieves.")
    return " ".join(told)


def course(means: pd.DataFrame, say: Numerals = PLAIN) -> str:
    """Where every size began and ended at each level, or its mean at each level side by side."""
    if not pd.api.types.is_numeric_dtype(means[TIME]):
        return " ".join(
            f"{quantity}: {', '.join(f'{row[TIME]} {_bounded(row, say)}' for row in _rows(own))}."
            for quantity, own in means.groupby("quantity", sort=False)
        )
    told = []
    for quantity, own in means.groupby("quantity", sort=False):
        lines = (_line(line, say) for _, line in own.groupby("level", sort=False))
        told.append(f"{quantity}: {'; '.join(lines)}.")
    return " ".join(told)


def _rows(frame: pd.DataFrame) -> list[dict[Hashable, Any]]:
    return frame.to_dict("records")


def _line(line: pd.DataFrame, say: Numerals) -> str:
    """One level from its first to its last time."""
    ordered = _rows(line.sort_values(TIME, kind="stable"))
    first, last = (
        f"{_bounded(row, say)} at {say(row[TIME], '.12g')} min" for row in (ordered[0], ordered[-1])
    )
    level = f"at {ordered[0]['level']} " if ordered[0]["level"] else ""
    return f"{level}from {first} to {last}"


def _bounded(row: Mapping[Hashable, Any], say: Numerals) -> str:
    value, side = float(row["value"]), str(row.get("side") or "")
    if not np.isfinite(value):
        return "an unknown size"
    if side:
        bound = with_unit(say.bound(value, side), str(row["quantity"]))
        return f"{'below' if side == '<' else 'above'} {bound}"
    return with_unit(say.significant(value, 3), str(row["quantity"]))


def undersize_caption(several: bool, factor: str) -> str:
    """What the curves show."""
    panel = [*(["group"] if several else []), *([column_words(factor)] if factor else [])]
    each = f" A panel per {' and '.join(panel)}." if panel else ""
    return (
        "Cumulative undersize of every run with its uncertainty band, darker for longer milling."
        f"{each} Where a curve crosses a dotted line its D10, D50 or D90 is read; grey: below the "
        "finest sieve."
    )


def undersize_alternative(frame: pd.DataFrame, say: Numerals = PLAIN) -> str:
    """How much was finer than a middle sieve at the first and at the last time."""
    times = sorted(set(frame[TIME]))
    listed = ", ".join(say(time, ".12g") for time in times)
    sieves = frame.groupby("nominal_um")["undersize"].agg(["size", "median"])
    common = sieves[sieves["size"] == sieves["size"].max()]
    middle = float((common["median"] - 0.5).abs().idxmin())
    at = frame[frame["nominal_um"] == middle].groupby(TIME)["undersize"].median()
    parts = [
        f"{say.per_cent(float(at.loc[time]))} at {say(time, '.12g')} min"
        for time in dict.fromkeys((times[0], times[-1]))
        if time in at.index
    ]
    return (
        f"Mass finer than each sieve, {frame['run'].nunique()} runs at {listed} min. Finer than "
        f"{say(middle)} µm: {', '.join(parts)} (median of runs)."
    )


def no_means(reason: object) -> str:
    """Why there are no mean sizes."""
    return f"No mean sizes are given: {reason}"


def source_words(source: str) -> str:
    """Name of a source as it is read, e.g. "lost powder"."""
    return source.replace("_", " ")


def ratios_caption(by: str, coverage: float, say: Numerals = PLAIN) -> str:
    """What the table of ratios shows."""
    return (
        f"Mean sizes at each {column_words(by)} over those at the first, with "
        f"{say(100 * coverage)} % intervals of the measurement."
    )


RATIOS_NOTE = (
    "Geometric means over the runs of a level. What two runs share (a sieve, a tare, a balance) "
    "cancels in a ratio. How runs of one kind differ among themselves is not in these intervals; "
    "it is in the comparison."
)


def bootstrap_caption(unit: str | None, coverage: float, say: Numerals = PLAIN) -> str:
    """What the table of bootstrap intervals shows."""
    units = "runs" if unit is None else f"{column_words(unit)}s as a whole"
    return (
        f"Geometric means and ratios with {say(100 * coverage)} % bootstrap intervals (BCa); "
        f"resampled are the {units}."
    )
