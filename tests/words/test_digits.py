"""Digits of one number, against the decimal module and by cases worked by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from psdstats.errors import OutputError
from psdstats.words.numbers import PLAIN, Numerals, decimal_sign, decimals_for

fixed, significant = PLAIN.fixed, PLAIN.significant
finite = st.floats(min_value=-1e12, max_value=1e12, allow_nan=False)


@given(finite, st.integers(min_value=-4, max_value=9))
def test_fixed_is_within_half_a_unit_of_the_last_place(value: float, places: int) -> None:
    shown = Decimal(fixed(value, places).replace("−", "-"))
    assert abs(shown - Decimal(repr(value))) <= Decimal(1).scaleb(-places) / 2


@given(finite)
def test_fixed_has_no_minus_before_zero(value: float) -> None:
    text = fixed(value, 2)
    assert text.startswith("−") == (Decimal(text.replace("−", "-")) < 0)


def test_ties_go_to_the_even_digit() -> None:
    """ISO 80000-1, Annex B, rule A (from memory)."""
    assert [fixed(value, 1) for value in (12.25, 12.35, -0.25)] == ["12.2", "12.4", "−0.2"]


@given(st.floats(min_value=1e-9, max_value=1e9))
def test_decimals_show_two_significant_digits(u: float) -> None:
    places = decimals_for(u)
    digits = Decimal(repr(u)).quantize(Decimal(1).scaleb(-places)).as_tuple().digits
    assert len(digits) == 2


@pytest.mark.parametrize("u", [0.0, -1.0, float("nan"), float("inf")])
def test_no_digits_without_an_uncertainty(u: float) -> None:
    with pytest.raises(OutputError, match="pass u > 0"):
        decimals_for(u)


def test_missing_and_infinite() -> None:
    assert fixed(float("nan"), 2) == "–"
    assert fixed(float("-inf"), 2) == "−∞"


def test_significant_switches_to_powers_of_ten() -> None:
    assert significant(0.00012345) == "0.0001234"
    assert significant(-0.000012345, 2) == "−1.2 × 10⁻⁵"
    assert significant(9.9996e-5) == "0.0001000"  # carries into the plain range
    assert significant(12345678.0) == "1.235 × 10⁷"
    assert Numerals(",").significant(1.5) == "1,500"


def test_decimal_sign_is_checked() -> None:
    with pytest.raises(OutputError, match="';' is not known"):
        decimal_sign(";")
    with pytest.raises(OutputError, match="';' is not known"):
        Numerals(";")
