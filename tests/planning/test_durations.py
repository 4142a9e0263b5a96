"""Durations of steps: mean, standard deviation and law against scipy.stats."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import SizeError
from psdstats.planning.bench.timeline import simulate_durations


def test_law_is_the_lognormal_with_the_planned_mean():
    drawn = simulate_durations([8.0], spread_percent=40.0, days=20_000, seed=2)[:, 0]
    sigma = np.sqrt(np.log1p(0.4**2))
    law = stats.lognorm(sigma, scale=8.0 / np.sqrt(1 + 0.4**2))
    assert law.mean() == pytest.approx(8.0)
    assert law.std() == pytest.approx(3.2)
    assert stats.kstest(drawn, law.cdf).pvalue > 0.001


def test_steps_without_spread_keep_their_minutes_and_the_others_vary_independently():
    drawn = simulate_durations(
        [5.0, 0.0, 7.0, 9.0], spread_percent=[0, 30, 20, 20], days=9000, seed=1
    )
    assert (drawn[:, 0] == 5.0).all()
    assert (drawn[:, 1] == 0.0).all()
    assert drawn.mean(axis=0) == pytest.approx([5.0, 0.0, 7.0, 9.0], rel=0.02)
    assert abs(np.corrcoef(drawn[:, 2], drawn[:, 3])[0, 1]) < 4 / np.sqrt(9000)


def test_refusals_name_the_value():
    with pytest.raises(SizeError, match="duration is -1"):
        simulate_durations([3.0, -1.0], spread_percent=10, days=5, seed=1)
    with pytest.raises(SizeError, match="spread is -10"):
        simulate_durations([3.0], spread_percent=-10, days=5, seed=1)
    with pytest.raises(SizeError, match="asked for 0 days"):
        simulate_durations([3.0], spread_percent=10, days=0, seed=1)
