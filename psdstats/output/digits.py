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

__all__ = [
    "MISSING",
    "DecimalSign",
    "decimal_sign",
    "decimals_for",
    "fixed",
    "sentence_with_sign",
    "significant",
]

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
    """Decimal sign from text, refusing anything but "." and ",".

    Parameters
    ----------
    sign : str
        The character found.

    Returns
    -------
    DecimalSign
        The member of that value.

    Raises
    ------
    OutputError
        If the sign is neither.
    """
    try:
        return DecimalSign(sign)
    except ValueError:
        raise OutputError(f'decimal sign {sign!r} is not known; use "." or ",".') from None


def decimals_for(u: float, *, digits: int = 2) -> int:
    """Decimal places at which a standard uncertainty shows the given significant digits.

    Parameters
    ----------
    u : float
        Standard uncertainty, > 0.
    digits : int, default=2
        Significant digits of u to keep.

    Returns
    -------
    int
        Places after the decimal sign; negative where tens or hundreds are rounded.

    Raises
    ------
    OutputError
        If u is not a positive finite number.

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

    Parameters
    ----------
    value : float
        Any number; NaN gives an en dash, infinity its sign.
    decimals : int
        Places after the decimal sign; negative rounds to tens, hundreds, ….
    decimal : str, default="."
        Decimal sign.

    Returns
    -------
    str
        Text with U+2212 as minus, and no minus before a rounded zero.

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

    Parameters
    ----------
    value : float
        Any number.
    digits : int, default=4
        Significant digits; whole numbers of more digits keep them all.
    decimal : str, default="."
        Decimal sign.

    Returns
    -------
    str
        Plain digits, or a power of ten below 0.0001 and from ten million upward.

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

    Parameters
    ----------
    text : str
        A sentence.
    decimal : str
        "." leaves it as it is; "," replaces the point of numbers that stand by themselves (not in
        names such as ``run-1.5`` or versions such as 0.1.0).

    Returns
    -------
    str

    Examples
    --------
    >>> sentence_with_sign("ratio 0.462, run-1.5 of version 0.1.0.", ",")
    'ratio 0,462, run-1.5 of version 0.1.0.'
    """
    if decimal_sign(decimal) is DecimalSign.POINT:
        return text
    return _POINT.sub(r"\1,\2", text)
