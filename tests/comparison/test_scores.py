"""Zeta and E_n: textbook form, covariance, and a published example."""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.comparison.groups import difference_scores
from psdstats.errors import ModelError


def test_independent_results_give_the_textbook_form():
    """ISO 13528: E_n = (x - X)/√(U_x² + U_X²), zeta with standard uncertainties (from memory)."""
    score = difference_scores([10.6, 10.0], np.diag([0.2**2, 0.1**2]), [[1, -1]])
    assert score.zeta[0] == pytest.approx(0.6 / np.hypot(0.2, 0.1))
    assert score.e_n[0] == pytest.approx(0.6 / np.hypot(0.4, 0.2))


def test_nist_e_n_example():
    """NIST Dataplot reference, ISO 13528 EN SCORE (read): x_ref 1 on the gear data.

    The example takes 2 s of a batch as its expanded uncertainty and 2 s of all data as that of the
    reference, and prints E_n to three decimals: 1.006 → 0.393, 0.996 → -0.262, 0.998 → -0.131.
    Standard deviations of GEAR.DAT (from memory): batch 1 0.004346, all data 0.006279.
    """
    covariance = np.diag([0.004346**2, 0.006279**2])
    for x, printed in [(1.006, 0.393), (0.996, -0.262), (0.998, -0.131), (1.000, 0.0)]:
        score = difference_scores([x, 1.0], covariance, [[1, -1]])
        assert score.e_n[0] == pytest.approx(printed, abs=6e-4)


def test_what_is_shared_cancels():
    """Two results share one error of SD 0.3 and have 0.1 each of their own."""
    shared = 0.3**2 * np.ones((2, 2)) + 0.1**2 * np.eye(2)
    apart = (0.3**2 + 0.1**2) * np.eye(2)
    together = difference_scores([1.5, 1.0], shared, [[1, -1]])
    alone = difference_scores([1.5, 1.0], apart, [[1, -1]])
    assert together.u[0] == pytest.approx(0.1 * np.sqrt(2))
    assert alone.u[0] == pytest.approx(np.sqrt(0.2))
    assert together.signals[0] == "action signal"
    assert alone.signals[0] == ""


def test_covariance_of_the_differences():
    rng = np.random.default_rng(2)
    root = rng.normal(size=(4, 4))
    weights = np.array([[1, -1, 0, 0], [1, 0, -0.5, -0.5]])
    score = difference_scores([1.0, 2, 3, 4], root @ root.T, weights)
    draws = rng.normal(size=(200_000, 4)) @ root.T @ weights.T
    np.testing.assert_allclose(np.cov(draws.T), score.covariance, rtol=0.03)


def test_findings_follow_two_and_three():
    score = difference_scores([1.9, 2.5, 3.5, 0.0], np.diag([1.0, 1, 1, 0]), np.eye(4))
    assert score.signals == ("", "warning signal", "action signal", "")
    assert np.isnan(score.zeta[3])


@pytest.mark.parametrize(
    ("covariance", "weights", "k", "message"),
    [
        (np.eye(3), [[1, -1]], 2.0, "There are 2 results"),
        (np.eye(2), [[1, -1, 0]], 2.0, "There are 2 results"),
        (np.eye(2), [[1, -1]], 0.0, "coverage factor is 0"),
    ],
)
def test_refusals(covariance, weights, k, message):
    with pytest.raises(ModelError, match=message):
        difference_scores([1.0, 2.0], covariance, weights, coverage_factor=k)
