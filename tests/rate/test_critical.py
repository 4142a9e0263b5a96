"""Critical value for a variance estimated in part, against the convolution done by quadrature."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from psdstats.rate.curve_fit import critical_value
from psdstats.student import critical_t


@pytest.mark.parametrize(("nu", "df"), [(1, 4.0), (2, 2.001), (2, 8.0), (3, 5.0), (12, 20.0)])
def test_tail_of_a_normal_and_a_student_part(nu, df):
    """P(|√(1 − b) Z + √b T| > c) by numerical convolution is what was asked for."""
    share = np.sqrt(nu / df)
    c = critical_value(0.95, df, least_df=nu)

    def outside(z):
        near, far = ((end - np.sqrt(1 - share) * z) / np.sqrt(share) for end in (-c, c))
        return stats.norm.pdf(z) * (stats.t.cdf(near, nu) + stats.t.sf(far, nu))

    tail, _ = integrate.quad(outside, -10, 10, limit=400)
    assert tail == pytest.approx(0.05, abs=5e-6)


def test_ends_are_student_and_normal():
    assert critical_value(0.9, 3.0, least_df=3.0) == pytest.approx(stats.t.ppf(0.95, 3))
    assert critical_value(0.9, float("inf"), least_df=3.0) == pytest.approx(stats.norm.ppf(0.95))
    assert critical_value(0.9, 1e9, least_df=3.0) == pytest.approx(stats.norm.ppf(0.95), rel=1e-4)


def test_wider_than_one_student_with_effective_degrees_of_freedom():
    """What it is for: Student's t with 8 degrees of freedom takes too much for known."""
    assert critical_value(0.95, 8.0, least_df=2.0) > 1.3 * critical_t(0.05, 8.0)
