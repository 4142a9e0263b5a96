"""Student's t with fractional and infinite degrees of freedom, against SciPy's distributions."""

import numpy as np
import pytest
from scipy import stats

from psdstats.student import critical_t, scale_rule, two_sided_p, upper_tail

DF = [1.0, 1.7, 4.0, 8.3, 30.0, 1e4, np.inf]


@pytest.mark.parametrize("df", DF)
def test_tail_matches_scipy(df):
    t = np.array([-3.0, 0.0, 0.5, 2.0, 6.0, 30.0])
    other = stats.norm if np.isinf(df) else stats.t(df)
    np.testing.assert_allclose(upper_tail(t, df), other.sf(t), rtol=1e-11)
    np.testing.assert_allclose(two_sided_p(t, df), 2 * other.sf(abs(t)), rtol=1e-11)


@pytest.mark.parametrize("df", DF)
def test_critical_value_gives_alpha_back(df):
    alpha = np.array([1.0, 0.9, 0.05, 1e-6, 1e-30])
    np.testing.assert_allclose(two_sided_p(critical_t(alpha, df), df), alpha, rtol=1e-12)


def test_printed_table():
    """Two-sided 5 % points of any t table (textbook values, from memory), three decimals."""
    np.testing.assert_allclose(
        critical_t(0.05, [1, 2, 5, 10, 20, 60, np.inf]),
        [12.706, 4.303, 2.571, 2.228, 2.086, 2.000, 1.960],
        atol=5e-4,
    )


@pytest.mark.parametrize("df", DF[:-1])
def test_scale_rule_moments(df):
    """Mean square of s is 1, and the fourth moment 1 + 2/df (chi-square variance 2 df)."""
    s, weight = scale_rule(df)
    assert weight @ s**2 == pytest.approx(1.0, rel=1e-10)
    assert weight @ s**4 == pytest.approx(1.0 + 2.0 / df, rel=1e-10)


@pytest.mark.parametrize("df", DF[:-1])
@pytest.mark.parametrize("c", [0.5, 3.0, 20.0])
def test_scale_rule_turns_the_normal_tail_into_the_t_tail(df, c):
    s, weight = scale_rule(df, pull=c)
    assert weight @ stats.norm.sf(c * s) == pytest.approx(stats.t(df).sf(c), rel=1e-9)
