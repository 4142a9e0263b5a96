"""Equivalence tests against statsmodels."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from psdstats.models.judged import Family, StudentJudged
from psdstats.models.verdicts import equivalence_of


def judged(estimate, error, df):
    value = np.atleast_1d(np.array(estimate, dtype=float))
    error = np.broadcast_to(float(error), value.shape)
    return StudentJudged(estimate=value, se=error, df=df, correlation=np.eye(len(value)))


def within(estimate, error, df, *, margin_percent):
    one = judged(estimate, error, df)
    family = Family(tuple(range(len(one.estimate))), (1,) * len(one.estimate))
    return equivalence_of(one, family, margin_percent=margin_percent)


def test_paired_against_statsmodels():
    rng = np.random.default_rng(3)
    before, after = rng.normal(4.0, 0.05, 9), rng.normal(4.01, 0.05, 9)
    bound = np.log1p(0.08)
    p, low, high = ttost_paired(after, before, -bound, bound)
    difference = after - before
    error = difference.std(ddof=1) / 3
    found = within(difference.mean(), error, 8, margin_percent=8)
    assert found["equivalence_p"][0] == pytest.approx(p, rel=1e-10)
    one = judged(difference.mean(), error, 8)
    assert one.p_above(-bound)[0] == pytest.approx(low[1], rel=1e-10)
    assert one.p_below(bound)[0] == pytest.approx(high[1], rel=1e-10)


def test_two_samples_against_statsmodels():
    rng = np.random.default_rng(4)
    first, second = rng.normal(4.0, 0.05, 6), rng.normal(4.02, 0.05, 7)
    pooled = (first.var(ddof=1) * 5 + second.var(ddof=1) * 6) / 11
    error = np.sqrt(pooled * (1 / 6 + 1 / 7))
    bound = np.log1p(0.05)
    found = within(second.mean() - first.mean(), error, 11, margin_percent=5)
    expected = ttost_ind(second, first, -bound, bound)[0]
    assert found["equivalence_p"][0] == pytest.approx(expected, rel=1e-10)


@settings(max_examples=60, deadline=None)
@given(
    estimate=st.floats(-0.3, 0.3),
    error=st.floats(0.001, 0.2),
    df=st.one_of(st.just(np.inf), st.floats(1, 100)),
    margin=st.floats(1, 40),
)
def test_test_and_interval_agree(estimate, error, df, margin):
    """Equivalent exactly where the 90 % interval lies within the margin."""
    found = within(estimate, error, df, margin_percent=margin)
    bound = np.log1p(margin / 100)
    ends = found["equivalence_lower"][0], found["equivalence_upper"][0]
    if abs(found["equivalence_p"][0] - 0.05) > 1e-9:
        assert (found["equivalence_p"][0] < 0.05) == (ends[0] > -bound and ends[1] < bound)


def test_increase_and_decrease_are_treated_alike():
    up = within(0.04, 0.02, 7, margin_percent=10)
    down = within(-0.04, 0.02, 7, margin_percent=10)
    assert up["equivalence_p"][0] == pytest.approx(down["equivalence_p"][0], rel=1e-12)


def test_a_family_is_stricter():
    alone = [within(one, 0.015, 7, margin_percent=5)["equivalence_p"] for one in (0.01, 0.02)]
    family = within([0.01, 0.02], 0.015, 7, margin_percent=5)["equivalence_p"]
    assert (family >= np.ravel(alone)).all()
    assert family.max() > np.min(alone)
