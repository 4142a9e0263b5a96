"""What stands above and below every table, by its name; captions of figures that never differ.

Then the words that figures write themselves, longer than the name of an axis, and what they tell.

Gaps are filled as in `psdstats.words.remarks`; where a name ends with what is shown, the key is its
beginning.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from psdstats.columns import BALL_RATIO, column_words
from psdstats.findings import Verdict
from psdstats.frozen import ReadOnly
from psdstats.words.numbers import LEAST_TOLD, PLAIN, Numerals

_BENCHES = (
    "Rate: the ratio of last to first time against that of the others. Intervals at the conditions "
    "hold for all groups and conditions together."
)
_SIMULATED = (
    "Simulated on {trials} stacks with two samples of each powder, seed {seed}; s.e.: Monte Carlo "
    "standard error.  Of runs by themselves; together the runs of a trial may know more of the "
    "curve between the sieves.  Linearity of the balance, splitting of the sample, losses and "
    "run-to-run variation of the mill are not counted."
)
CAPTIONS: Mapping[str, str] = ReadOnly(
    {
        "courses": "Each {what} from the first to the last milling time, and when to stop.",
        "factors": "Levels of a further factor compared at each milling time.",
        "groups against the others": "Each group against the others: at each condition, in rate, "
        "and on average.",
        "groups that differ": "Groups shown to differ from the others: {changed} of {every} "
        "comparisons.",
        "effects": "Effect of {by:words}, {family}: ratios of {what}s.",
        "tests": "Did {by:words} change anything at all?",
        "variance components": "What else varies: standard deviations beyond the measurement, per "
        "cent of {what}.",
        "changes": "Changes in per cent.",
        "limits": "{limit}: what was found, and what can be said.",
        "sizes": "Sizes of every run: value ± expanded uncertainty U = k u, or the ends of the "
        "interval.",
        "values": "The value of every run.",
        "undersize": "Cumulative undersize of every run, with its interval.",
        "covariance": "Joint covariance of {quantity} over all runs{unit}: what they share is in "
        "it.",
        "mean sizes of conditions": "Mean {what} at each condition with its {level:.3g%} "
        "interval{bounds}.",
        "mean sizes by condition": "Mean size of the runs at each condition ± its expanded "
        "uncertainty ({coverage:.3g%}) by the measurement, run-to-run variation apart; < and > are "
        "bounds, where runs lie beyond the sieves.",
        "size ratios": "Mean sizes at each {by:words} over those at the first, with {coverage:g%} "
        "intervals of the measurement.",
        "bootstrap": "Geometric means and ratios with {coverage:g%} bootstrap intervals (BCa); "
        "resampled are the {units}.",
        "mean sizes": "Mean sizes and spread of every run, from the masses of the classes.",
        "checks": "What the bench checks found.",
        "runs in doubt": "What D50 at the condition of the runs in doubt, and the change by the "
        "end, are without them.",
        "to look at": "What to look at, and by how many points the changes by the end move without "
        "these runs.",
        "balances": "Balances used, with what is stated of them.",
        "sieves": "Sieves used, and what their apertures are traceable to: a certificate or a "
        "reference, else the tolerance of the standard.",
        "what a change would buy": "What a change would buy: standard uncertainty in per cent, of "
        "one run (root mean square over the runs) and of the stated difference.",
        "budget of sizes": "Share of each source in the variance of one run, mean over the runs.",
        "budget of a difference": "Share of each source in the variance of a difference by "
        "{by:words}.",
        "budget inputs": "What every input adds to every size of every run.",
        "budget runs": "Share of each source in every size of every run.",
        "budget differences": "Share of each source in every difference by {by:words}.",
        "budget what if": "What one change would make of each uncertainty.",
        "budget of one": "Uncertainty budget of {quantity} of run {run}, input by input.",
        "group agreement": "{quantity} of each group against the mean of the others: on average "
        "over the conditions, and from the first to the last milling time.",
        "group precision": "Precision of {quantity} at each condition (ISO 5725-2): s_r within a "
        "group (repeatability), s_L between groups, s_R both together (reproducibility).",
        "beyond the limits": "{quantity}: values of Mandel's h and k beyond their 5 % limit (of "
        "{count}; about {chance:.0f} would be by chance alone), and of Cochran's and Grubbs' "
        "tests.",
        "group consistency": "Mandel's h (mean against the other means) and k (scatter against the "
        "pooled scatter) of {quantity}, with their limits (ISO 5725-2).",
        "group outliers": "Cochran's test of the largest scatter within a group and Grubbs' test "
        "of the farthest group mean of {quantity} (ISO 5725-2).",
        "group differences by condition": "{quantity} of each group against the mean of the others "
        "at each condition, with joint intervals.",
        "intraclass correlation": "Intraclass correlation of the groups' means of {quantity} over "
        "the conditions.",
        "moved classes": "Which size classes gained or lost mass with {by:words}, in percentage "
        "points of the sample.",
        "whole distribution": "Permutation test of the whole distribution, and how far it rests on "
        "what is put in place of empty classes.",
        "fitted families": "Goodness of fit of each distribution over all runs.",
        "fitted parameters": "Parameters of the fitted distributions.",
        "fitted sizes": "Sizes read from the fitted curves; those outside the sieves are marked.",
        "fineness": "Fineness class by the pharmacopoeia's step rule.",
        "common tests": "What common tests say of {by:words}, beside the mixed model.",
        "largest moves": "The runs or groups without which a change by the end moves most.",
        "without each run": "Change without each run and each group in turn (least squares on the "
        "same fixed part).",
        "refit": "Coefficients on ln size, and the same fit by another package (statsmodels).",
        "variance intervals": "{quantity}: variances on ln size with {level:g%} intervals by the "
        "profile of the likelihood.",
        "resampled tests": "{quantity}: the test of {by:words} by resampling.",
        "attained": "How often intervals hold the truth, and how often something false is said.",
        "found again": "How often a trial like this one finds what this one found.",
        "resampled headlines": "Changes by the end with an interval by resampling, beside that of "
        "the model.",
        "when to stop": "When to stop milling.",
        "rate parameters": "Curve of {quantity} against time.",
        "rate scatter": "Scatter of {quantity} (standard deviations).",
        "rate curves": "Curves compared for {quantity}.",
        "loss above each sieve": "Rate of loss of the mass above each sieve, and whether it "
        "changes with time.",
        "rate residuals": "Fitted {quantity} and residuals.",
        "ball-to-powder ratio": "Powder left in the jar after each sample, and what that does to "
        "the ball-to-powder ratio.",
        "power": "Power to show a change of {change:+g} % ({question}){left}; level {alpha}.",
        "power curves": "Power against the true change, with its Monte Carlo standard error and "
        "interval.",
        "margin curves": "Power to show that less than a margin was left after a level last step, "
        "with its Monte Carlo standard error and interval.",
        "planned uncertainty": "Standard uncertainty of {quantity}.",
        "planned uncertainty of a change": "Standard uncertainty, change of {quantity} from "
        "{sizes[0]:.4g} to {sizes[1]:.4g} µm.",
        "parts of the uncertainty": "Parts of u of {quantity}, linear law.",
        "smallest sample": "Smallest samples for u = {wanted} %.",
        "stack": "Expected masses of {sample_g} g.",
        "expected masses": "Expected share and mass on every sieve (pan: aperture 0), powder by "
        "powder.",
        "sizes tried out": "Standard uncertainty of the sizes on this stack, the part of it that "
        "is due to the curve between the sieves, and of the change since the first powder.",
        "loads tried out": "Share of simulated samples that overload a sieve, or put more than "
        "half into one class.",
        "charge": "Balls for one jar.",
        "bench plan": "Steps at the bench.",
        "latest trials": "Latest trials: size at the first and last milling time, with its "
        "interval.",
        "trials": "Every trial, with its content and what was read of it.",
        "answers": "Every trial and size: from where to where it went, and its verdict where asked "
        "for.",
        "refused trials": "Trials that cannot be evaluated, and why.",
        "points of the chart": "Points of the control chart with the limits of each.",
        "runs alike": "Spread among runs alike, pooled over trials: beyond the measurement, with "
        "its degrees of freedom, its limits at 95 %, and what the measurement alone makes.",
    }
)
NOTES: Mapping[str, str | tuple[str, ...]] = ReadOnly(
    {
        "courses": "At least: lower limit of the change by the end, which holds together with "
        "since when ({level:.3g%}); the interval of the ratio holds alone. When to stop: from when "
        "on less than {margin} % was left to gain.{unit}",
        "factors": "At the first time the levels cannot have done anything yet: a difference there "
        "speaks of the feed, the charges or the splitting, not of the factor. Intervals hold for "
        "each time alone, p and verdict for all times together.",
        "groups against the others": _BENCHES,
        "groups that differ": _BENCHES,
        "effects": "Intervals hold at {level:.4g%} and p is adjusted for all contrasts of one "
        "quantity in this table together. Detectable: the smallest decrease this trial would have "
        "shown with 80 % power, a range since the scatter is an estimate.{equivalent}",
        "variance components": "A dash: the estimate of the variance is below zero, so none was "
        "seen.",
        "limits": "Accepted from, to: where a value found is called conforming. Probability: that "
        "the condition conforms, by this measurement alone. Risk: that the verdict is wrong. All: "
        "of all that is made, what does not conform and is accepted (consumer), what conforms and "
        "is not accepted (producer), with the process stated.",
        "mean sizes of conditions": "Without an interval: the spread of that mean cannot be told "
        "from these runs.",
        "size ratios": "Geometric means over the runs of a level. What two runs share (a sieve, a "
        "tare, a balance) cancels in a ratio. How runs of one kind differ among themselves is not "
        "in these intervals; it is in the comparison.",
        "mean sizes": "Every class counts as particles of one size, the geometric middle of its "
        "apertures; the pan at half the finest aperture. The means depend on that choice more than "
        "on the weighings, so they carry no uncertainty. Means as in ISO 9276-2; the specific "
        "surface is that of spheres.",
        "budget of one": "n: inputs in a row; estimate, u and c are those of one input, and left "
        "out where the inputs differ. ν: degrees of freedom of u. c: sensitivity, by how much the "
        "size moves for one unit of the input. Adds: the row's part of u of the size; its squares "
        "add up to that of the last row, by the linear law.",
        "group agreement": "{rate}Average: over the conditions; it can hide single differences, "
        "and differs at counts those that are shown. Intervals hold for all groups together at "
        "{level:g%}, for the groups of this trial.",
        "beyond the limits": "Beyond the 5 % limit a result is called a straggler, beyond the 1 % "
        "limit an outlier. Nothing is removed; the whole tables are in the files.",
        "group consistency": "The limits are exact for normal results of equal number.",
        "group outliers": "Straggler: beyond the 5 % value; outlier: beyond the 1 % value. Nothing "
        "is removed.",
        "group differences by condition": "Verdicts hold for all groups and conditions together. "
        "Zeta is the difference over its standard uncertainty, E_n (in the file) half of it; "
        "|zeta| from 2 is called a warning signal, from 3 an action signal, each alone: among many "
        "some come by chance.",
        "intraclass correlation": "Times that differ much make it large whatever the groups do: "
        "weak evidence of agreement by itself.",
        "moved classes": "Intervals and p hold for all classes of one pair of levels together at "
        "{level:g%}, by exchange of runs within groups. Where one class gains, others must lose.",
        "fitted families": "Described: the points of a run lie within their uncertainty of its "
        "curve (p of χ² at least {least}). χ² weighs by the uncertainty of the measurement alone.",
        "fitted parameters": "Misfit: scatter of the points about the curve beyond their "
        "uncertainty.",
        "fineness": "Step size: smallest aperture used through which half of the mass passes. It "
        "is a sieve, not an interpolated size, and not the D50.",
        "common tests": "The common tests know nothing of measurement uncertainty, average "
        "replicates and further factors, and need a complete design; the mixed model gives the "
        "verdict. p of the analysis of variance is corrected for sphericity (Greenhouse-Geisser).",
        "resampled tests": "Bootstrap: likelihood ratios of trials simulated without the effect. "
        "Permutation: runs that all else in the model does not tell apart change places; left out "
        "where too few can.",
        "when to stop": "In brackets: {level:g%} interval, over every curve not ruled out. Where "
        "it says or longer, the data do not bound the time.",
        "rate parameters": "The intervals hold if this curve is the right one.",
        "rate scatter": "Standard deviations of the comparison, from all levels together: between "
        "runs, of groups at one condition, and of groups that drift apart, per step of the milling "
        "times. A curve that does not fit cannot widen them, and {none:.1f} means that the data "
        "show none.",
        "rate curves": "The criterion weighs how far the means of the times lie from a curve, in "
        "the spread of the trial, against its parameters: the smaller the better. A curve within 4 "
        "of the best is not ruled out. p: of no misfit; a curve with a small p is not chosen.",
        "loss above each sieve": "The rates of the sieves come from the same runs, so their errors "
        "are related.",
        "power": "{trials} simulated trials per design, seed {seed}.",
        "planned uncertainty": (
            _SIMULATED,
            "Open: samples whose percentile the sieves do not bracket.",
        ),
        "planned uncertainty of a change": (
            _SIMULATED,
            "Like powders: between two samples of the powder on one stack, which share the "
            "errors of its apertures and of the curve; the limit for changes too small to move the "
            "curve.",
        ),
        "smallest sample": "By the linear law; ∞: no sample is large enough.",
        "stack": "Load limit for frames of {frame_mm} mm (ASTM C136, 8.3).",
        "sizes tried out": (
            "Simulated on {trials} stacks with two samples each, seed {seed}: {weighing}.",
            "s.e.: Monte Carlo standard error of u; open: samples without a size.",
        ),
        "charge": "Critical speed 42.3/√(D − d) rpm, lengths in metres (common practice).",
        "bench plan": "9 in 10 by: when the step has ended on 9 of 10 simulated days, hands-on "
        "steps taking longer or shorter than planned and their order kept.",
    }
)
FIGURES: Mapping[str, str] = ReadOnly(
    {
        "power": "Chance of showing a change against its size, with the 95 % interval of the "
        "simulation; dashed: the power aimed at, and the change asked.",
        "power of little left": "Chance of showing that less than a margin was left to gain where "
        "the last step is level, with the 95 % interval of the simulation; dashed: the power aimed "
        "at, and the margin asked.",
        "planned uncertainty": "Standard uncertainty against sample mass for each balance "
        "resolution: marks as simulated, with 95 % intervals of the simulation; lines by the "
        "linear law; dashed: the uncertainty aimed at.",
        "stack": "Undersize expected of each powder; dotted: the sieves chosen (µm along the top).",
        "charge": "Cross-section of the jar at rest with its bed of balls, and each ball size to "
        "the same scale.",
        "misfit of fitted curves": "Measured undersize less that of the fitted curve, in "
        "percentage points, every run by milling time.",
        "residuals": "{quantity}: standardised residuals of the mixed model against fitted values, "
        "where most should lie within ±2, and in order against those of a normal law, for which a "
        "straight line speaks.",
        "tares": "Tares of the sieves of {group} over the runs; shaded is what weighing explains, "
        "rings mark readings beyond it.",
    }
)
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
