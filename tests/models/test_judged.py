"""Contrasts judged by Student's t: closed forms, published values, and the one-sided joint law."""

import numpy as np
import pytest
from scipy import stats

from psdstats.models.contrasts import simultaneous
from psdstats.models.judged import Family, Side, StudentJudged, one_sided_law

HALF = np.full((3, 3), 0.5) + 0.5 * np.eye(3)


def judged(t, *, df=9.0, correlation=HALF, se=0.02, jointly=()):
    se = np.broadcast_to(np.asarray(se, dtype=float), np.shape(t))
    return StudentJudged(
        estimate=np.asarray(t) * se, se=se, df=df, correlation=correlation, jointly=jointly
    )


def below(*rows, signs=None):
    return Family(rows, signs or (1,) * len(rows), Side.BELOW)


@pytest.mark.parametrize(
    ("count", "df", "published"),
    [(2, 10, 2.15), (3, 10, 2.34), (2, np.inf, 1.92), (3, np.inf, 2.06)],
)
def test_one_sided_dunnett_5_percent(count, df, published):
    """C. W. Dunnett 1955, table 1a (from memory): two decimals."""
    correlation = np.full((count, count), 0.5) + 0.5 * np.eye(count)
    found = one_sided_law(correlation).critical(0.05, np.array(float(df)))
    assert found == pytest.approx(published, abs=0.006)


@pytest.mark.parametrize(("count", "df"), [(3, 5), (5, 20), (8, 12)])
def test_many_alike_against_the_multivariate_t_of_scipy(count, df):
    correlation = np.full((count, count), 0.5) + 0.5 * np.eye(count)
    c = one_sided_law(correlation).critical(0.05, np.array(float(df)))
    inside = stats.multivariate_t(shape=correlation, df=df).cdf(
        np.full(count, float(c)), random_state=1, maxpts=200_000
    )
    assert 1.0 - inside == pytest.approx(0.05, abs=5e-4)


@pytest.mark.parametrize("rho", [-0.6, 0.0, 0.3, 0.95])
@pytest.mark.parametrize("c", [-1.0, 0.5, 2.0, 3.0])
def test_two_normal_values_against_the_bivariate_law(rho, c):
    correlation = np.array([[1.0, rho], [rho, 1.0]])
    expected = 1.0 - stats.multivariate_normal(cov=correlation).cdf([c, c])
    found = one_sided_law(correlation).tail(np.array(c), np.array(np.inf))
    assert found == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("df", [3.0, 12.5])
def test_unlike_correlations_against_draws(df):
    factor = np.array([[1, 0, 0, 0], [0.8, 0.6, 0, 0], [-0.3, 0.4, 0.8, 0], [0.1, 0.2, 0.3, 0.9]])
    factor = factor / np.sqrt((factor**2).sum(axis=1))[:, None]
    rng = np.random.default_rng(11)
    z = rng.standard_normal((400_000, 4)) @ factor.T
    largest = (z / np.sqrt(rng.chisquare(df, (400_000, 1)) / df)).max(axis=1)
    law = one_sided_law(factor @ factor.T)
    for alpha in (0.05, 0.01):
        c = law.critical(alpha, np.array(df))
        error = 4.0 * np.sqrt(alpha / 400_000)
        assert (largest > c).mean() == pytest.approx(alpha, abs=error + 3e-4)


def test_a_value_repeated_is_one_value():
    law = one_sided_law(np.ones((3, 3)))
    assert law.tail(np.array(1.7), np.array(8.0)) == pytest.approx(stats.t(8).sf(1.7), rel=1e-9)
    assert law.critical(0.05, np.array(8.0)) == pytest.approx(stats.t(8).ppf(0.95), rel=1e-9)


def test_single_p_and_half_width():
    one = judged([-2.0, 0.5, 1.0])
    np.testing.assert_allclose(one.p_below(), stats.t(9).cdf([-2.0, 0.5, 1.0]))
    np.testing.assert_allclose(one.p_above(0.01), stats.t(9).sf([-2.5, 0.0, 0.5]))
    np.testing.assert_allclose(one.half_width(0.05), stats.t(9).ppf(0.975) * 0.02)
    end = one.estimate + one.half_width(0.1)
    for place, limit in enumerate(end):
        assert one.p_below(limit)[place] == pytest.approx(0.05)


def test_two_sided_families_are_those_of_the_simultaneous_rule():
    one = judged([-2.4, 0.5, 1.8], df=[4.0, 9.0, np.inf])
    expected = simultaneous([-2.4, 0.5, 1.8], HALF, [4.0, 9.0, np.inf])
    family = Family((0, 1, 2), (1, -1, 1))
    np.testing.assert_allclose(one.family_p(family), expected.p_adjusted, rtol=1e-9)
    np.testing.assert_allclose(one.family_half_width(family, 0.05), expected.critical * one.se)


@pytest.mark.parametrize("family", [below(0, 1, 2), below(0, 2, signs=(-1, 1)), below(1)])
@pytest.mark.parametrize("df", [6.0, [3.0, 8.5, np.inf]])
def test_p_and_limits_of_a_family_agree(family, df):
    one = judged([-2.4, -1.9, -1.2], df=df)
    rows, signs = list(family.members), np.array(family.signs)
    p = one.family_p(family)
    for place, row in enumerate(rows):
        width = one.family_half_width(family, float(p[place]))[place]
        upper = one.estimate[row] * signs[place] + width
        if p[place] < 0.5:
            assert upper == pytest.approx(0.0, abs=1e-4)


def test_family_of_unlike_degrees_of_freedom_keeps_single_p_as_its_least():
    one = judged([-3.0, -1.0, 0.0], df=[2.0, 5.0, 40.0])
    single = one.p_below()
    found = one.family_p(below(0, 1, 2))
    assert (found >= single).all()
    assert (found <= np.minimum(3 * single, 1.0) + 1e-12).all()


def test_many_contrasts_are_adjusted_by_bonferroni():
    count = 61
    one = judged(np.full(count, -2.0), correlation=np.eye(count))
    family = below(*range(count))
    np.testing.assert_allclose(one.family_p(family), min(count * stats.t(9).cdf(-2.0), 1.0))
    width = stats.t(9).isf(0.05 / count) * 0.02
    np.testing.assert_allclose(one.family_half_width(family, 0.05), width)


def test_all_at_once_is_f_of_independent_means():
    """Three means against one, balanced: F of a one-way layout with known cell variance s²/n."""
    mean, s, n = np.array([1.0, 1.3, 0.8, 1.6]), 0.25, 4
    weights = np.c_[-np.ones(3), np.eye(3)]
    one = StudentJudged(
        estimate=weights @ mean,
        se=np.full(3, s * np.sqrt(2 / n)),
        df=12.0,
        correlation=HALF,
        jointly=((0, 1, 2),),
    )
    f = n * mean.var(ddof=1) / s**2
    assert one.joint_p(0) == pytest.approx(stats.f(3, 12).sf(f), rel=1e-12)
    known = judged(one.estimate / one.se, df=np.inf, jointly=((0, 1, 2),))
    assert known.joint_p(0) == pytest.approx(stats.chi2(3).sf(3 * f), rel=1e-12)


def test_data_sets_side_by_side_are_judged_each_by_itself():
    rng = np.random.default_rng(4)
    t, df = rng.normal(-1.5, 1.0, (70, 3)), rng.uniform(2.0, 30.0, (70, 1)) * np.ones(3)
    many = judged(t, df=df, jointly=((0, 2),))
    for place in (0, 69):
        one = judged(t[place], df=df[place], jointly=((0, 2),))
        for family in (below(0, 1, 2), Family((0, 1), (1, -1))):
            np.testing.assert_allclose(
                many.family_p(family)[place], one.family_p(family), rtol=1e-9
            )
            # above 48 different degrees of freedom critical values are interpolated
            np.testing.assert_allclose(
                many.family_half_width(family, 0.05)[place],
                one.family_half_width(family, 0.05),
                rtol=2e-3,
            )
        assert many.joint_p(0)[place] == pytest.approx(one.joint_p(0))


def test_values_without_scatter_are_judged_by_whether_they_differ():
    """Bounds of one sieve are all alike: no difference is no evidence, one without error is."""
    alike = StudentJudged(
        estimate=np.array([0.0, 0.0, -0.1]), se=np.zeros(3), df=6.0, correlation=HALF
    )
    np.testing.assert_array_equal(alike.p_below(), [0.5, 0.5, 0.0])
    np.testing.assert_array_equal(alike.p_above(), [0.5, 0.5, 1.0])
    np.testing.assert_array_equal(alike.p_below(0.05), [0.0, 0.0, 0.0])
    p = alike.family_p(below(0, 1, 2))
    assert p[0] == p[1] > 0.5
    assert p[2] == 0.0


def test_critical_values_are_solved_once_and_cannot_be_written_to():
    law, df = one_sided_law(HALF), np.array([4.0, 9.0, np.nan])
    first = law.critical(0.05, df)
    first[:] = 0.0
    np.testing.assert_allclose(law.tail(law.critical(0.05, df)[:2], df[:2]), 0.05, atol=1e-9)
