"""Whether the groups of a trial agree, in words: each against the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from psdstats.columns import TIME
from psdstats.comparison.advice import differs
from psdstats.findings import BenchAnswer, Finding, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.courses import difference_of, place
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import joined, sentence

_MOST_CONDITIONS = 3  # of one group told one by one
BENCHES_CAPTION = "Each group against the others: at each condition, in rate, and on average."
BENCHES_NOTE = (
    "Rate: the ratio of last to first time against that of the others. Intervals at the conditions "
    "hold for all groups and conditions together."
)
RATE, AVERAGE = "last to first time", "average"


def conditions(answer: BenchAnswer, say: Numerals = PLAIN) -> list[tuple[str, Finding]]:
    """Each condition in words, such as "48 min, ball ratio 10", with what was found there."""
    told = [", ".join(place(*one, say) for one in levels) for levels in answer.conditions]
    return list(zip(told or [""] * len(answer.at), answer.at, strict=True))


def bench_sentences(answers: Sequence[BenchAnswer], say: Numerals = PLAIN) -> tuple[str, ...]:
    """Whether the groups agree in one quantity: those that differ first, then the others."""
    if not answers:
        return ()
    apart = sorted(filter(differs, answers), key=_farthest, reverse=True)
    rest = [one for one in answers if one not in apart]
    found = [_apart(one, say) for one in apart]
    found += _agreeing(rest, everyone=not apart, say=say)
    found += _not_shown(rest, everyone=not apart, say=say)
    return (*found, *_untold(rest, say))


def _farthest(answer: BenchAnswer) -> float:
    """The largest difference shown: one group apart moves the mean that the others are against."""
    told = (one for one in (*answer.at, answer.rate, answer.average) if one is not None)
    return max(abs(one.numbers.estimate) for one in told if one.verdict is Verdict.CHANGED)


def _apart(answer: BenchAnswer, say: Numerals) -> str:
    """Where one group differs, and whether it mills at another rate."""
    name, parts = answer.quantity, list[str]()
    other = answer.at[0].subject.low or "the other groups"
    changed = [one for one in conditions(answer, say) if one[1].verdict is Verdict.CHANGED]
    changed.sort(key=lambda one: -abs(one[1].numbers.estimate))
    told = [f"{difference_of(one, say)} at {where}" for where, one in changed[:_MOST_CONDITIONS]]
    if told:
        more = len(changed) - len(told)
        also = f", and differs at {more} more conditions" if more > 1 else ""
        also = ", and differs at 1 more condition" if more == 1 else also
        parts.append(f"its {name} is {joined(told)}{also}")
    rate, average = answer.rate, answer.average
    if rate is not None and rate.verdict is Verdict.CHANGED:
        ends = ("the last time", "the first")
        if rate.subject.low:
            ends = (place(TIME, rate.subject.high, say), place(TIME, rate.subject.low, say))
        parts.append(
            f"its {name} at {ends[0]} over its {name} at {ends[1]} is "
            f"{difference_of(rate, say, 'theirs')}"
        )
    if not parts and average is not None:
        parts.append(f"on average over the conditions its {name} is {difference_of(average, say)}")
    return f"{answer.group} differs from {other}: {'; '.join(parts)}."


def _alike(answer: BenchAnswer, verdict: Verdict) -> bool:
    return bool(answer.at) and all(one.verdict is verdict for one in answer.at)


def _agreeing(rest: Sequence[BenchAnswer], *, everyone: bool, say: Numerals) -> list[str]:
    own = [one for one in rest if _alike(one, Verdict.EQUIVALENT)]
    if not own:
        return []
    margin = say(own[0].at[0].margin_percent or 0.0)
    who = "The groups agree" if everyone and len(own) == len(rest) else _who(own, "agree", "agrees")
    others = "" if everyone and len(own) == len(rest) else " with the others"
    return [f"{who}{others} in {own[0].quantity} within ±{margin} % at every condition."]


def _who(answers: Sequence[BenchAnswer], plural: str, single: str) -> str:
    names = [one.group for one in answers]
    return f"{joined(names)} {plural if len(names) > 1 else single}"


def _not_shown(rest: Sequence[BenchAnswer], *, everyone: bool, say: Numerals) -> list[str]:
    """Groups of which no difference is shown, and how large one may yet be."""
    own = [one for one in rest if not _alike(one, Verdict.EQUIVALENT) and not _is_untold(one)]
    own = [one for one in own if one.at or one.average is not None]
    if not own:
        return []
    name = own[0].quantity
    if everyone and len(own) == len(rest):
        said = f"The groups are not shown to differ in {name}"
    else:
        said = f"{_who(own, 'are', 'is')} not shown to differ from the others in {name}"
    limits = [end for one in own for at in one.at for end in (at.numbers.lower, at.numbers.upper)]
    known = [abs(end) for end in limits if np.isfinite(end)]
    if known:
        most = say.at_most(float(np.expm1(max(known))))
        said += f"; differences of up to {most} at one condition remain possible"
        said += _beyond_margin(own, max(known), say)
    return [f"{said}."]


def _beyond_margin(own: Sequence[BenchAnswer], most: float, say: Numerals) -> str:
    margin = own[0].at[0].margin_percent if own[0].at else None
    if margin is None or most <= np.log1p(margin / 100):
        return ""
    return f", more than the margin of {say(margin)} %"


def _is_untold(answer: BenchAnswer) -> bool:
    """Whether no condition has an interval that says how large a difference may be."""
    lost = (
        any(why.kind is not VerdictRemark.MARGIN_TOO_SMALL for why in one.reasons)
        for one in answer.at
    )
    return _alike(answer, Verdict.CANNOT_BE_TOLD) and any(lost)


def _untold(rest: Sequence[BenchAnswer], say: Numerals) -> list[str]:
    own = [one for one in rest if _is_untold(one)]
    said: dict[str, list[BenchAnswer]] = {}
    for one in own:
        reasons = dict.fromkeys(sentence(why, say) for at in one.at for why in at.reasons)
        said.setdefault(" and ".join(reasons), []).append(one)
    return [
        f"It cannot be told whether {_who(same, 'agree', 'agrees')} with the others in "
        f"{same[0].quantity}{f', because {why}' if why else ''}."
        for why, same in said.items()
    ]
