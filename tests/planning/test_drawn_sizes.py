"""Trials at the level of their sizes: covariances over the runs, seeds, parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from psdstats.planning import Design, Variation
from psdstats.planning.designs import draw_ln_sizes

DESIGN = Design(groups=2, times=3, replicates=2)
VARIATION = Variation(
    run_percent=2,
    group_percent=5,
    group_time_percent=3,
    drift_percent=8,
    measurement_percent=1,
    sieves_percent=4,
)


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
    drawn = draw_ln_sizes(VARIATION, DESIGN, trials=trials, seed=2)
    expected = expected_covariance()
    found = drawn.T @ drawn / trials
    # standard error of a covariance of normal values: √((V_ii V_jj + V_ij²)/n)
    error = np.sqrt((np.outer(np.diag(expected), np.diag(expected)) + expected**2) / trials)
    assert np.abs((found - expected) / error).max() < 4
    assert np.abs(drawn.mean(axis=0)).max() < 5 * np.sqrt(expected.max() / trials)


def test_groups_start_together_and_drift_along_straight_lines():
    """Switching the drift on leaves the draws of the other parts."""
    without = replace(VARIATION, drift_percent=0)
    both = (draw_ln_sizes(one, DESIGN, trials=50, seed=1) for one in (VARIATION, without))
    moved = np.subtract(*both).reshape(50, 2, 3, 2)
    assert moved[:, :, 0] == pytest.approx(0.0)
    assert np.abs(moved[:, :, 2]).max() > 0.05
    assert moved[:, :, 1] == pytest.approx(moved[:, :, 2] / 2)
    assert moved[..., 0] == pytest.approx(moved[..., 1])


def test_a_seed_gives_one_result():
    first, again, other = (
        draw_ln_sizes(VARIATION, DESIGN, trials=5, seed=seed) for seed in (1, 1, 2)
    )
    assert first.shape == (5, 12)
    assert (first == again).all()
    assert (first != other).any()
