"""Numbers as a reader sees them: rounded by their uncertainty, with either decimal sign.

Full precision stays in the results; only text is rounded, and only here.  A value is rounded to
the decimal place of the second significant digit of its standard uncertainty (JCGM 100:2008,
7.2.6: "at most two significant digits").
"""

from __future__ import annotations

import math

from psdstats.output.digits import MISSING, decimal_sign, decimals_for, fixed, significant


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
