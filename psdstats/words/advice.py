"""Whether the balance is good enough, and what to do next, in words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from psdstats.comparison.advice import AdviceRemark
from psdstats.findings import BalanceAnswer, Remark
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import joined, sentence


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
