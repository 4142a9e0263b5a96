"""Whole distributions in words: levels and groups stay as they are, numbers take the sign."""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.comparison.classes import DistributionRemark, class_names, moved_classes
from psdstats.words.numbers import Numerals
from psdstats.words.remarks import sentence
from psdstats.words.sizes import moved_alternative, moved_sentence, permutation_p

COMMA = Numerals(",")
SHARES = np.array([[20, 80], [21, 79], [22, 78], [23, 77], [60, 40], [61, 39], [62, 38], [63, 37]])


def moved(low, high, **options):
    factor = np.repeat(np.array([low, high], dtype=object), 4)
    return moved_classes(SHARES / 100, factor, low=low, high=high, limits_um=[22.4], **options)


def test_class_names_take_the_sign_where_they_are_written():
    limits = np.array([22.4, 45.0])
    assert class_names(limits) == ("< 22.4 µm", "22.4 to 45 µm", "≥ 45 µm")
    assert class_names(limits, COMMA) == ("< 22,4 µm", "22,4 to 45 µm", "≥ 45 µm")
    assert class_names(limits[:0]) == ("all",)


@pytest.mark.parametrize("level", [": changed, ", "Mill 2.5", "dry at 20 C", "0 to 6"])
def test_levels_are_written_as_they_are(level):
    found = moved(level, "x")
    said = moved_sentence(found, COMMA)
    assert said == (
        f"{level} to x: all 2 size classes moved; the class < 22,4 µm gained most (+40,0 points), "
        "≥ 22,4 µm lost most (−40,0 points)."
    )
    told = moved_alternative({"": found.to_frame()}, COMMA)
    assert told == (
        f"Changes in percentage points. {level} to x: < 22,4 µm +40,0, ≥ 22,4 µm −40,0."
    )
    assert list(found.to_frame()["low"].unique()) == [level]


def test_levels_with_a_unit_are_numbers():
    found = moved(0.5, 6.0, unit="min")
    assert found.pair == "0.5 to 6 min"
    assert moved_sentence(found, COMMA).startswith("0,5 to 6 min: all 2 size classes")


def test_p_is_a_bound_where_rearrangements_can_give_no_smaller_one():
    assert permutation_p(1 / 2000, 1 / 2000, COMMA) == "≤ 0,00050"
    assert permutation_p(3 / 2000, 1 / 2000, COMMA) == "0,0015"


def test_remarks_write_their_numbers():
    merged = DistributionRemark.MERGED_AWAY(apertures=(22.4, 90.0), classes=3)
    assert sentence(merged, COMMA) == (
        "Apertures not in every stack were merged away: 22,4, 90 µm; 3 common classes remain."
    )
    empty = DistributionRemark.EMPTY_CLASSES(count=1, lowest=0.0001, highest=0.0001)
    assert sentence(empty, COMMA).startswith(
        "1 empty class was given 0,65 of the balance resolution (0,01 % of the sample);"
    )
    apart = DistributionRemark.STACKS_APART(stacks=("Mill 2.5", "b"))
    assert "(Mill 2.5; b)" in sentence(apart, COMMA)
    decide = DistributionRemark.EMPTY_CLASSES_DECIDE(lowest=0.031, highest=0.2)
    assert sentence(decide, COMMA).endswith("(p from 0,031 to 0,2).")
