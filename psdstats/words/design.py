"""The design of a comparison in words, what it rests on, and why something cannot be judged."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from psdstats.columns import column_words
from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.plan import ComparisonPlan, PlanRemark
from psdstats.comparison.response import ComparisonRemark
from psdstats.comparison.values import ValuesRemark
from psdstats.findings import Remark, RemarkKind
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.courses import capital, place
from psdstats.words.numbers import Numerals, p_words
from psdstats.words.remarks import Wording, joined, listed, sentence

_RUN_TO_RUN = ("run-to-run variation was not estimated", "a standard deviation of {} %")
_DRIFT = ("drift over the milling times was not estimated", "one of {} % per step")


def plan_notes(plan: ComparisonPlan, say: Numerals) -> Iterable[str]:
    """What was chosen for the caller; factors whose levels are answered together told together."""
    each = [one for one in plan.remarks if one.kind is PlanRemark.EACH_LEVEL]
    if len(each) > 1:
        names = joined([column_words(str(one["column"])) for one in each])
        yield (
            f"Each combination of {names} is answered by itself, since they were run side by side "
            "at several times."
        )
    for remark in plan.remarks:
        if len(each) < 2 or remark not in each:
            yield sentence(remark, say)


def _without_value(_: Numerals, *, runs: Sequence[str], column: str) -> str:
    count = "1 run has" if len(runs) == 1 else f"{len(runs)} runs have"
    was = "was" if len(runs) == 1 else "were"
    return f"{count} no {column_words(column)} and {was} set aside: {listed(runs)}."


def _set_aside(_: Numerals, *, runs: Sequence[str]) -> str:
    return (
        f"{len(runs)} {'run counts' if len(runs) == 1 else 'runs count'} only by a bound, because "
        "the sieves do not bracket the size in every run of its condition: "
        f"{listed(runs)}."
    )


def _part_of_factor(_: Numerals, *, column: str, factor: str) -> str:
    of = column_words(factor)
    return (
        f"{capital(column_words(column))} is not in the model and is the same in all runs of one "
        f"{of}; its "
        f"effect cannot be told from that of {of} and is part of it."
    )


def _of_charges(_: Numerals, *, charges: int) -> str:
    if charges == 1:
        return (
            "All runs are samples of one charge: the answer holds for that charge, and how another "
            "one would differ cannot be seen."
        )
    return (
        f"Runs are samples of {charges} charges, each taken at several times, so they are compared "
        "within their charge."
    )


_STRATA = {
    "drift": "Drift of the groups, each along a line of its own,",
    "cell": "The variation of groups from condition to condition",
}


def _left_out(_: Numerals, *, column: str) -> str:
    what = _STRATA.get(column, capital(column_words(column)))
    return f"{what} was left out as asked; if it is there, the intervals are too narrow."


_BASES = {
    SpreadBasis.SMOOTH_COURSES: "taken from their scatter about smooth courses over milling time",
    SpreadBasis.DECLARED: "as declared",
}


def _by_single_runs(say: Numerals, *, basis: SpreadBasis, percent: float, df: float) -> str:
    known = f"{say(df, '.3g')} degree{'' if df == 1 else 's'} of freedom"
    known = known if np.isfinite(df) else "counted as known"
    return (
        "Ln size of single runs was compared by the joint covariance of the measurement and a "
        f"standard deviation between runs of {say(percent, '.2g')} %, "
        f"{_BASES.get(basis, basis.value)} ({known})."
    )


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


def _units(paired: bool) -> str:
    return "groups" if paired else "runs"


def _not_fitted(say: Numerals, *, reason: Remark) -> str:
    why = sentence(reason, say)
    return f"{why[0].upper()}{why[1:]}; nothing was fitted."


def _not_bracketed(
    say: Numerals, *, quantity: str, column: str, level: str, count: int, runs: int
) -> str:
    at = place(column, level, say)
    return f"{quantity} at {at} is not bracketed by the sieves in {count} of {runs} runs"


def _misfit(
    say: Numerals,
    *,
    p: float,
    column: str,
    first: str,
    last: str,
    first_percent: float,
    last_percent: float,
) -> str:
    return (
        f"from {say(first_percent, '.2g')} % at {place(column, first, say)} to "
        f"{say(last_percent, '.2g')} % at {place(column, last, say)} ({p_words(p, say)})"
    )


def _undone(what: str, by: str) -> Wording:
    """A variation that was not estimated, and how much of it would undo what was seen."""

    def told(say: Numerals, *, percent: float) -> str:
        if not percent > 0:  # what was seen is a bound
            return f"{what}, and as much of it as a trial may well have would undo it"
        return f"{what}, and {by.format(say(percent, '.2g'))} would undo it"

    return told


def _unknown(what: str, by: str) -> Wording:
    """The same where it would take more than a trial may well have."""

    def told(say: Numerals, *, percent: float) -> str:
        if not percent > 0:
            return what
        return f"{what}, and it would take {by.format(say(percent, '.2g'))} to undo this"

    return told


REMARKS: dict[RemarkKind, Wording] = {
    VerdictRemark.UNDONE: _undone(*_RUN_TO_RUN),
    VerdictRemark.RUN_TO_RUN_UNKNOWN: _unknown(*_RUN_TO_RUN),
    VerdictRemark.UNDONE_BY_DRIFT: _undone(*_DRIFT),
    VerdictRemark.DRIFT_UNKNOWN: _unknown(*_DRIFT),
    VerdictRemark.SHOWS_NOTHING: lambda _: "this trial has too few runs to show any change",
    VerdictRemark.MARGIN_TOO_SMALL: lambda _: (
        "a change as large as the margin could easily have been missed"
    ),
    VerdictRemark.NO_ESTIMATE: lambda _: "there is no estimate with an interval",
    VerdictRemark.NO_END: lambda _: (
        "too few runs are left to judge it by, so its interval has no end"
    ),
    PlanRemark.WITHOUT_VALUE: _without_value,
    PlanRemark.TIME_SET_ASIDE: lambda _, by: (
        f"Runs of several milling times are compared by {column_words(by)}: milling time was set "
        "aside as a further factor of the model."
    ),
    PlanRemark.ONE_RUN_A_GROUP: lambda _: (
        "Each group has a single run, so differences between groups and between runs cannot be "
        "told apart; they count together as variation between runs."
    ),
    PlanRemark.BLOCKS: lambda _, columns: (
        f"Levels are compared within each {' and '.join(map(column_words, columns))}, so that a "
        "difference that lasts over all its runs does not count."
    ),
    PlanRemark.ONE_CHARGE: _of_charges,
    PlanRemark.EACH_LEVEL: lambda _, column: (
        f"Each level of {column_words(column)} is answered by itself, since the levels were "
        "run side by side at several times."
    ),
    PlanRemark.NESTED: lambda _, column: (
        f"{capital(column_words(column))} is the same in all runs of one group: each level is "
        "answered by itself, and what it does cannot be told from what the groups do."
    ),
    PlanRemark.LEFT_OUT_ASKED: _left_out,
    PlanRemark.PART_OF_FACTOR: _part_of_factor,
    PlanRemark.LEFT_OUT: lambda _, column: (
        f"{capital(column_words(column))} differs between runs and is not in the model; its effect "
        "counts as variation between runs unless it is added as a further factor."
    ),
    ComparisonRemark.BY_MODEL: lambda _: (
        "Each condition has a mean of ln size of its own, and groups and charges that hold several "
        "conditions are blocks; the variances of this design could not be fitted one by one."
    ),
    ComparisonRemark.BY_MEASUREMENT: lambda _: (
        "Ln size of single runs was compared by the joint covariance of the measurement, with "
        "nothing for run-to-run variation, which one run per level cannot show."
    ),
    ComparisonRemark.BY_SINGLE_RUNS: _by_single_runs,
    ComparisonRemark.BY_OWN_SPREAD: _by_own_spread,
    ComparisonRemark.NOT_FITTED: _not_fitted,
    ComparisonRemark.NOT_BRACKETED: _not_bracketed,
    ComparisonRemark.FEW_LEVELS: lambda _, quantity, column: (
        f"{quantity} is bracketed by the sieves at fewer than two levels of {column_words(column)}"
    ),
    ComparisonRemark.ONE_GROUP: lambda _, quantity, columns: (
        f"{quantity} is bracketed by the sieves in one {' and '.join(map(column_words, columns))} "
        "only, so how they differ cannot be seen"
    ),
    ComparisonRemark.NOT_LINKED: lambda _, columns: (
        f"no {' or '.join(map(column_words, columns))} holds runs of both levels"
    ),
    ComparisonRemark.NO_RUN_LEFT: lambda _: "no run is left to estimate it from",
    ComparisonRemark.NO_SPREAD: lambda _: (
        "nothing says how far two runs of one kind differ: no run was repeated, and neither an "
        "uncertainty nor a spread between runs (--run-to-run) was given"
    ),
    ComparisonRemark.FEW_UNITS: lambda _, paired: (
        f"fewer than two {_units(paired)} are left to estimate its spread from"
    ),
    ComparisonRemark.SET_ASIDE: _set_aside,
    ComparisonRemark.DRIFT_ALLOWED: lambda _: (
        "Groups were allowed to drift apart in the order of the levels, since they seldom mill at "
        'one rate; the spread "pooled" leaves this out.'
    ),
    ComparisonRemark.MISFIT: _misfit,
    ValuesRemark.NO_VALUE: lambda _, runs: (
        f"{_rows(runs)} left out, having no value: {listed(runs)}."
    ),
    ValuesRemark.NO_U: lambda _, quantities: (
        f"No uncertainty of {joined(quantities)} was given: the scatter of runs alike stands for "
        "measurement and runs together, and what all runs share cancels in their ratios."
    ),
    ValuesRemark.INDEPENDENT: lambda _, quantities: (
        f"Uncertainties of {joined(quantities)} count as independent from run to run; where runs "
        "share sieves, a balance or a calibration, give their covariance."
    ),
}


def _rows(runs: Sequence[str]) -> str:
    return "1 run was" if len(runs) == 1 else f"{len(runs)} runs were"
