"""The words of every remark: what was assumed, set aside or kept in mind, and reasons of verdicts.

A remark has a template (`psdstats.words.remarks.fill`), or a function of the numerals and of its
data where what is said depends on them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite

from psdstats.columns import column_words, without_value
from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.answers import AdviceRemark
from psdstats.comparison.benches import GroupRemark
from psdstats.comparison.classes import DistributionRemark
from psdstats.comparison.consistency import IntraclassRemark
from psdstats.comparison.courses import OrderedRemark
from psdstats.comparison.plan import PlanRemark
from psdstats.comparison.response import ComparisonRemark
from psdstats.comparison.values import ValuesRemark
from psdstats.comparison.whole import ZERO_SHARE
from psdstats.distribution.arrays import WeighingRemark
from psdstats.findings import RemarkKind
from psdstats.models.diagnostics import CheckRemark
from psdstats.models.mixed_model import FitRemark
from psdstats.models.verdicts import PLAUSIBLE_DRIFT_PERCENT, VerdictRemark
from psdstats.planning.bench.charge import ChargeRemark
from psdstats.planning.planned_sizes import FoundSize
from psdstats.planning.planned_weighing import PlannedWeighing, PlanningRemark
from psdstats.rate.run_sizes import RateRemark
from psdstats.sieves.standards import practice_rule
from psdstats.uncertainty.conformity import ConformityRemark
from psdstats.uncertainty.inputs import SourceRemark
from psdstats.uncertainty.propagation import PropagationRemark
from psdstats.words.numbers import Numerals, p_words
from psdstats.words.planning import weighing_words
from psdstats.words.remarks import (
    Wording,
    fill,
    joined,
    know_drift,
    pair_words,
    place,
    plural,
    sentence,
    times_words,
)

_NAMED = 4  # runs that a note names; of more it gives the number
_LISTED = 10  # apertures whose tolerances a note lists; of more it gives the range
_MANY = 100  # times as many runs: how many more does not matter
_RUN_TO_RUN = "run-to-run variation was not estimated"
_DRIFT = "drift over the milling times was not estimated"
_ALLOWED = f"{_DRIFT} (one of {PLAUSIBLE_DRIFT_PERCENT:g} % per step is allowed for)"
_AS_MUCH = "and as much of it as a trial may well have would undo it"
_NO_ICC = "Intraclass correlation not computed: needs"
_FEW = (
    "Only {rows} runs for {variances:one estimated variance|# estimated variances} beside the "
    "known covariance"
)
_AUSTIN, _COMMON = "Austin, Klimpel and Luckie 1984", "common practice"


def _sized(some: str, none: str) -> Wording:
    """A template of a percentage, and another where it is none: what was seen is a bound."""
    return lambda say, percent: fill(some if percent > 0 else none, say, percent=percent)


def _by_number(one: str, many: str) -> Wording:
    """A sentence on one of something, and another on several of them."""

    def told(say: Numerals, **number: int) -> str:
        (count,) = number.values()
        return fill(one if count == 1 else many, say, **number)

    return told


def _outside(what: str, source: str) -> str:
    return f"{what} of {{value:.2f}} is outside the usual {{low:g}} to {{high:g}} ({source})."


def _without(fate: str = "set aside") -> Wording:
    return lambda _, runs, column: without_value(runs, column, fate=fate)


def _repeat(say: Numerals, *, before: str, last: str, runs: int) -> str:
    each = {3: "three", 4: "four"}.get(runs, say(runs))
    return (
        f"Run {times_words([before, last], say)} {each} times each: single runs cannot show that "
        "little was left to gain"
    )


def _left_out(_: Numerals, *, column: str) -> str:
    named = {
        "drift": "Drift of the groups, each along a line of its own,",
        "cell": "The variation of groups from condition to condition",
    }
    what = named.get(column, column_words(column))
    return f"{what} was left out as asked; if it is there, the intervals are too narrow."


def _by_single_runs(say: Numerals, *, basis: SpreadBasis, percent: float, df: float) -> str:
    known = f"{say(df, '.3g')} degree{'' if df == 1 else 's'} of freedom"
    smooth = "taken from their scatter about smooth courses over milling time"
    how = {SpreadBasis.SMOOTH_COURSES: smooth, SpreadBasis.DECLARED: "as declared"}
    return (
        "Ln size of single runs was compared by the joint covariance of the measurement and a "
        f"standard deviation between runs of {say(percent, '.2g')} %, "
        f"{how.get(basis, basis.value)} ({known if isfinite(df) else 'counted as known'})."
    )


def _units(paired: bool) -> str:
    return "groups" if paired else "runs"


def _by_own_spread(_: Numerals, *, paired: bool) -> str:
    basis = "the difference of two means of runs, each with its own spread (Welch)"
    if paired:
        basis = (
            "the mean of the differences within groups, with the spread of these differences "
            "(paired t)"
        )
    return (
        f"Each contrast of ln size is {basis}, and what the measurement covariance holds in common "
        f"for all {_units(paired)}; families are adjusted by Holm's rule, their intervals by "
        "Bonferroni's."
    )


def _misfit(
    say: Numerals, *, p: float, column: str, first: str, last: str, **percent: float
) -> str:
    ends = [
        f"{say(percent[name], '.2g')} % at {place(column, level, say)}"
        for name, level in (("first_percent", first), ("last_percent", last))
    ]
    return f"from {' to '.join(ends)} ({p_words(p, say)})"


def _out_of_reach(say: Numerals, *, times_as_many: float) -> str:
    digits = 0 if times_as_many >= 10 else 1
    about = f"about {say.fixed(times_as_many, digits)}"
    many = about if times_as_many <= _MANY else f"more than {_MANY}"
    return f"it would take {many} times as many runs to show that less than the margin was left"


def _empty(say: Numerals, *, count: int, lowest: float, highest: float) -> str:
    ends = dict.fromkeys(say(100 * one, ".2g") for one in (lowest, highest))
    were = "classes were" if count > 1 else "class was"
    return (
        f"{count} empty {were} given {say(ZERO_SHARE)} of the balance resolution "
        f"({' to '.join(ends)} % of the sample); the test is repeated with half and twice that."
    )


def _open_cells(say: Numerals, *, quantity: str, cells: Iterable[tuple[str, float]]) -> str:
    where = ", ".join(f"{group} at {say(time)} min" for group, time in cells)
    return (
        f"The sieves do not bracket {quantity} in {where}: as in the comparison, those runs are "
        "left out."
    )


def _too_few_above(say: Numerals, *, series: str, aperture_um: Sequence[float]) -> str:
    text = "too few runs hold a weighable mass above {aperture_um} µm for a rate."
    told = fill(text, say, aperture_um=aperture_um)
    return f"{series}: {told}" if series else told


def _negative_net(say: Numerals, *, found: Sequence[tuple[float, str, str]], more: int) -> str:
    told = "; ".join(f"{say(net_g, '.2g')} g on {sieve} in {run}" for net_g, sieve, run in found)
    rest = f" and {more} more" if more else ""
    return (
        f"Negative net masses: {told}{rest}. Sizes are taken where the undersize curve "
        "first reaches each level."
    )


def _tolerance_used(
    say: Numerals, *, standard: str, half_widths_um: Sequence[tuple[float, float]], sieves: int
) -> str:
    each = [f"{say(width, '.2g')} at {say(um)} µm" for um, width in half_widths_um]
    shown = ", ".join(each) if len(each) <= _LISTED else f"{each[0]} to {each[-1]}"
    return (
        f"{sieves} sieve{'s have' if sieves > 1 else ' has'} no stated aperture uncertainty; the "
        f"tolerance of {standard} on the average aperture is used (±µm: {shown})."
    )


def _grams(least_g: float, most_g: float, say: Numerals, *, is_span: bool) -> str:
    """A mass, or from where to where masses go."""
    most = f" to {say(most_g, '.2g')} g" if is_span else ""
    return f"{say(least_g, '.2g')} g{most}"


def _no_data_sheet(
    say: Numerals,
    *,
    balance: str,
    accuracy_class: str,
    is_stated: bool,
    interval_g: float,
    least_g: float,
    most_g: float,
) -> str:
    of_class = f"class {accuracy_class}" + ("" if is_stated else " (taken, for none is stated)")
    span = _grams(least_g, most_g, say, is_span=most_g > least_g)
    return (
        f"Balance {balance!r} states neither repeatability nor linearity: each reading may be off "
        f"by what OIML R 76 permits in service for {of_class} with e = {say(interval_g)} g, "
        f"±{span}. Give repeatability_g and linearity_g of its data sheet."
    )


_HABITS = {
    "": "the sizes are as weighed, and their uncertainty holds that all of it may have been powder "
    "of the pan",
    "pan": "all of it is added to the pan, as stated",
    "in proportion": "it was lost from every class in proportion, as stated",
}


def _loss_counted(say: Numerals, *, runs: int, least_g: float, most_g: float, habit: str) -> str:
    span = _grams(least_g, most_g, say, is_span=runs > 1)
    return f"Powder was lost in {runs} run{'s' if runs > 1 else ''} ({span}); {_HABITS[habit]}."


def _end_point(say: Numerals, *, runs: int, least_g: float, most_g: float) -> str:
    span = _grams(least_g, most_g, say, is_span=runs > 1)
    return (
        f"The second shaking still moved powder in {runs} run{'s' if runs > 1 else ''} (largest "
        f"change {span}); sizes are by the first weighing, and the change counts as uncertainty."
    )


def _of_runs(template: str) -> Wording:
    """A template with the names of some runs, or how many there are."""

    def told(say: Numerals, *, runs: Sequence[str], **data: object) -> str:
        named = ", ".join(runs) if len(runs) <= _NAMED else f"{len(runs)} runs"
        return fill(template, say, runs=named, **data)

    return told


def _ratio_beyond(
    say: Numerals, *, quantity: str, high: Sequence[str], low: Sequence[str], share: float
) -> str:
    above, below = (", ".join(map(repr, side)) for side in (high, low))
    return (
        f"{quantity} of {above} over {below}: {say(100 * share, '.2g')} % of the draws are not "
        "bracketed by the sieves; its u_log is that of the others."
    )


def _of_study(_: Numerals, *, quantity: str, title: str, runs: int, groups: int, basis: str) -> str:
    where = {
        "residual": ", run to run from what times and groups leave over",
        "smooth courses": ", run to run about smooth courses over time",
        "declared": ", run to run as declared",
    }.get(basis, "")
    return f"{quantity} of {title!r}, {runs} runs in {plural(groups, 'group')}{where}"


def _weighed(
    say: Numerals, *, powder: str, sample_g: float, weighing: PlannedWeighing, found: FoundSize
) -> str:
    error = say(found.own_error_percent, ".1g")
    return (
        f"simulated weighings of {say(sample_g)} g of {powder!r}, {weighing_words(weighing, say)}, "
        f"own part of {found.quantity} {say(found.own_percent, '.2g')} % (standard error {error})"
    )


def _by_rule(name: str, template: str) -> Wording:
    """A template with the value and the source of a rule of practice."""

    def told(say: Numerals, **data: object) -> str:
        rule = practice_rule(name)
        return fill(template, say, rule=rule.value, source=rule.source, **data)

    return told


_OF_VERDICTS: dict[RemarkKind, Wording] = {
    VerdictRemark.UNDONE: _sized(
        f"{_RUN_TO_RUN}, and a standard deviation of {{percent:.2g}} % would undo it",
        f"{_RUN_TO_RUN}, {_AS_MUCH}",
    ),
    VerdictRemark.RUN_TO_RUN_UNKNOWN: _sized(
        f"{_RUN_TO_RUN}, and it would take a standard deviation of {{percent:.2g}} % to undo this",
        _RUN_TO_RUN,
    ),
    VerdictRemark.UNDONE_BY_DRIFT: _sized(
        f"{_DRIFT}, and one of {{percent:.2g}} % per step would undo it", f"{_DRIFT}, {_AS_MUCH}"
    ),
    VerdictRemark.DRIFT_UNKNOWN: _sized(
        f"{_ALLOWED}, and it would take one of {{percent:.2g}} % per step to undo this", _ALLOWED
    ),
    VerdictRemark.SHOWS_NOTHING: "this trial has too few runs to show any change",
    VerdictRemark.MARGIN_TOO_SMALL: "a change as large as the margin could easily have been missed",
    VerdictRemark.NO_ESTIMATE: "there is no estimate with an interval",
    VerdictRemark.NO_END: "too few runs are left to judge it by, so its interval has no end",
    OrderedRemark.OUT_OF_REACH: _out_of_reach,
    OrderedRemark.BEYOND_SIEVES: "the sieves do not bracket {quantity} at {times:min}",
    OrderedRemark.FEW_SINGLE_RUNS: "{runs} single runs can show no more than a change by the end",
    OrderedRemark.SINGLE_RUNS: "single runs cannot show that less than the margin was left",
    GroupRemark.NOT_BRACKETED: "its sizes are not bracketed by its sieves",
    GroupRemark.ALONE: "no other group has results at the same {columns:words}",
    GroupRemark.NO_UNCERTAINTY: "no uncertainty at all was counted for its difference from the "
    "others",
    GroupRemark.WITHOUT_CONDITION: _without("left out of precision, consistency and outliers"),
    IntraclassRemark.TOO_FEW_GROUPS: f"{_NO_ICC} two groups and two levels; there are {{groups}} "
    f"and {{levels}}.",
    IntraclassRemark.MISSING: f"{_NO_ICC} every group at every level; {{count:# is|# are}} "
    "missing or not bracketed.",
    IntraclassRemark.TOO_FEW_RESULTS: f"{_NO_ICC} at least 5 results; there are {{count}}.",
}
_OF_ADVICE: dict[RemarkKind, Wording] = {
    AdviceRemark.REPEAT_LAST_TIMES: _repeat,
    AdviceRemark.MORE_RUNS: lambda say, before, last: (
        f"Add runs at {times_words([before, last], say)}, which decide when to stop"
    ),
    AdviceRemark.MILL_LONGER: "To find where little is left to gain, mill longer than {last:min}",
    AdviceRemark.FINER_SIEVE: lambda say, below_um: (
        f"Add a sieve finer than {say.bound(below_um, '<')} µm, so that the size is more than a "
        "bound"
    ),
    AdviceRemark.COARSER_SIEVE: lambda say, above_um: (
        f"Add a sieve coarser than {say.bound(above_um, '>')} µm, so that the size is more than a "
        "bound"
    ),
    AdviceRemark.KNOW_RUN_TO_RUN: "Repeat runs of one kind, or declare how far they differ "
    "(run_to_run_percent in [compare] of study.toml, or --run-to-run): single runs alone do not "
    "show it",
    AdviceRemark.KNOW_DRIFT: know_drift,
    AdviceRemark.LOOK_AT_GROUP: lambda _, group, several=False: (
        f"Look for what {group} {'do' if several else 'does'} differently: speed, balls, charge, "
        "sieves or shaking"
    ),
    AdviceRemark.LOOK_AT_START: "Find out why the levels of {factor:words} differ already at "
    "{time:min}",
    AdviceRemark.BETTER_BALANCE: "Weigh on a better balance",
}
_OF_COMPARISONS: dict[RemarkKind, Wording] = {
    PlanRemark.WITHOUT_VALUE: _without(),
    PlanRemark.TIME_SET_ASIDE: "Runs of several milling times are compared by {by:words}: milling "
    "time was set aside as a further factor of the model.",
    PlanRemark.ONE_RUN_A_GROUP: "Each group has a single run, so differences between groups and "
    "between runs cannot be told apart; they count together as variation between runs.",
    PlanRemark.BLOCKS: "Levels are compared within each {columns:words}, so that a difference that "
    "lasts over all its runs does not count.",
    PlanRemark.ONE_CHARGE: _by_number(
        "All runs are samples of one charge: the answer holds for that charge, and how another one "
        "would differ cannot be seen.",
        "Runs are samples of {charges} charges, each taken at several times, so they are compared "
        "within their charge.",
    ),
    PlanRemark.EACH_LEVEL: "Each level of {column:words} is answered by itself, since the levels "
    "were run side by side at several times.",
    PlanRemark.NESTED: "{column:words} is the same in all runs of one group: each level is "
    "answered by itself, and what it does cannot be told from what the groups do.",
    PlanRemark.LEFT_OUT_ASKED: _left_out,
    PlanRemark.PART_OF_FACTOR: "{column:words} is not in the model and is the same in all runs of "
    "one {factor:words}; its effect cannot be told from that of {factor:words} and is part of it.",
    PlanRemark.LEFT_OUT: "{column:words} differs between runs and is not in the model; its effect "
    "counts as variation between runs unless it is added as a further factor.",
    ComparisonRemark.BY_MODEL: "Each condition has a mean of ln size of its own, and groups and "
    "charges that hold several conditions are blocks; the variances of this design could not be "
    "fitted one by one.",
    ComparisonRemark.BY_MEASUREMENT: "Ln size of single runs was compared by the joint covariance "
    "of the measurement, with nothing for run-to-run variation, which one run per level cannot "
    "show.",
    ComparisonRemark.BY_SINGLE_RUNS: _by_single_runs,
    ComparisonRemark.BY_OWN_SPREAD: _by_own_spread,
    ComparisonRemark.NOT_FITTED: lambda say, reason: (
        f"{sentence(reason, say)}; nothing was fitted."
    ),
    ComparisonRemark.NOT_BRACKETED: lambda say, quantity, column, level, count, runs: (
        f"{quantity} at {place(column, level, say)} is not bracketed by the sieves in {count} of "
        f"{runs} runs"
    ),
    ComparisonRemark.FEW_LEVELS: "{quantity} is bracketed by the sieves at fewer than two levels "
    "of {column:words}",
    ComparisonRemark.ONE_GROUP: "{quantity} is bracketed by the sieves in one {columns:words} "
    "only, so how one differs from another cannot be seen",
    ComparisonRemark.NOT_LINKED: lambda _, columns: (
        f"no {' or '.join(map(column_words, columns))} holds runs of both levels"
    ),
    ComparisonRemark.NO_RUN_LEFT: "no run is left to estimate it from",
    ComparisonRemark.NO_SPREAD: "nothing says how far two runs of one kind differ: no run was "
    "repeated, and neither an uncertainty nor a spread between runs (--run-to-run) was given",
    ComparisonRemark.FEW_UNITS: lambda _, paired: (
        f"fewer than two {_units(paired)} are left to estimate its spread from"
    ),
    ComparisonRemark.SET_ASIDE: "{runs:# run counts|# runs count} only by a bound, because the "
    "sieves do not bracket the size in every run of its condition: {runs:listed}.",
    ComparisonRemark.DRIFT_ALLOWED: "Groups were allowed to drift apart in the order of the "
    'levels, since they seldom mill at one rate; the spread "pooled" leaves this out.',
    ComparisonRemark.MISFIT: _misfit,
    ValuesRemark.NO_VALUE: "{runs:# run was|# runs were} left out, having no value: {runs:listed}.",
    ValuesRemark.NO_U: lambda _, quantities: (
        f"No uncertainty of {joined(quantities)} was given: the scatter of runs alike stands for "
        "measurement and runs together, and what all runs share cancels in their ratios."
    ),
    ValuesRemark.INDEPENDENT: lambda _, quantities: (
        f"Uncertainties of {joined(quantities)} count as independent from run to run; where runs "
        "share sieves, a balance or a calibration, give their covariance."
    ),
}
_OF_MODELS: dict[RemarkKind, Wording] = {
    FitRemark.NOTHING_ESTIMATED: "No variance was estimated: the known covariance is all there is, "
    "and degrees of freedom are infinite.",
    FitRemark.AT_ZERO: "The variance of {component} is at zero.",
    FitRemark.BELOW_ZERO: "The variance of {component} is below zero, which says that no such "
    "variation was seen.",
    FitRemark.FULL_CORRELATION: lambda say, first, second, sign: (
        f"The correlation of {first} and {second} is at {say(sign, '+d')}."
    ),
    FitRemark.NEARLY_SINGULAR: "The covariance of the rows is nearly singular: no test of this fit "
    "means anything.",
    FitRemark.NOT_CONVERGED: "The fit has not converged: the likelihood has no clear maximum.",
    FitRemark.INCOMPLETE: "The design is incomplete and estimates {variances} variances from "
    "{rows} rows: F tests of several levels together are cautious (they reject less often than "
    "stated); single contrasts hold their level.",
    FitRemark.TWO_GROUPS: f"{_FEW}, with two groups: 95 % intervals of single contrasts cover "
    "about 92 %, and families of contrasts reject up to 9 % at 5 %.",
    FitRemark.FEW_CELLS: f"{_FEW}: tests reject a little more often than stated (about 6 % at 5 "
    "%).",
    FitRemark.FEW_RUNS: f"{_FEW}: tests reject more often than stated (6 to 7 % at 5 %).",
    CheckRemark.CELLS: "{groups} groups at {levels} levels each.",
    CheckRemark.AVERAGED: "Replicates of a group at a level were averaged.",
    CheckRemark.TOO_FEW: "Not available: it needs two or more groups and two or more levels; "
    "{group:words} has {groups} here, {within:words} has {levels}.",
    CheckRemark.INCOMPLETE: "Not available: the design is not complete. {missing} of {cells} "
    "combinations {missing:has|have} no value, the first being {group:words} {first_group} with "
    "{within:words} {first_level}; the mixed model uses what there is.",
    CheckRemark.FEWER_THAN_THREE_GROUPS: "Not available: the correction needs at least three "
    "groups.",
    CheckRemark.FEWER_THAN_THREE_LEVELS: "Not available: the rank test needs at least three "
    "levels.",
    CheckRemark.NO_MEASUREMENT: "Another verdict by {test}: it knows nothing of the measurement, "
    "so that what sieves add alike to all runs of a group, or differently at each size, counts as "
    "scatter of groups.",
    CheckRemark.NO_LINES: "Another verdict by {test}: it does not know that groups may drift apart "
    "along lines.",
    CheckRemark.RANKS_ALONE: "Another verdict by {test}: it sees the order of the sizes in "
    "{groups} groups alone, not how far they are apart.",
    RateRemark.NO_CHARGE: "The charge of a jar is not stated. If one charge was sampled at several "
    "times, each sample raised the ball-to-powder ratio of what followed; state the charge to see "
    "by how much.",
    RateRemark.WITHOUT_LEVEL: _without(),
    RateRemark.OTHER_FACTOR: "{column:words} differs between runs and is not in the rate model.",
    RateRemark.TAIL: "{quantity} lies where the undersize curve bends between two sieves, which "
    "the rule {rule} does not follow: in simulated trials 95 % intervals of D10 held the truth in "
    "83 to 97 %, with the rule logprobit in 91 to 99 %.",
    RateRemark.OPEN_CELLS: _open_cells,
    RateRemark.ONE_RUN_A_TIME: "Each time has one run, so run-to-run variation is judged by the "
    "distance of the runs from smooth courses; 95 % intervals held the truth in 93 to 98 % of "
    "simulated trials.",
    RateRemark.FEW_GROUPS: _by_number(
        "One group cannot show how groups differ: sizes and times are those of this group, and "
        "another may lie elsewhere.",
        "Two groups cannot show how far groups drift apart with milling: intervals of sizes and "
        "times hold for the mean of these two as they ran; three groups would show it.",
    ),
    RateRemark.LARGEST_GAP: "at {time_min} min",
    RateRemark.NO_TIME_TO_SPARE: "With {times} times for {parameters} parameters",
    RateRemark.LITTLE_SEEN: "the runs show neither a change nor that it is below {percent} %",
    RateRemark.RATES_OF_ONE_GROUP: "Rates of loss are those of one group: how far groups differ in "
    "rate is not in their intervals.",
    RateRemark.EMPTY_RUN: "Run {run} holds no powder and is left out.",
    RateRemark.TOO_FEW_ABOVE: _too_few_above,
    RateRemark.NO_REPEATS: "no time has more than one run, so a misfit cannot be told from the "
    "scatter of runs",
    RateRemark.TOO_FEW_TIMES: "too few times hold a weighable mass to see a bend",
    RateRemark.FEW_SIEVES: "fewer than three sieves have a rate",
    RateRemark.ABOUT_THE_LINE: "scatter about the line only",
    RateRemark.BETWEEN_GROUPS: "from the spread between {groups} groups",
}
_OF_SIZES: dict[RemarkKind, Wording] = {
    WeighingRemark.NEGATIVE_NET: _negative_net,
    SourceRemark.TOLERANCE_USED: _tolerance_used,
    SourceRemark.NO_REPEATABILITY: "Balance {balance!r} declares no repeatability_g; none is "
    "counted.",
    SourceRemark.NO_SAMPLE_MASS: _of_runs(
        "No sample_mass_g is stated for {runs}; a loss there is not counted."
    ),
    SourceRemark.NO_DATA_SHEET: _no_data_sheet,
    SourceRemark.LOSS_COUNTED: _loss_counted,
    SourceRemark.EMPTY_PAN: _of_runs(
        "Powder was lost in {runs}, where the pan was found empty and can have held little: only "
        "so much of it counts as powder of the pan."
    ),
    SourceRemark.END_POINT: _end_point,
    SourceRemark.SPLITS_FOUND: "Splits of {samples:# sample|# samples} scatter by {percent:.2g} % "
    "in the mass finer than the median ({degrees_of_freedom} {degrees_of_freedom:degree|degrees} "
    "of freedom); every run carries that.",
    PropagationRemark.LINEAR_DOUBTFUL: "Run {run!r}: the linear interval of {quantity} is doubtful "
    "(it leaves the sieves, or the class that holds it is nearly empty); use Monte Carlo.",
    PropagationRemark.BEYOND_SIEVES: "Run {run!r}: {share:.2g%} of the draws of {quantity} lie "
    "beyond the sieves; its u is that of the others.",
    PropagationRemark.HIDDEN_PEAK: _of_runs(
        "The class {finer_um:.4g} to {coarser_um:.4g} µm of {runs} may hide a peak of the "
        "distribution: no sieve shows where in the class the powder lies, and sizes near it may "
        "miss by more than their intervals say. A sieve inside that class settles it."
    ),
    PropagationRemark.FLAT_STEP: "Run {run!r}: {quantity} lies along a flat step of the curve (a "
    "class without powder), so the interval spans the step and its middle means nothing.",
    PropagationRemark.NOT_SETTLED: "{draws} draws did not settle every result to {digits} "
    "significant digits of its uncertainty; allow more draws, or ask for one digit.",
    PropagationRemark.MANY_RUNS: "{runs} runs are too many for one joint law of the curve between "
    "the sieves: runs of one group at one time share it wholly, others as far as 256 of the runs "
    "tell. The standard uncertainty of a difference within one group may be too small by up to a "
    "third; compare fewer groups at a time where such a difference decides.",
    PropagationRemark.RATIO_DOUBTFUL: "Run {run!r}: the linear interval of {quantity} is doubtful, "
    "and so are those of its ratios; use Monte Carlo.",
    PropagationRemark.RATIO_BEYOND_SIEVES: _ratio_beyond,
    ConformityRemark.SCATTER: lambda say, sd_percent, degrees_of_freedom, is_share: (
        "The uncertainty of a mean of replicates holds their run-to-run scatter of "
        f"{say.significant(sd_percent, 2)} {'per cent points' if is_share else '%'}, estimated "
        f"from the replicates of all conditions ({degrees_of_freedom} degrees of freedom), less "
        "what the measurement explains of it."
    ),
    ConformityRemark.NO_REPLICATES: "{conditions:# condition was|# conditions were} run once: the "
    "decision is on that run, with the uncertainty of the measurement alone; what another run "
    "would give is not in it.",
    ConformityRemark.BY_BOUND: "{conditions:# decision rests|# decisions rest} on the bound that "
    "the sieves leave for an open size.",
    ConformityRemark.NO_SIEVE: "{runs:# run was|# runs were} not sieved at {aperture_um} µm and "
    "left out: {runs:listed}.",
    DistributionRemark.MERGED_AWAY: "Apertures not in every stack were merged away: {apertures} "
    "µm; {classes} common classes remain.",
    DistributionRemark.LIMITS_DROPPED: "Limits around classes empty in every run were dropped: "
    "{apertures} µm.",
    DistributionRemark.WITHOUT_LEVEL: _without(),
    DistributionRemark.STACKS_APART: lambda _, stacks: (
        f"The stacks share too few apertures for common classes ({'; '.join(stacks)}), so each "
        "keeps its own; one test judges them together."
    ),
    DistributionRemark.EMPTY_CLASSES: _empty,
    DistributionRemark.PAIR_REFUSED: lambda say, low, high, unit, error: (
        f"{pair_words(low, high, unit, say)}: it cannot be told which classes moved. {error}"
    ),
    DistributionRemark.NOT_TESTED: "{error}",
    DistributionRemark.TOO_FEW_REARRANGEMENTS: "With so few runs this design cannot give a p below "
    "{smallest_p:.2g}.",
    DistributionRemark.EMPTY_CLASSES_DECIDE: "The answer depends on what is put in place of empty "
    "classes (p from {lowest:.2g} to {highest:.2g}).",
}
_OF_PLANS: dict[RemarkKind, Wording] = {
    PlanningRemark.STATED: "stated",
    PlanningRemark.OF_STUDY: _of_study,
    PlanningRemark.WEIGHED: _weighed,
    PlanningRemark.D10_OPEN: "D10 of {powder!r} would stay open: {share:.0f%} pass the finest "
    "sieve of {aperture_um} µm; add a finer sieve, or give D10 as a bound.",
    PlanningRemark.D90_OPEN: "D90 of {powder!r} would stay open: {share:.0f%} stay on the coarsest "
    "sieve of {aperture_um} µm; add a coarser sieve.",
    PlanningRemark.CLASS_TOO_FULL: _by_rule(
        "dominant_percent",
        "A class holds {percent:.0f} % of the sample, more than {rule} % ({source}): choose a "
        "closer series or more sieves.",
    ),
    PlanningRemark.OVERLOADED: _by_rule(
        "load_limit",
        "A sample of {sample_g} g overloads a sieve ({source}): take at most {largest_g:.3g} g, "
        "split the sample, or use larger frames.",
    ),
    PlanningRemark.TOO_FINE_TO_SIEVE_DRY: _by_rule(
        "finest_dry_sieving",
        "Dry mechanical sieving is meant for sizes above about {rule} µm ({source}); at "
        "{aperture_um} µm check the end point, or sieve by air jet or wet.",
    ),
    PlanningRemark.PEAK_MAY_HIDE: "The class from {class_um[0]} to {class_um[1]} µm may hide a "
    "peak of {powder!r} ({share:.0f%} of samples look so), and sizes near it may be off by more "
    "than u: put a sieve into that class.",
    PlanningRemark.FEWER_SIEVES: "The series offers only {sieves} useful sieves, not {asked}.",
    ChargeRemark.BALL_FILL: _outside("The ball fill", _AUSTIN),
    ChargeRemark.POWDER_FILLING: _outside("The powder filling of the voids", _AUSTIN),
    ChargeRemark.SPEED: _outside("The fraction of critical speed", _COMMON),
    ChargeRemark.BALL_TO_POWDER: _outside("The ball-to-powder ratio", _COMMON),
    ChargeRemark.STICKS: "At this speed the smallest balls stick to the wall and do not grind: "
    "slow down.",
    ChargeRemark.MISSES_MASS: "Whole balls of {diameter_mm} mm miss their mass by more than 5 %: "
    "take smaller balls of that kind or a larger jar.",
}
REMARKS: dict[RemarkKind, Wording] = {
    **_OF_VERDICTS,
    **_OF_ADVICE,
    **_OF_COMPARISONS,
    **_OF_MODELS,
    **_OF_SIZES,
    **_OF_PLANS,
}
