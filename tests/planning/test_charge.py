"""Mill charge: volume and mass balances, remarks, refusals."""

from __future__ import annotations

import math

import pytest

from psdstats.errors import PlanError
from psdstats.planning.bench import Balls, Jar, mill_charge
from psdstats.words.planning import MILL_CAUTIONS
from psdstats.words.remarks import sentence

JAR = Jar(diameter_mm=150, volume_ml=4000, outer_diameter_mm=160, roller_diameter_mm=50)
STEEL = (
    Balls(diameter_mm=20, density_g_per_cm3=7.8, parts=2),
    Balls(diameter_mm=8, density_g_per_cm3=7.8, parts=1),
)


def test_one_density_mass_is_volume_times_density():
    charge = mill_charge(JAR, STEEL, ball_fill=0.35, bed_voidage=0.4)
    assert sum(charge.target_g) == pytest.approx(4000 * 0.35 * 0.6 * 7.8)
    assert charge.target_g[0] / charge.target_g[1] == pytest.approx(2)


def test_two_densities_fill_the_same_solid_volume():
    mixed = (STEEL[0], Balls(diameter_mm=10, density_g_per_cm3=3.9, parts=3))
    charge = mill_charge(JAR, mixed, ball_fill=0.35, bed_voidage=0.4)
    volume = charge.target_g[0] / 7.8 + charge.target_g[1] / 3.9
    assert volume == pytest.approx(4000 * 0.35 * 0.6)
    assert charge.target_g[1] / charge.target_g[0] == pytest.approx(1.5)


def test_counts_are_whole_balls_nearest_to_the_mass():
    charge = mill_charge(JAR, STEEL)
    for count, ball, target in zip(charge.count, charge.balls, charge.target_g, strict=True):
        one = 7.8 * math.pi / 6 * (ball.diameter_mm / 10) ** 3
        assert abs(count * one - target) <= one / 2
    assert charge.to_frame()["mass_g"].sum() == pytest.approx(charge.ball_g)


def test_speed_is_a_fraction_of_the_lowest_critical_speed_and_reaches_the_rollers():
    charge = mill_charge(JAR, STEEL, speed_fraction=0.7)
    assert charge.speed_rpm == pytest.approx(0.7 * 42.3 / math.sqrt(0.150 - 0.008), rel=1e-3)
    assert charge.roller_rpm == pytest.approx(charge.speed_rpm * 160 / 50)


def test_powder_filling_of_the_voids():
    charge = mill_charge(JAR, STEEL, ball_to_powder=10, powder_bulk_density_g_per_cm3=1.0)
    voids_ml = 4000 * 0.35 * 0.4
    assert charge.powder_filling == pytest.approx(charge.powder_g / 1.0 / voids_ml)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"speed_rpm": 130.0}, "stick to the wall"),
        ({"ball_fill": 0.6}, "The ball fill"),
        ({"ball_to_powder": 40.0}, "ball-to-powder ratio"),
        ({"powder_bulk_density_g_per_cm3": 9.0}, "powder filling"),
    ],
)
def test_what_is_unusual_is_said(options, words):
    assert any(words in sentence(one) for one in mill_charge(JAR, STEEL, **options).remarks)


def test_a_usual_charge_has_no_remark_but_its_cautions():
    charge = mill_charge(JAR, STEEL)
    assert charge.remarks == ()
    text = " ".join(MILL_CAUTIONS)
    for word in ("rollers", "explode", "loud", "breathe", "Local codes"):
        assert word in text


@pytest.mark.parametrize(
    ("jar", "balls", "options", "words"),
    [
        (JAR, (), {}, "no ball size"),
        (JAR, STEEL, {"ball_fill": 1.2}, "ball fill is 1.2"),
        (JAR, STEEL, {"ball_to_powder": 0.0}, "ball-to-powder ratio is 0"),
        (Jar(diameter_mm=15, volume_ml=10), STEEL, {}, "does not fit"),
    ],
)
def test_refusals_name_the_value(jar, balls, options, words):
    with pytest.raises(PlanError, match=words):
        mill_charge(jar, balls, **options)
