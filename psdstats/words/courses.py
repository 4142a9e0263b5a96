"""Courses over milling time in words: fallen, since when, when to stop, does the factor matter.

A factor is told pair by pair of its levels, or many pairs summed up.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import NamedTuple

import numpy as np

from psdstats.columns import TIME, column_words, with_unit
from psdstats.comparison.plan import ComparisonPlan, Direction
from psdstats.findings import Course, Ending, FactorAnswer, Finding, Numbers, Stop, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.numbers import LEAST_TOLD, PLAIN, Numerals, difference_words
from psdstats.words.remarks import alike, capital, joined, place, sentence, times_words

SPAN_HAS_NONE = " Span has no unit."
WHAT_LATER = "What longer milling would do, this trial does not say."
_MOST_PAIRS = 3  # of levels of a further factor told one by one


def level_words(where: str, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """The level of the further factors, such as "ball ratio 10"; empty where there is none.

    Levels of several factors together name their factors behind: "10, wet (ball ratio, medium)".
    """
    if len(plan.at_each) > 1 and where:
        return f"{where} ({', '.join(map(column_words, plan.at_each))})"
    return place(str(plan.where), where, say) if where else ""


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


def size_cell(numbers: Numbers, quantity: str, say: Numerals = PLAIN) -> str:
    """The same for a cell of a table: "254.1", "< 53", "1.25 to 1.35"."""
    if np.isfinite(numbers.estimate) or np.isnan([numbers.lower, numbers.upper]).all():
        return size_words(numbers, quantity, say)
    low, high = (float(np.exp(one)) for one in (numbers.lower, numbers.upper))
    if np.isfinite([numbers.lower, numbers.upper]).all():
        return f"{say.bound(low, '>')} to {say.bound(high, '<')}"
    side, end = ("<", high) if np.isfinite(numbers.upper) else (">", low)
    return say.measured(end, np.nan, side=side)


def _spread_of(numbers: Numbers) -> float:
    """By what a size is rounded: its u, or a quarter of its interval."""
    return numbers.u if np.isfinite(numbers.u) else (numbers.upper - numbers.lower) / 4


def _from_to(course: Course, say: Numerals) -> str:
    """Both ends of a course: "from 254.1 to below 53 µm"."""
    start, end = (size_words(one, course.quantity, say) for one in (course.start, course.end))
    return f"from {start} to {with_unit(end, course.quantity)}"


def _went_up(numbers: Numbers) -> bool:
    return numbers.estimate > 0 if np.isfinite(numbers.estimate) else numbers.lower > 0


def ends_of(finding: Finding) -> tuple[float, float]:
    """The interval that goes with a verdict: that of the equivalence test, else of the change."""
    own = finding.numbers
    if finding.verdict is Verdict.EQUIVALENT and np.isfinite(own.equivalence_lower):
        return own.equivalence_lower, own.equivalence_upper
    return own.lower, own.upper


def course_sentences(
    courses: Sequence[Course], plan: ComparisonPlan, say: Numerals = PLAIN
) -> list[tuple[Verdict, str]]:
    """What each size did from the first to the last time; levels where it moved alike together."""
    told = list[tuple[Verdict, str]]()
    for own in alike(courses, lambda one: (one.quantity, one.times[-1], _moved(one, plan))):
        verdict, verb = own[0].verdict, _moved(own[0], plan)
        if verb and all(one.where for one in own):
            told.append((verdict, _moved_sentence(own, verb, plan, say)))
        else:
            told += [(one.verdict, course_sentence(one, plan, say)) for one in own]
    return told


def _moved(course: Course, plan: ComparisonPlan) -> str:
    """The verb of a course that moved; empty where that is not what was found."""
    if course.stop is not None and course.shown[-1]:
        return way_of(plan).went
    if (course.stop is None or not any(course.shown)) and (
        course.fallen.verdict is Verdict.CHANGED
    ):
        return "rose" if _went_up(course.fallen.numbers) else "fell"
    return ""


def _moved_sentence(
    courses: Sequence[Course], verb: str, plan: ComparisonPlan, say: Numerals
) -> str:
    """One size that went the same way at each of some levels, or without any."""
    last, parts = place(TIME, courses[0].times[-1], say), list[str]()
    levels = [f" at {level_words(one.where, plan, say)}" if one.where else "" for one in courses]
    alone, *others = levels if len(levels) == 1 else ("", *levels)
    for one, at in zip(courses, others or ("",), strict=True):
        by = _by_how_much(one, plan, say)
        parts.append(f"{_from_to(one, say)}{at}{f', by {by}' if by else ''}")
    said = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])}, and {parts[-1]}"
    return f"By {last} {courses[0].quantity}{alone} {verb} {said}{_clauses(courses, say)}."


def _by_how_much(course: Course, plan: ComparisonPlan, say: Numerals) -> str:
    """Size of a move: with its lower limit where it has one, else with its interval."""
    if course.stop is None or not course.shown[-1]:
        return difference_of(course.fallen, say, has_verb=True)
    estimate, least = course.fallen.numbers.estimate, _least(course, plan)
    share = gain_share(estimate if plan.direction is Direction.RISING else -estimate, plan)
    limit = f"at least {say.at_least(least)}" if least >= LEAST_TOLD else ""
    if np.isnan(share):
        return limit
    told = say.per_cent(share, decimals=1 if abs(share) < 0.1 else 0)
    return f"{told} ({limit})" if limit else told


def _least(course: Course, plan: ComparisonPlan) -> float:
    gain = course.at_least[-1] if course.at_least else np.nan
    return gain_share(gain, plan)


def _clauses(courses: Sequence[Course], say: Numerals) -> str:
    """What stands beside the verdicts, each once."""
    reasons = (why for one in courses for why in one.fallen.reasons)
    told = dict.fromkeys(sentence(one, say) for one in reasons if one.kind not in NOT_ESTIMATED)
    return "".join(f"; {one}" for one in told)


def course_sentence(course: Course, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """What one size did from the first to the last time."""
    finding, last = course.fallen, place(TIME, course.times[-1], say)
    has_direction, verb = course.stop is not None, _moved(course, plan)
    if verb:
        return _moved_sentence([course], verb, plan, say)
    reads = difference_of(finding, say)
    went = f"it went {_from_to(course, say)}{f', which is {reads}' if reads else ''}"
    if has_direction and any(course.shown):
        said = f"{_in_between(course, plan, say)}{f': it reads {reads}' if reads else ''}"
    elif finding.verdict is Verdict.CANNOT_BE_TOLD:
        return _not_told(course, plan, went, say)
    elif finding.verdict is Verdict.EQUIVALENT:
        first, margin = place(TIME, course.times[0], say), say(finding.margin_percent or 0)
        said = f"is the same at {last} as at {first} within ±{margin} %: {went}"
    else:
        done = way_of(plan).gone if has_direction else "changed"
        said = f"is not shown to have {done} by {last}: {went}"
    head = head_words(course.where, plan, say)
    return f"{capital(f'{head}{course.quantity} {said}')}{_clauses([course], say)}."


def least_words(course: Course, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """Lower limit of the change by the end, for a cell of a table; empty where there is none."""
    share = _least(course, plan)
    return say.at_least(share) if LEAST_TOLD <= share < np.inf else ""


def stop_words(course: Course, plan: ComparisonPlan, say: Numerals = PLAIN) -> str:
    """When to stop, for a cell of a table; empty for a quantity without direction."""
    stop = course.stop
    match stop and stop.ending:
        case Ending.LITTLE_LEFT if stop:
            since = place(TIME, stop.since or stop.before, say)
            return f"from {since}" if any(course.shown) else "no gain shown"
        case Ending.STILL_FALLING:
            return f"still {way_of(plan).going}"
        case Ending.COARSER_AGAIN:
            return f"{way_of(plan).other} again"
        case Ending.CANNOT_BE_TOLD:
            return Verdict.CANNOT_BE_TOLD.value
    return ""


class Way(NamedTuple):
    """The words of a direction: what a size did, has done, was doing, has become, or again."""

    went: str
    gone: str
    going: str
    finer: str
    other: str


def way_of(plan: ComparisonPlan) -> Way:
    """The words of the direction that a size is expected to go."""
    if plan.direction is Direction.RISING:
        return Way("rose", "risen", "rising", "coarser", "finer")
    return Way("fell", "fallen", "falling", "finer", "coarser")


def gain_share(gain: float, plan: ComparisonPlan) -> float:
    """A gain of ln size, in the direction asked, as a share of the size it started from."""
    return float(np.expm1(gain) if plan.direction is Direction.RISING else -np.expm1(-gain))


def _at_least(gain: float, plan: ComparisonPlan, say: Numerals, before: str) -> str:
    share = gain_share(gain, plan)
    return f"{before} at least {say.at_least(share)}" if share >= LEAST_TOLD else ""


def since_sentences(
    courses: Sequence[Course], plan: ComparisonPlan, say: Numerals = PLAIN
) -> list[str]:
    """From when on sizes are shown to be finer, alike together; none without a time between."""
    known = [
        one
        for one in courses
        if one.stop is not None and one.shown[-1] and one.since is not None and len(one.times) > 2
    ]
    told = []
    for own in alike(known, lambda one: (one.times[0], one.times[-1], one.since)):
        first, last, since = (str(one) for one in (own[0].times[0], own[0].times[-1], own[0].since))
        than, since_when = (place(TIME, one, say) for one in (first, since))
        for names, head in shared(own, courses, plan, say):
            sizes, are = joined(names), "is" if len(names) == 1 else "are"
            finer = f"{way_of(plan).finer} than at {than}"
            if since == last:
                said = f"{sizes} {are} not shown to be {finer} before {since_when}"
            else:
                said = f"{sizes} {are} {finer} from {since_when} on"
            told.append(f"{capital(head + said)}.")
    return told


def shared(
    own: Sequence[Course], everyone: Sequence[Course], plan: ComparisonPlan, say: Numerals
) -> list[tuple[list[str], str]]:
    """Sizes of which the same holds, and at which levels: "At both levels of ball ratio, "."""
    where: dict[str, tuple[str, ...]] = {}
    for one in own:
        where[one.quantity] = (*where.get(one.quantity, ()), one.where)
    count = {name: sum(one.quantity == name for one in everyone) for name in where}
    return [
        (names, _heads(where[names[0]], count[names[0]], plan, say))
        for names in alike(where, lambda name: (where[name], count[name]))
    ]


def _heads(levels: Sequence[str], everywhere: int, plan: ComparisonPlan, say: Numerals) -> str:
    """At which levels of the further factors, in words; empty where there are none."""
    if not any(levels):
        return ""
    if len(levels) > 1 and len(levels) == everywhere:
        what = " and ".join(map(column_words, plan.at_each))
        kind = "levels" if len(plan.at_each) == 1 else "combinations"
        return f"At {'both' if len(levels) == 2 else 'all'} {kind} of {what}, "
    return f"At {joined([level_words(one, plan, say) for one in levels])}, "


def _in_between(course: Course, plan: ComparisonPlan, say: Numerals) -> str:
    """Finer in the middle of the trial, which the end does not show."""
    finer = way_of(plan).finer
    first, last = (place(TIME, course.times[k], say) for k in (0, -1))
    at = [time for time, shown in zip(course.times[1:], course.shown, strict=True) if shown]
    bounds = [
        bound
        for bound, shown in zip(course.at_least, course.shown, strict=True)
        if shown and np.isfinite(bound)
    ]
    least = _at_least(max(bounds), plan, say, ", by") if bounds else ""
    return (
        f"was {finer} at {times_words(at, say)} than at {first}{least}; at {last} it is not shown "
        f"to be {finer}"
    )


def _not_told(course: Course, plan: ComparisonPlan, went: str, say: Numerals) -> str:
    verb = way_of(plan).went if course.stop is not None else "changed"
    why = " and ".join(sentence(one, say) for one in course.fallen.reasons)
    last = place(TIME, course.times[-1], say)
    said = head_words(course.where, plan, say)
    said += f"it cannot be told whether {course.quantity} {verb} by {last}"
    if why:
        said += f", because {why}"
    if np.isfinite([course.start.estimate, course.end.estimate]).all():
        said += f"; {went}"
    return f"{capital(said)}."


def stop_sentences(
    courses: Sequence[Course], plan: ComparisonPlan, say: Numerals = PLAIN
) -> list[str]:
    """When to stop, sizes and levels of which the same holds together; none without a direction."""
    known = [one for one in courses if one.stop is not None]
    told = []
    for own in alike(known, _stop_key):
        for names, head in shared(own, courses, plan, say):
            some = [one for one in own if one.quantity in names]
            told.append(capital(f"{head}{_stop_words(some, names, plan, say)}."))
    return told


def _stop_key(course: Course) -> Hashable:
    """What the sentences on two courses have in common."""
    stop = course.stop
    assert stop is not None  # noqa: S101
    told = (stop.since, stop.stayed_within, stop.coarser_after, stop.reasons)
    return (stop.ending, stop.before, stop.last, stop.margin_percent, *told)


def _stop_words(
    courses: Sequence[Course], names: Sequence[str], plan: ComparisonPlan, say: Numerals
) -> str:
    stop = courses[0].stop
    assert stop is not None  # noqa: S101
    last, sizes, other = place(TIME, stop.last, say), joined(names), way_of(plan).other
    step = f"{say(float(stop.before), '.12g')} to {last}"
    is_one = len(names) == 1
    match stop.ending:
        case Ending.LITTLE_LEFT:
            return little_left(stop, names, say)
        case Ending.STILL_FALLING:
            going, by = way_of(plan).going, _gains(courses, names, plan, say)
            told = (
                f"the last step ({step}) made {'it' if is_one else 'them'} {way_of(plan).finer}{by}"
            )
            return f"{sizes} {'was' if is_one else 'were'} still {going} at the end: {told}"
        case Ending.COARSER_AGAIN:
            they, than = "it is" if is_one else "they are", times_words(stop.coarser_after, say)
            return (
                f"{sizes} got {other} again: at the end of the trial ({last}) {they} {other} than "
                f"at {than}"
            )
        case Ending.CANNOT_BE_TOLD:
            said = _stop_not_told(courses, names, step, plan, say)
            return f"it cannot be told from {sizes} when to stop{said}"


def _gains(
    courses: Sequence[Course], names: Sequence[str], plan: ComparisonPlan, say: Numerals
) -> str:
    """Lower limits of what the last step gained, size by size, level by level."""
    told = _of_each(courses, names, lambda stop: gain_share(stop.gain_at_least, plan), say.at_least)
    return f" by at least {told}" if told else ""


def _of_each(
    courses: Sequence[Course],
    names: Sequence[str],
    share: Callable[[Stop], float],
    write: Callable[[float], str],
) -> str:
    """Shares of the last step, such as "19 % and 11 % (D10), 21 % and 25 % (D50)"."""
    parts = list[tuple[str, str]]()
    for name in names:
        own = [share(one.stop) for one in courses if one.quantity == name and one.stop is not None]
        if any(not LEAST_TOLD <= one < np.inf for one in own):
            return ""
        written = list(dict.fromkeys(map(write, own)))
        few = written if len(own) <= _MOST_PAIRS and len(written) > 1 else [write(min(own))]
        parts.append((joined(few), name))
    if len({told for told, _ in parts}) == 1:
        return parts[0][0]
    return ", ".join(f"{told} ({name})" for told, name in parts)


def little_left(stop: Stop, names: Sequence[str], say: Numerals) -> str:
    """From when on little was left, and what the trial does not say."""
    since, margin = stop.since or stop.before, say(stop.margin_percent)
    they, ends = ("it", "its end") if len(names) == 1 else ("they", "their ends")
    said = (
        f"less than {margin} % of {joined(names)} was left to gain from {place(TIME, since, say)} "
        f"to the end of the trial ({place(TIME, stop.last, say)})"
    )
    stayed = f"{they} stayed within ±{margin} % of {ends}"
    if stop.stayed_within == since:
        said += f", and from then on {stayed}"
    elif stop.stayed_within is not None:
        said += f"; from {place(TIME, stop.stayed_within, say)} on {stayed}"
    return said


def _stop_not_told(
    courses: Sequence[Course], names: Sequence[str], step: str, plan: ComparisonPlan, say: Numerals
) -> str:
    """What the last step may have gained, and why no more can be said."""
    stop = courses[0].stop
    why = " and ".join(sentence(one, say) for one in (stop.reasons if stop is not None else ()))
    most = _of_each(courses, names, lambda one: gain_share(one.gain_at_most, plan), say.at_most)
    if not most:
        return f", because {why}" if why else ""
    said = f": in the last step ({step}) up to {most} may have been gained"
    return f"{said}; {why}" if why else said


def difference_of(
    finding: Finding, say: Numerals, than: str = "", *, has_verb: bool = False
) -> str:
    """A difference with the interval of its verdict."""
    ends = ends_of(finding)
    told = difference_words(finding.numbers.estimate, *ends, say, than=than, has_verb=has_verb)
    is_own = ends == (finding.numbers.lower, finding.numbers.upper)
    return told if is_own or not told else f"{told} by the equivalence test"


NOT_ESTIMATED = (VerdictRemark.RUN_TO_RUN_UNKNOWN, VerdictRemark.DRIFT_UNKNOWN)
"""What courses have in common that nobody estimated, and is said once of all of them."""


def factor_sentences(
    answers: Sequence[FactorAnswer], plan: ComparisonPlan, say: Numerals = PLAIN
) -> tuple[str, ...]:
    """Whether a factor matters: sizes of which the same holds together, many pairs summed up."""
    by_size = alike(answers, lambda one: one.quantity)
    if any(len(own) > _MOST_PAIRS for own in by_size):
        sums = (_many_pairs(own, plan, say) for own in by_size)
        return (*sums, *_controls(answers, plan, say))
    gaps = {id(one): _gaps(one, answers) for one in answers}
    told = [
        _pair_sentence(own, key, gaps[id(own[0])], plan, say)
        for own in alike(
            answers, lambda one: (one.high, one.low, _found(one, gaps[id(one)], say), gaps[id(one)])
        )
        for key in (_found(own[0], gaps[id(own[0])], say),)
    ]
    return (*told, *_controls(answers, plan, say), *_one_course(answers, plan, say))


def _factor(plan: ComparisonPlan) -> str:
    """What the further factor is called, several of them together being one."""
    name = " and ".join(map(column_words, plan.at_each))
    return f"the combination of {name}" if len(plan.at_each) > 1 else name


def _levels(answer: FactorAnswer, plan: ComparisonPlan, say: Numerals) -> tuple[str, str]:
    """Both levels; those of several factors together by themselves, such as "10, wet"."""
    if len(plan.at_each) > 1:
        return answer.high, answer.low
    return place(answer.factor, answer.high, say), place(answer.factor, answer.low, say)


def _gaps(answer: FactorAnswer, answers: Sequence[FactorAnswer]) -> tuple[str, ...]:
    """Times at which two levels are compared in other sizes, and could not be in this one."""
    pair, own = (answer.high, answer.low), {one.subject.where for one in answer.at}
    every = (one.at for one in answers if (one.high, one.low) == pair)
    times = {one.subject.where for at in every for one in at}
    return tuple(sorted(times - own, key=float)) if own else ()


def _found(answer: FactorAnswer, gaps: Sequence[str], say: Numerals) -> tuple[Hashable, ...]:
    """What was found of one pair: a kind, and what its words need."""
    if not answer.at:
        return ("no time",)
    last = answer.at[-1]
    changed = tuple(one.subject.where for one in answer.at if one.verdict is Verdict.CHANGED)
    if answer.since is not None and not any(float(one) > float(answer.since) for one in gaps):
        return ("since", answer.since, answer.since == last.subject.where)
    if changed:
        return ("at times", changed)
    if last.verdict is Verdict.CANNOT_BE_TOLD:
        return ("untold", tuple(sentence(one, say) for one in last.reasons))
    if all(one.verdict is Verdict.EQUIVALENT for one in answer.at):
        return ("equal", last.margin_percent)
    return ("not shown",)


def _pair_sentence(
    own: Sequence[FactorAnswer],
    found: tuple[Hashable, ...],
    gaps: Sequence[str],
    plan: ComparisonPlan,
    say: Numerals,
) -> str:
    """Two levels: whether and when they differ, in each of some sizes."""
    name, sizes = _factor(plan), joined([one.quantity for one in own])
    high, low = _levels(own[0], plan, say)
    compared = [one.subject.where for one in own[0].at]
    ever = f"at {times_words(compared, say)}" if gaps else "at any time"
    match found:
        case ("no time",):
            return capital(
                f"it cannot be told whether {name} matters for {sizes}, because {low} and {high} "
                "were run at no common time after the first."
            )
        case ("untold", tuple() as reasons):
            because = f", because {' and '.join(map(str, reasons))}" if reasons else ""
            return capital(f"it cannot be told whether {name} matters for {sizes}{because}.")
        case ("since", since, at_end):
            when = (
                "at the last time compared" if at_end else f"from {place(TIME, str(since), say)} on"
            )
            said = f"{name} matters for {sizes} {when}"
        case ("at times", tuple() as times):
            said = f"{name} matters for {sizes} at {times_words([str(one) for one in times], say)}"
        case ("equal", margin):
            margin = say(float(str(margin or 0.0)))
            said = f"{name} makes no difference to {sizes} beyond ±{margin} % {ever}"
        case _:
            said = f"{name} is not shown to matter for {sizes} {ever}"
    after = "; " if found[0] == "at times" else ": "
    untold = f"; at {times_words(gaps, say)} it cannot be told" if gaps else ""
    return capital(f"{said}{after}{_at_the_end(own, high, low, say)}{untold}.")


def _at_the_end(own: Sequence[FactorAnswer], high: str, low: str, say: Numerals) -> str:
    """How far the levels differ at the last time at which each size could be compared."""
    told = list[str]()
    latest = sorted(own, key=lambda one: -float(one.at[-1].subject.where))
    for same in alike(latest, lambda one: one.at[-1].subject.where):
        end = place(TIME, same[0].at[-1].subject.where, say)
        first = not told
        than = f"at {low}" if first else ""
        parts = []
        for one in same:
            last = one.at[-1]
            difference = difference_of(last, say, than)
            parts.append(f"{one.quantity}{f' at {high}' if than else ''} is {difference}")
            than = ""
        told.append(f"at {end} {joined(parts)}")
    lone = [one for one in own if _is_alone(one)]
    if lone:
        which = "" if len(lone) == len(own) else f" of {joined([one.quantity for one in lone])}"
        told.append(f"the interval{which} holds for this time alone")
    return "; ".join(told)


def _is_alone(answer: FactorAnswer) -> bool:
    """Whether the interval at the last time leaves out no change although none is shown."""
    numbers = answer.at[-1].numbers
    changed = any(one.verdict is Verdict.CHANGED for one in answer.at)
    return not changed and numbers.lower * numbers.upper > 0.0


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


def _controls(answers: Sequence[FactorAnswer], plan: ComparisonPlan, say: Numerals) -> list[str]:
    """Differences at the first time, where none is expected."""
    apart = [one for one in answers if one.control.verdict is Verdict.CHANGED]
    told = []
    for own in alike(apart, lambda one: (one.high, one.low, one.control.subject.where)):
        high, low = _levels(own[0], plan, say)
        than, parts = f"at {low}", list[str]()
        for one in own:
            at = f" at {high}" if than else ""
            parts.append(f"{one.quantity}{at} is {difference_of(one.control, say, than)}")
            than = ""
        told.append(
            f"Already at {place(TIME, own[0].control.subject.where, say)}, before the levels can "
            f"have done anything, {joined(parts)}: look at the feed, the charges and the splitting."
        )
    return told


def _one_course(answers: Sequence[FactorAnswer], plan: ComparisonPlan, say: Numerals) -> list[str]:
    """Sizes that changed alike at two levels."""
    same = [one for one in answers if one.is_one_course]
    told = []
    for own in alike(same, lambda one: (one.high, one.low)):
        high, low = _levels(own[0], plan, say)
        margin = say(own[0].at[-1].margin_percent or 0.0)
        told.append(
            f"One course may stand for {low} and {high}: {joined([one.quantity for one in own])} "
            f"changed alike at both, within {margin} % at every time."
        )
    return told
