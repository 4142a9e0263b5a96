"""Critical speed and the laws of size reduction against worked examples.

Coulson and Richardson, Chemical Engineering vol. 2, Examples 2.1 and 2.3, and the formula
42.3/√(D − d): quoted from memory and recomputed, not read from the printed page.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from psdstats.planning.bench.charge import critical_speed_rpm
from psdstats.rate.curves import CURVES, CurveName


def test_critical_speed_of_a_mill_of_1_2_m():
    """Coulson and Richardson vol. 2, Example 2.3: 4.04 rad/s, 0.64 Hz; at 0.80 Hz 24 % above."""
    rpm = critical_speed_rpm(1200)
    assert rpm * 2 * math.pi / 60 == pytest.approx(4.04, abs=0.005)
    assert rpm / 60 == pytest.approx(0.64, abs=0.005)
    assert 0.80 / (rpm / 60) == pytest.approx(1.24, abs=0.005)


@pytest.mark.parametrize(("drum_m", "ball_m"), [(1.2, 0.075), (2.0, 0.1), (0.9, 0.0), (0.15, 0.02)])
def test_critical_speed_by_the_rule_with_42_3(drum_m, ball_m):
    """The rule n = 42.3/√(D − d) rpm, lengths in metres; three digits of the constant."""
    expected = 42.3 / math.sqrt(drum_m - ball_m)
    assert critical_speed_rpm(1000 * drum_m, 1000 * ball_m) == pytest.approx(expected, rel=1e-3)


def time_between(start, end, shape):
    """Milling time from one size to another, in units of 1/κ with dD/dt = −κ D^(1 + shape)."""
    beta = np.array([np.log(start), shape * np.log(start), shape])
    curve = CURVES[CurveName.POWER]
    return brentq(
        lambda t: curve.log_size(np.array([t]), beta)[0] - np.log(end), 0.0, 100.0, xtol=1e-14
    )


@pytest.mark.parametrize(
    ("shape", "published", "tolerance"), [(1.0, 4.33, 0.005), (0.0, 8.88, 0.01)]
)
def test_power_law_holds_rittinger_and_kick(shape, published, tolerance):
    """Coulson and Richardson vol. 2, Example 2.1: 50 to 10 mm costs 13.0 kJ/kg.

    Then 75 to 25 mm costs 4.33 kJ/kg by Rittinger's law (shape 1) and 8.88 kJ/kg by Kick's (shape
    0; the book rounds Kick's constant, exact is 8.874).  Energy is taken proportional to time.
    """
    cost = 13.0 * time_between(75.0, 25.0, shape) / time_between(50.0, 10.0, shape)
    assert cost == pytest.approx(published, abs=tolerance)
