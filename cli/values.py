"""What the text of an option becomes, for argparse: numbers within limits, names, moments."""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Callable
from datetime import datetime
from functools import partial
from math import inf, nan
from pathlib import Path
from typing import TYPE_CHECKING

from psdstats import limits
from psdstats.columns import QUANTITIES
from psdstats.limits import Limits

if TYPE_CHECKING:
    from psdstats.study.settings import Declared

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")
_LONGEST = 4000  # characters of a value: the longest path of most systems
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")


def usable(text: str) -> str:
    """Why no option can take a value; empty where it may."""
    if not text.strip():
        return "is empty; give a value"
    if len(text) > _LONGEST:
        return f"has more than {_LONGEST} characters; shorten it"
    if _CONTROL.search(text):
        return "holds a line break or another control character; leave that out"
    return ""


def number(text: str, allowed: Limits) -> float:
    """A number within limits, for argparse: the one place where an option becomes a number."""
    value = float(text) if _NUMBER.fullmatch(text.strip()) else nan
    if value not in allowed:
        meant = _meant(text, value, allowed)
        raise argparse.ArgumentTypeError(f"{_short(text)} is not {allowed}{meant}")
    return int(value) if allowed.whole else value


def _meant(text: str, value: float, allowed: Limits) -> str:
    """What may have been meant: a decimal point, the number without its unit, a share."""
    plain = re.sub(r"[\s%a-zµ/³²]+$", "", text.strip()).replace(",", ".")
    if _NUMBER.fullmatch(plain) and float(plain) != value and float(plain) in allowed:
        return f"; write {plain}"
    if allowed.most <= 1 and 1 < value < 100 and value / 100 in allowed:
        return f"; {text.strip()} per cent is written {value / 100:g}"
    return ""


def _short(text: str) -> str:
    shown = text.strip() or "nothing"
    return shown if len(shown) <= 40 else f"{shown[:40]}..."


def one(allowed: Limits) -> Callable[[str], float]:
    """Makes an option a number within limits."""
    return partial(number, allowed=allowed)


def several(allowed: Limits, *, count: int | None = None) -> Callable[[str], tuple[float, ...]]:
    """Makes an option numbers between commas, all different unless their count is given."""

    def read(text: str) -> tuple[float, ...]:
        found = tuple(number(part, allowed) for part in _parts(text))
        if count is not None and len(found) != count:
            raise argparse.ArgumentTypeError(f"{_short(text)} is not {count} numbers")
        twice = [one for one in found if found.count(one) > 1]
        if count is None and twice:
            raise argparse.ArgumentTypeError(f"{twice[0]:g} is there twice; give it once")
        return found

    return read


def names(text: str) -> tuple[str, ...]:
    """Names between commas, each once, for argparse."""
    found = _parts(text)
    twice = [name for name in found if found.count(name) > 1]
    if twice:
        raise argparse.ArgumentTypeError(f"{_short(twice[0])} is there twice; give it once")
    return found


_ROLES = ("value", "u", "run", "group", "time", "charge")


def roles(text: str) -> tuple[tuple[str, str], ...]:
    """What columns are, such as run=sample,time=minutes, for argparse."""
    found = []
    for part in _parts(text):
        role, sign, column = (one.strip() for one in part.partition("="))
        if role not in _ROLES or not sign or not column:
            raise argparse.ArgumentTypeError(
                f"{_short(part)} does not say what a column is; write it like run=sample, with one "
                f"of {', '.join(_ROLES)} before the ="
            )
        found.append((role, column))
    return tuple(found)


def _parts(text: str) -> tuple[str, ...]:
    """What stands between commas."""
    found = tuple(part.strip() for part in text.split(","))
    if "" in found:
        raise argparse.ArgumentTypeError(
            f"in {_short(text)} nothing stands before, after or between commas; leave a comma out"
        )
    return found


def address(text: str) -> str:
    """An address with its port, for argparse."""
    found = re.fullmatch(r"(?:[a-z]+://)?[^/\s:]+:([0-9]{1,5})", text)
    if found is None or not 0 < int(found[1]) < 2**16:
        raise argparse.ArgumentTypeError(
            f"{_short(text)} is no address; write it like tcp://host:8786"
        )
    return text


def run_to_run(text: str) -> Declared:
    """The same as `declared`, size by size (D10=1.9:10,D50=2:50), or as an archive knows it."""
    from psdstats.study.settings import Declared

    if Path(text).suffix in ARCHIVES or os.path.isfile(text):
        from psdstats.archive import Archive

        return Archive(Path(text)).run_to_run()
    if "=" not in text:
        return declared(text)
    each: dict[str, Declared] = {}
    for part in names(text):
        name, sign, percent = part.partition("=")
        if not sign or name not in QUANTITIES or name in each:
            raise argparse.ArgumentTypeError(
                f"{_short(part)} is not one of {', '.join(QUANTITIES)} with a standard deviation; "
                "write it like D10=1.9:10,D50=2:50"
            )
        each[name] = declared(percent)
    first = next(iter(each.values()))
    return Declared(percent=first.percent, df=first.df, each=each)


ARCHIVES = (".sqlite", ".sqlite3", ".db")


def declared(text: str) -> Declared:
    """A standard deviation in per cent, perhaps with its degrees of freedom, for argparse."""
    from psdstats.study.settings import Declared

    percent, sign, df = text.partition(":")
    return Declared(
        percent=number(percent, limits.DECLARED_PERCENT),
        df=number(df, limits.FREEDOM) if sign else inf,
    )


_FIRST_YEAR, _LAST_YEAR = 1970, 2200


def moment(text: str) -> datetime:
    """Local date and time such as 2026-01-05T08:30, for argparse."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{_short(text)} is not a date and time; write it like 2026-01-05T08:30"
        ) from None
    if found.tzinfo is not None:
        raise argparse.ArgumentTypeError(f"{text} names a time zone; give local time without one")
    if not _FIRST_YEAR <= found.year <= _LAST_YEAR:
        raise argparse.ArgumentTypeError(f"{text} is not from {_FIRST_YEAR} to {_LAST_YEAR}")
    return found


def powder(text: str) -> tuple[str, tuple[float, ...]]:
    """A powder such as unmilled=150,250,400 (D10, D50, D90 in µm), for argparse."""
    name, sign, sizes = text.rpartition("=")
    values = tuple(number(part, limits.SIZE_UM) for part in _parts(sizes))
    if len(values) != 3 or bool(sign) != bool(name.strip()):
        raise argparse.ArgumentTypeError(
            f"{_short(text)} does not give D10, D50 and D90; write it like unmilled=150,250,400"
        )
    return name.strip() or "powder", values


def ball_sizes(text: str) -> tuple[tuple[float, float], ...]:
    """Ball sizes with parts by mass such as 20:2,10:1 (mm:parts), for argparse."""
    found = []
    for part in names(text):
        diameter, sign, parts = part.partition(":")
        mass = number(parts, limits.PARTS) if sign else 1.0
        found.append((number(diameter, limits.LENGTH_MM), mass))
    return tuple(found)
