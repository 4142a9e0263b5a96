"""How groups compare, in words: findings, precision, consistency and their captions."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from psdstats.columns import TIME, column_words, listed
from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.answers import differs
from psdstats.comparison.benches import farthest
from psdstats.comparison.groups import GroupAgreement, Precision, Scale
from psdstats.findings import BenchAnswer, Finding, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.courses import difference_of
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import alike, capital, joined, phrases, place, sentence, told_of

HEADING = "Do the groups agree?"
BEHIND = "Groups: every difference, and precision"
NOTES_HEADING = "Notes on the groups"
FROM_OTHERS = "difference from the others / %"
_MOST_LEADING = 2


@told_of.register
def agreement_sentences(agreement: GroupAgreement, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Those that differ first, then the others; what it rests on, and what was set aside."""
    return (*bench_sentences(agreement.answers, say), *rests_on(agreement, say))


def lead_sentences(agreement: GroupAgreement, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What is said of the groups beside those that differ, which page one tells."""
    if not any(map(differs, agreement.answers)):
        return ()
    return other_sentences(agreement.answers, say)[:_MOST_LEADING]


def rests_on(agreement: GroupAgreement, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The scatter by which the groups were judged, and the runs set aside."""
    aside = ", ".join(agreement.set_aside)
    because = "Set aside, because a size of their cell is not bracketed by the sieves"
    judged = any(np.isfinite(at.numbers.estimate) for one in agreement.answers for at in one.at)
    told = (_scatter(agreement, say) if judged else "", f"{because}: {aside}." if aside else "")
    return tuple(filter(None, told))


def _scatter(agreement: GroupAgreement, say: Numerals) -> str:
    spread = agreement.spread
    reasons = (why.kind for one in agreement.answers for at in one.at for why in at.reasons)
    by_measurement = (VerdictRemark.UNDONE, VerdictRemark.RUN_TO_RUN_UNKNOWN)
    if spread.basis is SpreadBasis.NONE or any(kind in by_measurement for kind in reasons):
        return _FROM[SpreadBasis.NONE]
    size = "is not seen beside the measurement"
    if spread.run > 0:
        size = f"is {say(100 * spread.run, '.2g')} %"
    return f"Run-to-run variation {size}, from {_FROM[spread.basis]}."


_FROM = phrases("spread")


def place_words(
    row: Mapping[Hashable, Any], conditions: Iterable[str], say: Numerals = PLAIN
) -> str:
    """The condition of a row in words.

    Examples
    --------
    >>> row = {"milling_time_min": 6.0, "ball_ratio": 5.0}
    >>> place_words(row, ["milling_time_min", "ball_ratio"])
    '6 min, ball ratio 5'
    """
    words = []
    for name in conditions:
        value = row[name] if isinstance(row[name], str) else say(row[name], ".12g")
        words.append(f"{value} min" if name == TIME else f"{column_words(name)} {value}")
    return ", ".join(words)


def rate_note(agreement: GroupAgreement, say: Numerals = PLAIN) -> str:
    """What the rate of a group is, in front of the note of its table; empty without one."""
    rates = [one.rate for one in agreement.answers if one.rate is not None]
    if not rates:
        return ""
    subject = rates[0].subject
    high, low = (place(TIME, level, say) for level in (subject.high, subject.low))
    return (
        f"{capital(RATE)}: the ratio of {agreement.quantity} at {high} to that at {low}, "
        "against that of the others. "
    )


def panel_title(agreement: GroupAgreement, group: str) -> str:
    """What one panel shows: a group, or the one pair there is."""
    own = (finding for one in agreement.answers if one.group == group for finding in one.at)
    low = next((finding.subject.low for finding in own), "")
    return f"{group} against {low}" if low else group


def deviations_caption(
    agreement: GroupAgreement, others: Sequence[BenchAnswer], say: Numerals = PLAIN, *, panels: int
) -> str:
    """What the figure of deviations shows, and which other sizes differ where."""
    margin = agreement.margin_percent
    every = sum(bool(one.conditions) for one in agreement.answers)
    which = "each group" if panels == every else f"the {panels} groups farthest from the others"
    pair = any(at.subject.low for one in agreement.answers for at in one.at)
    against = "the two groups" if pair else f"{which} against the mean of the others"
    told = (
        f"Is a group apart, and where? {agreement.quantity} of {against} at each "
        f"condition, with {say(100 * agreement.level)} % intervals that hold for all together"
    )
    told += "" if margin is None else f"; shaded: within ±{say(margin)} %"
    shown = (agreement.by_condition["verdict"] == Verdict.CHANGED).any()
    told += "; filled, with their number: shown to differ." if shown else "."
    found = [
        f"{one.quantity} of {one.group} at {', '.join(place(*level, say) for level in levels)}"
        for one in others
        if one.quantity != agreement.quantity
        for at, levels in zip(one.at, one.conditions, strict=False)
        if at.verdict is Verdict.CHANGED
    ]
    return f"{told} Shown to differ too: {listed(found)}." if found else told


def deviations_alternative(
    frame: pd.DataFrame, agreement: GroupAgreement, say: Numerals = PLAIN
) -> str:
    """Every group of the figure: where it is shown to differ, and how far it lies elsewhere."""
    lines = []
    for group, own in frame.groupby("group", sort=False):
        shown = own["verdict"] == Verdict.CHANGED
        parts = [
            f"{say.signed(row['difference_percent'], 1)} % "
            f"({say.interval(row['lower_percent'], row['upper_percent'])}) at "
            f"{place_words(row, agreement.conditions, say)}, shown to differ"
            for row in own[shown].to_dict("records")
        ]
        ends = own.loc[~shown, "difference_percent"]
        if len(ends):
            both = dict.fromkeys(say.signed(float(end), 1) for end in (ends.min(), ends.max()))
            parts.append(f"{'otherwise ' if parts else ''}{' to '.join(both)} %, not shown")
        lines.append(f"{panel_title(agreement, str(group))}: {'; '.join(parts)}.")
    return " ".join(lines)


_TOLD = phrases("precision")


def precision_notes(
    precision: Precision, conditions: Sequence[str], say: Numerals = PLAIN
) -> tuple[str, ...]:
    """What the standard deviations contain, and what could not be told at which conditions."""
    per_cent = "Per cent: 100 times the standard deviation of ln size. "
    notes = [
        (per_cent if precision.scale is Scale.LOG else "")
        + "They contain the scatter of the measurement as far as the results do not share it, and "
        f"{say.fixed(0.0, 1)} means that the data show none, not that there is none. Their "
        "intervals are in the file."
    ]
    rows = precision.table.to_dict("records")
    for told, words in _TOLD.items():
        mine = [row for row in rows if row["status"] == told]
        places = "; ".join(place_words(row, conditions, say) for row in mine)
        if mine:
            where = "every condition" if len(mine) == len(rows) else places
            notes.append(f"At {where}: {words}.")
    return tuple(notes)


TESTS = {"Cochran": "Cochran's test", "Grubbs": "Grubbs' test"}


def indicators(table: pd.DataFrame) -> int:
    """How many values of Mandel's h and k there are."""
    return int(table[["h", "k"]].notna().to_numpy().sum())


def none_beyond(table: pd.DataFrame) -> str:
    """What to say where no value lies beyond its limit."""
    count = indicators(table)
    if not count:
        return "Mandel's h needs three groups, k two with replicates: there is none."
    return (
        f"None of {count} values of Mandel's h and k, and none of Cochran's and Grubbs' tests, "
        "lies beyond its 5 % limit."
    )


_MOST_CONDITIONS = 3  # of one group told one by one
RATE, AVERAGE = "last to first time", "average"


def conditions(answer: BenchAnswer, say: Numerals = PLAIN) -> list[tuple[str, Finding]]:
    """Each condition in words, such as "48 min, ball ratio 10", with what was found there."""
    told = [", ".join(place(*one, say) for one in levels) for levels in answer.conditions]
    return list(zip(told or [""] * len(answer.at), answer.at, strict=True))


def bench_sentences(answers: Sequence[BenchAnswer], say: Numerals = PLAIN) -> tuple[str, ...]:
    """Whether the groups agree: those that differ first, then the others.

    Of several sizes, what holds of more than one is told once.
    """
    apart = sorted(filter(differs, answers), key=farthest, reverse=True)
    found = [_apart(own, say) for own in alike(apart, lambda one: one.group)]
    return (*found, *other_sentences(answers, say))


def other_sentences(answers: Sequence[BenchAnswer], say: Numerals = PLAIN) -> tuple[str, ...]:
    """Of the groups that are not shown to differ: whether they agree, or how far they may not."""
    rest = [
        _Rest([one for one in own if not differs(one)], is_all=not any(map(differs, own)))
        for own in alike(answers, lambda one: one.quantity)
    ]
    return (*_agreeing(rest, say), *_not_shown(rest, say), *_untold(rest, say))


@dataclass(frozen=True)
class _Rest:
    """Groups of which no difference is shown in one size, and whether these are all of them."""

    answers: list[BenchAnswer]
    is_all: bool

    def some(self, keep: Callable[[BenchAnswer], bool]) -> _Rest:
        own = [one for one in self.answers if keep(one)]
        return _Rest(own, is_all=self.is_all and len(own) == len(self.answers))

    @property
    def key(self) -> tuple[bool, tuple[str, ...]]:
        return self.is_all, tuple(one.group for one in self.answers)

    @property
    def quantity(self) -> str:
        return self.answers[0].quantity

    def who(self, plural: str, single: str, link: str, *, inside: bool = False) -> str:
        """The groups with their verb: "A and B agree with the others"; ``inside`` a sentence."""
        if self.is_all:
            return f"{'the' if inside else 'The'} groups {plural}"
        names = [one.group for one in self.answers]
        return f"{joined(names)} {plural if len(names) > 1 else single} {link} the others"

    def agree(self, *, inside: bool = False) -> str:
        """That they agree with the others."""
        return self.who("agree", "agrees", "with", inside=inside)


def _kept(rest: Sequence[_Rest], keep: Callable[[BenchAnswer], bool]) -> list[list[_Rest]]:
    """What holds of the same groups in several sizes, together."""
    own = [found for one in rest if (found := one.some(keep)).answers]
    return alike(own, lambda one: one.key)


def _apart(answers: Sequence[BenchAnswer], say: Numerals) -> str:
    """Where one group differs in one size or several, and whether it mills at another rate."""
    other = next(iter(answers[0].at)).subject.low or "the other groups"
    parts = [part for one in answers if (part := _where_apart(one, say))]
    rates = [one for one in answers if one.rate is not None and _is_changed(one.rate)]
    parts += [_rate_words(own, say) for own in alike(rates, _goes_up)]
    averages = [
        f"its {one.quantity} is {difference_of(one.average, say)}"
        for one in answers
        if one.average is not None and not _where_apart(one, say) and one not in rates
    ]
    parts += [f"on average over the conditions {joined(averages)}"] if averages else []
    if all(one.beside for one in answers):
        without = joined(list(dict.fromkeys(one.beside for one in answers)))
        parts.append(f"without {without} it is not shown to differ")
    return f"{answers[0].group} differs from {other}: {'; '.join(parts)}."


def _is_changed(finding: Finding) -> bool:
    return finding.verdict is Verdict.CHANGED


def _goes_up(answer: BenchAnswer) -> bool:
    return answer.rate is not None and answer.rate.numbers.estimate > 0.0


def _where_apart(answer: BenchAnswer, say: Numerals) -> str:
    """At which conditions one size differs; empty for none."""
    changed = [one for one in conditions(answer, say) if _is_changed(one[1])]
    farthest_out = sorted(changed, key=lambda one: -abs(one[1].numbers.estimate))[:_MOST_CONDITIONS]
    shown = [one for one in changed if one in farthest_out]  # in the order of the conditions
    told = [f"{difference_of(one, say)} at {where}" for where, one in shown]
    if not told:
        return ""
    more = len(changed) - len(told)
    also = f", and differs at {more} more condition{'s' if more > 1 else ''}" if more else ""
    return f"its {answer.quantity} is {joined(told)}{also}"


def _rate_words(answers: Sequence[BenchAnswer], say: Numerals) -> str:
    """By how much the ratio of last to first time differs, sizes with the same sign together."""
    rates = [(one.quantity, one.rate) for one in answers if one.rate is not None]
    subject, ends = rates[0][1].subject, ("the last time", "the first")
    if subject.low:
        ends = (place(TIME, subject.high, say), place(TIME, subject.low, say))
    if len(rates) == 1:
        name, rate = rates[0]
        of = f"the ratio of its {name} at {ends[0]} to that at {ends[1]}"
        return f"{of} is {difference_of(rate, say, 'theirs')}"
    way = "higher" if _goes_up(answers[0]) else "lower"
    told = [f"{difference_of(rate, say, has_verb=True)} in {name}" for name, rate in rates]
    of = f"the ratio of its size at {ends[0]} to that at {ends[1]}"
    return f"{of} is {way} than theirs, by {joined(told)}"


def _alike(answer: BenchAnswer, verdict: Verdict) -> bool:
    return bool(answer.at) and all(one.verdict is verdict for one in answer.at)


def _agreeing(rest: Sequence[_Rest], say: Numerals) -> list[str]:
    """Groups that agree within the margin."""
    told = []
    for same in _kept(rest, lambda one: _alike(one, Verdict.EQUIVALENT)):
        margin = say(next(iter(same[0].answers[0].at)).margin_percent or 0.0)
        told.append(f"{same[0].agree()} in {_sizes(same)} within ±{margin} % at every condition.")
    return told


def _sizes(same: Sequence[_Rest]) -> str:
    return joined([one.quantity for one in same])


def _not_shown(rest: Sequence[_Rest], say: Numerals) -> list[str]:
    """Groups of which no difference is shown, and how large one may yet be."""
    told, kept = [], _kept(rest, _is_not_shown)
    left = [one for one in rest if one.answers]
    is_whole = sum(map(len, kept)) == len(left) and len(kept) > 1
    if is_whole and all(map(_is_not_shown, (each for one in left for each in one.answers))):
        kept = [[one for same in kept for one in same]]
    for same in kept:
        most = [(each.quantity, _most(each.answers)) for each in same]
        known = [(name, value) for name, value in most if np.isfinite(value)]
        beyond = _beyond_margin(same[0].answers, known, say)
        said = _not_shown_head(same, beyond)
        if known:
            limits = _limits(known, say)
            said += f"; differences of up to {limits} at one condition remain possible"
        told.append(f"{said}.")
    return told


def _not_shown_head(same: Sequence[_Rest], beyond: str) -> str:
    """What is not shown, or, where more than the margin remains possible, cannot be told."""
    one, sizes = same[0], _sizes(same)
    if len({each.key for each in same}) > 1:
        return "No other difference between groups is shown"
    if beyond:
        return f"It cannot be told whether {one.agree(inside=True)} in {sizes} within {beyond}"
    return f"{one.who('are not shown to differ', 'is not shown to differ', 'from')} in {sizes}"


def _limits(known: Sequence[tuple[str, float]], say: Numerals) -> str:
    """The largest differences that remain possible, sizes with the same together."""
    limits: dict[str, list[str]] = {}
    for name, value in known:
        limits.setdefault(say.at_most(float(np.expm1(value))), []).append(name)
    if len(limits) == 1:
        return next(iter(limits))
    return joined([f"{limit} ({', '.join(names)})" for limit, names in limits.items()])


def _is_not_shown(answer: BenchAnswer) -> bool:
    is_another = _alike(answer, Verdict.EQUIVALENT) or _is_untold(answer)
    return not is_another and bool(answer.at or answer.average is not None)


def _most(answers: Sequence[BenchAnswer]) -> float:
    """How large a difference at one condition may yet be, of ln size; NaN where nothing says so."""
    numbers = [at.numbers for one in answers for at in one.at]
    ends = [abs(end) for one in numbers for end in (one.lower, one.upper) if np.isfinite(end)]
    return max(ends, default=np.nan)


def _beyond_margin(
    own: Sequence[BenchAnswer], known: Sequence[tuple[str, float]], say: Numerals
) -> str:
    """The margin, where more than it remains possible; empty otherwise."""
    margin = next((one.margin_percent for one in own[0].at), None)
    most = min((value for _, value in known), default=0.0)
    return "" if margin is None or most <= np.log1p(margin / 100) else f"±{say(margin)} %"


def _is_untold(answer: BenchAnswer) -> bool:
    """Whether no condition has an interval that says how large a difference may be."""
    lost = (
        any(why.kind is not VerdictRemark.MARGIN_TOO_SMALL for why in one.reasons)
        for one in answer.at
    )
    return _alike(answer, Verdict.CANNOT_BE_TOLD) and any(lost)


def _untold(rest: Sequence[_Rest], say: Numerals) -> list[str]:
    """Groups of which nothing can be said, and why."""
    told = []
    for why in dict.fromkeys(_why(one, say) for own in rest for one in own.answers):
        for same in _kept(rest, _untold_for(why, say)):
            who, because = same[0].agree(inside=True), f", because {why}" if why else ""
            told.append(f"It cannot be told whether {who} in {_sizes(same)}{because}.")
    return told


def _untold_for(why: str, say: Numerals) -> Callable[[BenchAnswer], bool]:
    return lambda one: _is_untold(one) and _why(one, say) == why


def _why(answer: BenchAnswer, say: Numerals) -> str:
    reasons = dict.fromkeys(sentence(why, say) for at in answer.at for why in at.reasons)
    return " and ".join(reasons)
