"""Values with uncertainties: the guide's own examples, and the uncertainties library."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from uncertainties import ufloat

from psdstats.words.numbers import PLAIN, Numerals, difference_words

COMMA = Numerals(",")
change, interval, measured = PLAIN.change, PLAIN.interval, PLAIN.measured
p_value, per_cent, ratio = PLAIN.p_value, PLAIN.per_cent, PLAIN.ratio


@pytest.mark.parametrize(
    ("value", "u", "expanded", "text"),
    [
        (10.05762, 0.027, None, "10.058"),  # JCGM 100:2008, 7.2.6, in ohm (from memory)
        # JCGM 100:2008, 7.2.4, in g: U = k u with k = 2.26 (from memory)
        (100.02147, 0.00035, 2.26 * 0.00035, "100.02147 ± 0.00079"),
        (0.0, 28.05, None, "0"),  # JCGM 100:2008, 7.2.6: 28.05 kHz becomes 28 kHz (from memory)
    ],
)
def test_examples_of_the_guide(value: float, u: float, expanded: float, text: str) -> None:
    assert measured(value, u, expanded) == text


def test_unlike_ends_stand_behind_their_signs() -> None:
    assert measured(143.4, 3.65, ends=(136.48, 150.53)) == "143.4 −6.9 +7.1"
    assert COMMA.measured(52.4, 1.5, ends=(-math.inf, 55.31)) == "52,4 (< 55,3)"
    assert measured(52.4, 1.5, ends=(math.nan, 55.31)) == "52.4"


def _last_digit(number: float) -> str:
    return f"{number!r}".partition("e")[0].rstrip("0.")[-1:]


@given(
    st.floats(min_value=1e-3, max_value=300.0),
    st.floats(min_value=1e-3, max_value=0.3),
)
def test_measured_agrees_with_uncertainties(value: float, relative: float) -> None:
    u = value * relative  # below 99
    # there, tens and more are not rounded away, and ties are decided by the binary value
    assume("5" not in (_last_digit(u), _last_digit(value)))
    shown = f"{ufloat(value, u):.2uf}".replace("+/-", " ± ")
    assert [float(part) for part in measured(value, u, u).split(" ± ")] == [
        float(part) for part in shown.split(" ± ")
    ]


def test_an_open_interval_stays_one() -> None:
    assert measured(45.0, math.nan, side="<") == "< 45"
    assert COMMA.measured(35.5, math.nan, side=">") == "> 35,5"
    assert interval(500.0, math.inf) == "> 500"
    assert interval(math.nan, 3.0) == "–"


@pytest.mark.parametrize("u", [0.0, math.nan, math.inf, -1.0])
def test_a_value_without_uncertainty_makes_none_up(u: float) -> None:
    assert measured(231.4159, u) == "231.4"


@given(st.floats(min_value=1.0, max_value=900.0), st.floats(min_value=1e-3, max_value=50.0))
def test_limits_are_shown_within_a_twentieth_of_their_uncertainty(low: float, u: float) -> None:
    shown = interval(low, low + 4 * u, u=u)
    first, last = (float(part.replace("−", "-")) for part in shown.split(" to "))
    room = u / 19.9  # half of the last place of u, which may itself be rounded up by 0.5 %
    assert abs(first - low) <= room
    assert abs(last - low - 4 * u) <= room


def test_interval_of_no_width() -> None:
    assert interval(2.0, 2.0) == "2.000 to 2.000"


def test_ratio_with_open_limits() -> None:
    assert ratio(0.8, -math.inf, 0.9) == "0.800 (< 0.900)"
    assert ratio(0.8, 0.7, math.inf) == "0.800 (> 0.700)"
    assert ratio(0.8, -math.inf, math.inf) == "0.800 (not bounded)"
    assert ratio(math.nan, 0.7, 0.9) == "–"


def test_shares_and_changes() -> None:
    assert [per_cent(share) for share in (0.0, 0.004, 0.006, 0.996, 1.0)] == [
        "0 %",
        "< 1 %",
        "1 %",
        "> 99 %",
        "100 %",
    ]
    assert change(0.9996) == "0 %"
    assert COMMA.change(0.8236, decimals=1) == "−17,6 %"
    assert per_cent(math.nan) == change(math.nan) == p_value(math.nan) == "–"


def test_p_values() -> None:
    assert [p_value(p) for p in (0.0000999, 0.0001, 0.00064, 0.0456, 0.1, 0.99, 1.0)] == [
        "< 0.0001",
        "0.00010",
        "0.00064",
        "0.046",
        "0.10",
        "0.99",
        "> 0.99",
    ]


@pytest.mark.parametrize("limit", [5.4e37, 800.0, 12.0])
def test_a_limit_that_limits_nothing_is_none(limit):
    """Next to no degrees of freedom: two groups whose sizes lie beyond the sieves at both ends."""
    assert difference_words(math.nan, -math.inf, limit) == ""
    assert difference_words(math.nan, -limit, math.inf) == ""
