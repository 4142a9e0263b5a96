"""A comparison in words: verdicts, headlines, remarks, captions, and what was fitted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from psdstats.columns import TIME, UNITS, column_words
from psdstats.comparison.plan import ComparisonPlan, PlanRemark, columns_of
from psdstats.comparison.result import (
    Comparison,
    ComparisonRemark,
    OverallTest,
    QuantityComparison,
    Route,
)
from psdstats.errors import OutputError
from psdstats.findings import Contrast, ContrastKind, Finding, Remark, RemarkKind, Verdict
from psdstats.models.mixed_model import MixedModelFit
from psdstats.models.verdicts import NO_CHANGE_SEEN_PERCENT, POWER, VerdictRemark, decrease_of
from psdstats.words.models import fit_sentence, influence_sentence
from psdstats.words.numbers import PLAIN, Numerals, effect_words, p_words
from psdstats.words.remarks import Wording, joined, listed, once_each, sentence

FAMILIES: dict[ContrastKind, tuple[str, str]] = {
    ContrastKind.AGAINST_FIRST: ("each level against the first", "level"),
    ContrastKind.SUCCESSIVE: ("each level against the one before", "step"),
    ContrastKind.ALL_PAIRS: ("every pair of levels", "pair"),
}
"""A family of contrasts in a caption, and what one of its contrasts is called."""

VERDICTS = {
    Verdict.CHANGED: "Changed: the interval of the ratio excludes 1; it holds for its whole family "
    "of contrasts together.",
    Verdict.EQUIVALENT: "Equivalent: no change was shown, and two one-sided tests place the ratio "
    "within the margin stated beforehand.",
    Verdict.NOT_SHOWN: "Not shown: neither of the two. The smallest decrease that this trial would "
    "have shown with 80 % power stands beside it.",
    Verdict.CANNOT_BE_TOLD: "Cannot be told: the sieves do not bracket the size; or run-to-run "
    "variation is unknown and could undo what was seen; or a change as large as the margin could "
    "easily have been missed.",
}
"""What each verdict means; a new one says it here."""

_MOST_PAIRS = 3  # told one by one
_UNKNOWN = "run-to-run variation was not estimated (one run at each level)"


def family_words(family: ContrastKind | str) -> tuple[str, str]:
    """Words of a family of contrasts, and of one of its contrasts."""
    for kind, words in FAMILIES.items():
        if kind == family:
            return words
    raise OutputError(
        f"The family of contrasts {str(family)!r} has no words; add them to FAMILIES in "
        "psdstats.words.comparison."
    )


def place(column: str, level: str, say: Numerals = PLAIN) -> str:
    """A level of a column of the run table, such as "24 min" or "ball ratio 10"."""
    if column == TIME:
        return f"{say(float(level), '.12g')} min"
    return f"{column_words(column)} {level}"


def where(subject: Contrast, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """The level of ``at_each`` in brackets; empty where there is none."""
    return f" ({place(str(plan.at_each), subject.where, say)})" if subject.where else ""


def pair(subject: Contrast, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """What is compared with what, such as "24 min against 0 min (ball ratio 5)"."""
    own = subject.high
    if subject.low:
        high, low = (place(plan.by, one, say) for one in (subject.high, subject.low))
        own = f"{high} against {low}"
    return own + where(subject, plan, say)


def finding_sentence(finding: Finding, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """A verdict on levels with its numbers and its reasons."""
    at = " at" if finding.subject.low else ":"
    subject = f"{finding.subject.quantity}{at} {pair(finding.subject, plan, say)}"
    reasons = {one.kind: one for one in finding.reasons}
    undone = reasons.pop(VerdictRemark.UNDONE, None)
    unknown = reasons.pop(VerdictRemark.RUN_TO_RUN_UNKNOWN, None)
    if undone is not None:
        return (
            f"{subject}: cannot be told, because {_UNKNOWN} and a run-to-run standard deviation "
            f"of {_percent(undone, say)} % would undo it; the two samples differ by more than the "
            f"measurement, {_effect(finding, say)}."
        )
    said = f"{subject}: {_answer(finding, tuple(reasons.values()), say)}"
    if unknown is not None:
        said += f"; {_UNKNOWN}"
        if finding.verdict is Verdict.CHANGED:
            said += (
                "; it would take a run-to-run standard deviation of "
                f"{_percent(unknown, say)} % to undo this"
            )
    return f"{said}."


def _percent(remark: Remark, say: Numerals) -> str:
    return say(float(str(remark["percent"])), ".2g")


def _answer(finding: Finding, reasons: Sequence[Remark], say: Numerals) -> str:
    """The verdict with what it rests on, as a clause."""
    numbers, verdict = finding.numbers, finding.verdict.value
    margin = "" if finding.margin_percent is None else f"margin of {say(finding.margin_percent)} %"
    if finding.verdict is Verdict.CHANGED:
        return f"{verdict}, {_effect(finding, say)}"
    if finding.verdict is Verdict.EQUIVALENT:
        test = f"{p_words(numbers.equivalence_p, say)} of the equivalence test"
        effect = _effect(finding, say, with_p=False)
        return f"equivalent within the {margin} ({test}), {effect}"
    kinds = [one.kind for one in reasons]
    if VerdictRemark.SHOWS_NOTHING in kinds:
        nothing = "this trial has too little to go by to show any change"
        return f"{verdict}, {_effect(finding, say)}; {nothing}"
    if reasons and kinds != [VerdictRemark.MARGIN_TOO_SMALL]:
        return f"{verdict}, because {' and '.join(sentence(one, say) for one in reasons)}"
    seen = numbers.detectable_decrease_percent
    if np.isnan(seen):
        return f"{verdict}, {_effect(finding, say)}"
    said = (
        f"{verdict}, {_effect(finding, say)}; the smallest decrease this trial would show with "
        f"{say(100 * POWER, '.3g')} % power is {say(seen, '.1f' if seen < 10 else '.0f')} %"
    )
    if reasons and finding.margin_percent is not None:
        down = say(decrease_of(finding.margin_percent), ".2g")
        said += f", more than the {margin} ({down} % downwards)"
    return said


def _effect(finding: Finding, say: Numerals, *, with_p: bool = True) -> str:
    numbers = finding.numbers
    said = effect_words(
        numbers.estimate,
        numbers.lower,
        numbers.upper,
        p=numbers.p_adjusted if with_p else None,
        level=finding.level,
        say=say,
    )
    if finding.within_margin and finding.verdict is not Verdict.EQUIVALENT:
        said += f", and within the margin of {say(finding.margin_percent or 0.0)} %"
    return said


def headlines(comparison: Comparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The answer in plain words: two or three sentences for each quantity.

    Two kinds of finding may part.  The test of all levels at once asks whether anything differs at
    all; a family of contrasts asks which level differs, and holds its level by itself, whatever
    that test says.  The contrasts are the question that was asked, so they lead: against the first
    level where the levels have an order, all pairs otherwise.  Where the test disagrees, its
    sentence says why both are right.
    """
    return tuple(
        one for result in comparison.results for one in _of_quantity(comparison.plan, result, say)
    )


def leading(result: QuantityComparison) -> list[Finding]:
    """Findings of the family that leads: against the first level where it was asked."""
    families = [one.subject.family for one in result.findings]
    first = ContrastKind.AGAINST_FIRST
    lead = first if first in families else families[0]
    return [one for one in result.findings if one.subject.family is lead]


def each_where(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    """Findings by level of ``at_each``; all under "" where there is none."""
    found: dict[str, list[Finding]] = {}
    for one in findings:
        found.setdefault(one.subject.where, []).append(one)
    return found


def _of_quantity(plan: ComparisonPlan, result: QuantityComparison, say: Numerals) -> list[str]:
    lead = leading(result)
    family, one_each = lead[0].subject.family, each_where(lead)
    sentences = [_test_sentence(plan, result, lead, say)] if result.tests else []
    if family is ContrastKind.AGAINST_FIRST:
        told = [one for own in one_each.values() for one in _last_levels(own)]
    elif len(lead) <= _MOST_PAIRS:
        told = lead
    else:
        verdicts = [one.verdict.value for one in lead]
        counted = ", ".join(f"{verdicts.count(one)} {one}" for one in dict.fromkeys(verdicts))
        kind = family_words(family)[1]
        sentences.append(f"{result.quantity}: of {len(lead)} {kind}s, {counted}.")
        told = [one for one in lead if one.verdict is Verdict.CHANGED]
    sentences += [finding_sentence(one, plan, say) for one in told]
    steps = [one for one in result.findings if one.subject.family is ContrastKind.SUCCESSIVE]
    if family is not ContrastKind.AGAINST_FIRST:
        one_each = {}
    for level, own in each_where(steps).items():
        sentences.append(_last_step(plan, own, one_each.get(level), say))
    return sentences


def _last_levels(findings: Sequence[Finding]) -> list[Finding]:
    """The last level, and the last one that changed where this is another."""
    changed = [one for one in findings if one.verdict is Verdict.CHANGED]
    last = findings[-1]
    return [last] if not changed or changed[-1] is last else [changed[-1], last]


def _test_sentence(
    plan: ComparisonPlan, result: QuantityComparison, lead: Sequence[Finding], say: Numerals
) -> str:
    """The test of all levels at once, reconciled with the single verdicts where they part."""
    test, alpha = result.tests[0], 1.0 - lead[0].level
    shown = [one for one in lead if one.numbers.p_adjusted < alpha]
    name, basis = column_words(plan.by), _basis(test, say)
    by_measurement = result.route is Route.MEASUREMENT_ONLY
    if test.p >= alpha and shown:
        return _by_single_levels(plan, result, shown, basis, say)
    if by_measurement:
        differ = "differ by more" if test.p < alpha else "were not shown to differ by more"
        text = (
            f"{result.quantity}: the single runs at the levels of {name} {differ} than the "
            f"measurement ({basis})"
        )
    else:
        verb = "changed" if test.p < alpha else "was not shown to change"
        text = f"{name[0].upper()}{name[1:]} {verb} {result.quantity} ({basis})"
    if test.p < alpha and not shown:
        none = f"no {family_words(lead[0].subject.family)[1]} is shown to"
        if lead[0].subject.family is ContrastKind.AGAINST_FIRST:
            none += " differ from the first"
            if all(np.isnan(one.numbers.p_adjusted) for one in lead):
                none = "none can be compared with the first"
        text += (
            f": the levels are not all alike, but {none}; the single verdicts lead, since this "
            "test cannot say which levels differ"
        )
    return f"{text}."


def _by_single_levels(
    plan: ComparisonPlan,
    result: QuantityComparison,
    shown: Sequence[Finding],
    basis: str,
    say: Numerals,
) -> str:
    """Levels that differ although the test of all levels at once did not show it."""
    told = f"{len(shown)} of the contrasts"
    if len(shown) <= _MOST_PAIRS:
        told = joined([pair(one.subject, plan, say) for one in shown])
    by_measurement = result.route is Route.MEASUREMENT_ONLY
    verb = "differs by more than the measurement" if by_measurement else "changed"
    return (
        f"{result.quantity} {verb} at {told}, although the test of all levels at once did not show "
        f"it ({basis}): that test spreads over levels that changed little, so the single verdicts "
        "lead, which already allow for having looked at several."
    )


def _basis(test: OverallTest, say: Numerals) -> str:
    if not np.isfinite(test.df_den):
        statistic = f"chi-square({test.df_num:.0f}) = {say(test.f * test.df_num, '.1f')}"
    else:
        f = say(test.f, ".3g" if test.f < 1000 else ".0f")
        statistic = f"F({test.df_num:.0f}, {say(test.df_den, '.1f')}) = {f}"
    return f"{statistic}, {p_words(test.p, say)}"


def _last_step(
    plan: ComparisonPlan, steps: Sequence[Finding], lead: Sequence[Finding] | None, say: Numerals
) -> str:
    """When the change stopped, step by step, beside the verdicts against the first level."""
    subject = steps[0].subject
    quantity = f"{subject.quantity}{where(subject, plan, say)}"
    changed = [place for place, one in enumerate(steps) if one.verdict is Verdict.CHANGED]
    has_lead = lead is not None and any(one.verdict is Verdict.CHANGED for one in lead)
    if all(np.isnan(one.numbers.p_adjusted) for one in steps):
        return f"{quantity}: no single step can be judged."
    if not changed:
        spread = "; the change is spread over several" if has_lead else ""
        return f"{quantity}: no single step was shown to change it{spread}."
    last = steps[changed[-1]]
    change = say(100 * float(np.expm1(last.numbers.estimate)), "+.1f")
    high = place(plan.by, last.subject.high, say)
    low = say(float(last.subject.low), ".12g") if plan.by == TIME else last.subject.low
    text = f"{quantity}: the last step shown to change it is from {low} to {high} ({change} %)"
    if lead and not has_lead and not all(np.isnan(one.numbers.p_adjusted) for one in lead):
        text += ", although no level is shown to differ from the first, which leads"
    after = [one.numbers.detectable_decrease_percent for one in steps[changed[-1] + 1 :]]
    if not after:
        return f"{text}; it had not stopped changing at the end of the trial."
    seen = max((one for one in after if not np.isnan(one)), default=np.nan)
    if not seen < NO_CHANGE_SEEN_PERCENT:  # or none can be judged
        return f"{text}; later steps cannot be judged."
    return (
        f"{text}; in later steps no change was shown, where a decrease of {say(seen, '.2g')} % "
        "would have been seen with 80 % power."
    )


def notes(comparison: Comparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What had to be assumed: of the whole comparison, then of the quantities, each once."""
    plan = comparison.plan
    own = [(one.quantity, told) for one in comparison.results for told in _remarks(one, plan)]
    single = ((one.quantity, one.influence) for one in comparison.results)
    return (
        *(sentence(remark, say) for remark in plan.remarks),
        *once_each(own, say),
        *(f"{name}: {influence_sentence(one, say)}" for name, one in single if one is not None),
    )


def _remarks(result: QuantityComparison, plan: ComparisonPlan) -> Iterable[Remark]:
    """Remarks of one quantity, variance components named in words."""
    components = {} if result.fit is None else component_words(result.fit, plan, DRIFT_OF)
    for remark in result.remarks:
        data = tuple((key, components.get(str(one), one)) for key, one in remark.data)
        yield Remark(remark.kind, data)


def summary(comparison: Comparison, say: Numerals = PLAIN) -> str:
    """The headlines, one a line, then the notes."""
    said = [f"Note: {note}" for note in notes(comparison, say)]
    return "\n".join([*headlines(comparison, say), *said])


def model_sentence(result: QuantityComparison, say: Numerals = PLAIN) -> str:
    """What one quantity was compared by."""
    return sentence(result.basis, say) if result.fit is None else fit_sentence(result.fit)


def models_fitted(comparison: Comparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What each quantity was compared by; quantities that were treated alike together."""
    alike: dict[str, list[str]] = {}
    for result in comparison.results:
        alike.setdefault(model_sentence(result, say), []).append(result.quantity)
    return tuple(f"{', '.join(names)}: {text}" for text, names in alike.items())


DRIFT_OF = "drift of {} in the order of {}"
_DRIFT_STEP = "{}, drift a step of {}"


def component_words(
    fit: MixedModelFit, plan: ComparisonPlan, drift: str = _DRIFT_STEP
) -> dict[str, str]:
    """Words of each variance component of a fitted comparison, by its name."""
    words = {"residual": "runs"}
    for grouping, columns in zip(fit.random.groupings, plan.within, strict=True):
        own = " and ".join(map(column_words, columns_of(columns)))
        for component, effect in zip(grouping.components, grouping.column_names, strict=True):
            is_drift = effect != "(Intercept)"
            told = drift.format(own, column_words(plan.by)) if is_drift else own
            words[fit.random.names[component]] = told
    return words


def question(comparison: Comparison, what: str = "the size") -> str:
    """The question that a comparison answers, as a heading."""
    return f"Did {column_words(comparison.plan.by)} change {what}?"


def contrast_words(subject: Contrast) -> str:
    """A contrast as a table shows it: "48 vs 0"."""
    return f"{subject.high} vs {subject.low}" if subject.low else subject.high


def effects_caption(comparison: Comparison, family: str) -> str:
    """Caption of the table of effects of one family."""
    kind = family_words(family)[0]
    return f"Effect of {column_words(comparison.plan.by)}, {kind}: ratios of sizes."


def effects_note(comparison: Comparison, say: Numerals = PLAIN) -> str:
    """Note below that table."""
    return (
        f"Intervals hold at {say(100 * comparison.level)} % and p is adjusted for all contrasts of "
        "one quantity in this table together. Detectable: the smallest decrease this trial would "
        "have shown with 80 % power."
    )


def ratios_caption(comparison: Comparison, family: str, say: Numerals = PLAIN) -> str:
    """Caption of the figure of ratios."""
    margin = comparison.plan.margin_percent
    shaded = "" if margin is None else f" Shaded: within the margin of {say(margin)} %."
    return (
        f"Ratios, {family_words(family)[0]}, with {say(100 * comparison.level)} % simultaneous "
        f"intervals; left of 1 is smaller.{shaded}"
    )


def ratio_label(subject: Contrast, plan: ComparisonPlan) -> str:
    """A contrast beside its interval in a figure: "48 vs 0 min, ball ratio 5"."""
    unit = f" {UNITS[plan.by]}" if plan.by in UNITS else ""
    at = f", {column_words(str(plan.at_each))} {subject.where}" if subject.where else ""
    return contrast_words(subject) + unit + at


def ratios_alternative(
    findings: Iterable[Finding], plan: ComparisonPlan, say: Numerals = PLAIN
) -> str:
    """The figure of ratios for who cannot see it: "D50 48 vs 0 min: 0.532 (…), changed; …"."""
    told = []
    for one in findings:
        ends = [one.numbers.estimate, one.numbers.lower, one.numbers.upper]
        finite = bool(np.isfinite(ends).all())
        with np.errstate(over="ignore"):
            shown = f"{say.ratio(*np.exp(ends))}, " if finite else ""
        label = ratio_label(one.subject, plan)
        told.append(f"{one.subject.quantity} {label}: {shown}{one.verdict.value}")
    return "; ".join(told) + "."


VARIANCES = "What else varies: standard deviations beyond the measurement, per cent of size."
BELOW_ZERO = "A dash: the estimate of the variance is below zero, so none was seen."
RATIO_AXIS = "ratio, first level over second"


def _without_value(_: Numerals, *, runs: Sequence[str], column: str) -> str:
    count = "1 run has" if len(runs) == 1 else f"{len(runs)} runs have"
    was = "was" if len(runs) == 1 else "were"
    return f"{count} no {column_words(column)} and {was} set aside: {listed(runs)}."


def _set_aside(_: Numerals, *, runs: Sequence[str]) -> str:
    return (
        f"{len(runs)} {'run' if len(runs) == 1 else 'runs'} set aside, because the sieves do not "
        f"bracket it in every run of their cell: {listed(runs)}."
    )


def _part_of_factor(_: Numerals, *, column: str, factor: str) -> str:
    of = column_words(factor)
    return (
        f"{column_words(column)} is not in the model and is the same in all runs of one {of}; its "
        f"effect cannot be told from that of {of} and is part of it."
    )


def _by_measurement(say: Numerals, *, declared_percent: float) -> str:
    basis = "nothing for run-to-run variation, which one run a level cannot show"
    if declared_percent:
        basis = f"a declared run-to-run standard deviation of {say(declared_percent)} %"
    return (
        f"ln size of single runs compared by the joint covariance of the measurement, with {basis}."
    )


def _by_own_spread(_: Numerals, *, paired: bool) -> str:
    basis = "the difference of two means of runs, each with its own spread (Welch)"
    if paired:
        basis = (
            "the mean of the differences within groups, with the spread of these differences "
            "(paired t)"
        )
    return (
        f"ln size: each contrast is {basis}, and what the measurement covariance holds in common "
        f"for all {_units(paired)}; families by Holm's rule, their intervals by Bonferroni's."
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


def _one_level_left(say: Numerals, *, column: str, level: str) -> str:
    name = column_words(column)
    return (
        f"Compared at {place(column, level, say)} only, since no run of another {name} is left; "
        f"{name} left the model."
    )


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
        "The scatter changes with the level in a way the model does not hold "
        f"({p_words(p, say)}): runs lie {say(first_percent, '.2g')} % about their mean at "
        f"{place(column, first, say)} and {say(last_percent, '.2g')} % at "
        f"{place(column, last, say)} (standard deviations). Intervals may be too narrow where it "
        'is larger; the spread "each contrast" judges each contrast by its own differences.'
    )


REMARKS: dict[RemarkKind, Wording] = {
    VerdictRemark.NO_ESTIMATE: lambda _: "there is no estimate with an interval",
    VerdictRemark.NO_END: lambda _: "too little is left to judge it by, so its interval has no end",
    PlanRemark.WITHOUT_VALUE: _without_value,
    PlanRemark.TIME_SET_ASIDE: lambda _, by: (
        f"Runs of several milling times are compared by {column_words(by)}: milling time was set "
        "aside as a further factor of the model."
    ),
    PlanRemark.ONE_RUN_A_GROUP: lambda _: (
        "Each group has a single run, so differences between groups and between runs cannot be "
        "told apart; they count together as variation between runs."
    ),
    PlanRemark.GROUPS_RANDOM: lambda _: (
        "Groups were taken as random: the answer is meant for groups like these."
    ),
    PlanRemark.CELLS_RANDOM: lambda _, by: (
        f"Groups, and the combination of group and {column_words(by)}, were taken as random, since "
        "each combination holds two runs or more."
    ),
    PlanRemark.PART_OF_FACTOR: _part_of_factor,
    PlanRemark.LEFT_OUT: lambda _, column: (
        f"{column_words(column)} differs between runs and is not in the model; its effect counts "
        "as variation between runs unless it is added as a further factor."
    ),
    ComparisonRemark.BY_MEASUREMENT: _by_measurement,
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
    ComparisonRemark.TOO_FEW_RUNS: lambda _, runs, means: (
        f"{runs} runs are left for {means} means, so their scatter cannot be seen"
    ),
    ComparisonRemark.REFUSED: lambda _, why: (
        f'the runs that are left are too few for the model ("{why}")'
    ),
    ComparisonRemark.NO_RUN_LEFT: lambda _: "no run is left to estimate it from",
    ComparisonRemark.FEW_UNITS: lambda _, paired: (
        f"fewer than two {_units(paired)} are left to estimate its spread from"
    ),
    ComparisonRemark.SET_ASIDE: _set_aside,
    ComparisonRemark.ONE_LEVEL_LEFT: _one_level_left,
    ComparisonRemark.DRIFT_ALLOWED: lambda _: (
        "Groups were allowed to drift apart in the order of the levels, since they seldom mill at "
        'one rate; the spread "pooled" leaves this out.'
    ),
    ComparisonRemark.MISFIT: _misfit,
}
