"""Sizes, whole distributions and fitted curves in words: sentences, notes, captions.

Sizes in µm, masses in g, shares in per cent of mass; uncertainties in per cent where a sentence
says so.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME, column_words, unit_of, with_unit
from psdstats.comparison.classes import MovedClasses, PermutationManova, class_names
from psdstats.comparison.whole import StudyFits, WholeComparison
from psdstats.distribution.fits import DistributionFit
from psdstats.distribution.moments import Fineness
from psdstats.distribution.percentiles import SizeTable
from psdstats.findings import Remark, Verdict
from psdstats.frozen import Array
from psdstats.uncertainty.bootstrap import LEAST_UNITS
from psdstats.uncertainty.propagation import Method, Propagation
from psdstats.uncertainty.ratios import RatioIntervals
from psdstats.words.numbers import MISSING, PLAIN, Numerals
from psdstats.words.remarks import fill, joined, pair_words, phrases, sentence, told_of

_MANY = 1e4  # degrees of freedom at which k is that of infinitely many to four digits


def notes_in_words(notes: Iterable[Remark | str], say: Numerals = PLAIN) -> tuple[str, ...]:
    """Remarks as sentences; text is a message of the reading."""
    return tuple(one if isinstance(one, str) else sentence(one, say) for one in notes)


SIZES_HEADING = "Sizes"
EVERY_RUN_HEADING = "Sizes of every run"
_TEXTS = phrases("sizes")
MEANS_LEAD = _TEXTS["means lead"]
IN_HAND_HEADING = "Every run"
BOOTSTRAP_STATUS = {
    "no common unit": "no unit has both levels",
    "run without size": "a run has no size: the sieves do not bracket it",
    "too few units": f"no interval: fewer than {LEAST_UNITS} independent units",
}
"""Why a mean or ratio has no bootstrap interval."""
PLAIN_MEAN = "plain mean"
"""Of runs that count alike; an analysis weighs them."""


def sizes_note(sizes: Propagation, say: Numerals = PLAIN) -> str:
    """How the table of sizes is read."""
    stated = np.isfinite(sizes.expanded)
    k, freedom = _span(sizes.k[stated], _k, say), _span(sizes.effective_df[stated], _freedom, say)
    told = f"±: expanded uncertainty U = k u with k = {k}, ν_eff = {freedom}. " if k else ""
    known = {"coverage": 100 * sizes.coverage, "method": method_words(sizes)}
    return fill(_TEXTS["note"], say, told=told, **known)


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
    return fill(_TEXTS["covariance left"], runs=runs, most=most)


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
    return fill(_TEXTS["undersize"], each=each)


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


def units_words(unit: str | None) -> str:
    """What a bootstrap draws anew."""
    return "runs" if unit is None else f"{column_words(unit)}s as a whole"


_SMALLEST_P = "this design cannot give a p below"


@told_of.register
def whole_sentences(whole: WholeComparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The verdict, then which classes moved: from first to last time, or between every pair."""
    lines = [verdict_sentence(whole, say)]
    for part in whole.parts:
        stack = f"{part.name}, " if len(whole.parts) > 1 else ""
        told = part.moved[-1:] if whole.by == TIME else part.moved
        lines += [stack + moved_sentence(one, say) for one in told]
    return tuple(dict.fromkeys(lines))


def verdict_sentence(whole: WholeComparison, say: Numerals = PLAIN) -> str:
    """Whether the whole distribution changed, with the test behind it."""
    factor, finding = column_words(whole.by), whole.finding
    if whole.test is None or finding.verdict is Verdict.CANNOT_BE_TOLD:
        why = " ".join(sentence(reason, say) for reason in finding.reasons)
        return f"Whether the whole distribution changes with {factor} cannot be told. {why}"
    told = _test(whole.test, say)
    if finding.verdict is Verdict.CHANGED:
        return f"The whole distribution changes with {factor}: {told}."
    return f"No change of the whole distribution with {factor} is shown: {told}."


def _test(test: PermutationManova, say: Numerals) -> str:
    way = "all {} rearrangements" if test.exact else "{} rearrangements drawn at random"
    p = f"p = {say(test.p, '.2g')} ({way.format(test.used)})"
    if test.p <= test.smallest_p:
        p = (
            f"p at most {say(test.smallest_p, '.2g')}, the least that {test.used} rearrangements "
            "can give"
        )
    return (
        f"{say(100 * test.r_squared, '.0f')} % of the variation within groups goes with it "
        f"(pseudo-F({test.df_factor}, {test.df_residual}) = {say(test.pseudo_f, '.3g')}; {p})"
    )


def permutation_p(p: float, smallest: float, say: Numerals = PLAIN) -> str:
    """A p by rearrangement in a table; where none could be smaller it is an upper bound.

    Examples
    --------
    >>> permutation_p(0.0005, 0.0005), permutation_p(0.032, 0.0005)
    ('≤ 0.00050', '0.032')
    """
    return f"≤ {say.p_value(smallest)}" if p <= smallest else say.p_value(p)


def moved_sentence(moved: MovedClasses, say: Numerals = PLAIN) -> str:
    """How many classes moved, and which gained and lost the most; the figure shows them all."""
    if not moved.moved.any():
        return _nothing_moved(moved, say)
    names, order = class_names(moved.limits_um, say), moved.change_percent.argsort()
    gained, lost = (
        f"{names[at]} {verb} most ({say(moved.change_percent[at], '+.1f')} points)"
        for at, verb in ((order[-1], "gained"), (order[0], "lost"))
    )
    count = int(moved.moved.sum())
    many = f"all {count}" if count == len(names) else f"{count} of {len(names)}"
    pair = pair_words(moved.low, moved.high, moved.unit, say)
    return f"{pair}: {many} size classes moved; the class {gained}, {lost}."


def _nothing_moved(moved: MovedClasses, say: Numerals) -> str:
    pair = pair_words(moved.low, moved.high, moved.unit, say)
    if moved.smallest_p > 1 - moved.level:
        return (
            f"{pair}: it cannot be told which classes moved: with {moved.used} rearrangements of "
            f"its runs {_SMALLEST_P} {say(moved.smallest_p, '.2g')}."
        )
    return f"{pair}: no class is shown to have moved."


FITS_HEADING = "Which distribution fits?"


def whole_heading(by: str) -> str:
    """Question of the section."""
    return f"Did the whole distribution change with {column_words(by)}?"


def moved_drawing_caption(whole: WholeComparison, panels: int, say: Numerals = PLAIN) -> str:
    """What the lines show; stacks that have no panel are counted."""
    more = len(whole.parts) - panels
    left = f" {more} more families of stacks are in the file." if more > 0 else ""
    return fill(_TEXTS["moved"], say, by=whole.by, level=100 * whole.level, left=left)


def moved_alternative(frames: Mapping[str, pd.DataFrame], say: Numerals = PLAIN) -> str:
    """Every change that is shown between the last pair of levels, by stack."""
    lines = []
    for stack, frame in frames.items():
        own = frame[frame["pair"] == frame["pair"].iloc[-1]]
        names = class_names(own["to_um"].dropna().to_numpy(), say)
        shown = [
            f"{name} {say.signed(change, 1)}"
            for name, change, moved in zip(names, own["change_percent"], own["moved"], strict=True)
            if moved
        ]
        head = f"{stack + ', ' if stack else ''}{own['pair'].iloc[0]}"
        lines.append(f"{head}: {', '.join(shown) or 'no class is shown to have moved'}.")
    return f"Changes in percentage points. {' '.join(lines)}"


NOTES_HEADING = "Notes on the whole distribution"
REPLACEMENT = "replacement, times the stated one"

FAMILIES = phrases("family")
PARAMETERS = phrases("parameter")
"""Distributions and their parameters; others keep their names."""


@told_of.register
def fit_sentences(fits: StudyFits, say: Numerals = PLAIN) -> tuple[str, ...]:  # noqa: ARG001
    """How many runs each family describes within their uncertainty."""
    frame = fits.families_frame()
    lines = [
        f"{FAMILIES.get(row['family'], row['family'])}: {row['described']} of {row['fitted']} runs "
        "lie within their measurement uncertainty of the fitted curve"
        + (f"; {row['refused']} could not be fitted." if row["refused"] else ".")
        for row in frame.to_dict("records")
    ]
    if not frame.empty and (frame["described"] < frame["fitted"]).all():
        lines.append(
            "No family describes every run, so sizes read from the sieves come before sizes read "
            "from a fitted curve."
        )
    return tuple(lines)


@told_of.register
def fit_sentence(fit: DistributionFit, say: Numerals = PLAIN) -> str:
    """One fit: parameters with intervals, and whether the points lie on the curve."""
    values = ", ".join(
        f"{name} {say(value, '.4g')} ({say(low, '.4g')} to {say(high, '.4g')})"
        for name, value, low, high in zip(
            fit.parameter_names, fit.parameters, fit.lower, fit.upper, strict=True
        )
    )
    if fit.describes is None:
        found = "two points cannot show whether the family is right"
    elif fit.describes:
        found = "the points lie within their uncertainty of the curve"
    else:
        found = "the points lie farther from the curve than their uncertainty allows, "
        found += (
            f"by a misfit of {say(100 * fit.misfit, '.2g')} points that the intervals include"
            if fit.misfit
            else "so the curve is a summary and its intervals are too narrow"
        )
    if fit.describes is not None:
        found += f" (χ² = {say(fit.chi_squared, '.3g')} on {fit.df}, p = {say(fit.p, '.2g')})"
    settled = fit.status if fit.status == "converged" else "the search did not settle: do not use"
    return f"{FAMILIES[fit.family]}: {values}; {found}; {settled}."


@told_of.register
def step_sentence(found: Fineness, say: Numerals = PLAIN) -> str:
    """Fineness of one distribution: its classes, and the step size they come from."""
    names, passed = joined(found.classes, "or"), f"{say(100 * found.share)} %"
    if found.step_um > found.coarsest_um:
        told = f"no sieve used passes {passed}, so the step size is above "
        told += f"{say(found.coarsest_um)} µm"
    elif found.step_um == found.finest_um:
        told = f"the finest sieve used passes {passed}, so the step size is at most "
        told += f"{say(found.step_um)} µm"
    else:
        told = f"step size {say(found.step_um)} µm (smallest aperture used that passes {passed})"
    apart = "; the stack does not tell these classes apart" if len(found.classes) > 1 else ""
    return f"{names} powder ({found.scheme}): {told}{apart}."


def fineness_sentence(frame: pd.DataFrame) -> str:
    """How many runs fall into each class."""
    counts = frame["classes"].value_counts(sort=False)
    told = ", ".join(
        f"{name}: {count} run{'s' if count > 1 else ''}" for name, count in counts.items()
    )
    return f"Fineness by the step rule ({frame['scheme'].iloc[0]}): {told}."
