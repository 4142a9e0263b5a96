"""Words that figures write themselves, longer than the name of an axis, and what figures tell."""

from __future__ import annotations

from psdstats.columns import BALL_RATIO
from psdstats.words.numbers import PLAIN, Numerals

WEIGHING_ORDER = "weighing of the empty sieve, in order"
TIME_AXIS = "milling time / min"
SIZE_AXIS = "size / µm"
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
