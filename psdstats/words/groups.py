"""How groups compare, in words: findings, precision, consistency and their captions."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from psdstats.columns import TIME, column_words, without_value
from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.consistency import IntraclassRemark, Suspect
from psdstats.comparison.groups import GroupAgreement, GroupRemark, overall
from psdstats.comparison.precision import Precision, Scale, Told
from psdstats.findings import Verdict
from psdstats.models.verdicts import VerdictRemark
from psdstats.words.benches import bench_sentences
from psdstats.words.numbers import PLAIN, Numerals

HEADING = "Do the groups agree?"
_MOST_NAMED = 4


def agreement_sentences(agreement: GroupAgreement, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Those that differ first, then the others; what it rests on, and what was set aside."""
    aside = ", ".join(agreement.set_aside)
    because = "Set aside, because a size of their cell is not bracketed by the sieves"
    return (
        *bench_sentences(agreement.answers, say),
        _rests_on(agreement, say),
        *((f"{because}: {aside}.",) if aside else ()),
    )


def _rests_on(agreement: GroupAgreement, say: Numerals) -> str:
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
    SpreadBasis.RESIDUAL: (
        "the scatter about group and condition effects, as there are no replicates"
    ),
    SpreadBasis.SMOOTH_COURSES: "the distance of single runs from smooth courses over time",
    SpreadBasis.DECLARED: "what was declared",
}


def headline(agreement: GroupAgreement, say: Numerals = PLAIN) -> str:
    """Which groups stand where, in one sentence for the top of the page."""
    margin = agreement.margin_percent
    named: dict[Verdict, list[str]] = {}
    for one in agreement.answers:
        named.setdefault(overall(one), []).append(one.group)
    found = (f"{verdict}: {', '.join(groups)}" for verdict, groups in named.items())
    within = "" if margin is None else f" (margin ±{say(margin)} %)"
    return f"{agreement.quantity} of each group against the others{within} – {'; '.join(found)}."


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


def consistency_sentences(
    table: pd.DataFrame, outliers: pd.DataFrame, conditions: Sequence[str], say: Numerals = PLAIN
) -> tuple[str, ...]:
    """How many indicators lie beyond their limits and which, then what the two tests found."""
    told = int(table[["h", "k"]].notna().to_numpy().sum())
    if not told:
        return ("Mandel's h and k cannot be told: h needs three groups, k two with replicates.",)
    found = table[table["finding"] != ""]
    line = f"Of {told} values of Mandel's h and k {len(found) or 'none'} lie beyond the 5 % limit"
    if len(found):
        named = [
            f"{row['group']} at {place_words(row, conditions, say)} ({row['finding']})"
            for row in found.head(_MOST_NAMED).to_dict("records")
        ]
        more = f" and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
        by_chance = f"about {say(0.05 * told, '.0f')} would by chance alone"
        line += f": {', '.join(named)}{more}; {by_chance}"
    lines = [f"{line}."]
    for row in outliers[outliers["finding"].isin(list(Suspect))].to_dict("records"):
        word = "an outlier" if row["finding"] == Suspect.OUTLIER else "a straggler"
        test = {"Cochran": "Cochran's", "Grubbs": "Grubbs'"}[row["test"]]
        lines.append(
            f"{test} test calls {row['group']} at {place_words(row, conditions, say)} {word}; look "
            "for a cause, nothing was removed."
        )
    return tuple(dict.fromkeys(lines))


def agreement_caption(agreement: GroupAgreement) -> str:
    """What the table of findings shows."""
    return (
        f"{agreement.quantity} of each group against the mean of the others: on average over the "
        "conditions, and from the first to the last milling time."
    )


def agreement_note(level: float, say: Numerals = PLAIN) -> str:
    """How far intervals hold, and what an average can hide."""
    return (
        f"Average and rate each hold for all groups together at {say(100 * level)} %, for the "
        "groups of this trial. Rate: the ratio of last to first time against that of the others. "
        "Differs at: conditions at which a difference is shown; an average can hide them."
    )


def agreement_drawing_caption(agreement: GroupAgreement, say: Numerals = PLAIN) -> str:
    """What the figure of ratios shows."""
    return (
        f"{agreement.quantity} of each group over the mean of the others on average, with "
        f"{say(100 * agreement.level)} % intervals that hold for all groups together."
    )


def ratio_label(quantity: str) -> str:
    """Label of its axis."""
    return f"{quantity} over that of the other groups"


def precision_caption(quantity: str, coverage: float, say: Numerals = PLAIN) -> str:
    """What the table of standard deviations shows."""
    return (
        f"Precision of {quantity} at each condition (ISO 5725-2), with {say(100 * coverage)} % "
        "intervals: s_r within a group (repeatability), s_L between groups, s_R both together "
        "(reproducibility)."
    )


_TOLD = {
    Told.GROUPS_ALIKE: "the groups differ no more than their repeatability explains",
    Told.ONE_GROUP: "only one group: between-group and reproducibility SD cannot be told",
    Told.ONE_RESULT: "a single result: no SD can be told",
    Told.NO_REPLICATE: (
        "no group has a replicate: repeatability and between-group SD cannot be told apart"
    ),
}


def precision_notes(
    precision: Precision, conditions: Sequence[str], say: Numerals = PLAIN
) -> tuple[str, ...]:
    """What the standard deviations contain, and what could not be told at which conditions."""
    per_cent = "Per cent: 100 times the standard deviation of ln size. "
    notes = [
        (per_cent if precision.scale is Scale.LOG else "")
        + "They contain the scatter of the measurement as far as the results do not share it."
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
    "standard uncertainty, E_n over twice that; |zeta| from 2 is called a warning signal, from 3 "
    "an action signal (ISO 13528, from memory), each alone: among many some come by chance."
)
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


def consistency_drawing_caption(quantity: str) -> str:
    """What the figure of indicators shows."""
    return (
        f"Mandel's indicators of {quantity} for each group, one bar a milling time; lines: limits "
        "exceeded by chance in 5 % and 1 %."
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


_NO_ICC = "Intraclass correlation not computed: needs"

REMARKS = {
    GroupRemark.NOT_BRACKETED: lambda _: "its sizes are not bracketed by its sieves",
    GroupRemark.ALONE: lambda _, columns: (
        f"no other group has results at the same {' and '.join(map(column_words, columns))}"
    ),
    GroupRemark.NO_UNCERTAINTY: lambda _: (
        "no uncertainty at all was counted for its difference from the others"
    ),
    GroupRemark.WITHOUT_CONDITION: lambda _, runs, column: without_value(
        runs, column, fate="left out of precision, consistency and outliers"
    ),
    IntraclassRemark.TOO_FEW_GROUPS: lambda _, groups, levels: (
        f"{_NO_ICC} two groups and two levels; there are {groups} and {levels}."
    ),
    IntraclassRemark.MISSING: lambda _, count: (
        f"{_NO_ICC} every group at every level; {count} are missing or not bracketed."
    ),
    IntraclassRemark.TOO_FEW_RESULTS: lambda _, count: (
        f"{_NO_ICC} at least 5 results; there are {count}."
    ),
}
