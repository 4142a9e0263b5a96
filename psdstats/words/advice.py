"""Whether the balance is good enough, and what to do next, in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from psdstats.columns import TIME, column_words
from psdstats.comparison.advice import AdviceRemark
from psdstats.findings import BalanceAnswer, Remark, RemarkKind
from psdstats.words.courses import place, times_words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import Wording, joined, sentence


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


_TIMES_EACH = {3: "three", 4: "four"}


def _repeat(say: Numerals, *, before: str, last: str, runs: int) -> str:
    return (
        f"Run {times_words([before, last], say)} {_TIMES_EACH.get(runs, say(runs))} times each: "
        "single runs cannot show that little was left to gain"
    )


REMARKS: dict[RemarkKind, Wording] = {
    AdviceRemark.REPEAT_LAST_TIMES: _repeat,
    AdviceRemark.MORE_RUNS: lambda say, before, last: (
        f"Add runs at {times_words([before, last], say)}, which decide when to stop"
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
    AdviceRemark.LOOK_AT_GROUP: lambda _, group, several=False: (
        f"Look for what {group} {'do' if several else 'does'} differently: speed, balls, charge, "
        "sieves or shaking"
    ),
    AdviceRemark.LOOK_AT_START: lambda say, factor, time: (
        f"Find out why the levels of {column_words(factor)} differ already at "
        f"{place(TIME, time, say)}"
    ),
    AdviceRemark.BETTER_BALANCE: lambda _, shorter_percent: (  # noqa: ARG005, told before
        "Weigh on a better balance"
    ),
}
