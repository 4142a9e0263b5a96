"""Numbers as a reader sees them: rounded by their uncertainty, with either decimal sign.

Full precision stays in the results; only text is rounded, and only here.  A value is rounded to
the decimal place of the second significant digit of its standard uncertainty (JCGM 100:2008,
7.2.6: "at most two significant digits").  Ties go to the even digit (ISO 80000-1, Annex B, rule A;
from memory).  Minus is U+2212, missing values are an en dash, powers of ten are written out where
zeros would be hard to count.

`Numerals` writes them all: a sentence takes ``say: Numerals`` and writes each of its numbers with
it, so that the decimal sign is chosen where a number is written and no finished text is edited.
Messages of the reading and of the bench checks are errors that do not stop: they keep the point, as
refusals do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum
from typing import TypeGuard

import numpy as np

from psdstats.errors import OutputError

__all__ = []


MISSING = "–"
LEAST_TOLD = 0.001
"""Share of which a lower limit says something; below it, it says no more than the verdict."""
_WIDE = Context(prec=700, rounding=ROUND_HALF_EVEN)
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_PLAIN_EXPONENTS = range(-4, 7)  # outside, powers of ten read better than zeros


class DecimalSign(StrEnum):
    """Sign between the whole and the fraction."""

    POINT = "."
    COMMA = ","


def decimal_sign(sign: str) -> DecimalSign:
    """Decimal sign from text, refusing anything but "." and ","."""
    try:
        return DecimalSign(sign)
    except ValueError:
        raise OutputError(f'decimal sign {sign!r} is not known; use "." or ",".') from None


def decimals_for(u: float, *, digits: int = 2) -> int:
    """Decimal places at which a standard uncertainty shows the given significant digits.

    The one rule of rounding: `Numerals.rounded` and all that stands on it use it.

    Examples
    --------
    >>> decimals_for(0.027), decimals_for(0.0996), decimals_for(1234.0)
    (3, 2, -2)
    """
    if not (math.isfinite(u) and u > 0):
        raise OutputError(f"an uncertainty of {u!r} gives no digits to round to; pass u > 0.")
    exact = Decimal(repr(float(u)))
    exponent = exact.adjusted() - digits + 1
    rounded = exact.quantize(Decimal((0, (1,), exponent)), context=_WIDE)
    return -(exponent + rounded.adjusted() - exact.adjusted())


def _is_known(u: float | None) -> TypeGuard[float]:
    return u is not None and math.isfinite(u) and u > 0


@dataclass(frozen=True)
class Numerals:
    """The numbers of a text, written with the reader's decimal sign where they are written.

    Parameters
    ----------
    decimal : str, default="."
        "." or ",".

    Examples
    --------
    >>> say = Numerals(",")
    >>> say(-2.71, ".1f"), say(0.25, "+.0%"), say(3, "g"), say(-0.04, ".1f")
    ('−2,7', '+25%', '3', '0,0')
    """

    decimal: str = "."

    def __post_init__(self) -> None:
        object.__setattr__(self, "decimal", decimal_sign(self.decimal))

    def __call__(self, value: float, spec: str = "g") -> str:
        """A number by a format specification, with U+2212 as its minus and ∞ for infinity."""
        text = format(value, spec).replace("-", "−").replace("inf", "∞")
        text = text if any(sign in text for sign in "123456789∞") else text.lstrip("−")
        return text.replace(".", self.decimal)

    def fixed(self, value: float, decimals: int) -> str:
        """A number with the given decimal places; negative places round to tens, hundreds.

        Examples
        --------
        >>> PLAIN.fixed(0.125, 2), PLAIN.fixed(-0.04, 1), PLAIN.fixed(231456.0, -2)
        ('0.12', '0.0', '231500')
        """
        value = float(value)
        if math.isnan(value):
            return MISSING
        if math.isinf(value):
            return "∞" if value > 0 else "−∞"
        rounded = Decimal(repr(value)).quantize(Decimal((0, (1,), -decimals)), context=_WIDE)
        text = format(abs(rounded), "f")
        if value < 0 and rounded != 0:
            text = "−" + text
        return text.replace(".", self.decimal)

    def rounded(self, value: float, u: float | None) -> str:
        """A number rounded to two significant digits of its standard uncertainty.

        Without an uncertainty above zero it keeps four significant digits.

        Examples
        --------
        >>> PLAIN.rounded(231.4159, 1.234), PLAIN.rounded(231.4159, 31.0), PLAIN.rounded(2.5, None)
        ('231.4', '231', '2.500')
        """
        if not _is_known(u):
            return self.significant(value)
        return self.fixed(value, decimals_for(u))

    def significant(self, value: float, digits: int = 4) -> str:
        """A number with the given significant digits, for values that have no uncertainty.

        Examples
        --------
        >>> say = PLAIN.significant
        >>> say(231.4159), say(12345.6), say(1.234e-7, 2), say(0.0)
        ('231.4', '12346', '1.2 × 10⁻⁷', '0')
        """
        if value == 0 or not math.isfinite(value):
            return self.fixed(value, 0)
        places = decimals_for(abs(value), digits=digits)
        exponent = digits - 1 - places
        if exponent in _PLAIN_EXPONENTS:
            return self.fixed(value, max(places, 0))
        mantissa = self.fixed(float(Decimal(repr(value)).scaleb(-exponent)), digits - 1)
        return f"{mantissa} × 10{str(exponent).translate(_SUPERSCRIPT)}"

    def bound(self, value: float, side: str = "") -> str:
        """A bound that is somebody's aperture or limit: all its digits, at most four decimals.

        One that was computed lies below ("<") or above (">") what is bounded: it is rounded away
        from it, to four significant digits.

        Examples
        --------
        >>> PLAIN.bound(45.0), PLAIN.bound(0.3125), PLAIN.bound(51.4297, "<")
        ('45', '0.3125', '51.43')
        >>> PLAIN.bound(51.4297, ">"), PLAIN.bound(53.0, "<")
        ('51.42', '53')
        """
        if side and math.isfinite(value) and value > 0:
            scale = 10.0 ** (3 - math.floor(math.log10(value)))
            away = (
                math.ceil(value * scale - 1e-6) if side == "<" else math.floor(value * scale + 1e-6)
            )
            value = away / scale
        text = PLAIN.fixed(value, 4)
        if "." in text:
            text = text.rstrip("0").rstrip(".")
        return text.replace(".", self.decimal)

    def measured(
        self,
        value: float,
        u: float,
        expanded: float | None = None,
        *,
        ends: tuple[float, float] = (math.nan, math.nan),
        side: str = "",
    ) -> str:
        """A value, and how far its interval reaches, rounded by u.

        ± stands before an expanded uncertainty alone (JCGM 100:2008, 7.2.2).  Where there is none,
        − and + stand before what the ends of the interval lie below and above the value.

        Examples
        --------
        >>> PLAIN.measured(231.4159, 1.234, 2.42), PLAIN.measured(10.05762, 0.027)
        ('231.4 ± 2.4', '10.058')
        >>> PLAIN.measured(231.4, 1.2, ends=(228.9, 234.1))
        '231.4 −2.5 +2.7'
        >>> PLAIN.measured(45.0, float("nan"), side="<")
        '< 45'
        """
        if side:
            return f"{side} {self.bound(value, side)}"
        if math.isnan(value):
            return MISSING
        text = self.rounded(value, u)
        if _is_known(expanded):
            return f"{text} ± {self.rounded(expanded, u)}"
        if math.isnan(sum(ends)):
            return text
        if math.isinf(ends[0]) or math.isinf(ends[1]):
            return f"{text} ({self.interval(*ends, u=u)})"
        return f"{text} −{self.rounded(value - ends[0], u)} +{self.rounded(ends[1] - value, u)}"

    def interval(self, lower: float, upper: float, *, u: float | None = None) -> str:
        """Two limits as "229.1 to 233.8"; an infinite limit leaves the interval open.

        They are rounded by ``u``, or by a quarter of their distance.  Without ``u`` the one limit
        of an open interval keeps its digits.

        Examples
        --------
        >>> inf = float("inf")
        >>> PLAIN.interval(229.06, 233.79), PLAIN.interval(-inf, 45.0), PLAIN.interval(-inf, inf)
        ('229.1 to 233.8', '< 45', 'not bounded')
        """
        if math.isnan(lower) or math.isnan(upper):
            return MISSING
        if math.isinf(lower) and math.isinf(upper):
            return "not bounded"
        if math.isinf(lower) or math.isinf(upper):
            sign, end = ("<", upper) if math.isinf(lower) else (">", lower)
            return f"{sign} {self.rounded(end, u) if _is_known(u) else self.bound(end)}"
        if not _is_known(u):
            u = (upper - lower) / 4
        if not _is_known(u):
            text = self.significant(lower)
            return f"{text} to {text}"
        return f"{self.rounded(lower, u)} to {self.rounded(upper, u)}"

    def ratio(self, value: float, lower: float, upper: float) -> str:
        """A ratio with its interval, rounded by the interval: "0.824 (0.771 to 0.881)".

        Examples
        --------
        >>> PLAIN.ratio(0.8241, 0.7712, 0.8806), PLAIN.ratio(1.0, 1.0, 1.0)
        ('0.824 (0.771 to 0.881)', '1.000 (1.000 to 1.000)')
        """
        if math.isnan(value):
            return MISSING
        return "{} ({})".format(*self.ratio_parts(value, lower, upper))

    def ratio_parts(self, value: float, lower: float, upper: float) -> tuple[str, str]:
        """A ratio and its interval apart, both with the decimals that the interval allows."""
        spread = (upper - lower) / 2
        places = max(decimals_for(spread), 2) if _is_known(spread) else 3
        low, high = (self.fixed(limit, places) for limit in (lower, upper))
        if math.isfinite(lower) and math.isfinite(upper):
            limits = f"{low} to {high}"
        elif math.isfinite(lower):
            limits = f"> {low}"
        else:
            limits = f"< {high}" if math.isfinite(upper) else "not bounded"
        return self.fixed(value, places), limits

    def per_cent(self, share: float, *, decimals: int = 0) -> str:
        """A share of one in per cent, with a space before the sign.

        Examples
        --------
        >>> say = PLAIN.per_cent
        >>> say(0.123), say(0.002), say(0.9999, decimals=1), say(1.0)
        ('12 %', '< 1 %', '> 99.9 %', '100 %')
        """
        if math.isnan(share):
            return MISSING
        smallest = 10.0**-decimals
        if 0 < 100 * share < smallest / 2:
            return f"< {self.fixed(smallest, decimals)} %"
        if 100 - smallest / 2 < 100 * share < 100:
            return f"> {self.fixed(100 - smallest, decimals)} %"
        return f"{self.fixed(100 * share, decimals)} %"

    def change(self, size_ratio: float, *, decimals: int = 0) -> str:
        """The change in per cent that a ratio stands for, always with its sign.

        Examples
        --------
        >>> PLAIN.change(0.824), PLAIN.change(1.04), PLAIN.change(1.0)
        ('−18 %', '+4 %', '0 %')
        """
        if math.isnan(size_ratio):
            return MISSING
        return f"{self.signed(100 * (size_ratio - 1), decimals)} %"

    def at_least(self, share: float) -> str:
        """A lower limit of a share in per cent, never rounded up; a decimal below ten.

        Examples
        --------
        >>> PLAIN.at_least(0.6479), PLAIN.at_least(0.0479), PLAIN.at_least(0.0004)
        ('64 %', '4.7 %', '0.0 %')
        """
        places = 1 if abs(share) < 0.1 else 0
        scale = 10.0**places
        return f"{self.fixed(math.floor(100 * share * scale + 1e-9) / scale, places)} %"

    def at_most(self, share: float) -> str:
        """An upper limit of a share in per cent, never rounded down; a decimal below ten.

        Examples
        --------
        >>> PLAIN.at_most(0.6412), PLAIN.at_most(0.0471)
        ('65 %', '4.8 %')
        """
        places = 1 if abs(share) < 0.1 else 0
        scale = 10.0**places
        return f"{self.fixed(math.ceil(100 * share * scale - 1e-9) / scale, places)} %"

    def signed(self, value: float, decimals: int) -> str:
        """A number with its sign, also where it is positive; zero has none.

        Examples
        --------
        >>> PLAIN.signed(-17.64, 1), PLAIN.signed(4.2, 0), PLAIN.signed(0.01, 1)
        ('−17.6', '+4', '0.0')
        """
        text = self.fixed(value, decimals)
        plus = value > 0 and text != self.fixed(0.0, decimals)
        return f"+{text}" if plus else text

    def p_value(self, p: float) -> str:
        """A p-value: two significant digits, bounds outside 0.0001 to 0.99.

        Examples
        --------
        >>> say = PLAIN.p_value
        >>> say(0.0321), say(0.214), say(2e-9), say(0.9999)
        ('0.032', '0.21', '< 0.0001', '> 0.99')
        """
        if math.isnan(p):
            return MISSING
        if p < 0.0001:
            return f"< {self.fixed(0.0001, 4)}"
        if p > 0.99:
            return f"> {self.fixed(0.99, 2)}"
        return self.fixed(p, decimals_for(p))


PLAIN = Numerals()


def difference_words(
    log_ratio: float,
    lower: float,
    upper: float,
    say: Numerals = PLAIN,
    *,
    than: str = "",
    has_verb: bool = False,
) -> str:
    """A difference of ln size with its interval, each number in its own direction.

    Where a verb before it ``has_verb`` says the direction, the numbers leave it out.

    Examples
    --------
    >>> difference_words(0.0208, -0.0192, 0.0602)
    '2.1 % higher, between 1.9 % lower and 6.2 % higher'
    >>> difference_words(-0.1972, -0.2256, -0.1672, than="at 0 min")
    '17.9 % lower than at 0 min (15.4 to 20.2 %)'

    Where there is no estimate, its bounds are told; empty without any.

    >>> inf, nan = float("inf"), float("nan")
    >>> difference_words(nan, -inf, -0.8867), difference_words(nan, 0.15, 0.61)
    ('at least 58 % lower', '16 to 84 % higher')
    >>> difference_words(0.0723, 0.0296, 0.1142, has_verb=True)
    '7.5 % (3.0 to 12.1 %)'

    A number that would be rounded to nothing is none, or has the digits that it needs.

    >>> difference_words(0.0004, -0.0192, 0.0202)
    'no higher, between 1.9 % lower and 2.0 % higher'
    >>> difference_words(0.02, -0.0001, 0.0402)
    '2.0 % higher, between 0.01 % lower and 4.1 % higher'
    """
    with np.errstate(over="ignore"):  # with next to no degrees of freedom there is no upper limit
        middle, low, high = (float(one) for one in 100.0 * np.expm1([log_ratio, lower, upper]))
    places = _places_of((high - low) / 2.0)
    has_verb = has_verb and not lower < 0.0 < upper
    behind = f" than {than}" if than else ""

    def way(value: float) -> str:
        return "" if has_verb else f" {'lower' if value < 0 else 'higher'}"

    def told(value: float) -> str:
        text = say.fixed(abs(value), places)
        is_nothing = text == say.fixed(0.0, places)
        return f"{say.significant(abs(value), 1) if is_nothing else text} %{way(value)}"

    is_closed = math.isfinite(lower) and math.isfinite(high)
    if math.isnan(middle) and not is_closed:
        limit, share = _limit_words(lower, upper, say)
        return f"{limit}{way(share)}{behind}" if limit else ""
    near, far = sorted((abs(low), abs(high)))
    limits = f"{say.fixed(near, places)} to {say.fixed(far, places)} %"
    either = f"between {told(low)} and {told(high)}"
    if math.isnan(middle):
        return f"{either if low < 0.0 < high else f'{limits}{way(low + high)}'}{behind}"
    is_none = low < 0.0 < high and say.fixed(abs(middle), places) == say.fixed(0.0, places)
    said = f"{f'no{way(middle)}' if is_none else told(middle)}{behind}"
    if not is_closed:
        return said
    return f"{said}, {either}" if low < 0.0 < high else f"{said} ({limits})"


_NO_LIMIT = math.log(1e3)
"""With next to no degrees of freedom a ratio has limits that limit nothing (own choice)."""


def _limit_words(lower: float, upper: float, say: Numerals) -> tuple[str, float]:
    """A difference of which one end is known: "at least 58 %", and that end; empty for none."""
    ends = [one for one in (lower, upper) if abs(one) < _NO_LIMIT]
    if not ends:
        return "", 0.0
    share, is_least = math.expm1(ends[0]), ends[0] == (lower if ends[0] > 0 else upper)
    limit = say.at_least(abs(share)) if is_least else say.at_most(abs(share))
    return f"at {'least' if is_least else 'most'} {limit}", share


def _places_of(half: float) -> int:
    """Decimal places for two digits of half an interval in per cent: none, one or two."""
    return min(max(decimals_for(half), 0), 2) if _is_known(half) else 1


def p_words(p: float, say: Numerals = PLAIN) -> str:
    """A p-value, two significant digits; the ends of the scale are not rounded.

    Examples
    --------
    >>> p_words(0.01234), p_words(0.0101), p_words(0.6), p_words(3e-7), p_words(0.9961)
    ('p = 0.012', 'p = 0.010', 'p = 0.60', 'p below 0.0001', 'p above 0.99')
    """
    if math.isnan(p):
        return "p unknown"
    if p < 0.0001:
        return f"p below {say(0.0001, '.4f')}"
    if p > 0.99:
        return f"p above {say(0.99)}"
    return f"p = {say.p_value(p)}"
