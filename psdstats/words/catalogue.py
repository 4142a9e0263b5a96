"""Words of remarks of which what is said depends on the data: functions of numerals and data.

The others have a template in `phrases.csv` (`psdstats.words.remarks.fill`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite

from psdstats.columns import column_words, without_value
from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.answers import AdviceRemark
from psdstats.comparison.benches import GroupRemark
from psdstats.comparison.classes import DistributionRemark
from psdstats.comparison.courses import OrderedRemark
from psdstats.comparison.plan import PlanRemark
from psdstats.comparison.response import ComparisonRemark
from psdstats.comparison.whole import ZERO_SHARE
from psdstats.distribution.curves import WeighingRemark
from psdstats.findings import RemarkKind
from psdstats.models.verdicts import PLAUSIBLE_DRIFT_PERCENT, VerdictRemark
from psdstats.planning.planned_samples import FoundSize, PlannedWeighing, PlanningRemark
from psdstats.rate.run_sizes import RateRemark
from psdstats.sieves.standards import practice_rule
from psdstats.uncertainty.inputs import SourceRemark
from psdstats.words.numbers import Numerals, p_words
from psdstats.words.planning import weighing_words
from psdstats.words.remarks import Wording, fill, pair_words, phrases, place, plural, times_words

_LISTED = 10  # apertures whose tolerances a note lists; of more it gives the range
_MANY = 100  # times as many runs: how many more does not matter
_RUN_TO_RUN = "run-to-run variation was not estimated"
_DRIFT = "drift over the milling times was not estimated"
_ALLOWED = f"{_DRIFT} (one of {{allowed:g}} % per step is allowed for)"
_AS_MUCH = "and as much of it as a trial may well have would undo it"


def _sized(some: str, none: str) -> Wording:
    """A template of a percentage, and another where it is none: what was seen is a bound."""
    return lambda say, percent: fill(
        some if percent > 0 else none, say, percent=percent, allowed=PLAUSIBLE_DRIFT_PERCENT
    )


def _without(fate: str = "set aside") -> Wording:
    return lambda _, runs, column: without_value(runs, column, fate=fate)


def _repeat(say: Numerals, *, before: str, last: str, runs: int) -> str:
    each = {3: "three", 4: "four"}.get(runs, say(runs))
    return (
        f"Run {times_words([before, last], say)} {each} times each: single runs cannot show that "
        "little was left to gain"
    )


def _left_out(_: Numerals, *, column: str) -> str:
    what = phrases("left out").get(column, column_words(column))
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


_HABITS = phrases("catalogue habits")


def _loss_counted(say: Numerals, *, runs: int, least_g: float, most_g: float, habit: str) -> str:
    span = _grams(least_g, most_g, say, is_span=runs > 1)
    return f"Powder was lost in {runs} run{'s' if runs > 1 else ''} ({span}); {_HABITS[habit]}."


def _end_point(say: Numerals, *, runs: int, least_g: float, most_g: float) -> str:
    span = _grams(least_g, most_g, say, is_span=runs > 1)
    return (
        f"The second shaking still moved powder in {runs} run{'s' if runs > 1 else ''} (largest "
        f"change {span}); sizes are by the first weighing, and the change counts as uncertainty."
    )


def _of_study(_: Numerals, *, quantity: str, title: str, runs: int, groups: int, basis: str) -> str:
    where = phrases("basis").get(basis, "")
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


def _know_drift(_: Numerals, *, charges: int | None = None, is_own: bool = False) -> str:
    """What would show how far groups, or so many charges, drift."""
    more, what, number = "Run a third group", "groups drift apart", "two"
    if is_own:
        more, number = "Run every condition in each group", "groups with conditions of their own"
    elif charges is not None:
        more = "Sample a third charge" if charges == 2 else "Sample two more charges"
        what = "charges drift apart" if charges == 2 else "a charge drifts"
        number = "two" if charges == 2 else "one"
    return (
        f"{more}, or declare how far {what} from one time to the next (drift_percent in [compare] "
        f"of study.toml, or --drift): {number} cannot show it"
    )


REMARKS: dict[RemarkKind, Wording] = {
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
    OrderedRemark.OUT_OF_REACH: _out_of_reach,
    GroupRemark.WITHOUT_CONDITION: _without("left out of precision, consistency and outliers"),
    AdviceRemark.REPEAT_LAST_TIMES: _repeat,
    AdviceRemark.MORE_RUNS: lambda say, before, last: (
        f"Add runs at {times_words([before, last], say)}, which decide when to stop"
    ),
    AdviceRemark.KNOW_DRIFT: _know_drift,
    AdviceRemark.LOOK_AT_GROUP: lambda _, group, several=False: (
        f"Look for what {group} {'do' if several else 'does'} differently: speed, balls, charge, "
        "sieves or shaking"
    ),
    PlanRemark.WITHOUT_VALUE: _without(),
    PlanRemark.LEFT_OUT_ASKED: _left_out,
    ComparisonRemark.BY_SINGLE_RUNS: _by_single_runs,
    ComparisonRemark.NOT_BRACKETED: lambda say, quantity, column, level, count, runs: (
        f"{quantity} at {place(column, level, say)} is not bracketed by the sieves in {count} of "
        f"{runs} runs"
    ),
    ComparisonRemark.MISFIT: _misfit,
    RateRemark.WITHOUT_LEVEL: _without(),
    RateRemark.OPEN_CELLS: _open_cells,
    RateRemark.TOO_FEW_ABOVE: _too_few_above,
    WeighingRemark.NEGATIVE_NET: _negative_net,
    SourceRemark.TOLERANCE_USED: _tolerance_used,
    SourceRemark.NO_DATA_SHEET: _no_data_sheet,
    SourceRemark.LOSS_COUNTED: _loss_counted,
    SourceRemark.END_POINT: _end_point,
    DistributionRemark.WITHOUT_LEVEL: _without(),
    DistributionRemark.STACKS_APART: lambda _, stacks: (
        f"The stacks share too few apertures for common classes ({'; '.join(stacks)}), so each "
        "keeps its own; one test judges them together."
    ),
    DistributionRemark.EMPTY_CLASSES: _empty,
    DistributionRemark.PAIR_REFUSED: lambda say, low, high, unit, error: (
        f"{pair_words(low, high, unit, say)}: it cannot be told which classes moved. {error}"
    ),
    PlanningRemark.OF_STUDY: _of_study,
    PlanningRemark.WEIGHED: _weighed,
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
}
