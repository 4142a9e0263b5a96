"""Rounding in words."""

import pytest

from psdstats.words.numbers import Numerals, effect_words, p_words


def test_digits_follow_the_interval():
    narrow = effect_words(0.0100, 0.0091, 0.0109, p=0.02, level=0.9)
    assert "ratio 1.01005 (90 % interval 1.00914 to 1.01096)" in narrow
    wide = effect_words(1.0, 0.1, 1.9, p=0.02, level=0.95)
    assert "ratio 2.72 (95 % interval 1.11 to 6.69)" in wide


def test_interval_across_one_is_signed_with_the_change():
    words = effect_words(-0.05, -0.13, 0.03, p=0.3, level=0.95)
    assert "a decrease of 4.9 % (−3.0 % to 12.2 %)" in words


def test_interval_without_end():
    words = effect_words(-0.1, -800.0, 800.0, p=0.6, level=0.95)
    assert "ratio 0.905 (95 % interval 0.000 to ∞), a decrease of 9.5 % (−∞ % to 100.0 %)" in words


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
    assert effect_words(-0.05, -0.13, 0.03, p=0.3, level=0.95, say=comma) == (
        "ratio 0,951 (95 % interval 0,878 to 1,030), a decrease of 4,9 % (−3,0 % to 12,2 %), "
        "p = 0,30"
    )
