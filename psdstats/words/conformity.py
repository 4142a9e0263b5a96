"""Limits in words: what is limited, what was found, on which rule it rests."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

from psdstats.columns import GROUP, RUN, TIME, column_words, listed
from psdstats.uncertainty.conformity import (
    Conformity,
    LimitResult,
    Specification,
)
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import joined

HEADING = "Does it keep to the limits?"
NO_LIMITS = "study.toml states no limits, and none were given; give --upper, --lower or both."
_FEW = 4  # conditions that a sentence names


def limit_words(limit: Specification, say: Numerals = PLAIN) -> str:
    """What is limited, and how.

    Examples
    --------
    >>> limit_words(Specification(quantity="D50", upper=150.0))
    'D50 at most 150 µm'
    >>> limit_words(Specification(share_above_um=250.0, lower=0.01, upper=0.05))
    'share above 250 µm from 1 % to 5 %'
    """
    what = f"share above {say(limit.share_above_um or 0)} µm" if limit.is_share else limit.quantity
    ends = (limit.lower, limit.upper)
    low, high = (None if one is None else _amount(limit, say(one, ".5g"), one, say) for one in ends)
    if low is None:
        return f"{what} at most {high}"
    return f"{what} at least {low}" if high is None else f"{what} from {low} to {high}"


def _amount(limit: Specification, text: str, value: float, say: Numerals) -> str:
    """A value with its unit; shares in per cent."""
    if limit.is_share:
        return f"{say(100 * value, '.4g')} %"
    return text if limit.quantity == "span" else f"{text} µm"


def condition_words(
    row: Mapping[Hashable, Any], varying: Sequence[str], say: Numerals = PLAIN
) -> str:
    """A condition as a sentence names it; a run alone by its name."""
    if row[RUN] is not None:
        return str(row[RUN])
    parts = []
    for name in varying:
        level = row[name] if isinstance(row[name], str) else say(row[name], ".12g")
        plain = level if name == GROUP else f"{column_words(name)} {level}"
        parts.append(f"{level} min" if name == TIME else plain)
    groups = [one for name, one in zip(varying, parts, strict=True) if name == GROUP]
    rest = ", ".join(one for name, one in zip(varying, parts, strict=True) if name != GROUP)
    return " at ".join([*groups, *([rest] if rest else [])]) or "the mean of the runs"


def limit_sentences(result: LimitResult, say: Numerals = PLAIN) -> tuple[str, str]:
    """How many conditions keep to a limit and which; then the rule that decided."""
    limit, table = result.specification, result.table
    varying = [name for name in result.conditions if table[name].nunique(dropna=False) > 1]
    names: dict[Conformity, list[str]] = {verdict: [] for verdict in Conformity}
    rows = table.to_dict("records")
    for row in rows:
        names[row["verdict"]].append(condition_words(row, varying, say))
    what = limit_words(limit, say)
    if len(rows) == 1:
        return f"{what}: {_decided(limit, rows[0], say)}.", rule_sentence(result, say)
    counted = joined([_counted(verdict, len(of)) for verdict, of in names.items() if of])
    which = [
        f"{_WHICH[verdict]} {listed(names[verdict], _FEW, between='; ')}."
        for verdict in (Conformity.CONFORMING, Conformity.CANNOT_BE_TOLD)
        if 0 < len(names[verdict]) < len(rows)
    ]
    told = [f"{what}: of {len(rows)} conditions {counted}.", *which]
    return " ".join(told), rule_sentence(result, say)


_WHICH = {
    Conformity.CONFORMING: "It is kept by",
    Conformity.CANNOT_BE_TOLD: "It cannot be told of",
}


def _counted(verdict: Conformity, number: int) -> str:
    """How many conditions got a verdict."""
    one = number == 1
    return {
        Conformity.CONFORMING: f"{number} {'conforms' if one else 'conform'}",
        Conformity.NOT_CONFORMING: f"{number} {'does' if one else 'do'} not",
        Conformity.CANNOT_BE_TOLD: f"{number} cannot be told",
    }[verdict]


def _decided(limit: Specification, row: Mapping[Hashable, Any], say: Numerals) -> str:
    """Verdict on the one condition, with its value and probability."""
    if row["value"] != row["value"]:
        return f"{row['verdict']}, by the bound that the sieves leave"
    value = _amount(limit, say.rounded(row["value"], row["u"]), row["value"], say)
    likely = say.per_cent(row["probability"], decimals=1)
    return f"{row['verdict']}; found {value}, which conforms with a probability of {likely}"


def rule_sentence(result: LimitResult, say: Numerals = PLAIN) -> str:
    """How it was decided."""
    k = result.table["guard_k"]
    if (k == 0).all():
        return (
            "Simple acceptance: what was found within the limits is accepted; near a limit the "
            "risk that it does not conform is up to one half (JCGM 106)."
        )
    ends = dict.fromkeys(say(one, ".2f") for one in (k.min(), k.max()))
    usual = ", at most 5 % risk at its end" if result.specification.guard_k is None else ""
    return (
        f"Guard band g = k u with k = {' to '.join(ends)}{usual}: conforming is what was found g "
        "or more within the limits, not conforming what was found g or more beyond one; the rest "
        "cannot be told (JCGM 106)."
    )
