"""Remarks in words: what had to be assumed, set aside or kept in mind, one sentence each.

Each module of words that knows a room of the library lists the words of its remarks as
``REMARKS``: a function of the numerals and of the remark's data.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache
from importlib import import_module

from psdstats.findings import Remark, RemarkKind
from psdstats.words.numbers import PLAIN, Numerals

Wording = Callable[..., str]

_ROOMS: tuple[str, ...] = (  # modules of psdstats.words with REMARKS
    "distribution",
    "groups",
    "models",
    "planning",
    "rate",
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
