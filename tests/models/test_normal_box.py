"""Sampled box probabilities against closed forms, and the factor of singular correlations."""

import numpy as np
import pytest
from scipy import stats

from psdstats.models.maximum_law import range_law
from psdstats.models.normal_box import box_outside, lower_factor

WIDTHS = np.array([0.0, 1.0, 2.0, 3.0, 4.5])


def pair_correlation(k):
    rows = np.array([np.eye(k)[b] - np.eye(k)[a] for a in range(k) for b in range(a + 1, k)])
    return rows @ rows.T / 2.0


@pytest.mark.parametrize("k", [3, 4, 5])
def test_factor_of_a_singular_matrix(k):
    factor = lower_factor(pair_correlation(k))
    assert factor.shape == (k * (k - 1) // 2, k - 1)
    np.testing.assert_allclose(factor @ factor.T, pair_correlation(k), atol=1e-12)


def test_independent_values_closed_form():
    found, error = box_outside(np.eye(4), WIDTHS)
    exact = 1 - (1 - 2 * stats.norm.sf(WIDTHS)) ** 4
    np.testing.assert_allclose(found, exact, atol=1e-12)
    assert error < 1e-12


def test_two_values_against_the_bivariate_integral():
    """SciPy integrates the bivariate normal numerically, to about 1e-8."""
    correlation = np.array([[1.0, -0.7], [-0.7, 1.0]])
    found, _ = box_outside(correlation, WIDTHS[1:])
    law = stats.multivariate_normal(np.zeros(2), correlation)
    exact = [1 - law.cdf([w, w], lower_limit=[-w, -w]) for w in WIDTHS[1:]]
    np.testing.assert_allclose(found, exact, atol=1e-6)


@pytest.mark.parametrize("k", [3, 4, 5])
def test_all_pairs_against_the_range(k):
    found, error = box_outside(pair_correlation(k), WIDTHS[1:])
    np.testing.assert_allclose(found, range_law(k).normal_tail(WIDTHS[1:]), atol=1e-5)
    assert error < 1e-5
