"""How groups compare, in words: findings, precision, consistency and their captions."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from psdstats.columns import TIME, column_words
from psdstats.comparison.advice import differs
from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.groups import GroupAgreement
from psdstats.comparison.precision import Precision, Scale, Told
from psdstats.findings import BenchAnswer, Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.benches import AVERAGE, RATE, bench_sentences, other_sentences
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import capital, listed, place

HEADING = "Do the groups agree?"
BEHIND = "Groups: every difference, and precision"
NOTES_HEADING = "Notes on the groups"
FROM_OTHERS = "difference from the others / %"
_MOST_LEADING = 2


def agreement_sentences(agreement: GroupAgreement, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Those that differ first, then the others; what it rests on, and what was set aside."""
    return (
        *bench_sentences(agreement.answers, say),
        *rests_on(agreement, say),
    )


def lead_sentences(agreement: GroupAgreement, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What is said of the groups beside those that differ, which page one tells."""
    if not any(map(differs, agreement.answers)):
        return ()
    return other_sentences(agreement.answers, say)[:_MOST_LEADING]


def rests_on(agreement: GroupAgreement, say: Numerals = PLAIN) -> tuple[str, ...]:
    """The scatter by which the groups were judged, and the runs set aside."""
    aside = ", ".join(agreement.set_aside)
    because = "Set aside, because a size of their cell is not bracketed by the sieves"
    return (_scatter(agreement, say), *((f"{because}: {aside}.",) if aside else ()))


def _scatter(agreement: GroupAgreement, say: Numerals) -> str:
    spread = agreement.spread
    reasons = (why.kind for one in agreement.answers for at in one.at for why in at.reasons)
    by_measurement = (VerdictRemark.UNDONE, VerdictRemark.RUN_TO_RUN_UNKNOWN)
    if spread.basis is SpreadBasis.NONE or any(kind in by_measurement for kind in reasons):
        return (
            "Run-to-run variation was not estimated: there are neither replicates nor two "
            "conditions under which the same groups have results."
        )
    size = "is not seen beside the measurement"
    if spread.run > 0:
        size = f"is {say(100 * spread.run, '.2g')} %"
    return f"Run-to-run variation {size}, from {_FROM[spread.basis]}."


_FROM = {
    SpreadBasis.REPLICATES: "replicates",
    SpreadBasis.RESIDUAL: "the scatter about group and condition effects, as there are no "
    "replicates",
    SpreadBasis.SMOOTH_COURSES: "the distance of single runs from smooth courses over time",
    SpreadBasis.DECLARED: "what was declared",
}


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
        value = say(row[name]) if isinstance(row[name], float) else str(row[name])
        words.append(f"{value} min" if name == TIME else f"{column_words(name)} {value}")
    return ", ".join(words)


def agreement_caption(agreement: GroupAgreement) -> str:
    """What the table of findings shows."""
    return (
        f"{agreement.quantity} of each group against the mean of the others: on average over the "
        "conditions, and from the first to the last milling time."
    )


def agreement_note(agreement: GroupAgreement, say: Numerals = PLAIN) -> str:
    """How far intervals hold, and what an average can hide."""
    rates = [one.rate for one in agreement.answers if one.rate is not None]
    rate = ""
    if rates:
        subject = rates[0].subject
        high, low = (place(TIME, level, say) for level in (subject.high, subject.low))
        rate = (
            f"{capital(RATE)}: the ratio of {agreement.quantity} at {high} to that at {low}, "
            "against that of the others. "
        )
    return (
        f"{rate}{capital(AVERAGE)}: over the conditions; it can hide single differences, and "
        "differs at counts those that are shown. Intervals hold for all groups together at "
        f"{say(100 * agreement.level)} %, for the groups of this trial."
    )


def panel_title(agreement: GroupAgreement, group: str) -> str:
    """What one panel shows: a group, or the one pair there is."""
    own = (finding for one in agreement.answers if one.group == group for finding in one.at)
    low = next((finding.subject.low for finding in own), "")
    return f"{group} against {low}" if low else group


def deviations_caption(
    agreement: GroupAgreement,
    others: Sequence[BenchAnswer],
    say: Numerals = PLAIN,
    *,
    panels: int,
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


def precision_caption(quantity: str) -> str:
    """What the table of standard deviations shows."""
    return (
        f"Precision of {quantity} at each condition (ISO 5725-2): s_r within a group "
        "(repeatability), s_L between groups, s_R both together (reproducibility)."
    )


_TOLD = {
    Told.GROUPS_ALIKE: "the groups differ no more than their repeatability explains",
    Told.ONE_GROUP: "only one group: between-group and reproducibility SD cannot be told",
    Told.ONE_RESULT: "a single result: no SD can be told",
    Told.NO_REPLICATE: "no group has a replicate: repeatability and between-group SD cannot be "
    "told apart",
}


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


CONSISTENCY_NOTE = "The limits are exact for normal results of equal number."
OUTLIERS_NOTE = (
    "Straggler: beyond the 5 % value; outlier: beyond the 1 % value. Nothing is removed."
)
SCORES_NOTE = (
    "Verdicts hold for all groups and conditions together. Zeta is the difference over its "
    "standard uncertainty, E_n (in the file) half of it; |zeta| from 2 is called a warning signal, "
    "from 3 an action signal, each alone: among many some come by chance."
)
SUSPECTS_NOTE = (
    "Beyond the 5 % limit a result is called a straggler, beyond the 1 % limit an outlier. Nothing "
    "is removed; the whole tables are in the files."
)
TESTS = {"Cochran": "Cochran's test", "Grubbs": "Grubbs' test"}
INTRACLASS_NOTE = (
    "Times that differ much make it large whatever the groups do: weak evidence of agreement by "
    "itself."
)


def consistency_caption(quantity: str) -> str:
    """What the table of indicators shows."""
    return (
        "Mandel's h (mean against the other means) and k (scatter against the pooled scatter) of "
        f"{quantity}, with their limits (ISO 5725-2)."
    )


def suspects_caption(table: pd.DataFrame, quantity: str, say: Numerals = PLAIN) -> str:
    """What the table of values beyond their limits shows, and how many chance would put there."""
    count = int(table[["h", "k"]].notna().to_numpy().sum())
    return (
        f"{quantity}: values of Mandel's h and k beyond their 5 % limit (of {count}; about "
        f"{say(0.05 * count, '.0f')} would be by chance alone), and of Cochran's and Grubbs' tests."
    )


def none_beyond(table: pd.DataFrame) -> str:
    """What to say where no value lies beyond its limit."""
    count = int(table[["h", "k"]].notna().to_numpy().sum())
    if not count:
        return "Mandel's h needs three groups, k two with replicates: there is none."
    return (
        f"None of {count} values of Mandel's h and k, and none of Cochran's and Grubbs' tests, "
        "lies beyond its 5 % limit."
    )


def outliers_caption(quantity: str) -> str:
    """What the table of the two tests shows."""
    return (
        "Cochran's test of the largest scatter within a group and Grubbs' test of the farthest "
        f"group mean of {quantity} (ISO 5725-2)."
    )


def conditions_caption(quantity: str) -> str:
    """What the table of single differences shows."""
    return (
        f"{quantity} of each group against the mean of the others at each condition, with joint "
        "intervals."
    )


def intraclass_caption(quantity: str) -> str:
    """What the table of correlations shows."""
    return f"Intraclass correlation of the groups' means of {quantity} over the conditions."
