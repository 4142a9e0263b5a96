"""The law of the largest |t|: each structure against another route."""

import numpy as np
import pytest
from scipy import integrate, stats

from psdstats.models.maximum_law import maximum_law, range_law


def difference_correlation(variances, pairs):
    k = len(variances)
    rows = np.array([np.eye(k)[b] - np.eye(k)[a] for a, b in pairs])
    joint = rows @ np.diag(variances) @ rows.T
    error = np.sqrt(np.diag(joint))
    return joint / np.outer(error, error)


@pytest.mark.parametrize(("k", "df"), [(2, 5.0), (3, 10.0), (4, 20.5), (6, 60.0), (5, np.inf)])
def test_range_against_scipy(k, df):
    """scipy.stats.studentized_range integrates the same law on its own, to about 1e-9."""
    c = np.array([0.5, 1.5, 2.5, 4.0])
    found = [range_law(k).tail(value, df) for value in c]
    np.testing.assert_allclose(
        found, stats.studentized_range.sf(c * np.sqrt(2), k, df), rtol=1e-6, atol=1e-9
    )


def test_all_pairs_alike_are_recognised():
    pairs = [(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)]
    law = maximum_law(difference_correlation(np.ones(4), pairs))
    assert law.name == "studentised range"
    assert law.error == 0.0


@pytest.mark.parametrize("variances", [[1, 1, 1, 1], [0.2, 1.0, 3.0, 0.5]])
def test_product_structure_against_nested_quadrature(variances):
    """Every level against one: integrate over the shared mean and s with scipy's adaptive rule."""
    pairs, df, c = [(0, 1), (0, 2), (0, 3)], 7.0, 2.4
    correlation = difference_correlation(np.array(variances, dtype=float), pairs)
    a = np.sqrt(variances[0] / (variances[0] + np.array(variances[1:])))
    b = np.sqrt(1 - a**2)

    def inside(u, s):
        ends = stats.norm.cdf((c * s - a * u) / b) - stats.norm.cdf((-c * s - a * u) / b)
        density = stats.chi.pdf(s * np.sqrt(df), df) * np.sqrt(df)
        return stats.norm.pdf(u) * density * ends.prod()

    expected = 1 - integrate.dblquad(inside, 0, 5, -8, 8, epsabs=1e-9)[0]
    law = maximum_law(correlation)
    assert law.name == "shared comparison"
    assert law.tail(c, df) == pytest.approx(expected, abs=2e-8)


@pytest.mark.parametrize("df", [6.0, 15.5])
def test_general_correlation_against_scipy(df):
    """scipy.stats.multivariate_t integrates by randomised quasi-Monte Carlo, error about 1e-5."""
    correlation = difference_correlation(
        np.array([0.4, 1.0, 2.0, 0.7, 1.5]), [(0, 1), (1, 2), (2, 3), (3, 4)]
    )
    law, c = maximum_law(correlation), 2.6
    box = stats.multivariate_t(np.zeros(4), correlation, df=df, seed=1)
    inside = box.cdf(np.full(4, c), lower_limit=np.full(4, -c), maxpts=400_000, random_state=1)
    assert law.tail(c, df) == pytest.approx(1 - inside, abs=5e-5)
    assert 0.0 < law.error < 1e-5


def test_singular_unequal_pairs_against_gauss_quadrature():
    """Three means of unequal variances: two integrals by hand over the first and the second."""
    variances = np.array([0.3, 1.0, 2.5])
    law, w = maximum_law(difference_correlation(variances, [(0, 1), (0, 2), (1, 2)])), 2.1
    sd, x = np.sqrt(variances), np.linspace(-8, 8, 2001)
    first, second = x[:, None] * sd[0], x[None, :] * sd[1]
    reach = w * np.sqrt(variances[:, None] + variances[None, :])
    low = np.maximum(first - reach[0, 2], second - reach[1, 2]) / sd[2]
    high = np.minimum(first + reach[0, 2], second + reach[1, 2]) / sd[2]
    third = np.clip(stats.norm.cdf(high) - stats.norm.cdf(low), 0, None)
    third[np.abs(first - second) > reach[0, 1]] = 0.0
    density = stats.norm.pdf(x)
    step = x[1] - x[0]
    expected = 1 - step**2 * density @ third @ density  # the edge of the step costs about 1e-4
    assert law.normal_tail(np.array([w]))[0] == pytest.approx(expected, abs=2e-4)
    assert law.name == "multivariate t"


def test_independent_blocks_closed_form():
    """Uncorrelated values without estimated variance: Sidak's 1 - (1 - p)^m is exact."""
    law, c = maximum_law(np.eye(5)), 2.3
    assert law.tail(c, np.inf) == pytest.approx(1 - (1 - 2 * stats.norm.sf(c)) ** 5, rel=1e-12)
    block = np.kron(np.eye(2), np.array([[1.0, 0.5], [0.5, 1.0]]))
    pair = maximum_law(block[:2, :2]).tail(c, np.inf)
    assert maximum_law(block).tail(c, np.inf) == pytest.approx(1 - (1 - pair) ** 2, rel=1e-12)


def test_repeated_value_needs_no_adjustment():
    correlation = np.array([[1.0, -1.0, 1.0], [-1.0, 1.0, -1.0], [1.0, -1.0, 1.0]])
    law = maximum_law(correlation)
    assert law.tail(2.0, 9.0) == pytest.approx(2 * stats.t(9).sf(2.0), rel=1e-12)


def test_signs_of_values_do_not_matter():
    correlation = difference_correlation(np.array([0.5, 1, 2, 3.0]), [(0, 1), (0, 2), (0, 3)])
    flip = np.diag([1.0, -1.0, 1.0])
    straight, turned = maximum_law(correlation), maximum_law(flip @ correlation @ flip)
    assert turned.tail(2.2, 8.0) == pytest.approx(straight.tail(2.2, 8.0), rel=1e-12)


def test_far_tail_approaches_bonferroni():
    """With |t| far out hardly ever do two values exceed it together, unless s is small."""
    law = maximum_law((np.eye(4) + 1.0) / 2.0)
    single = 2 * stats.norm.sf(9.0)
    assert law.tail(9.0, np.inf) == pytest.approx(4 * single, rel=1e-3)


@pytest.mark.parametrize("df", [3.0, 11.2, np.inf])
@pytest.mark.parametrize("alpha", [0.2, 0.05, 0.001])
def test_critical_value_gives_alpha_back(df, alpha):
    correlation = difference_correlation(np.array([1.0, 1.0, 1.0, 1.0]), [(0, 1), (1, 2), (2, 3)])
    for law in (range_law(4), maximum_law((np.eye(3) + 1) / 2), maximum_law(correlation)):
        assert law.tail(law.critical(alpha, df), df) == pytest.approx(alpha, rel=1e-9)
