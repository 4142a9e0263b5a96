"""A comparison in words: verdicts, headlines, remarks, captions, and what was fitted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from psdstats.columns import GROUP, TIME, UNITS, column_words
from psdstats.comparison.answers import AdviceRemark
from psdstats.comparison.ordered import BESIDE
from psdstats.comparison.plan import ComparisonPlan, PlanRemark, columns_of
from psdstats.comparison.response import ComparisonRemark
from psdstats.comparison.result import Comparison, QuantityComparison, Route
from psdstats.errors import OutputError
from psdstats.findings import (
    BalanceAnswer,
    Contrast,
    ContrastKind,
    Course,
    Ending,
    Finding,
    Remark,
    Verdict,
)
from psdstats.models.mixed_model import FitRemark, MixedModelFit
from psdstats.words.courses import (
    NOT_ESTIMATED,
    WHAT_LATER,
    course_sentences,
    ends_of,
    factor_sentences,
    head_words,
    level_words,
    since_sentences,
    stop_sentences,
    way_of,
)
from psdstats.words.groups import bench_sentences
from psdstats.words.models import by_quantity, fit_sentence, influence_sentence
from psdstats.words.numbers import PLAIN, Numerals, difference_words, p_words
from psdstats.words.remarks import (
    alike,
    capital,
    fill,
    joined,
    once_each,
    phrases,
    place,
    sentence,
    times_words,
    told_of,
)

FAMILIES: dict[ContrastKind, tuple[str, str]] = {
    ContrastKind.AGAINST_FIRST: ("each level against the first", "level"),
    ContrastKind.SUCCESSIVE: ("each level against the one before", "step"),
    ContrastKind.ALL_PAIRS: ("every pair of levels", "pair"),
}
"""A family of contrasts in a caption, and what one of its contrasts is called."""

VERDICTS = phrases("verdict")
"""What each verdict means; a new one says it here."""

SINCE, STOP, GROUPS = "since when", "when to stop", "groups"
BALANCE, NEXT, NUMBER = "balance", "what next", "in all"
"""What an answer without a verdict of its own is about."""

_MOST_PAIRS = 3  # told one by one


def verdict_meanings(told: Iterable[Verdict]) -> tuple[str, ...]:
    """What the verdicts that were given mean, in their usual order."""
    given = set(told)
    return tuple(VERDICTS[one] for one in Verdict if one in given)


def family_words(family: ContrastKind | str) -> tuple[str, str]:
    """Words of a family of contrasts, and of one of its contrasts."""
    for kind, words in FAMILIES.items():
        if kind == family:
            return words
    raise OutputError(
        f"The family of contrasts {str(family)!r} has no words; add them to FAMILIES in "
        "psdstats.words.comparison."
    )


def finding_sentence(finding: Finding, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """A verdict on two levels, as one sentence with its numbers and its reasons."""
    return f"{capital(_finding_words(finding, plan, say))}."


def _finding_words(finding: Finding, plan: ComparisonPlan, say: Numerals) -> str:
    high, low = _sides(finding.subject, plan, say)
    head = head_words(finding.subject.where, plan, say)
    head = head[:1].lower() + head[1:]
    reasons = [sentence(one, say) for one in finding.reasons]
    numbers = finding.numbers
    reads = difference_words(numbers.estimate, *ends_of(finding), say)
    reads = f"it reads {reads}" if reads else ""
    match finding.verdict:
        case Verdict.CANNOT_BE_TOLD:
            because = f", because {' and '.join(reasons)}" if reasons else ""
            said = (
                f"{head}it cannot be told whether {high} differs{_behind(' from ', low)}{because}"
            )
            return "; ".join(filter(None, [said, reads]))
        case Verdict.EQUIVALENT:
            margin = say(finding.margin_percent or 0.0)
            said = f"{high} is the same{_behind(' as ', low)} within ±{margin} %"
            said += _p_behind(numbers.equivalence_p, reads, say)
        case Verdict.NOT_SHOWN:
            said = f"{high} is not shown to differ{_behind(' from ', low)}"
            said += _p_behind(numbers.p_adjusted, reads, say)
        case Verdict.CHANGED:
            ends = (numbers.estimate, numbers.lower, numbers.upper)
            than = difference_words(*ends, say, than=low)
            apart = f"is {than}" if than else f"differs{_behind(' from ', low)}"
            said = f"{high} {apart}"
            said += "" if np.isnan(numbers.p_adjusted) else f", {p_words(numbers.p_adjusted, say)}"
            if finding.within_margin:
                said += f", and within the margin of ±{say(finding.margin_percent or 0.0)} %"
    return "; ".join([head + said, *reasons])


def _behind(word: str, low: str) -> str:
    """With what is compared, behind its word; empty where a contrast has one side."""
    return f"{word}{low}" if low else ""


def _p_behind(p: float, reads: str, say: Numerals) -> str:
    """A p-value and the numbers behind what they belong to; nothing where they are not known."""
    told = "" if np.isnan(p) else f" ({p_words(p, say)})"
    return f"{told}: {reads}" if reads else told


def _sides(subject: Contrast, plan: ComparisonPlan, say: Numerals) -> tuple[str, str]:
    """What is compared with what: "D50 at 24 min", "that at 0 min"."""
    if not subject.low:
        return f"{subject.quantity}, {subject.high},", ""
    of = "of" if plan.by == GROUP else "at"
    high, low = (place(plan.by, one, say) for one in (subject.high, subject.low))
    return f"{subject.quantity} {of} {high}", f"that {of} {low}"


def answers(comparison: Comparison, say: Numerals = PLAIN) -> list[tuple[str, str]]:
    """Each answer with what it is about or its verdict; what holds of several sizes is told once.

    Of milling time: fallen by the end, since when, when to stop, does the factor matter, do the
    groups agree.  Of any other factor: the verdicts of the family that leads.  Then the balance,
    what to do next.
    """
    plan, results = comparison.plan, comparison.results
    courses = [one for result in results for one in result.courses]
    told = [(verdict.value, one) for verdict, one in course_sentences(courses, plan, say)]
    told += [(SINCE, one) for one in since_sentences(courses, plan, say)]
    told += [(STOP, one) for one in stop_sentences(courses, plan, say)]
    factors = [one for result in results for one in result.factors]
    if factors:
        name = column_words(str(plan.where))
        told += [(name, one) for one in factor_sentences(factors, plan, say)]
    for result in results:
        told += [] if result.courses else _by_families(plan, result, say)
    benches = [one for result in results for one in result.benches]
    told += [(GROUPS, one) for one in bench_sentences(benches, say)]
    balances = [one.balance for one in results if one.balance is not None]
    told += [(BALANCE, balance_sentence(balances, say))] if balances else []
    advice = [(one.quantity, remark) for one in results for remark in one.advice]
    return [*told, *((NEXT, one) for one in advice_sentences(advice, say))]


def headlines(comparison: Comparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The answers in plain words, then the test of all levels at once where it says more.

    That test asks whether anything differs at all; it comes last, since the single answers hold
    their level by themselves, whatever it says.
    """
    told = (one for _, one in answers(comparison, say))
    return (*told, *_test_sentences(comparison, say))


def leading(result: QuantityComparison) -> list[Finding]:
    """Findings of the family that leads: against the first level where it was asked."""
    families = [one.subject.family for one in result.findings]
    first = ContrastKind.AGAINST_FIRST
    lead = first if first in families else families[0]
    return [one for one in result.findings if one.subject.family is lead]


def _by_families(
    plan: ComparisonPlan, result: QuantityComparison, say: Numerals
) -> list[tuple[str, str]]:
    """Verdicts of the leading family: the last level, each of a few changes, or the largest."""
    lead = leading(result)
    family = lead[0].subject.family
    counted = list[tuple[str, str]]()
    if family is ContrastKind.AGAINST_FIRST:
        levels = alike(lead, lambda one: one.subject.where)
        lead = [one for each in levels for one in _last_levels(each)]
    elif len(lead) > _MOST_PAIRS:
        number = _counted(lead, family)
        lead = [one for one in lead if one.verdict is Verdict.CHANGED]
        if len(lead) > _MOST_PAIRS:
            most = _finding_words(max(lead, key=_largest), plan, say)
            return [(NUMBER, f"{number}; the largest change: {most}.")]
        counted = [(NUMBER, f"{number}.")]
    return counted + [(one.verdict.value, finding_sentence(one, plan, say)) for one in lead]


_COUNTED = phrases("comparison counted")


def _largest(finding: Finding) -> float:
    """How far two levels are apart, or by how much at least."""
    own = finding.numbers
    if np.isfinite(own.estimate):
        return abs(own.estimate)
    return max((abs(one) for one in (own.lower, own.upper) if np.isfinite(one)), default=0.0)


def _counted(findings: Sequence[Finding], family: ContrastKind) -> str:
    """How many contrasts of one quantity got each verdict."""
    verdicts = [one.verdict for one in findings]
    told = []
    for one in Verdict:
        count = verdicts.count(one)
        told += [fill(_COUNTED[one], number=count)] if count else []
    kind, quantity = family_words(family)[1], findings[0].subject.quantity
    return f"Of {len(findings)} {kind}s in {quantity}, {joined(told)}"


def _last_levels(findings: Sequence[Finding]) -> list[Finding]:
    """The last level, and the last one that changed where this is another."""
    changed = [one for one in findings if one.verdict is Verdict.CHANGED]
    last = findings[-1]
    return [last] if not changed or changed[-1] is last else [changed[-1], last]


def _test_sentences(comparison: Comparison, say: Numerals) -> tuple[str, ...]:
    """The test of all levels at once, quantities alike together, and where it parts from others."""
    plan, level = comparison.plan, comparison.level
    tested = [one for one in comparison.results if one.tests and not _is_told(one, level)]
    told = []
    rests = {one.quantity: levels_tested(comparison, one, say) for one in tested}
    for own in alike(tested, lambda one: (_test_verdict(plan, one), rests[one.quantity])):
        one, several, part = _test_verdict(plan, own[0])
        at = f" within the sieves ({held})" if (held := rests[own[0].quantity]) else ""
        names, verb = joined([each.quantity for each in own]), one if len(own) == 1 else several
        p = _all_p([each.tests[0].p for each in own], say, shown=own[0].tests[0].p < 1.0 - level)
        head = f"All levels of {column_words(plan.by)}{at} at once"
        told.append(f"{head}: {names} {verb} ({p}){part}.")
    return (*told, *_where_tests_part(comparison, say))


def _is_told(result: QuantityComparison, level: float) -> bool:
    """Whether the courses say already what the test of all levels at once would."""
    shown = any(one.verdict is Verdict.CHANGED for one in result.courses)
    return shown and result.tests[0].p < 1.0 - level


def _test_verdict(plan: ComparisonPlan, result: QuantityComparison) -> tuple[str, str, str]:
    """Verdict of one quantity and of several, and how it stands to the single findings."""
    test, lead = result.tests[0], leading(result)
    alpha = 1.0 - lead[0].level
    singles = any(one.numbers.p_adjusted < alpha for one in lead)
    singles = singles or any(any(one.shown) for one in result.courses)
    differs, is_time = test.p < alpha, plan.by == TIME
    part = ""
    if singles and not differs:
        part = "; this test spreads over levels that changed little and misses what single ones do"
    if differs and not singles:
        part = "; this test cannot say which levels differ, and no single one is shown to"
    more = " by more than measured" if result.route is Route.MEASUREMENT_ONLY else ""
    if differs:
        one, several = ("changed", "changed") if is_time else ("differs", "differ")
        return one + more, several + more, part
    do = f"not shown to {'change' if is_time else 'differ'}{more}"
    return f"is {do}", f"are {do}", part


def levels_tested(comparison: Comparison, result: QuantityComparison, say: Numerals = PLAIN) -> str:
    """Levels that the test of all at once rests on, where others lie beyond the sieves."""
    plan, one = comparison.plan, comparison.analysis[result.quantity]
    told: dict[str, list[str]] = {}
    for own in alike(one.cells if one.response.obstacles else (), lambda cell: cell[1]):
        levels = [level for level, _ in own]
        held = times_words(levels, say) if plan.by == TIME else joined(levels)
        told.setdefault(held, []).append(level_words(own[0][1], plan, say))
    if len(told) < 2:
        return "".join(told)
    return "; ".join(f"{levels} at {joined(where)}" for levels, where in told.items())


NO_FREEDOM, INSIDE = "; F has no degrees of freedom left", "; levels within the sieves alone"
"""Behind what a test rests on."""


def _all_p(found: Sequence[float], say: Numerals, *, shown: bool) -> str:
    """One p, or the largest of those that show something, or the least of those that do not."""
    if len({p_words(one, say) for one in found}) == 1:
        return p_words(found[0], say)
    if shown:
        return f"p at most {say.p_value(max(found))}"
    return f"p at least {say.p_value(min(found))}"


def _where_tests_part(comparison: Comparison, say: Numerals) -> tuple[str, ...]:
    """Where the calibrated test and that of F lie on two sides of the error."""
    alpha = 1.0 - comparison.level
    parting = [
        f"{result.quantity} ({p_words(test.p_plain, say)})"
        for result in comparison.results
        for test in result.tests[:1]
        if np.isfinite(test.p_plain)
        and round(test.df_den, 1) > 0.0
        and (test.p < alpha) != (test.p_plain < alpha)
    ]
    if not parting:
        return ()
    return (
        f"The F test of Kenward and Roger lies on the other side of {say(alpha, '.3g')} for "
        f"{joined(parting)}; the calibrated test counts.",
    )


def notes(comparison: Comparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What had to be assumed: of the whole comparison, then of the quantities, each once."""
    plan, quantities = comparison.plan, [one.quantity for one in comparison.results]
    own = [(one.quantity, told) for one in comparison.results for told in _remarks(one, plan)]
    apart = (FitRemark.AT_ZERO, FitRemark.BELOW_ZERO, ComparisonRemark.MISFIT)
    single = ((one.quantity, one.influence) for one in comparison.results)
    courses = [course for one in comparison.results for course in one.courses]
    return (
        *plan_notes(plan, say),
        *course_notes(courses, plan, say),
        *once_each([one for one in own if one[1].kind not in apart], say, of=quantities),
        *_none_seen(own, quantities),
        *_misfits(own, plan, say),
        *(f"{name}: {influence_sentence(one, say)}" for name, one in single if one is not None),
    )


def _none_seen(own: Sequence[tuple[str, Remark]], quantities: Sequence[str]) -> Iterable[str]:
    """Variances at or below zero, each with the quantities of which that holds."""
    names: dict[str, list[str]] = {}
    for quantity, remark in own:
        if remark.kind in (FitRemark.AT_ZERO, FitRemark.BELOW_ZERO):
            names.setdefault(str(remark["component"]), []).append(quantity)
    if not names:
        return
    told = [
        f"of {name}" if set(of) == set(quantities) else f"of {name} ({', '.join(of)})"
        for name, of in names.items()
    ]
    which, are = ("variance", "is") if len(told) == 1 else ("variances", "are")
    yield (
        f"The {which} {joined(told)} {are} estimated at zero or below, which says that no such "
        "variation was seen beyond the measurement."
    )


def _misfits(
    own: Sequence[tuple[str, Remark]], plan: ComparisonPlan, say: Numerals
) -> Iterable[str]:
    """Quantities whose scatter changes with the level, together."""
    told = [
        f"{quantity} {sentence(remark, say)}"
        for quantity, remark in own
        if remark.kind is ComparisonRemark.MISFIT
    ]
    if told:
        yield (
            f"The scatter of runs about their means changes with {column_words(plan.by)} in a way "
            f"the model does not hold: {', '.join(told)}. Where it is larger, intervals may be too "
            'narrow; the spread "each contrast" judges each contrast by its own differences.'
        )


def _remarks(result: QuantityComparison, plan: ComparisonPlan) -> Iterable[Remark]:
    """Remarks of one quantity, variance components named in words."""
    components = {} if result.fit is None else component_words(result.fit, plan, DRIFT_OF)
    for remark in result.remarks:
        data = tuple((key, components.get(str(one), one)) for key, one in remark.data)
        yield Remark(remark.kind, data)


@told_of.register
def summary(comparison: Comparison, say: Numerals = PLAIN) -> str:
    """The headlines, one a line, then the notes."""
    said = [f"Note: {note}" for note in notes(comparison, say)]
    return "\n".join([*headlines(comparison, say), *said])


@told_of.register
def quantity_sentences(result: QuantityComparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What one quantity rests on, and every contrast with its verdict."""
    rows = result.to_frame().to_dict("records")
    ratios = (say.ratio(row["ratio"], row["ratio_lower"], row["ratio_upper"]) for row in rows)
    return (
        f"{result.quantity}: {model_sentence(result, say)}",
        *(
            f"{row['contrast']}: {ratio}, {row['verdict']}."
            for row, ratio in zip(rows, ratios, strict=True)
        ),
    )


def model_sentence(result: QuantityComparison, say: Numerals = PLAIN) -> str:
    """What one quantity was compared by."""
    return sentence(result.basis, say) if result.fit is None else fit_sentence(result.fit)


def models_fitted(comparison: Comparison, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What each quantity was compared by; quantities that were treated alike together."""
    return by_quantity((one.quantity, model_sentence(one, say)) for one in comparison.results)


DRIFT_OF = "drift of {} in the order of {}"
_DRIFT_STEP = "{}, drift per step of {}"


def component_words(
    fit: MixedModelFit, plan: ComparisonPlan, drift: str = _DRIFT_STEP
) -> dict[str, str]:
    """Words of each variance component of a fitted comparison, by its name."""
    words = {"residual": "runs"}
    within = {":".join(each): each for each in map(columns_of, plan.within)}
    for grouping in fit.random.groupings:
        own = " and ".join(map(column_words, within[grouping.label]))
        for component, effect in zip(grouping.components, grouping.column_names, strict=True):
            is_drift = effect != "(Intercept)"
            told = drift.format(own, column_words(plan.by)) if is_drift else own
            words[fit.random.names[component]] = told
    return words


def question(comparison: Comparison) -> str:
    """The question that a comparison answers, as a heading."""
    plan = comparison.plan
    return f"Did {column_words(plan.by)} change the {plan.what}?"


def contrast_words(subject: Contrast) -> str:
    """A contrast as a table shows it: "48 vs 0"."""
    return f"{subject.high} vs {subject.low}" if subject.low else subject.high


TESTS_HEADING = "Tests and models of the comparison"


def equivalent_words(margin_percent: float | None, say: Numerals = PLAIN) -> str:
    """What equivalent means in a table of effects; empty without a margin."""
    if margin_percent is None:
        return ""
    return (
        " Equivalent, for all contrasts together: where the interval of the equivalence test lies "
        f"within ±{say(margin_percent)} %."
    )


def ratios_caption(comparison: Comparison, family: str, say: Numerals = PLAIN) -> str:
    """Caption of the figure of ratios."""
    return (
        f"Ratios, {family_words(family)[0]}, with {say(100 * comparison.level)} % simultaneous "
        f"intervals; left of 1 is smaller.{_shaded(comparison, say)}"
    )


def _shaded(comparison: Comparison, say: Numerals) -> str:
    margin = comparison.plan.margin_percent
    return "" if margin is None else f" Shaded: within the margin of {say(margin)} %."


def ratio_label(subject: Contrast, plan: ComparisonPlan) -> str:
    """A contrast beside its interval in a figure: "48 vs 0 min, ball ratio 5"."""
    unit = f" {UNITS[plan.by]}" if plan.by in UNITS else ""
    at = f", {level_words(subject.where, plan)}" if subject.where else ""
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


EQUIVALENCE_INTERVAL = "interval of the equivalence test"
RATIO_AXIS = "ratio of {}s (A vs B: A over B)"


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


def course_notes(
    courses: Sequence[Course], plan: ComparisonPlan, say: Numerals = PLAIN
) -> tuple[str, ...]:
    """Which margin was taken where none was stated, and which error the answers hold."""
    stops = [one.stop for one in courses if one.stop is not None]
    if not stops:
        return _withstood(courses, say)
    alpha = 100 * (1 - courses[0].fallen.level)
    error, guard = say(alpha, ".3g"), say(alpha * BESIDE, ".2g")
    further = ", does the further factor matter" if plan.where else ""
    way, together = way_of(plan), "--one-family holds them together"
    asked = f"has it {way.gone}, when to stop{further}"
    held = f"Each question ({asked}) errs in at most {error} % of trials; {together}."
    if plan.one_family:
        held = f"The questions ({asked}) together err in at most {error} % of trials."
    held += f" {capital(way.other)} again, which is looked for besides, errs in {guard} % more."
    later = (WHAT_LATER,) if any(one.ending is Ending.LITTLE_LEFT for one in stops) else ()
    if stops[0].is_stated:
        return (held, *later, *_withstood(courses, say))
    assumed = (
        f"No margin was stated, so {say(stops[0].margin_percent)} % counts as too little to go on "
        "milling for; state yours as margin_percent in [compare] of study.toml, or with --margin."
    )
    return (assumed, held, *later, *_withstood(courses, say))


_LEAST = " (the change most easily undone)"


def _withstood(courses: Sequence[Course], say: Numerals) -> tuple[str, ...]:
    """What was not estimated, and the least of it that would undo one of the changes shown."""
    told = []
    for kind in NOT_ESTIMATED:
        own = {
            one: percent
            for course in courses
            if course.verdict is Verdict.CHANGED
            for one in course.fallen.reasons
            if one.kind is kind and isinstance(percent := one["percent"], float)
        }
        if own:
            known = {one: percent for one, percent in own.items() if percent > 0.0}
            said = sentence(min(known or own, key=own.__getitem__), say)
            told.append(f"{capital(said)}{_LEAST if len(known) > 1 else ''}.")
    return tuple(told)


def balance_sentence(answers: Sequence[BalanceAnswer], say: Numerals = PLAIN) -> str:
    """Whether the balance is good enough, of one quantity or several."""
    poor = [one for one in answers if not one.is_enough]
    if not poor:
        most = say.at_most(max(one.shorter_percent for one in answers) / 100)
        which = "the interval" if len(answers) == 1 else "no interval"
        by = f"by {most}" if len(answers) == 1 else f"by more than {most}"
        return f"Is the balance good enough? Yes: a perfect one would shorten {which} {by}."
    names = joined([one.quantity for one in poor])
    said = f"No, not for {names}" if len(poor) < len(answers) else "No"
    gains = [
        f"of {one.quantity} by {say.per_cent(one.shorter_percent / 100, decimals=1)}"
        for one in poor
    ]
    told = " and that ".join([", that ".join(gains[:-1]), gains[-1]] if gains[1:] else gains)
    return f"Is the balance good enough? {said}: a perfect one would shorten the interval {told}."


def advice_sentences(told: Iterable[tuple[str, Remark]], say: Numerals = PLAIN) -> tuple[str, ...]:
    """What to do next, each once, with the quantities that ask for it."""
    asked: dict[Remark, list[str]] = {}
    for quantity, remark in told:
        asked.setdefault(remark, []).append(quantity)
    texts: dict[str, list[str]] = {}
    groups = list[str]()
    for remark, own in asked.items():
        names = dict.fromkeys(own)
        if remark.kind is AdviceRemark.LOOK_AT_GROUP:
            groups.append(f"{remark['group']} ({', '.join(names)})")
        else:
            texts.setdefault(sentence(remark, say), []).extend(names)
    found = [f"{text} ({', '.join(dict.fromkeys(names))})." for text, names in texts.items()]
    if groups:
        look = AdviceRemark.LOOK_AT_GROUP(group=joined(groups), several=len(groups) > 1)
        found.append(f"{sentence(look, say)}.")
    return tuple(found)
