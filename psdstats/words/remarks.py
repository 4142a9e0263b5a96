"""What sentences share: lists, levels, and templates that are filled from the data of a record.

What stands behind the colon of a gap says how its value is written (`fill`)::

    {runs}                 text as it is, a number with the reader's decimal sign, several by commas
    {p:.2g}, {share:.0f%}  a number by its format; a share of one in per cent
    {column:words}         a column in words, several by "and"
    {runs:listed}          the first names, and how many more there are
    {names:joined}         a list in a sentence; {columns:or} one of columns in words
    {runs:named}           the names of a few, or how many there are
    {times:min}            milling times with their unit
    {um:<}, {um:>}         a bound, rounded away from what it bounds
    {high:quoted}          names in quotation marks, by commas
    {percent:two}          a number with two significant digits
    {reason:sentence}      a remark in words
    {runs:# run|# runs}    by number: one, or many, # being the number itself
    {paired:groups|runs}   by yes or no

`phrases.csv` has the texts that are found by a name, those of most remarks among them; what these
gaps do not write is written by a function in `psdstats.words.catalogue`.  At the end stand the
captions and notes of tables and figures by their names, the words that figures write themselves,
longer than the name of an axis, and what they tell.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from functools import cache, singledispatch
from importlib import import_module
from importlib.resources import files
from string import Formatter
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from psdstats.columns import BALL_RATIO, TIME, column_words, listed
from psdstats.findings import Remark, Verdict
from psdstats.frozen import ReadOnly
from psdstats.words.numbers import LEAST_TOLD, PLAIN, Numerals

Item = TypeVar("Item")
Wording = str | Callable[..., str]
_NAMED = 4  # of which all names are given; of more their number


@cache
def _texts() -> tuple[dict[str, str], ...]:
    text = (files("psdstats.words") / "phrases.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def phrases(of: str) -> Mapping[str, str]:
    """Texts that are found by a name: of every ``table``, ``remark``, ``check`` and so on."""
    return ReadOnly({row["name"]: row["text"] for row in _texts() if row["of"] == of})


def cautions(*names: str) -> tuple[str, ...]:
    """What can hurt, by names; general practice without a source, no assessment of a risk."""
    return tuple(map(phrases("caution").__getitem__, names))


@singledispatch
def told_of(result: object, say: Numerals = PLAIN) -> str | tuple[str, ...] | None:  # noqa: ARG001
    """What a result says in words where it is not what its page says; its room registers how."""
    return None


def joined(items: Sequence[str], word: str = "and") -> str:
    """Items as a list in a sentence.

    Examples
    --------
    >>> joined(["time", "ball ratio", "group"])
    'time, ball ratio and group'
    """
    return f" {word} ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def plural(number: int, one: str, many: str = "") -> str:
    """A number with its noun.

    Examples
    --------
    >>> plural(1, "group"), plural(3, "run"), plural(2, "lies", "lie")
    ('1 group', '3 runs', '2 lie')
    """
    return f"{number} {one if number == 1 else many or f'{one}s'}"


def capital(text: str) -> str:
    """A sentence with its first letter as a sentence has it."""
    return text[:1].upper() + text[1:]


def alike(items: Iterable[Item], key: Callable[[Item], Hashable]) -> list[list[Item]]:
    """Items of which the same holds, together, in the order of the first of each."""
    found: dict[Hashable, list[Item]] = {}
    for one in items:
        found.setdefault(key(one), []).append(one)
    return list(found.values())


def place(column: str, level: str, say: Numerals = PLAIN) -> str:
    """A level of a column of the run table, such as "24 min" or "ball ratio 10"."""
    if column == TIME:
        return f"{say(float(level), '.12g')} min"
    return f"{column_words(column)} {level}"


def times_words(times: Sequence[str], say: Numerals) -> str:
    """Milling times with their unit, such as "24 and 48 min"."""
    return f"{joined([say(float(one), '.12g') for one in times])} min"


def pair_words(low: float | str, high: float | str, unit: str, say: Numerals = PLAIN) -> str:
    """Two levels with their unit."""
    ends = (one if isinstance(one, str) else say(one, ".12g") for one in (low, high))
    return f"{' to '.join(ends)}{unit and f' {unit}'}"


def fill(template: str, say: Numerals = PLAIN, **data: Any) -> str:
    """Fill the gaps of a template.

    Examples
    --------
    >>> fill("{runs:# run has|# runs have} no {column:words}.", runs=3, column="ball_ratio")
    '3 runs have no ball ratio.'
    >>> fill("{share:.2g%} at {times:min}", share=0.1234, times=("24", "48"))
    '12 % at 24 and 48 min'
    """
    return _Filled(say).vformat(template, (), data)


class _Filled(Formatter):
    """A formatter that knows what stands behind the colon of a gap."""

    def __init__(self, say: Numerals) -> None:
        self._say = say

    def format_field(self, value: Any, spec: str) -> str:
        """One gap."""
        if spec in _GAPS:
            return _GAPS[spec](value, self._say)
        if "|" in spec:
            number = len(value) if isinstance(value, Sequence) else value
            one, many = spec.split("|")
            return (one if number == 1 else many).replace("#", f"{number}")
        if spec.endswith("%"):
            return f"{self._say(100 * value, spec[:-1])} %"
        return self._say(float(value), spec)


def _plain(value: Any, say: Numerals) -> str:
    if isinstance(value, tuple | list):
        return ", ".join(_plain(one, say) for one in value)
    return say(value) if isinstance(value, float) else str(value)


def _columns(value: str | Sequence[str]) -> str:
    return " and ".join(map(column_words, [value] if isinstance(value, str) else value))


def _named(value: Sequence[str]) -> str:
    return ", ".join(value) if len(value) <= _NAMED else f"{len(value)} runs"


_GAPS: Mapping[str, Callable[[Any, Numerals], str]] = {
    "": _plain,
    "words": lambda value, _: _columns(value),
    "listed": lambda value, _: listed(value),
    "named": lambda value, _: _named(value),
    "quoted": lambda value, _: ", ".join(map(repr, value)),
    "two": lambda value, say: say.significant(value, 2),
    "sentence": lambda value, say: sentence(value, say),
    "joined": lambda value, _: joined(value),
    "or": lambda value, _: " or ".join(map(column_words, value)),
    "<": lambda value, say: say.bound(value, "<"),
    ">": lambda value, say: say.bound(value, ">"),
    "min": lambda value, say: times_words([value] if isinstance(value, str) else value, say),
}


@cache
def wordings() -> Mapping[str, Wording]:
    """Words of every kind of remark; functions are loaded on use, for they know every room."""
    made: Mapping[Hashable, Wording] = import_module("psdstats.words.catalogue").REMARKS
    return {**phrases("remark"), **{str(kind): words for kind, words in made.items()}}


def sentence(remark: Remark, say: Numerals = PLAIN) -> str:
    """One remark in words; what ends with a full stop begins with a capital."""
    words, data = wordings()[str(remark.kind)], dict(remark.data)
    told = fill(words, say, **data) if isinstance(words, str) else words(say, **data)
    return capital(told) if told.endswith(".") else told


def once_each(
    remarks: Iterable[tuple[str, Remark]], say: Numerals = PLAIN, *, of: Sequence[str] = ()
) -> tuple[str, ...]:
    """Remarks on several quantities: a remark on several alike is told once, with their names.

    What holds for every quantity ``of`` which there are remarks needs no names.
    """
    told = []
    for own in alike(remarks, lambda one: one[1]):
        names, said = [name for name, _ in own], sentence(own[0][1], say)
        is_all = set(names) == set(of)
        told.append(said if is_all else f"{', '.join(dict.fromkeys(names))}: {said}")
    return tuple(told)


CAPTIONS, FIGURES = phrases("table"), phrases("figure")
NOTES, FURTHER_NOTES = phrases("note"), phrases("further note")
WEIGHING_ORDER = "weighing of the empty sieve, in order"
TIME_AXIS = "milling time / min"
SIZE_AXIS = "size / µm"
BOUND = "at least so much"
BELOW_SIEVES = "below the finest sieve"
APERTURE_AXIS = "sieve aperture / µm"
UNDERSIZE_AXIS = "cumulative undersize / % by mass"


def late_day(clock: str) -> str:
    """By when a day at the bench has ended, mostly."""
    return f"ended by {clock} on 9 of 10 simulated days"


def minutes(time_min: float, say: Numerals = PLAIN) -> str:
    """A milling time in a figure."""
    return f"{say(time_min, '.12g')} min"


def level_label(level: str, factor: str) -> str:
    """A level of a factor as short as a figure and a heading want it.

    Examples
    --------
    >>> level_label("10", "ball_ratio"), level_label("wet", "medium")
    ('10:1', 'wet')
    """
    return f"{level}:1" if factor == BALL_RATIO and level else level


def shared_words(half: float, say: Numerals = PLAIN) -> str:
    """What all means of a panel have in common: half an interval of ln size, in per cent."""
    return f"sieves ±{say.significant(100 * half, 2)} %"


def change_words(row: Mapping[Hashable, Any], say: Numerals = PLAIN) -> str:
    """A change beside its interval: "−49 %", "≥ 59 % finer"; other verdicts than a change named.

    Examples
    --------
    >>> row = {"ratio": 0.51, "ratio_lower": 0.48, "ratio_upper": 0.54, "verdict": "changed"}
    >>> change_words(row), change_words(row | {"verdict": "not shown"})
    ('−49 %', '−49 %  not shown')
    >>> change_words(row | {"ratio": float("nan"), "ratio_lower": 0.0, "ratio_upper": 0.412})
    '≥ 58 % finer'
    """
    verdict = "" if row["verdict"] == Verdict.CHANGED else str(row["verdict"])
    return "  ".join(one for one in (short_change(row, say), verdict) if one)


def short_change(row: Mapping[Hashable, Any], say: Numerals = PLAIN) -> str:
    """The same without the verdict, which the mark has; empty where there is no number."""
    ratio, lower, upper = (float(row[name]) for name in ("ratio", "ratio_lower", "ratio_upper"))
    if np.isfinite(ratio):
        return say.change(ratio, decimals=1 if abs(ratio - 1.0) < 0.0995 else 0)
    if lower <= 0.0 and np.isfinite(upper):  # a bound; one that gives no number says the way
        limit = f"≥ {say.at_least(1.0 - upper)} " if 1.0 - upper >= LEAST_TOLD else ""
        return f"{limit}finer" if upper <= 1.0 else ""
    if np.isinf(upper) and lower > 0.0:
        limit = f"≥ {say.at_least(lower - 1.0)} " if lower - 1.0 >= LEAST_TOLD else ""
        return f"{limit}coarser" if lower >= 1.0 else ""
    if np.isfinite([lower, upper]).all():
        signs = (say.signed(100.0 * (one - 1.0), 0) for one in (lower, upper))
        return f"{' to '.join(signs)} %"
    return ""


def changes_alternative(changes: pd.DataFrame, pairs: pd.DataFrame, say: Numerals = PLAIN) -> str:
    """The figure of changes for who cannot see it: a sentence per quantity and level, or pair."""
    told = []
    for frame in (changes, pairs):
        for (quantity, level), own in frame.groupby(["quantity", "level"], sort=False):
            head = ", ".join(one for one in (str(quantity), str(level)) if one)
            shown = (own["verdict"] == Verdict.CHANGED).all()
            parts = [
                f"{minutes(float(row['at']), say)} {' '.join(change_words(row, say).split())}"
                for row in own.to_dict("records")
            ]
            told.append(f"{head}: {', '.join(parts)}{' (all changed)' if shown else ''}.")
    return " ".join(told)


def changes_titles(first: str, factor: str, pairs: Iterable[str]) -> tuple[str, str]:
    """What stands above both panels of changes."""
    names = list(dict.fromkeys(pairs))
    beside = names[0] if len(names) == 1 else f"{column_words(factor)}: level vs level"
    return f"change from {first} min", beside


def changes_labels(
    first: str, pairs: Iterable[tuple[str, str]], what: str = "size"
) -> tuple[str, str]:
    """What the axes of both panels of changes show."""
    names = list(dict.fromkeys(pairs))
    high, low = names[0] if len(names) == 1 else ("first level", "second")
    return (
        f"{what} at the later time / {what} at {first} min",
        f"{what} at {high} / {what} at {low}",
    )


def changes_caption(
    level: float, margin_percent: float | None, shown: tuple[int, int], say: Numerals = PLAIN
) -> str:
    """What the figure of changes shows."""
    said = (
        f"Ratios on a log scale, left of 1 is smaller; each {say(100 * level, '.3g')} % interval "
        "holds for itself, each verdict for all times together."
    )
    if margin_percent is not None:
        said += f" Shaded: within the margin of {say(margin_percent)} %."
    if shown[0] < shown[1]:
        said += f" Here are {shown[0]} of {shown[1]} later times; the appendix has all."
    return said
