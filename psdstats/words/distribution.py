"""Whole distributions, their classes and fitted curves in words; shares in per cent of mass."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from psdstats.columns import TIME, column_words
from psdstats.comparison.classes import MovedClasses, PermutationManova, class_names
from psdstats.comparison.whole import StudyFits, WholeComparison
from psdstats.distribution.fits import DistributionFit
from psdstats.distribution.moments import Fineness
from psdstats.findings import Verdict
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import joined, pair_words, sentence, told_of

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
    return (
        f"Which size classes gained and which lost mass with {column_words(whole.by)}? Lines: "
        f"change between two levels; bars: {say(100 * whole.level)} % intervals of the last, for "
        f"all classes together; empty marks: no change shown.{left}"
    )


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

FAMILIES = {
    "rosin-rammler-bennett": "Rosin–Rammler–Bennett",
    "log-normal": "log-normal",
    "gates-gaudin-schuhmann": "Gates–Gaudin–Schuhmann",
}
PARAMETERS = {
    "characteristic_um": "characteristic, µm",
    "median_um": "median, µm",
    "top_size_um": "top size, µm",
    "geometric_sd": "geometric sd",
}
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
