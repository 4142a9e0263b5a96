"""The uncertainty budget in words, and decisions on limits: what was found, on which rule it rests.

Uncertainties in per cent where a sentence says so.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import pandas as pd

from psdstats.columns import GROUP, RUN, TIME, column_words, listed
from psdstats.uncertainty.budget import Budget, combined_percent
from psdstats.uncertainty.conformity import Conformity, LimitResult, Specification
from psdstats.words.groups import place_words
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import capital, fill, joined, phrases


def source_words(source: str) -> str:
    """Name of a source as it is read, e.g. "lost powder"."""
    return source.replace("_", " ")


NO_SIZE = "No size is bracketed by the sieves."
HEADING = "Where the uncertainty comes from"
NOTES_HEADING = "Notes on the budget"
BEHIND = "Uncertainty budget in full"
CHANGES = phrases("budget changes")
"""What a change would be, where its name alone does not say it."""
BALANCE, OTHERS = "balance", "others"
"""What figures call the sources of the balance together, and those that are small everywhere."""
ONE_SOURCE = 0.99
"""Share from which one source is all that matters: no figure then."""
NOTICED = 0.05
"""Share of u that a change must take away at least once to be drawn."""
DISTRIBUTIONS = phrases("distribution")
"""Distributions of inputs as they are read."""
AXIS = "standard uncertainty / % of the size"


def source_phrase(source: str) -> str:
    """Name of a source inside a sentence."""
    return _SOURCES.get(source, source_words(source))


_SOURCES = phrases("budget sources")


def labelled_shares(shares: pd.DataFrame, say: Numerals = PLAIN) -> pd.DataFrame:
    """Shares, or changes, of a budget with the label of each bar, and sources as they are read."""
    rows = shares.to_dict("records")
    by = {str(row["by"]) for row in rows if "by" in row}
    labels = [
        f"{row['quantity']} of one run"
        if row["scope"] == "run"
        else f"{row['quantity']}, {_against({'by': TIME if TIME in by else ''} | row, say)}"
        for row in rows
    ]
    found = shares.assign(label=labels)
    if "source" not in shares:
        return found
    return found.assign(source=[source_words(one) for one in shares["source"]])


def change_words(change: str) -> str:
    """What a change would be, in short."""
    return f"with {change}" if change == "certified sieves" else change


def _against(row: Mapping[Hashable, Any], say: Numerals) -> str:
    level, versus = (
        one if isinstance(one, str) else say(one, ".12g") for one in (row["level"], row["versus"])
    )
    if row["by"] in ("", TIME):
        return f"{level} against {versus}{' min' if row['by'] else ''}"
    return f"{column_words(str(row['by']))} {level} against {versus}"


def budget_sentences(budget: Budget, say: Numerals = PLAIN) -> tuple[str, ...]:
    """What the budget says of D50, in one sentence for the sizes and one for the difference."""
    frame = budget.to_frame()
    told = []
    for scope, own in frame[frame["quantity"] == "D50"].groupby("scope", sort=False):
        rows = own.to_dict("records")
        largest = max(rows, key=lambda row: float(row["share"]))
        limited = sum(float(row["share"]) for row in rows if row["balance_limited"])
        is_run = scope == "run"
        what = "of one run" if is_run else f"at {_against(largest, say)}"
        basis = " (root mean square over the runs)" if is_run else ""
        told.append(
            f"The measurement leaves D50 {what} a standard uncertainty of "
            f"{say.significant(combined_percent(own)['D50'], 2)} %{basis}: "
            f"{say.per_cent(float(largest['share']), decimals=1)} of the variance comes from "
            f"{source_phrase(largest['source'])}, {say.per_cent(limited, decimals=1)} from the "
            "balance."
        )
    return tuple(told)


def budget_lead(budget: Budget, say: Numerals = PLAIN) -> tuple[str, ...]:
    """Which source leads over all bars, and how much the balance is at most."""
    frame = budget.to_frame()
    if frame.empty:
        return (NO_SIZE,)
    bars = ["scope", "quantity"]
    limited = frame[frame["balance_limited"]].groupby(bars, sort=False)["share"].sum()
    most = say.per_cent(float(limited.max()), decimals=1) if len(limited) else say.per_cent(0.0)
    share = frame.pivot_table(index=bars, columns="source", values="share", aggfunc="sum")
    leading, of_leading = share.idxmax(axis=1), share.max(axis=1)
    names = [source_phrase(str(one)) for one in leading.value_counts().index]
    if only_source(budget) is not None:
        return (
            f"One source, {names[0]}, makes up more than {say.per_cent(ONE_SOURCE)} of the "
            f"variance of every size and difference; the balance makes up at most {most}.",
        )
    low, high = (say.fixed(100 * float(end), 0) for end in (of_leading.min(), of_leading.max()))
    ends = f"{low} %" if low == high else f"{low} to {high} %"
    said = f"The largest part of the variance comes from {names[0]}"
    if len(names) > 1:
        said += f", at some sizes from {joined(names[1:])}"
    return (f"{said} ({ends}); the balance makes up at most {most}.",)


def only_source(budget: Budget) -> str | None:
    """The source that is nearly all of the variance of every bar; None where there is none."""
    frame = budget.to_frame()
    if frame.empty:
        return None
    least = frame.pivot_table(index=["scope", "quantity"], columns="source", values="share").min()
    return str(least.idxmax()) if float(least.max()) > ONE_SOURCE else None


def noticed_changes(budget: Budget) -> pd.DataFrame:
    """The changes that shorten a bar by a share worth a mark."""
    frame = budget.changes_frame()
    gain = 1 - frame["u_then_percent"] / frame["u_now_percent"]
    most = gain.groupby(frame["change"]).transform("max")
    return frame[most >= NOTICED].reset_index(drop=True)


def shares_caption(budget: Budget, say: Numerals = PLAIN) -> str:
    """What the figure of the budget shows, and which changes would do next to nothing."""
    told = (
        "What limits a size? Bars are as long as the standard uncertainty that the measurement "
        "leaves (of one run: root mean square over the runs) and are divided as the variance is: "
        "the numbers are shares of the variance"
    )
    frame = budget.changes_frame()
    drawn_ones = set(noticed_changes(budget)["change"])
    if drawn_ones:
        told += "; marks: what a change would leave of it"
    rest = frame[~frame["change"].isin(drawn_ones)]
    if rest.empty:
        return f"{told}."
    names = joined([CHANGES.get(str(one), str(one)) for one in dict.fromkeys(rest["change"])])
    gain = float((1 - rest["u_then_percent"] / rest["u_now_percent"]).max())
    return f"{told}. Not marked: {names}, which would take off at most {say.at_most(gain)}."


def shares_alternative(bars: pd.DataFrame, changes: pd.DataFrame, say: Numerals = PLAIN) -> str:
    """Every bar: its length, its shares, and what the marked changes would leave."""
    lines = []
    for label, own in bars.iterrows():
        u = float(own.sum())
        parts = [
            f"{source} {say.per_cent(float(length) / u)}"
            for source, length in own.items()
            if length > 0
        ]
        told = f"{label}: u = {say.significant(u, 2)} %, of its variance {', '.join(parts)}"
        then = changes[changes["label"] == label] if len(changes) else changes
        for row in then.to_dict("records"):
            what = change_words(str(row["change"]))
            told += f"; {what} {say.significant(row['u_then_percent'], 2)} %"
        lines.append(f"{told}.")
    return " ".join(lines)


def without_budget(budget: Budget) -> tuple[str, ...]:
    """How many differences have no budget; quantities alike are told together."""
    keys = ["quantity", "level", "versus"]
    known = budget.differences.groupby(keys, sort=False)["share"].count() > 0
    alike: dict[tuple[int, int], list[str]] = {}
    for quantity, own in known.groupby(level="quantity", sort=False):
        if not own.all():
            alike.setdefault((int((~own).sum()), len(own)), []).append(str(quantity))
    return tuple(
        f"{', '.join(quantities)}: {lost} of {every} differences by {column_words(budget.by)} have "
        "no budget, because a run is not bracketed by its sieves."
        for (lost, every), quantities in alike.items()
    )


LIMITS_HEADING = "Does it keep to the limits?"
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
    groups = [str(row[GROUP])] if GROUP in varying else []
    rest = place_words(row, [name for name in varying if name != GROUP], say)
    return " at ".join(filter(None, [*groups, rest])) or "the mean of the runs"


def limit_sentences(result: LimitResult, say: Numerals = PLAIN) -> tuple[str, str]:
    """How many conditions keep to a limit and which; then the rule that decided."""
    return " ".join(kept(result, say)), rule_sentence(result, say)


def kept(result: LimitResult, say: Numerals = PLAIN) -> list[str]:
    """How many conditions keep to a limit, and which."""
    limit, table = result.specification, result.table
    varying = [name for name in result.conditions if len(table[name].unique()) > 1]
    names: dict[Conformity, list[str]] = {verdict: [] for verdict in Conformity}
    rows = table.to_dict("records")
    for row in rows:
        names[row["verdict"]].append(condition_words(row, varying, say))
    what = capital(limit_words(limit, say))
    if len(rows) == 1:
        return [f"{what}: {_decided(limit, rows[0], say)}."]
    counted = joined([fill(_COUNTED[at], number=len(of)) for at, of in names.items() if of])
    which = [
        f"{_WHICH[verdict]} {listed(names[verdict], _FEW, between='; ')}."
        for verdict in (Conformity.CONFORMING, Conformity.CANNOT_BE_TOLD)
        if 0 < len(names[verdict]) < len(rows)
    ]
    return [f"{what}: of {len(rows)} conditions {counted}.", *which]


_COUNTED, _WHICH = phrases("budget counted"), phrases("budget which")
_RULES = phrases("budget rule")


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
        return _RULES["simple"]
    ends = dict.fromkeys(say(one, ".2f") for one in (k.min(), k.max()))
    usual = ", at most 5 % risk at its end" if result.specification.guard_k is None else ""
    return fill(_RULES["guarded"], k=" to ".join(ends), usual=usual)
