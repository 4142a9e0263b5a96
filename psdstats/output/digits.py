"""Digits of one number: significant digits, decimal places, decimal sign.

Ties go to the even digit (ISO 80000-1, Annex B, rule A; from memory).  Minus is U+2212, missing
values are an en dash, powers of ten are written out where zeros would be hard to count.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Context, Decimal
from enum import StrEnum

from psdstats.errors import OutputError

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
