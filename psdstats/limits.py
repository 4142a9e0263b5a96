"""Numbers that make sense, kind by kind: what options, settings and functions take.

The limits are choices of this project (no source): far wider than any trial, narrow enough that a
slip of the pen, a wrong unit or a number that would keep the machine busy for days is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from numbers import Integral, Real
from typing import Any

from psdstats.errors import PlanError, PsdstatsError

_UNSAID = 1e12  # a limit so large goes without saying
_TINIEST = 1e-9  # nearer to zero is a slip of the pen, in whatever unit


@dataclass(frozen=True)
class Limits:
    """Numbers from `least` to `most`, both of them included unless `above` or `below`.

    What is not zero and nearer to it than a billionth is refused everywhere.

    Parameters
    ----------
    least, most : float
        The limits.
    unit : str
        What is counted; said after the numbers.
    whole : bool
        Whether the numbers are whole ones.
    above, below : bool
        Whether `least` and `most` themselves are too little and too much.

    Examples
    --------
    >>> str(Limits(0, 1, above=True, below=True)), str(Limits(1, 1000, whole=True))
    ('a number above 0 and below 1', 'a whole number from 1 to 1,000')
    >>> 1.0 in Limits(0, 1), float("nan") in Limits(0, 1), 1.5 in Limits(1, 2, whole=True)
    (True, False, False)
    """

    least: float = 0.0
    most: float = _UNSAID
    unit: str = ""
    whole: bool = False
    above: bool = False
    below: bool = False

    def __contains__(self, value: object) -> bool:
        if isinstance(value, bool) or not isinstance(value, Real):
            return False
        number: Any = value
        is_told = number == 0 or abs(number) >= _TINIEST
        return is_told and number <= self.most and self.within(number)

    def within(self, number: float) -> bool:
        """Whether a number lies between the ends, as far as these are said, and is whole."""
        is_enough = number > self.least if self.above else number >= self.least
        is_few = number < self.most if self.below else number <= self.most or self.most >= _UNSAID
        return is_enough and is_few and not (self.whole and number != int(number))

    def __str__(self) -> str:
        low, high = (
            f"{end:,.0f}" if end == int(end) else f"{end:.7f}".rstrip("0")
            for end in (self.least, self.most)
        )
        if self.most >= _UNSAID:
            ends = f"above {low}" if self.above else f"of at least {low}"
        elif self.above or self.below:
            ends = f"above {low}" if self.above else f"of at least {low}"
            ends += f" and below {high}" if self.below else f" and at most {high}"
        else:
            ends = f"from {low} to {high}"
        return f"a {'whole ' * self.whole}number {ends} {self.unit}".rstrip()

    def require(self, name: str, value: Any, refusal: type[PsdstatsError] = PlanError) -> float:
        """The value where it makes sense; a refusal that names it otherwise."""
        if value in self and (isinstance(value, Integral) or not self.whole):
            return int(value) if self.whole else float(value)
        raise refusal(f"{name} is {value!r}; give {self}.")


POSITIVE = Limits(above=True)
NOT_NEGATIVE = Limits()
SHARE = Limits(0, 1, above=True, below=True)
SIZE_UM = Limits(0.1, 125_000, "µm")
APERTURE_UM = Limits(1, 125_000, "µm")
MASS_G = Limits(0.001, 1_000_000, "g")
RESOLUTION_G = Limits(1e-7, 100, "g")
STATED_RESOLUTION_G = Limits(1e-7, 1000, "g")
STATED_DENSITY = Limits(0.001, 100_000, "g/cm³")
BALANCE_G = Limits(0, 100, "g")
DENSITY = Limits(0.001, 25, "g/cm³")
SHAPE_FACTOR = Limits(0.001, 10)
READING_D = Limits(0, 1000, "scale intervals")
TIME_MIN = Limits(0, 1_000_000, "min")
SHAKING_MIN = Limits(0.01, 10_000, "min")
LEVEL_OF_FACTOR = Limits(-1_000_000_000, 1_000_000_000)
LENGTH_MM = Limits(0.01, 10_000, "mm")
LEVEL = Limits(0.5, 0.9999)
MARGIN_PERCENT = Limits(0.01, 95, "per cent")
CHANGE_PERCENT = Limits(-99, 1000, "per cent")
SPREAD_PERCENT = Limits(0, 100, "per cent")
DECLARED_PERCENT = Limits(0.001, 100, "per cent")
FREEDOM = Limits(1, 100_000)
SEED = Limits(0, 10**15, whole=True)
DRAWS = Limits(100, 2_000_000, whole=True)
TRIALS = Limits(100, 20_000, whole=True)
COUNT = Limits(1, 50, whole=True)
REPLICATES = Limits(1, 50, whole=True)
CHARGES = Limits(1, 50, whole=True)
SPLITS = Limits(1, 10, whole=True)
WORKERS = Limits(1, 1000, whole=True)
RESAMPLES = Limits(200, 1_000_000, whole=True)
PERMUTATIONS = Limits(99, 1_000_000, whole=True)
SPAN = Limits(0.001, 1000)
LIMIT = Limits(1e-6, 125_000)
SPREAD = Limits(0, 125_000, above=True)
ATTAINED = Limits(1, 10_000, whole=True)
VOLUME_ML = Limits(0.1, 100_000_000, "mL")
PARTS = Limits(0.001, 1000)
SPEED_RPM = Limits(0.01, 100_000, "turns a minute")
SPEED_SHARE = Limits(0.01, 5)
STEP_MIN = Limits(0, 100_000, "min")
DAY_MIN = Limits(1, 1440, "min")
DAY_HOURS = Limits(0.1, 24, "h")
GAIN_PERCENT = Limits(0.01, 49, "per cent")
PLAN_ALPHA = Limits(0.001, 0.5, below=True)
PLAN_LEVEL = Limits(0.5, 0.999, above=True)
POWER = Limits(0.1, 0.9999)
GUARD_K = Limits(0, 10, "standard uncertainties")
