"""Digits of one number: significant digits, decimal places, decimal sign.

Ties go to the even digit (ISO 80000-1, Annex B, rule A; from memory).  Minus is U+2212, missing
values are an en dash, powers of ten are written out where zeros would be hard to count.

Numbers as a reader sees them: rounded by their uncertainty, with either decimal sign.

Full precision stays in the results; only text is rounded, and only here.  A value is rounded to
the decimal place of the second significant digit of its standard uncertainty (JCGM 100:2008,
7.2.6: "at most two significant digits").
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum

from psdstats.errors import OutputError

__all__ = []


MISSING = "–"
_POINT = re.compile(r"(?<![\w.])(?<!\w-)(\d+)\.(\d+)(?!\w|\.\w)")
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


def fixed(value: float, decimals: int, *, decimal: str = ".") -> str:
    """A number with the given decimal places.

    Examples
    --------
    >>> fixed(0.125, 2), fixed(-0.04, 1), fixed(231456.0, -2), fixed(1.5, 1, decimal=",")
    ('0.12', '0.0', '231500', '1,5')
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
    return text.replace(".", decimal_sign(decimal))


def significant(value: float, digits: int = 4, *, decimal: str = ".") -> str:
    """A number with the given significant digits, for values that have no uncertainty.

    Examples
    --------
    >>> significant(231.4159), significant(12345.6), significant(1.234e-7, 2), significant(0.0)
    ('231.4', '12346', '1.2 × 10⁻⁷', '0')
    """
    if value == 0 or not math.isfinite(value):
        return fixed(value, 0, decimal=decimal)
    places = decimals_for(abs(value), digits=digits)
    exponent = digits - 1 - places
    if exponent in _PLAIN_EXPONENTS:
        return fixed(value, max(places, 0), decimal=decimal)
    mantissa = fixed(float(Decimal(repr(value)).scaleb(-exponent)), digits - 1, decimal=decimal)
    return f"{mantissa} × 10{str(exponent).translate(_SUPERSCRIPT)}"


def sentence_with_sign(text: str, decimal: str) -> str:
    """Write the numbers of a sentence with a decimal sign.

    Examples
    --------
    >>> sentence_with_sign("ratio 0.462, run-1.5 of version 0.1.0.", ",")
    'ratio 0,462, run-1.5 of version 0.1.0.'
    """
    if decimal_sign(decimal) is DecimalSign.POINT:
        return text
    return _POINT.sub(r"\1,\2", text)


def measured(value: float, u: float, *, side: str = "", decimal: str = ".") -> str:
    """A value with its standard uncertainty, both rounded by it: "231.4 ± 1.2".

    Examples
    --------
    >>> measured(10.05762, 0.027), measured(45.0, float("nan"), side="<")
    ('10.058 ± 0.027', '< 45')
    """
    if side:
        return f"{side} {_shortest(value, decimal)}"
    if math.isnan(value):
        return MISSING
    if not (math.isfinite(u) and u > 0):
        return significant(value, decimal=decimal)
    places = decimals_for(u)
    return f"{fixed(value, places, decimal=decimal)} ± {fixed(u, places, decimal=decimal)}"


def interval(lower: float, upper: float, *, u: float | None = None, decimal: str = ".") -> str:
    """Two limits as "229.1 to 233.8"; an infinite limit leaves the interval open.

    Examples
    --------
    >>> interval(229.06, 233.79), interval(float("-inf"), 45.0), interval(float("-inf"), math.inf)
    ('229.1 to 233.8', '< 45', 'not bounded')
    """
    if math.isnan(lower) or math.isnan(upper):
        return MISSING
    if math.isinf(lower) and math.isinf(upper):
        return "not bounded"
    if math.isinf(lower):
        return f"< {_shortest(upper, decimal)}"
    if math.isinf(upper):
        return f"> {_shortest(lower, decimal)}"
    if u is None or not (math.isfinite(u) and u > 0):
        u = (upper - lower) / 4
    if u <= 0:
        text = significant(lower, decimal=decimal)
        return f"{text} to {text}"
    places = decimals_for(u)
    return f"{fixed(lower, places, decimal=decimal)} to {fixed(upper, places, decimal=decimal)}"


def ratio(value: float, lower: float, upper: float, *, decimal: str = ".") -> str:
    """A ratio with its interval, rounded by the interval: "0.824 (0.771 to 0.881)".

    Examples
    --------
    >>> ratio(0.8241, 0.7712, 0.8806), ratio(1.0, 1.0, 1.0)
    ('0.824 (0.771 to 0.881)', '1.000 (1.000 to 1.000)')
    """
    if math.isnan(value):
        return MISSING
    spread = (upper - lower) / 2
    known = math.isfinite(spread) and spread > 0
    places = max(decimals_for(spread), 2) if known else 3
    low, high = (fixed(limit, places, decimal=decimal) for limit in (lower, upper))
    if math.isfinite(lower) and math.isfinite(upper):
        limits = f"{low} to {high}"
    elif math.isfinite(lower):
        limits = f"> {low}"
    else:
        limits = f"< {high}" if math.isfinite(upper) else "not bounded"
    return f"{fixed(value, places, decimal=decimal)} ({limits})"


def per_cent(share: float, *, decimals: int = 0, decimal: str = ".") -> str:
    """A share of one in per cent, with a space before the sign.

    Examples
    --------
    >>> per_cent(0.123), per_cent(0.002), per_cent(0.9999, decimals=1), per_cent(1.0)
    ('12 %', '< 1 %', '> 99.9 %', '100 %')
    """
    if math.isnan(share):
        return MISSING
    smallest = 10.0**-decimals
    if 0 < 100 * share < smallest / 2:
        return f"< {fixed(smallest, decimals, decimal=decimal)} %"
    if 100 - smallest / 2 < 100 * share < 100:
        return f"> {fixed(100 - smallest, decimals, decimal=decimal)} %"
    return f"{fixed(100 * share, decimals, decimal=decimal)} %"


def change(size_ratio: float, *, decimals: int = 0, decimal: str = ".") -> str:
    """The change in per cent that a ratio stands for, always with its sign.

    Examples
    --------
    >>> change(0.824), change(1.04), change(1.0)
    ('−18 %', '+4 %', '0 %')
    """
    if math.isnan(size_ratio):
        return MISSING
    return f"{signed(100 * (size_ratio - 1), decimals, decimal=decimal)} %"


def signed(value: float, decimals: int, *, decimal: str = ".") -> str:
    """A number with its sign, also where it is positive; zero has none.

    Examples
    --------
    >>> signed(-17.64, 1), signed(4.2, 0), signed(0.01, 1)
    ('−17.6', '+4', '0.0')
    """
    text = fixed(value, decimals, decimal=decimal)
    plus = value > 0 and text != fixed(0.0, decimals, decimal=decimal)
    return f"+{text}" if plus else text


def p_value(p: float, *, decimal: str = ".") -> str:
    """A p-value: two significant digits, bounds outside 0.0001 to 0.99.

    Examples
    --------
    >>> p_value(0.0321), p_value(0.214), p_value(2e-9), p_value(0.9999)
    ('0.032', '0.21', '< 0.0001', '> 0.99')
    """
    if math.isnan(p):
        return MISSING
    if p < 0.0001:
        return f"< {fixed(0.0001, 4, decimal=decimal)}"
    if p > 0.99:
        return f"> {fixed(0.99, 2, decimal=decimal)}"
    return fixed(p, decimals_for(p), decimal=decimal)


def _shortest(value: float, decimal: str) -> str:
    """A bound that is somebody's aperture or limit: all its digits, at most four decimals."""
    text = fixed(value, 4)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text.replace(".", decimal_sign(decimal))


@dataclass(frozen=True)
class Numerals:
    """The numbers of a sentence, written with the reader's decimal sign where they are written.

    Examples
    --------
    >>> say = Numerals(",")
    >>> say(-2.71, ".1f"), say(0.25, "+.0%"), say(3, "g"), say(-0.04, ".1f")
    ('−2,7', '+25%', '3', '0,0')
    """

    decimal: str = "."

    def __call__(self, value: float, spec: str = "g") -> str:
        """A number by a format specification, with U+2212 as its minus and ∞ for infinity."""
        text = format(value, spec).replace("-", "−").replace("inf", "∞")
        text = text if any(sign in text for sign in "123456789∞") else text.lstrip("−")
        return text.replace(".", decimal_sign(self.decimal))


PLAIN = Numerals()
