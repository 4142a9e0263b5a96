"""Rounding in words."""

import math

import pytest

from psdstats.comparison.beside import LeftOut
from psdstats.study.flags import Flag, Spot
from psdstats.words.numbers import PLAIN, Numerals, difference_words, p_words
from psdstats.words.short_answers import act_on


def test_digits_follow_the_interval():
    assert difference_words(0.0100, 0.0091, 0.0109) == "1.01 % higher (0.91 to 1.10 %)"
    assert difference_words(1.0, 0.1, 1.9) == "172 % higher (11 to 569 %)"


def test_each_end_of_an_interval_has_its_own_direction():
    assert difference_words(-0.05, -0.13, 0.03) == (
        "4.9 % lower, between 12.2 % lower and 3.0 % higher"
    )
    assert difference_words(-0.05, -0.07, -0.03) == "4.9 % lower (3.0 to 6.8 %)"


def test_interval_without_end():
    assert difference_words(0.1, -math.inf, math.inf) == "10.5 % higher"
    assert difference_words(0.1, -0.2, 800.0) == "10.5 % higher"


def test_limits_are_never_rounded_past():
    """A lower limit of 64.79 % is no 65 %, an upper one of 64.12 % no 64 %."""
    assert PLAIN.at_least(0.6479) == "64 %"
    assert PLAIN.at_most(0.6412) == "65 %"
    assert PLAIN.at_least(0.07) == "7.0 %"
    assert PLAIN.at_most(0.07) == "7.0 %"


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (0.2, "p = 0.20"),
        (0.01001, "p = 0.010"),
        (0.00999, "p = 0.010"),
        (0.0996, "p = 0.10"),
        (0.0001, "p = 0.00010"),
        (0.000099, "p below 0.0001"),
        (0.99, "p = 0.99"),
        (0.9901, "p above 0.99"),
        (1.0, "p above 0.99"),
        (float("nan"), "p unknown"),
    ],
)
def test_p(p, words):
    assert p_words(p) == words


def test_comma_of_the_reader():
    comma = Numerals(",")
    assert p_words(0.012, comma) == "p = 0,012"
    assert difference_words(-0.05, -0.13, 0.03, comma) == (
        "4,9 % lower, between 12,2 % lower and 3,0 % higher"
    )


def test_act_on_names_a_wrong_time_in_few_words_and_a_common_cause_without_runs():
    wrong = Flag("wrong_time", "long", Spot("runs.csv", 3, "b-10"), 40.0, 10.0, common="long")
    told = "the 30 runs of Alder weigh 1.7 g more than was put on the stack"
    shared = Flag("mass_balance", f"{told}; more", Spot(), 3.4, 2.0, told, remedy="Weigh again.")
    size = LeftOut(
        quantity="D50", where="", high="10", low="", column="runs", name="b-10",
        effect=0.0, without=math.log(1.07),
    )  # fmt: skip
    found = act_on([wrong, shared], [], sizes=[size])
    assert found is not None
    assert found.rest == (
        "The 30 runs of Alder weigh 1.7 g more than was put on the stack. b-10: like 40 min, not "
        "10 min. D50 at 10 min moves by +7.0 %."
    )
    assert act_on([shared], []).rest == f"T{told[1:]}."
