"""Adjusted p-values and critical values: rules, agreement, coverage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from psdstats.errors import ModelError
from psdstats.models.contrasts import Adjustment, adjust_p, simultaneous

numbers = st.floats(min_value=-6, max_value=6)


def correlation_of(seed, m):
    rows = np.random.default_rng(seed).normal(size=(m, m + 1))
    joint = rows @ rows.T
    error = np.sqrt(np.diag(joint))
    correlation = joint / np.outer(error, error)
    np.fill_diagonal(correlation, 1.0)
    return correlation


@pytest.mark.parametrize("kind", ["holm", "bonferroni"])
def test_rules_without_correlation_match_their_definition(kind):
    """Bonferroni: m p.  Holm: the k-th smallest p times m - k + 1, never below the one before."""
    p = np.array([0.012, 0.5, 0.0003, 0.04, 0.012, 0.9])
    factor = np.array([6, 6, 6, 6, 6, 6] if kind == "bonferroni" else [5, 2, 6, 3, 4, 1])
    order = np.argsort(p, kind="stable")
    expected = np.empty(6)
    expected[order] = np.minimum(np.maximum.accumulate((factor * p)[order]), 1.0)
    np.testing.assert_allclose(adjust_p(p, kind=kind), expected, rtol=1e-13)


@settings(max_examples=20, deadline=None)
@given(
    t=st.lists(numbers, min_size=3, max_size=3),
    seed=st.integers(0, 3),
    df=st.one_of(st.just(np.inf), st.floats(min_value=1, max_value=200)),
    kind=st.sampled_from(["mvt", "bonferroni", "none"]),
)
def test_p_and_interval_agree(t, seed, df, kind):
    """Adjusted p is at least p and at most m p, and below 0.05 exactly where |t| > critical."""
    found = simultaneous(t, correlation_of(seed, 3), df, kind=kind)
    assert (found.p_adjusted >= found.p).all()
    assert (found.p_adjusted <= np.minimum(3 * found.p, 1.0) * (1 + 1e-12)).all()
    excludes_zero = np.abs(t) > found.critical
    clear = np.abs(found.p_adjusted - 0.05) > 1e-9
    assert (excludes_zero == (found.p_adjusted < 0.05))[clear].all()


@settings(max_examples=15, deadline=None)
@given(
    t=st.lists(numbers, min_size=3, max_size=3),
    df=st.lists(st.floats(min_value=2, max_value=60), min_size=3, max_size=3),
)
def test_p_and_interval_agree_with_different_degrees_of_freedom(t, df):
    found = simultaneous(t, (np.eye(3) + 1) / 2, df)
    assert (found.p_adjusted >= found.p).all()
    assert (found.p_adjusted <= 3 * found.p * (1 + 1e-9)).all()
    clear = np.abs(found.p_adjusted - 0.05) > 1e-9
    assert ((np.abs(t) > found.critical) == (found.p_adjusted < 0.05))[clear].all()


@pytest.mark.parametrize("kind", ["dunnett", "mvt", "holm"])
def test_order_of_contrasts_does_not_matter(kind):
    t, correlation = np.array([2.9, -0.4, 1.7, 2.1]), correlation_of(5, 4)
    order = np.array([2, 0, 3, 1])
    straight = simultaneous(t, correlation, 9.0, kind=kind)
    turned = simultaneous(t[order], correlation[np.ix_(order, order)], 9.0, kind=kind)
    np.testing.assert_allclose(turned.p_adjusted, straight.p_adjusted[order], atol=1e-5)


def test_nearly_equal_degrees_of_freedom_give_the_exact_result():
    t, correlation = [2.2, 1.0, 3.0], (np.eye(3) + 1) / 2
    exact = simultaneous(t, correlation, 12.0)
    near = simultaneous(t, correlation, [12.0, 12.0 + 1e-7, 12.0 - 1e-7])
    np.testing.assert_allclose(near.p_adjusted, exact.p_adjusted, rtol=1e-6)
    np.testing.assert_allclose(near.critical, exact.critical, rtol=1e-6)
    assert near.law == exact.law == "shared comparison"


def test_single_contrast_is_the_t_test():
    found = simultaneous([2.5], [[1.0]], 6.5, kind="dunnett")
    assert found.p_adjusted[0] == pytest.approx(2 * stats.t(6.5).sf(2.5), rel=1e-12)
    assert found.critical[0] == pytest.approx(stats.t(6.5).ppf(0.975), rel=1e-12)


def test_p_that_underflows_with_unequal_degrees_of_freedom_stays_zero():
    """|t| = 45 at 40,000 degrees of freedom has p below the smallest number; its neighbour not."""
    found = simultaneous([45.0, 2.0], [[1.0, 0.5], [0.5, 1.0]], [40_000, 1_000])
    assert found.p_adjusted[0] == found.p[0] == 0.0
    assert found.p[1] < found.p_adjusted[1] <= 2 * found.p[1]


def test_family_wise_coverage_of_unbalanced_pairs():
    """All three intervals hold together in 95 % of 20,000 one-way trials of sizes 3, 5 and 8."""
    rng, sizes, trials = np.random.default_rng(7), np.array([3, 5, 8]), 20_000
    df = int(sizes.sum()) - 3
    means = rng.normal(size=(trials, 3)) / np.sqrt(sizes)
    s = np.sqrt(rng.chisquare(df, size=trials) / df)
    rows = np.array([[-1, 1, 0], [-1, 0, 1], [0, -1, 1]])
    error = np.sqrt((rows**2) @ (1 / sizes))
    correlation = (rows / sizes) @ rows.T / np.outer(error, error)
    critical = simultaneous(np.zeros(3), correlation, df).critical
    held = (np.abs(means @ rows.T) <= critical * error * s[:, None]).all(axis=1).mean()
    assert held == pytest.approx(0.95, abs=4 * np.sqrt(0.95 * 0.05 / trials))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"t": [1.0], "correlation": [[1]], "df": 5, "kind": "scheffé"}, "scheffé"),
        ({"t": [1.0], "correlation": [[1]], "df": 5, "level": 95}, "95"),
    ],
)
def test_what_cannot_be_adjusted_is_said(arguments, words):
    rest = dict(arguments)
    with pytest.raises(ModelError, match=words):
        simultaneous(rest.pop("t"), rest.pop("correlation"), rest.pop("df"), **rest)


def test_rules_that_need_correlations_refuse_bare_p():
    with pytest.raises(ModelError, match="needs the correlations"):
        adjust_p([0.1], kind="tukey")
    with pytest.raises(ModelError, match="between 0 and 1"):
        adjust_p([1.2])


def test_more_contrasts_than_the_joint_law_takes_are_bonferroni_and_say_so():
    found = simultaneous(np.full(66, 4.0), np.eye(66), 10.0, kind="tukey")
    np.testing.assert_allclose(found.p_adjusted, np.minimum(66 * found.p, 1.0))
    assert found.adjustment is Adjustment.BONFERRONI
    assert found.law == ""
