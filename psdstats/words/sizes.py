"""Sizes, their uncertainty and its budget in words: sentences, notes, captions.

Sizes in µm, masses in g; uncertainties in per cent where a sentence says so.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME, column_words, unit_of, with_unit
from psdstats.distribution.percentiles import SizeTable
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.uncertainty.bootstrap import LEAST_UNITS
from psdstats.uncertainty.budget import Budget, combined_percent
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.ratios import RatioIntervals
from psdstats.words.numbers import MISSING, PLAIN, Numerals
from psdstats.words.remarks import joined, sentence, told_of

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
IN_HAND_HEADING = "Every run"
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


@told_of.register
def propagation_sentences(sizes: Propagation, say: Numerals = PLAIN) -> tuple[str, ...]:
    """From where to where each size goes over the runs, how it was found, and how well."""
    return (_ranges(sizes, method_words(sizes), say), balance_sentence(sizes, say))


@told_of.register
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


@told_of.register
def ratio_sentences(found: RatioIntervals, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Every ratio with its interval."""
    return tuple(
        f"{row['quantity']} of {row['high']} over that of {row['low']}: "
        f"{say.ratio(row['ratio'], row['lower'], row['upper'])}."
        for row in found.to_frame().to_dict("records")
    )


def covariance_left(runs: int, most: int) -> str:
    """Why the files have no joint covariance."""
    return (
        f"The joint covariance of {runs} runs is not among the files, which hold that of up to "
        f"{most}; Propagation.covariance gives it."
    )


BOUNDS = "; < and > are bounds, where runs lie beyond the sieves"


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


NO_SIZE = "No size is bracketed by the sieves."
HEADING = "Where the uncertainty comes from"
NOTES_HEADING = "Notes on the budget"
BEHIND = "Uncertainty budget in full"
CHANGES = {
    "balance ten times finer": "a balance ten times finer",
    "certified sieves": "certified sieves (U a quarter of the tolerance, k = 2)",
    "tares weighed each run": "tares weighed again in each run",
}
"""What a change would be, where its name alone does not say it."""
BALANCE, OTHERS = "balance", "others"
"""What figures call the sources of the balance together, and those that are small everywhere."""
ONE_SOURCE = 0.99
"""Share from which one source is all that matters: no figure then."""
NOTICED = 0.05
"""Share of u that a change must take away at least once to be drawn."""
DISTRIBUTIONS = {
    "normal": "normal",
    "uniform": "rectangular",
    "gamma": "gamma",
    "student": "t",
}
"""Distributions of inputs as they are read."""
AXIS = "standard uncertainty / % of the size"


def units_words(unit: str | None) -> str:
    """What a bootstrap draws anew."""
    return "runs" if unit is None else f"{column_words(unit)}s as a whole"


def source_phrase(source: str) -> str:
    """Name of a source inside a sentence."""
    return _SOURCES.get(source, source_words(source))


_SOURCES = {
    "aperture": "the sieve apertures",
    "between_sieves": "what lies between the sieves",
    "splitting": "splitting the sample",
}


def labelled_shares(shares: pd.DataFrame, say: Numerals = PLAIN) -> pd.DataFrame:
    """Shares, or changes, of a budget with the label of each bar, and sources as they are read."""
    rows = shares.to_dict("records")
    by = {str(row["by"]) for row in rows if "by" in row}
    labels = [
        f"{row['quantity']} of one run"
        if row["scope"] == "run"
        else f"{row['quantity']}, {_against({'by': TIME if TIME in by else ''} | row, say)}"
        for row in rows
    ]
    found = shares.assign(label=labels)
    if "source" not in shares:
        return found
    return found.assign(source=[source_words(one) for one in shares["source"]])


def change_words(change: str) -> str:
    """What a change would be, in short."""
    return f"with {change}" if change == "certified sieves" else change


def _against(row: Mapping[Hashable, Any], say: Numerals) -> str:
    level, versus = (
        one if isinstance(one, str) else say(one, ".12g") for one in (row["level"], row["versus"])
    )
    return f"{level} against {versus}{' min' if row['by'] == TIME else ''}"


def budget_sentences(budget: Budget, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What the budget says of D50, in one sentence for the sizes and one for the difference."""
    frame = budget.to_frame()
    told = []
    for scope, own in frame[frame["quantity"] == "D50"].groupby("scope", sort=False):
        rows = own.to_dict("records")
        largest = max(rows, key=lambda row: float(row["share"]))
        limited = sum(float(row["share"]) for row in rows if row["balance_limited"])
        is_run = scope == "run"
        what = "of one run" if is_run else f"at {_against(largest, say)}"
        basis = " (root mean square over the runs)" if is_run else ""
        told.append(
            f"The measurement leaves D50 {what} a standard uncertainty of "
            f"{say.significant(combined_percent(own)['D50'], 2)} %{basis}: "
            f"{say.per_cent(float(largest['share']), decimals=1)} of the variance comes from "
            f"{source_phrase(largest['source'])}, {say.per_cent(limited, decimals=1)} from the "
            "balance."
        )
    return tuple(told)


def budget_lead(budget: Budget, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Which source leads over all bars, and how much the balance is at most."""
    frame = budget.to_frame()
    if frame.empty:
        return (NO_SIZE,)
    bars = ["scope", "quantity"]
    limited = frame[frame["balance_limited"]].groupby(bars, sort=False)["share"].sum()
    most = say.per_cent(float(limited.max()), decimals=1) if len(limited) else say.per_cent(0.0)
    share = frame.pivot_table(index=bars, columns="source", values="share", aggfunc="sum")
    leading, of_leading = share.idxmax(axis=1), share.max(axis=1)
    names = [source_phrase(str(one)) for one in leading.value_counts().index]
    if only_source(budget) is not None:
        return (
            f"One source, {names[0]}, makes up more than {say.per_cent(ONE_SOURCE)} of the "
            f"variance of every size and difference; the balance makes up at most {most}.",
        )
    low, high = (say.fixed(100 * float(end), 0) for end in (of_leading.min(), of_leading.max()))
    ends = f"{low} %" if low == high else f"{low} to {high} %"
    said = f"The largest part of the variance comes from {names[0]}"
    if len(names) > 1:
        said += f", at some sizes from {joined(names[1:])}"
    return (f"{said} ({ends}); the balance makes up at most {most}.",)


def only_source(budget: Budget) -> str | None:
    """The source that is nearly all of the variance of every bar; None where there is none."""
    frame = budget.to_frame()
    if frame.empty:
        return None
    least = frame.pivot_table(index=["scope", "quantity"], columns="source", values="share").min()
    return str(least.idxmax()) if float(least.max()) > ONE_SOURCE else None


def noticed_changes(budget: Budget) -> pd.DataFrame:
    """The changes that shorten a bar by a share worth a mark."""
    frame = budget.changes_frame()
    gain = 1 - frame["u_then_percent"] / frame["u_now_percent"]
    most = gain.groupby(frame["change"]).transform("max")
    return frame[most >= NOTICED].reset_index(drop=True)


def shares_caption(budget: Budget, say: Numerals = PLAIN) -> str:
    """What the figure of the budget shows, and which changes would do next to nothing."""
    told = (
        "What limits a size? Bars are as long as the standard uncertainty that the measurement "
        "leaves (of one run: root mean square over the runs) and are divided as the variance is: "
        "the numbers are shares of the variance"
    )
    frame = budget.changes_frame()
    drawn_ones = set(noticed_changes(budget)["change"])
    if drawn_ones:
        told += "; marks: what a change would leave of it"
    rest = frame[~frame["change"].isin(drawn_ones)]
    if rest.empty:
        return f"{told}."
    names = joined([CHANGES.get(str(one), str(one)) for one in dict.fromkeys(rest["change"])])
    gain = float((1 - rest["u_then_percent"] / rest["u_now_percent"]).max())
    return f"{told}. Not marked: {names}, which would take off at most {say.at_most(gain)}."


def shares_alternative(bars: pd.DataFrame, changes: pd.DataFrame, say: Numerals = PLAIN) -> str:
    """Every bar: its length, its shares, and what the marked changes would leave."""
    lines = []
    for label, own in bars.iterrows():
        u = float(own.sum())
        parts = [
            f"{source} {say.per_cent(float(length) / u)}"
            for source, length in own.items()
            if length > 0
        ]
        told = f"{label}: u = {say.significant(u, 2)} %, of its variance {', '.join(parts)}"
        then = changes[changes["label"] == label] if len(changes) else changes
        for row in then.to_dict("records"):
            what = change_words(str(row["change"]))
            told += f"; {what} {say.significant(row['u_then_percent'], 2)} %"
        lines.append(f"{told}.")
    return " ".join(lines)


def without_budget(budget: Budget) -> tuple[str, ...]:
    """How many differences have no budget; quantities alike are told together."""
    keys = ["quantity", "level", "versus"]
    known = budget.differences.groupby(keys, sort=False)["share"].count() > 0
    alike: dict[tuple[int, int], list[str]] = {}
    for quantity, own in known.groupby(level="quantity", sort=False):
        if not own.all():
            alike.setdefault((int((~own).sum()), len(own)), []).append(str(quantity))
    return tuple(
        f"{', '.join(quantities)}: {lost} of {every} differences by {column_words(budget.by)} have "
        "no budget, because a run is not bracketed by its sieves."
        for (lost, every), quantities in alike.items()
    )
