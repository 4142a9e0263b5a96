"""Option types that the plans share: whole numbers, names with numbers, moments."""

from __future__ import annotations

import argparse
from datetime import datetime

from ..options import names, numbers

__all__ = ["ball_sizes", "moment", "powder", "whole_numbers"]


def whole_numbers(text: str) -> tuple[int, ...]:
    """Whole numbers between commas, for argparse."""
    try:
        return tuple(int(part) for part in names(text))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is not a list of whole numbers") from None


def moment(text: str) -> datetime:
    """Local date and time such as 2026-01-05T08:30, for argparse."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"{text} is not a date and time; write it like 2026-01-05T08:30"
        ) from None
    if found.tzinfo is not None:
        raise argparse.ArgumentTypeError(f"{text} names a time zone; give local time without one")
    return found


def powder(text: str) -> tuple[str, tuple[float, float, float]]:
    """A powder such as unmilled=150,250,400 (D10, D50, D90 in µm), for argparse."""
    name, _, sizes = text.rpartition("=")
    values = numbers(sizes)
    if len(values) != 3:
        raise argparse.ArgumentTypeError(
            f"{text} does not give D10, D50 and D90; write it like unmilled=150,250,400"
        )
    return name or "powder", (values[0], values[1], values[2])


def ball_sizes(text: str) -> tuple[tuple[float, float], ...]:
    """Ball sizes with parts by mass such as 20:2,10:1 (mm:parts), for argparse."""
    found = []
    for part in names(text):
        diameter, _, parts = part.partition(":")
        found.append((*numbers(diameter), *(numbers(parts) if parts else (1.0,))))
    if any(len(one) != 2 for one in found) or not found:
        raise argparse.ArgumentTypeError(f"{text} is not a list of sizes such as 20:2,10:1")
    return tuple((one[0], one[1]) for one in found)
