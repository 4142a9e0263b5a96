"""Answers on one trial in words: fallen and since when, when to stop, factor, balance, advice."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from psdstats.columns import TIME, column_words
from psdstats.comparison.advice import AdviceRemark
from psdstats.comparison.courses import OrderedRemark
from psdstats.comparison.ordered import BESIDE
from psdstats.comparison.plan import ComparisonPlan, Direction
from psdstats.findings import (
    BalanceAnswer,
    Course,
    Ending,
    FactorAnswer,
    Finding,
    Numbers,
    Remark,
    RemarkKind,
    Stop,
    Verdict,
)
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.numbers import PLAIN, Numerals, difference_words, ratio_words
from psdstats.words.remarks import Wording, joined, sentence

WHAT_LATER = "What longer milling would do, this trial does not say."
_LEAST_TOLD = 0.001  # share: a lower limit below it says no more than the verdict
_MOST_PAIRS = 3  # of levels of a further factor told one by one
_LEAST = " (the change most easily undone)"
_MANY = 100  # times as many runs: how many more does not matter


def place(column: str, level: str, say: Numerals = PLAIN) -> str:
    """A level of a column of the run table, such as "24 min" or "ball ratio 10"."""
    if column == TIME:
        return f"{say(float(level), '.12g')} min"
    return f"{column_words(column)} {level}"


def level_words(where: str, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """The level of the further factors, such as "ball ratio 10"; empty where there is none.

    Levels of several factors together name their factors behind: "10, wet (ball ratio, medium)".
    """
    if len(plan.at_each) > 1 and where:
        return f"{where} ({', '.join(map(column_words, plan.at_each))})"
    return place(str(plan.where), where, say) if where else ""


def capital(text: str) -> str:
    """A sentence with its first letter as a sentence has it."""
    return text[:1].upper() + text[1:]


def head_words(where: str, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """How a sentence on one level of the further factors begins; empty where there is none."""
    level = level_words(where, plan, say)
    return f"At {level}, " if level else ""


def size_words(numbers: Numbers, quantity: str, say: Numerals = PLAIN) -> str:
    """A size, or the bound that holds it, with no unit: "254.1", "below 53"."""
    if np.isfinite(numbers.estimate):
        size = float(np.exp(numbers.estimate))
        return say.rounded(size, size * _spread_of(numbers))
    low, high = (float(np.exp(one)) for one in (numbers.lower, numbers.upper))
    if np.isfinite([numbers.lower, numbers.upper]).all():
        return f"between {say.bound(low, '>')} and {say.bound(high, '<')}"
    if np.isfinite(numbers.upper):
        return f"below {say.bound(high, '<')}"
    if np.isfinite(numbers.lower):
        return f"above {say.bound(low, '>')}"
    return f"an unknown {quantity}"


def _spread_of(numbers: Numbers) -> float:
    """By what a size is rounded: its u, or a quarter of its interval."""
    return numbers.u if np.isfinite(numbers.u) else (numbers.upper - numbers.lower) / 4


def _from_to(course: Course, say: Numerals) -> str:
    """Both ends of a course: "from 254.1 to below 53 µm"."""
    unit = "" if course.quantity == "span" else " µm"
    start, end = (size_words(one, course.quantity, say) for one in (course.start, course.end))
    return f"from {start} to {end}{unit}"


def _ratio(finding: Finding, say: Numerals, before: str) -> str:
    """Ratio with its interval; empty where a size is a bound."""
    own, (lower, upper) = finding.numbers, ends_of(finding)
    if np.isnan(own.estimate) and np.isfinite([lower, upper]).all():
        _, limits = say.ratio_parts(*np.exp([lower, lower, upper]).tolist())
        return f"{before} ratio {limits}"
    if np.isnan(own.estimate):
        return ""
    if finding.verdict is Verdict.EQUIVALENT:
        value, limits = say.ratio_parts(*np.exp([own.estimate, lower, upper]).tolist())
        return f"{before} ratio {value} (interval of the equivalence test {limits})"
    return f"{before} {ratio_words(own.estimate, lower, upper, level=finding.level, say=say)}"


def _went_up(numbers: Numbers) -> bool:
    return numbers.estimate > 0 if np.isfinite(numbers.estimate) else numbers.lower > 0


def ends_of(finding: Finding) -> tuple[float, float]:
    """The interval that goes with a verdict: that of the equivalence test, else of the change."""
    own = finding.numbers
    if finding.verdict is Verdict.EQUIVALENT and np.isfinite(own.equivalence_lower):
        return own.equivalence_lower, own.equivalence_upper
    return own.lower, own.upper


def course_sentence(course: Course, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """What one size did from the first to the last time, and since when."""
    finding, last = course.fallen, place(TIME, course.times[-1], say)
    has_direction = course.stop is not None
    ratio, after = _ratio(finding, say, ","), ""
    went = f"{_from_to(course, say)} by {last}"
    if has_direction and course.shown[-1]:
        verb = "rose" if _rises(plan) else "fell"
        least = _at_least(course.at_least[-1], plan, say, ":")
        said = f"{verb} {went}{f'{least} {_finer(plan)}' if least else ''}{ratio}"
        after = _since(course, plan, say)
    elif has_direction and any(course.shown):
        said = f"{_in_between(course, plan, say)}{ratio}"
    elif finding.verdict is Verdict.CANNOT_BE_TOLD:
        return _not_told(course, plan, f"{went}{ratio}", say)
    elif finding.verdict is Verdict.CHANGED:
        said = f"{'rose' if _went_up(finding.numbers) else 'fell'} {went}{ratio}"
    elif finding.verdict is Verdict.EQUIVALENT:
        first, margin = place(TIME, course.times[0], say), say(finding.margin_percent or 0)
        said = (
            f"is the same at {last} as at {first} within ±{margin} %: it went "
            f"{_from_to(course, say)}{ratio}"
        )
    else:
        verb = ("risen" if _rises(plan) else "fallen") if has_direction else "changed"
        said = f"is not shown to have {verb}: it went {went}{ratio}"
    told = (one for one in finding.reasons if one.kind not in NOT_ESTIMATED)
    clauses = "".join(f"; {sentence(one, say)}" for one in told)
    head = head_words(course.where, plan, say)
    return f"{capital(f'{head}{course.quantity} {said}')}{clauses}.{after}"


def course_verdict(course: Course) -> Verdict:
    """The verdict of its last time, in the direction asked where it has one."""
    fell = course.stop is not None and course.shown[-1]
    return Verdict.CHANGED if fell else course.fallen.verdict


def least_words(course: Course, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """Lower limit of the change by the end, for a cell of a table; empty where there is none."""
    gain = course.at_least[-1] if course.at_least else np.nan
    return say.at_least(_share(gain, plan)) if np.isfinite(gain) else ""


def stop_words(course: Course, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """When to stop, for a cell of a table; empty for a quantity without direction."""
    stop = course.stop
    match stop and stop.ending:
        case Ending.LITTLE_LEFT:
            return f"from {place(TIME, stop.since or stop.before, say)}" if stop else ""
        case Ending.STILL_FALLING:
            return "still rising" if _rises(plan) else "still falling"
        case Ending.COARSER_AGAIN:
            return f"{_other(plan)} again"
        case Ending.CANNOT_BE_TOLD:
            return Verdict.CANNOT_BE_TOLD.value
    return ""


def _rises(plan: ComparisonPlan) -> bool:
    return plan.direction is Direction.RISING


def _finer(plan: ComparisonPlan) -> str:
    return "coarser" if _rises(plan) else "finer"


def _other(plan: ComparisonPlan) -> str:
    return "finer" if _rises(plan) else "coarser"


def _share(gain: float, plan: ComparisonPlan) -> float:
    """A gain of ln size, in the direction asked, as a share of the size it started from."""
    return float(np.expm1(gain)) if _rises(plan) else float(-np.expm1(-gain))


def _at_least(gain: float, plan: ComparisonPlan, say: Numerals, before: str) -> str:
    share = _share(gain, plan)
    return f"{before} at least {say.at_least(share)}" if share >= _LEAST_TOLD else ""


def _since(course: Course, plan: ComparisonPlan, say: Numerals) -> str:
    """From when on it is shown, as a sentence; none where there is no time between."""
    if course.since is None or len(course.times) < 3:
        return ""
    since, first = (place(TIME, one, say) for one in (course.since, course.times[0]))
    if course.since == course.times[-1]:
        return f" Before {since} it is not shown to be {_finer(plan)} than at {first}."
    return f" From {since} on it is {_finer(plan)} than at {first}."


def _in_between(course: Course, plan: ComparisonPlan, say: Numerals) -> str:
    """Finer in the middle of the trial, which the end does not show."""
    finer = _finer(plan)
    first, last = (place(TIME, course.times[k], say) for k in (0, -1))
    at = [time for time, shown in zip(course.times[1:], course.shown, strict=True) if shown]
    bounds = [
        bound
        for bound, shown in zip(course.at_least, course.shown, strict=True)
        if shown and np.isfinite(bound)
    ]
    least = _at_least(max(bounds), plan, say, " by") if bounds else ""
    return (
        f"was {finer} at {_times(at, say)} than at {first}{least}; at {last} it is not shown to be "
        f"{finer}"
    )


def _times(times: Sequence[str], say: Numerals) -> str:
    return f"{joined([say(float(one), '.12g') for one in times])} min"


def _not_told(course: Course, plan: ComparisonPlan, went: str, say: Numerals) -> str:
    verb = ("rose" if _rises(plan) else "fell") if course.stop is not None else "changed"
    why = " and ".join(sentence(one, say) for one in course.fallen.reasons)
    last = place(TIME, course.times[-1], say)
    said = head_words(course.where, plan, say)
    said += f"it cannot be told whether {course.quantity} {verb} by {last}"
    if why:
        said += f", because {why}"
    if np.isfinite([course.start.estimate, course.end.estimate]).all():
        said += f"; it went {went}"
    return f"{capital(said)}."


def stop_sentence(course: Course, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """When to stop, by one size; empty for a quantity without direction."""
    stop, quantity = course.stop, course.quantity
    if stop is None:
        return ""
    head, last = head_words(course.where, plan, say), place(TIME, stop.last, say)
    step = f"{say(float(stop.before), '.12g')} to {last}"
    other = _other(plan)
    match stop.ending:
        case Ending.LITTLE_LEFT:
            return _little_left(stop, course, plan, say)
        case Ending.STILL_FALLING:
            by = _at_least(stop.gain_at_least, plan, say, "")
            going = "rising" if _rises(plan) else "falling"
            told = (
                f"was still {going} at the end: the last step ({step}) made it{by} {_finer(plan)}"
            )
        case Ending.COARSER_AGAIN:
            told = (
                f"got {other} again: at the end of the trial ({last}) it is {other} than at "
                f"{_times(stop.coarser_after, say)}"
            )
        case Ending.CANNOT_BE_TOLD:
            told = _stop_not_told(stop, step, plan, say)
            return capital(f"{head}it cannot be told from {quantity} when to stop{told}.")
    return capital(f"{head}{quantity} {told}.")


def _little_left(stop: Stop, course: Course, plan: ComparisonPlan, say: Numerals) -> str:
    """From when on little was left, and what the trial does not say."""
    since, margin = stop.since or stop.before, say(stop.margin_percent)
    said = head_words(course.where, plan, say)
    said += (
        f"from {place(TIME, since, say)} to the end of the trial ({place(TIME, stop.last, say)}) "
        f"less than {margin} % of {course.quantity} was left to gain "
        f"({say(100 * course.fallen.level, '.3g')} %)"
    )
    if stop.stayed_within == since:
        said += f", and it stayed within ±{margin} % of its end"
    elif stop.stayed_within is not None:
        within = place(TIME, stop.stayed_within, say)
        said += f"; from {within} on it stayed within ±{margin} % of its end"
    return f"{capital(said)}."


def _stop_not_told(stop: Stop, step: str, plan: ComparisonPlan, say: Numerals) -> str:
    """What the last step may have gained, and why no more can be said."""
    why = " and ".join(sentence(one, say) for one in stop.reasons)
    most = _share(stop.gain_at_most, plan)
    if not most > 0 or np.isinf(most):
        return f", because {why}" if why else ""
    said = f": in the last step ({step}) up to {say.at_most(most)} may have been gained"
    return f"{said}; {why}" if why else said


def factor_sentences(
    answers: Sequence[FactorAnswer], plan: ComparisonPlan, say: Numerals = PLAIN
) -> tuple[str, ...]:
    """Whether a factor matters for one quantity: pair by pair of its levels, or many summed up."""
    if len(answers) > _MOST_PAIRS:
        controls = (_control(one, plan, say) for one in answers)
        return (_many_pairs(answers, plan, say), *(one for one in controls if one))
    return tuple(said for one in answers for said in _pair_sentences(one, plan, say))


def _factor(plan: ComparisonPlan) -> str:
    """What the further factor is called, several of them together being one."""
    name = column_words(str(plan.where))
    return f"the combination of {name}" if len(plan.at_each) > 1 else name


def _levels(answer: FactorAnswer, plan: ComparisonPlan, say: Numerals) -> tuple[str, str]:
    """Both levels; those of several factors together by themselves, such as "10, wet"."""
    if len(plan.at_each) > 1:
        return answer.high, answer.low
    return place(answer.factor, answer.high, say), place(answer.factor, answer.low, say)


def _many_pairs(answers: Sequence[FactorAnswer], plan: ComparisonPlan, say: Numerals) -> str:
    """How many pairs of levels differ, and the one that differs most."""
    name, quantity = _factor(plan), answers[0].quantity
    pairs = f"{len(answers)} pairs of its levels"
    found = {one: [at for at in one.at if at.verdict is Verdict.CHANGED] for one in answers}
    shown = [one for one, changed in found.items() if changed]
    if not shown:
        said = f"{name} is not shown to matter for {quantity} at any time in any of {pairs}"
        return f"{capital(said)}."
    most = max(shown, key=lambda one: abs(found[one][-1].numbers.estimate))
    last, (high, low) = found[most][-1], _levels(most, plan, say)
    end = place(TIME, last.subject.where, say)
    differ = "differs" if len(shown) == 1 else "differ"
    said = (
        f"{name} matters for {quantity}: of {pairs} {len(shown)} {differ}, the most at {end}, "
        f"where {quantity} at {high} is {difference_of(last, say, f'at {low}')}"
    )
    return f"{capital(said)}."


def _pair_sentences(
    answer: FactorAnswer, plan: ComparisonPlan, say: Numerals = PLAIN
) -> tuple[str, ...]:
    """Two levels: whether and when they differ; the control; whether one course holds."""
    name, quantity = _factor(plan), answer.quantity
    high, low = _levels(answer, plan, say)
    if not answer.at:
        said = f"it cannot be told whether {name} matters for {quantity}: {low} and {high}"
        return (f"{capital(said)} were run at no common time after the first.",)
    last = answer.at[-1]
    end = place(TIME, last.subject.where, say)
    reads = f"at {end} {quantity} at {high} is {difference_of(last, say, f'at {low}')}"
    changed = [one.subject.where for one in answer.at if one.verdict is Verdict.CHANGED]
    if answer.since is not None:
        since = place(TIME, answer.since, say)
        when = "at the end" if answer.since == last.subject.where else f"from {since} on"
        said = f"{name} matters for {quantity} {when}: {reads}"
    elif changed:
        said = f"{name} matters for {quantity} at {_times(changed, say)}; {reads}"
    elif last.verdict is Verdict.CANNOT_BE_TOLD:
        why = " and ".join(sentence(one, say) for one in last.reasons)
        said = f"it cannot be told whether {name} matters for {quantity}"
        said += f", because {why}" if why else ""
    elif all(one.verdict is Verdict.EQUIVALENT for one in answer.at):
        margin = say(last.margin_percent or 0.0)
        said = f"{name} makes no difference to {quantity} beyond ±{margin} % at any time: {reads}"
    else:
        said = f"{name} is not shown to matter for {quantity} at any time: {reads}"
        if last.numbers.lower * last.numbers.upper > 0.0:
            said += ", an interval that holds for this time alone"
    found = [f"{capital(said)}.", _control(answer, plan, say)]
    if answer.is_one_course:
        margin = say(last.margin_percent or 0.0)
        found.append(
            f"One course may stand for both levels: within {margin} % {quantity} changed alike at "
            f"{high} and at {low}, at every time."
        )
    return tuple(one for one in found if one)


def difference_of(finding: Finding, say: Numerals, than: str = "") -> str:
    """A difference with the interval of its verdict."""
    return difference_words(finding.numbers.estimate, *ends_of(finding), say, than=than)


def _control(answer: FactorAnswer, plan: ComparisonPlan, say: Numerals) -> str:
    """A difference at the first time, where none is expected."""
    control = answer.control
    if control.verdict is not Verdict.CHANGED:
        return ""
    high, low = _levels(answer, plan, say)
    return (
        f"Already at {place(TIME, control.subject.where, say)}, before the levels can have done "
        f"anything, {answer.quantity} at {high} is "
        f"{difference_of(control, say, f'at {low}')}: look at the feed, the charges and the "
        "splitting."
    )


NOT_ESTIMATED = (VerdictRemark.RUN_TO_RUN_UNKNOWN, VerdictRemark.DRIFT_UNKNOWN)
"""What courses have in common that nobody estimated, and is said once of all of them."""

COURSES_CAPTION = "Each size from the first to the last milling time, and when to stop."
FACTORS_CAPTION = "Levels of a further factor compared at each milling time."
CONTROL_NOTE = (
    "At the first time the levels cannot have done anything yet: a difference there speaks of the "
    "feed, the charges or the splitting, not of the factor. Intervals hold for each time alone, p "
    "and verdict for all times together."
)
CONTROL = "control"


def courses_note(level: float, margin_percent: float, say: Numerals = PLAIN) -> str:
    """What the columns of the courses say."""
    return (
        f"At least: lower limit of the change by the end, which with the times shown holds at "
        f"{say(100 * level, '.3g')} %; the interval of the ratio is two-sided and holds alone. "
        f"When to stop: from when on less than {say(margin_percent)} % was left to gain by the end "
        "of the trial. Span has no direction and no unit."
    )


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
    asked = f"has it {'risen' if _rises(plan) else 'fallen'}, when to stop{further}"
    held = (
        f"The questions ({asked}) together err in at most {error} % of trials."
        if plan.one_family
        else f"Each question ({asked}) errs in at most {error} % of trials; --one-family holds "
        "them together."
    ) + f" {capital(_other(plan))} again, which is looked for besides, errs in {guard} % more."
    later = (WHAT_LATER,) if any(one.ending is Ending.LITTLE_LEFT for one in stops) else ()
    if stops[0].is_stated:
        return (held, *later, *_withstood(courses, say))
    assumed = (
        f"No margin was stated, so {say(stops[0].margin_percent)} % counts as too little to go on "
        "milling for; state yours as margin_percent in [compare] of study.toml, or with --margin."
    )
    return (assumed, held, *later, *_withstood(courses, say))


def _withstood(courses: Sequence[Course], say: Numerals) -> tuple[str, ...]:
    """What was not estimated, and the least of it that would undo one of the changes shown."""
    told = []
    for kind in NOT_ESTIMATED:
        own = {
            one: percent
            for course in courses
            if course_verdict(course) is Verdict.CHANGED
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
    asked: dict[str, list[str]] = {}
    for quantity, remark in told:
        asked.setdefault(sentence(remark, say), []).append(quantity)
    return tuple(f"{text} ({', '.join(dict.fromkeys(names))})." for text, names in asked.items())


_TIMES_EACH = {3: "three", 4: "four"}


def _repeat(say: Numerals, *, before: str, last: str, runs: int) -> str:
    return (
        f"Run {_times([before, last], say)} {_TIMES_EACH.get(runs, say(runs))} times each: single "
        "runs cannot show that little was left to gain"
    )


def _out_of_reach(say: Numerals, *, times_as_many: float) -> str:
    digits = 0 if times_as_many >= 10 else 1
    many = (
        f"more than {_MANY}"
        if times_as_many > _MANY
        else f"about {say.fixed(times_as_many, digits)}"
    )
    return f"it would take {many} times as many runs to show that less than the margin was left"


REMARKS: dict[RemarkKind, Wording] = {
    OrderedRemark.OUT_OF_REACH: _out_of_reach,
    OrderedRemark.BEYOND_SIEVES: lambda say, quantity, times: (
        f"the sieves do not bracket {quantity} at {_times(times, say)}"
    ),
    OrderedRemark.FEW_SINGLE_RUNS: lambda say, runs: (
        f"{say(runs)} single runs can show no more than a change by the end"
    ),
    OrderedRemark.SINGLE_RUNS: lambda _: (
        "single runs cannot show that less than the margin was left"
    ),
    AdviceRemark.REPEAT_LAST_TIMES: _repeat,
    AdviceRemark.MORE_RUNS: lambda say, before, last: (
        f"Add runs at {_times([before, last], say)}, which decide when to stop"
    ),
    AdviceRemark.MILL_LONGER: lambda say, last: (
        f"To find where little is left to gain, mill longer than {place(TIME, last, say)}"
    ),
    AdviceRemark.FINER_SIEVE: lambda say, below_um: (
        f"Add a sieve finer than {say.bound(below_um, '<')} µm, so that the size is more than a "
        "bound"
    ),
    AdviceRemark.COARSER_SIEVE: lambda say, above_um: (
        f"Add a sieve coarser than {say.bound(above_um, '>')} µm, so that the size is more than a "
        "bound"
    ),
    AdviceRemark.KNOW_RUN_TO_RUN: lambda _: (
        "Repeat runs of one kind, or declare how far they differ (run_to_run_percent in [compare] "
        "of study.toml, or --run-to-run): single runs alone do not show it"
    ),
    AdviceRemark.KNOW_DRIFT: lambda _: (
        "Run a third group, or declare how far groups drift apart from one time to the next "
        "(drift_percent in [compare] of study.toml, or --drift): two cannot show it"
    ),
    AdviceRemark.LOOK_AT_GROUP: lambda _, group: (
        f"Look for what {group} does otherwise: speed, balls, charge, sieves, shaking"
    ),
    AdviceRemark.LOOK_AT_START: lambda say, factor, time: (
        f"Find out why the levels of {column_words(factor)} differ already at "
        f"{place(TIME, time, say)}"
    ),
    AdviceRemark.BETTER_BALANCE: lambda say, shorter_percent: (
        f"Weigh on a better balance: a perfect one would shorten the interval by "
        f"{say.per_cent(shorter_percent / 100)}"
    ),
}
