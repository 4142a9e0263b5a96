"""Trials at the level of their sizes: covariances over the runs, seeds, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.errors import SizeError
from psdstats.simulate.trial_sizes import SizeSpread, simulate_ln_sizes

COUNTS = {"groups": 2, "times": 3, "replicates": 2}
SPREAD = SizeSpread(run=0.02, group=0.05, group_time=0.03, drift=0.08, reading=0.01, sieves=0.04)


def expected_covariance():
    """Sum of the parts of JCGM 100, written down run by run."""
    group, time, _ = np.indices((2, 3, 2)).reshape(3, -1)
    same = (group[:, None] == group).astype(float)
    return (
        (0.05**2 + 0.04**2) * same
        + 0.03**2 * same * (time[:, None] == time)
        + 0.08**2 * same * np.outer(time / 2, time / 2)
        + (0.02**2 + 0.01**2) * np.eye(12)
    )


def test_covariance_over_the_runs_is_the_sum_of_its_parts():
    trials = 40_000
    drawn = simulate_ln_sizes(SPREAD, **COUNTS, trials=trials, seed=2).reshape(trials, -1)
    expected = expected_covariance()
    found = drawn.T @ drawn / trials
    # standard error of a covariance of normal values: √((V_ii V_jj + V_ij²)/n)
    error = np.sqrt((np.outer(np.diag(expected), np.diag(expected)) + expected**2) / trials)
    assert np.abs((found - expected) / error).max() < 4
    assert np.abs(drawn.mean(axis=0)).max() < 5 * np.sqrt(expected.max() / trials)


def test_groups_start_together_and_drift_along_straight_lines():
    drawn = simulate_ln_sizes(SizeSpread(drift=0.1), **COUNTS, trials=50, seed=1)
    assert (drawn[:, :, 0] == 0).all()
    assert drawn[:, :, 1] == pytest.approx(drawn[:, :, 2] / 2)
    assert (drawn[..., 0] == drawn[..., 1]).all()


def test_one_time_has_no_drift_and_a_seed_gives_one_result():
    options = {"groups": 3, "times": 1, "replicates": 2, "trials": 5}
    first, again, other = (simulate_ln_sizes(SPREAD, **options, seed=seed) for seed in (1, 1, 2))
    assert first.shape == (5, 3, 1, 2)
    assert (first == again).all()
    assert (first != other).any()
    assert (simulate_ln_sizes(SizeSpread(drift=1.0), **options, seed=1) == 0).all()


def test_switching_one_part_on_leaves_the_draws_of_the_others():
    with_drift = simulate_ln_sizes(SizeSpread(run=0.02, drift=0.1), **COUNTS, trials=9, seed=1)
    without = simulate_ln_sizes(SizeSpread(run=0.02), **COUNTS, trials=9, seed=1)
    assert with_drift[:, :, 0] == pytest.approx(without[:, :, 0])


def test_refusals_name_the_value():
    with pytest.raises(SizeError, match="0 trials"):
        simulate_ln_sizes(SPREAD, **COUNTS, trials=0, seed=1)
    with pytest.raises(SizeError, match=r"SizeSpread\.drift is -1"):
        SizeSpread(drift=-1.0)
