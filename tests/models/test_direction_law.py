"""The law by direction against closed forms, SciPy's integrals and the exact range."""

import numpy as np
import pytest
from scipy import special, stats

from psdstats.models.maximum_law import direction_law, lower_factor, range_law

WIDTHS = np.array([0.0, 1.0, 2.0, 3.0, 4.5])


def pair_correlation(k):
    rows = np.array([np.eye(k)[b] - np.eye(k)[a] for a in range(k) for b in range(a + 1, k)])
    return rows @ rows.T / 2.0


def random_correlation(seed, m, rank):
    rows = np.random.default_rng(seed).normal(size=(m, rank))
    rows /= np.sqrt((rows**2).sum(axis=1))[:, None]
    correlation = rows @ rows.T
    np.fill_diagonal(correlation, 1.0)
    return correlation


@pytest.mark.parametrize("k", [3, 4, 5])
def test_factor_of_a_singular_matrix(k):
    factor = lower_factor(pair_correlation(k))
    assert factor.shape == (k * (k - 1) // 2, k - 1)
    np.testing.assert_allclose(factor @ factor.T, pair_correlation(k), atol=1e-12)


@pytest.mark.parametrize("m", [2, 3, 4, 6])
def test_independent_values_closed_form(m):
    law = direction_law(np.eye(m))
    single = 2 * stats.norm.sf(WIDTHS)
    exact = -np.expm1(m * np.log1p(-np.minimum(single, 1 - 1e-16)))
    np.testing.assert_allclose(law.normal_tail(WIDTHS), exact, atol={2: 1e-12}.get(m, 1e-5))
    np.testing.assert_allclose(law.normal_tail(WIDTHS[-1:]), exact[-1:], rtol=1e-5)


def test_two_values_against_the_bivariate_integral():
    """SciPy integrates the bivariate normal numerically, to about 1e-8."""
    correlation = np.array([[1.0, -0.7], [-0.7, 1.0]])
    found = direction_law(correlation)
    law = stats.multivariate_normal(np.zeros(2), correlation)
    exact = [1 - law.cdf([w, w], lower_limit=[-w, -w]) for w in WIDTHS[1:]]
    np.testing.assert_allclose(found.normal_tail(WIDTHS[1:]), exact, atol=1e-6)
    assert found.error == 0.0


@pytest.mark.parametrize("k", [3, 4, 5, 6])
def test_all_pairs_against_the_range(k):
    """The exact law of the range, whose own test is against scipy.stats.studentized_range."""
    law, exact = direction_law(pair_correlation(k)), range_law(k)
    assert law.error < 1e-5
    near = 4 * law.error + 1e-10
    np.testing.assert_allclose(law.normal_tail(WIDTHS), exact.normal_tail(WIDTHS), atol=near)
    for df in (1.0, 2.6, 9.0, 60.0, 1e7, 1e13, np.inf):
        found = [law.student_tail(c, df) for c in WIDTHS]
        np.testing.assert_allclose(found, [exact.tail(c, df) for c in WIDTHS], atol=near)


@pytest.mark.parametrize("k", [4, 6])
def test_far_tails_keep_their_relative_accuracy(k):
    law, exact = direction_law(pair_correlation(k)), range_law(k)
    w = np.array([5.0, 7.0, 10.0, 15.0])
    np.testing.assert_allclose(law.normal_tail(w), exact.normal_tail(w), rtol=1e-3)
    assert law.student_tail(60.0, 5.0) == pytest.approx(exact.tail(60.0, 5.0), rel=1e-4)


@pytest.mark.parametrize(("m", "rank"), [(5, 2), (6, 3), (8, 4), (12, 6)])
def test_tails_fall_from_one_to_nothing(m, rank):
    law = direction_law(random_correlation(m, m, rank))
    assert law.rank == rank
    assert (law.weight >= 0.0).all()
    tail = law.normal_tail(np.linspace(0.0, 9.0, 400))
    assert tail[0] == pytest.approx(1.0, abs=1e-7)
    assert (np.diff(tail[tail > 1e-250]) <= 0.0).all()


@pytest.mark.parametrize(("m", "rank"), [(4, 3), (7, 4), (9, 9)])
def test_law_against_plain_simulation(m, rank):
    """Half a million random normal vectors, whose own scatter is far above the stated error."""
    correlation = random_correlation(17, m, rank)
    law, w = direction_law(correlation), np.array([1.5, 2.2, 3.0])
    y = np.random.default_rng(3).normal(size=(rank, 500_000))
    largest = np.abs(lower_factor(correlation) @ y).max(axis=0)
    share = (largest[:, None] > w).mean(axis=0)
    scatter = np.sqrt(share * (1 - share) / len(largest))
    assert (np.abs(law.normal_tail(w) - share) < 4 * scatter).all()
    assert law.error < 0.25 * scatter.max()


def test_repeated_and_opposite_values_change_nothing():
    base = random_correlation(2, 5, 4)
    order = np.array([0, 1, 1, 2, 3, 0, 4])
    sign = np.array([1.0, 1.0, -1.0, 1.0, 1.0, 1.0, 1.0])
    more = base[np.ix_(order, order)] * np.outer(sign, sign)
    np.testing.assert_allclose(
        direction_law(more).normal_tail(WIDTHS), direction_law(base).normal_tail(WIDTHS), rtol=1e-12
    )


def test_one_value_is_the_t_test():
    law = direction_law(np.ones((2, 2)))
    assert law.student_tail(2.0, 7.5) == pytest.approx(2 * stats.t(7.5).sf(2.0), rel=1e-12)


@pytest.mark.parametrize("distance", [1e-2, 1e-4, 1e-6])
def test_nearly_equal_values(distance):
    """A value beside another one, ever nearer: the law tends to that without it."""
    base = np.linalg.cholesky(random_correlation(4, 4, 4))
    beside = base[0] + np.sqrt(distance) * np.array([0.0, 0.0, 0.0, 1.0])
    rows = np.vstack([base, beside / np.sqrt(beside @ beside)])
    found = direction_law(rows @ rows.T).normal_tail(WIDTHS[1:4])
    without = direction_law(base @ base.T).normal_tail(WIDTHS[1:4])
    np.testing.assert_allclose(found, without, atol=0.5 * np.sqrt(distance) + 2e-5)
    assert (found > without - 2e-5).all()


@pytest.mark.parametrize("apart", [1e-2, 1e-3, 1e-5, 3e-8])
def test_nearly_one_value_lies_between_one_and_several(apart):
    """Four values of which all but a little is shared: just above the tail of one value."""
    rng = np.random.default_rng(1)
    for _ in range(10):
        rows = rng.normal(size=(4, 4)) * np.sqrt(apart)
        rows[:, 0] += 1.0
        rows /= np.linalg.norm(rows, axis=1)[:, None]
        tail = float(direction_law(rows @ rows.T).normal_tail(np.array([2.0]))[0])
        single = float(2.0 * special.ndtr(-2.0))
        assert single * (1.0 - 1e-3) <= tail <= single * (1.0 + 8.0 * np.sqrt(apart) + 1e-3)
