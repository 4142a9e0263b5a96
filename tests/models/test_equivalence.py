"""Equivalence tests against statsmodels."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_ind, ttost_paired

from psdstats.errors import ModelError
from psdstats.models.verdicts import equivalence_test


def test_paired_against_statsmodels():
    rng = np.random.default_rng(3)
    before, after = rng.normal(4.0, 0.05, 9), rng.normal(4.01, 0.05, 9)
    bound = np.log1p(0.08)
    p, low, high = ttost_paired(after, before, -bound, bound)
    difference = after - before
    error = difference.std(ddof=1) / 3
    found = equivalence_test(difference.mean(), error, 8, margin_percent=8)
    assert found.p[0] == pytest.approx(p, rel=1e-10)
    assert found.p_too_low[0] == pytest.approx(low[1], rel=1e-10)
    assert found.p_too_high[0] == pytest.approx(high[1], rel=1e-10)


def test_two_samples_against_statsmodels():
    rng = np.random.default_rng(4)
    first, second = rng.normal(4.0, 0.05, 6), rng.normal(4.02, 0.05, 7)
    pooled = (first.var(ddof=1) * 5 + second.var(ddof=1) * 6) / 11
    error = np.sqrt(pooled * (1 / 6 + 1 / 7))
    bound = np.log1p(0.05)
    found = equivalence_test(second.mean() - first.mean(), error, 11, margin_percent=5)
    assert found.p[0] == pytest.approx(ttost_ind(second, first, -bound, bound)[0], rel=1e-10)


@settings(max_examples=60, deadline=None)
@given(
    estimate=st.floats(-0.3, 0.3),
    error=st.floats(0.001, 0.2),
    df=st.one_of(st.just(np.inf), st.floats(1, 100)),
    margin=st.floats(1, 40),
)
def test_test_and_interval_agree(estimate, error, df, margin):
    """Equivalent exactly where the 90 % interval lies within the margin."""
    found = equivalence_test(estimate, error, df, margin_percent=margin)
    limit = 1 + margin / 100
    inside = found.ratio_lower[0] > 1 / limit and found.ratio_upper[0] < limit
    if abs(found.p[0] - 0.05) > 1e-9:
        assert found.equivalent[0] == inside


def test_increase_and_decrease_are_treated_alike():
    up = equivalence_test(0.04, 0.02, 7, margin_percent=10)
    down = equivalence_test(-0.04, 0.02, 7, margin_percent=10)
    assert up.p[0] == pytest.approx(down.p[0], rel=1e-12)


def test_family_by_holm_is_stricter():
    alone = equivalence_test([0.01, 0.02], 0.015, 7, margin_percent=5)
    family = equivalence_test([0.01, 0.02], 0.015, 7, margin_percent=5, adjust="holm")
    assert (family.p_adjusted >= alone.p_adjusted).all()
    assert family.p_adjusted.max() > alone.p_adjusted.min()
    assert family.margin_percent == 5


def test_faults_are_named():
    with pytest.raises(ModelError, match="margin_percent is 0"):
        equivalence_test([0.0], 0.1, 5, margin_percent=0)
    with pytest.raises(ModelError, match="above 0"):
        equivalence_test([0.0], 0.0, 5, margin_percent=5)
    with pytest.raises(ModelError, match=r"a number above 0 and below 0\.5"):
        equivalence_test([0.0], 0.1, 5, margin_percent=5, alpha=0.5)
