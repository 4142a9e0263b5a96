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
    {runs:# run|# runs}    by number: one, or many, # being the number itself

`phrases.csv` has the texts that are found by a name, those of most remarks among them; what these
gaps do not write is written by a function in `psdstats.words.catalogue`.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from functools import cache, singledispatch
from importlib import import_module
from importlib.resources import files
from string import Formatter
from typing import Any, TypeVar

from psdstats.columns import TIME, column_words, listed
from psdstats.findings import Remark
from psdstats.frozen import ReadOnly
from psdstats.words.numbers import PLAIN, Numerals

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
