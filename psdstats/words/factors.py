"""Whether a further factor matters, in words: pair by pair of its levels, or many summed up."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

from psdstats.columns import TIME, column_words
from psdstats.comparison.plan import ComparisonPlan
from psdstats.findings import FactorAnswer, Finding, Verdict
from psdstats.words.courses import difference_of
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import alike, capital, joined, place, sentence, times_words

_MOST_PAIRS = 3  # of levels told one by one


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
        told.append(
            f"One course may stand for {low} and {high}: {joined([one.quantity for one in own])} "
            f"changed alike at both, within {say(_margin(own[0].at[-1]))} % at every time."
        )
    return told


def _margin(finding: Finding) -> float:
    return finding.margin_percent or 0.0
