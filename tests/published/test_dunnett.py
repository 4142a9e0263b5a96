"""Printed tables of critical values for many comparisons, and SciPy's documented example.

The two-sided 5 % points for several treatments against one control are those of C. W. Dunnett,
"New tables for multiple comparisons with a control", Biometrics 20 (1964) 482-491, and the points
of the studentised range those of any statistics textbook; both are quoted from memory, to the two
or three decimals printed there.
"""

import numpy as np
import pytest
from scipy import stats

from psdstats.models.contrasts import simultaneous
from psdstats.models.maximum_law import maximum_law, range_law

# degrees of freedom: treatments 1, 2, 3, 4, 5 (equal sizes, correlation 0.5)
DUNNETT_5_PERCENT = {
    5: (2.57, 3.03, 3.29, 3.48, 3.62),
    10: (2.23, 2.57, 2.76, 2.89, 2.99),
    20: (2.09, 2.38, 2.54, 2.65, 2.73),
    np.inf: (1.96, 2.21, 2.35, 2.44, 2.51),
}
# (levels, degrees of freedom): upper 5 % point of the studentised range
RANGE_5_PERCENT = {
    (3, 10): 3.88,
    (4, 20): 3.96,
    (5, 20): 4.23,
    (3, np.inf): 3.31,
    (5, np.inf): 3.86,
    (4, 5): 5.22,
}


@pytest.mark.parametrize("df", DUNNETT_5_PERCENT)
def test_dunnett_two_sided_points(df):
    for treatments, printed in enumerate(DUNNETT_5_PERCENT[df], start=1):
        law = maximum_law((np.eye(treatments) + 1.0) / 2.0)
        assert law.critical(0.05, df) == pytest.approx(printed, abs=0.0051)


@pytest.mark.parametrize(("levels", "df"), RANGE_5_PERCENT)
def test_studentised_range_points(levels, df):
    found = np.sqrt(2.0) * range_law(levels).critical(0.05, df)
    assert found == pytest.approx(RANGE_5_PERCENT[levels, df], abs=0.0051)


def test_example_of_scipy():
    """scipy.stats.dunnett, documentation of SciPy 1.17: three samples, p 0.58325114, 0.99819341.

    SciPy integrates by quasi-Monte Carlo, so that its third to fifth digit varies.
    """
    samples = [[3.8, 2.7, 4.0, 2.4], [2.8, 3.4, 3.7, 2.2, 2.0]]
    control = [2.9, 3.0, 2.5, 2.6, 3.2]
    every = [control, *samples]
    sizes = np.array([len(y) for y in every])
    df = int(sizes.sum()) - 3
    pooled = sum(((np.array(y) - np.mean(y)) ** 2).sum() for y in every) / df
    shift = np.array([np.mean(y) - np.mean(control) for y in samples])
    joint = pooled * (np.diag(1 / sizes[1:]) + 1 / sizes[0])
    error = np.sqrt(np.diag(joint))
    found = simultaneous(shift / error, joint / np.outer(error, error), df, kind="dunnett")
    np.testing.assert_allclose(shift / error, [0.90874545, -0.05007117], atol=5e-9)
    np.testing.assert_allclose(found.p_adjusted, [0.58325114, 0.99819341], atol=5e-4)
    live = stats.dunnett(*samples, control=control, rng=np.random.default_rng(1))
    np.testing.assert_allclose(found.p_adjusted, live.pvalue, atol=5e-4)
