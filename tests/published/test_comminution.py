"""Critical speed against worked examples.

Coulson and Richardson, Chemical Engineering vol. 2, Example 2.3, and the formula
42.3/√(D − d): both quoted from memory and recomputed, not read from the printed page.
"""

from __future__ import annotations

import math

import pytest

from psdstats.planning import critical_speed_rpm


def test_critical_speed_of_a_mill_of_1_2_m():
    """Coulson and Richardson vol. 2, Example 2.3: 4.04 rad/s, 0.64 Hz; at 0.80 Hz 24 % above."""
    rpm = critical_speed_rpm(1200)
    assert rpm * 2 * math.pi / 60 == pytest.approx(4.04, abs=0.005)
    assert rpm / 60 == pytest.approx(0.64, abs=0.005)
    assert 0.80 / (rpm / 60) == pytest.approx(1.24, abs=0.005)


@pytest.mark.parametrize(("drum_m", "ball_m"), [(1.2, 0.075), (2.0, 0.1), (0.9, 0.0), (0.15, 0.02)])
def test_critical_speed_by_the_rule_with_42_3(drum_m, ball_m):
    """n = 42.3/√(D − d) rpm, lengths in metres; the constant is printed with three digits."""
    expected = 42.3 / math.sqrt(drum_m - ball_m)
    assert critical_speed_rpm(1000 * drum_m, 1000 * ball_m) == pytest.approx(expected, rel=1e-3)
