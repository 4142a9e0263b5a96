"""Remarks in words: what had to be assumed, set aside or kept in mind, one sentence each.

Each module of words that knows a room of the library lists the words of its remarks as
``REMARKS``: a function of the numerals and of the remark's data.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from importlib import import_module

from psdstats.findings import Remark, RemarkKind
from psdstats.words.numbers import PLAIN, Numerals

Wording = Callable[..., str]

_ROOMS: tuple[str, ...] = (  # modules of psdstats.words with REMARKS
    "advice",
    "conformity",
    "courses",
    "design",
    "distribution",
    "groups",
    "models",
    "planning",
    "rate",
    "sizes",
)


@cache
def wordings() -> Mapping[RemarkKind, Wording]:
    """Words of every kind of remark."""
    found: dict[RemarkKind, Wording] = {}
    for room in _ROOMS:
        found |= import_module(f"psdstats.words.{room}").REMARKS
    return found


def sentence(remark: Remark, say: Numerals = PLAIN) -> str:
    """One remark in words."""
    return wordings()[remark.kind](say, **dict(remark.data))


def once_each(
    remarks: Iterable[tuple[str, Remark]], say: Numerals = PLAIN, *, of: Sequence[str] = ()
) -> tuple[str, ...]:
    """Remarks on several quantities: a remark on several alike is told once, with their names.

    What holds for every quantity ``of`` which there are remarks needs no names.
    """
    alike: dict[Remark, list[str]] = {}
    for quantity, remark in remarks:
        alike.setdefault(remark, []).append(quantity)
    return tuple(
        sentence(remark, say)
        if set(names) == set(of)
        else f"{', '.join(dict.fromkeys(names))}: {sentence(remark, say)}"
        for remark, names in alike.items()
    )


def joined(items: Sequence[str], word: str = "and") -> str:
    """Items as a list in a sentence.

    Examples
    --------
    >>> joined(["time", "ball ratio", "group"])
    'time, ball ratio and group'
    """
    return f" {word} ".join([", ".join(items[:-1]), items[-1]] if len(items) > 1 else items)


def listed(items: Sequence[str], most: int = 4, *, between: str = ", ") -> str:
    """The first items, and how many more there are.

    Examples
    --------
    >>> listed(["a", "b", "c"], 2)
    'a, b and 1 more'
    """
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return between.join(items[:most]) + more
