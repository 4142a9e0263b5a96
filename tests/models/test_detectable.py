"""Power and smallest detectable change against the noncentral t of SciPy and statsmodels."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower, TTestPower

from psdstats.errors import ModelError
from psdstats.models.verdicts import contrast_power, detectable_percent, smallest_detectable


@pytest.mark.parametrize("df", [2.0, 4.5, 12.0, 200.0])
@pytest.mark.parametrize("shift", [0.0, 1.0, 3.5, 8.0])
def test_power_against_the_noncentral_t(df, shift):
    critical = stats.t(df).ppf(0.975)
    law = stats.nct(df, shift) if shift else stats.t(df)
    expected = law.sf(critical) + law.cdf(-critical)
    found = contrast_power(shift, df, critical=critical)
    assert found == pytest.approx(expected, abs=1e-9)


def test_power_of_one_sample_against_statsmodels():
    expected = TTestPower().power(effect_size=0.7, nobs=12, alpha=0.05)
    found = contrast_power(0.7 * np.sqrt(12), 11, critical=stats.t(11).ppf(0.975))
    assert found == pytest.approx(expected, abs=1e-8)


def test_two_groups_of_64():
    """Cohen 1988: 64 a group show half a standard deviation with power 0.80 (from memory)."""
    found = contrast_power(0.5 / np.sqrt(2 / 64), 126, critical=stats.t(126).ppf(0.975))
    assert found == pytest.approx(0.80, abs=0.005)
    found_size = smallest_detectable(np.sqrt(2 / 64), 126).log_change[0]
    expected = TTestIndPower().solve_power(nobs1=64, power=0.8, alpha=0.05)
    assert found_size == pytest.approx(expected, abs=1e-6)


def test_known_variance_closed_form():
    """Without estimated variance the change is (1.959964 + 0.841621) standard errors, nearly."""
    found = smallest_detectable([0.1, 0.2], np.inf)
    np.testing.assert_allclose(found.log_change, [0.2801585, 0.5603170], atol=1e-5)


@pytest.mark.parametrize("power", [0.5, 0.8, 0.99])
def test_detectable_change_has_its_power(power):
    found = smallest_detectable([0.03, 0.1], [3.0, 14.2], critical=[4.1, 2.9], power=power)
    shifts = found.log_change / [0.03, 0.1]
    for shift, df, critical in zip(shifts, [3.0, 14.2], [4.1, 2.9], strict=True):
        assert contrast_power(shift, df, critical=critical) == pytest.approx(power, rel=1e-9)


def test_per_cent_up_and_down_undo_each_other():
    found = smallest_detectable([0.08], 6)
    up, down = found.increase_percent[0] / 100, found.decrease_percent[0] / 100
    assert (1 + up) * (1 - down) == pytest.approx(1.0)


def test_faults_are_named():
    with pytest.raises(ModelError, match="wanted power"):
        smallest_detectable([0.1], 5, power=1.0)
    with pytest.raises(ModelError, match="wanted power"):
        smallest_detectable([0.1], 5, power=0.04)
    with pytest.raises(ModelError, match="above 0"):
        smallest_detectable([0.0], 5)


def test_far_less_than_one_degree_of_freedom_shows_nothing():
    """The critical value is astronomical: no change would be shown, and nothing overflows."""
    found = smallest_detectable([0.01, 0.01], [0.2, 0.01])
    assert found.increase_percent.tolist() == [np.inf, np.inf]
    assert found.decrease_percent.tolist() == [100.0, 100.0]


def test_far_less_than_one_degree_of_freedom_has_a_limit_of_its_own_and_shows_nothing():
    """Such as a group's: 18 standard errors away, which chance passes in 80 % at 0.04."""
    assert 2 * stats.t(0.0394).sf(17.9) > 0.8
    found = smallest_detectable([0.0027] * 3, [0.0394, 0.06, 8.0], critical=[17.9, 5.0, 3.0])
    assert found.decrease_percent[:2].tolist() == [100.0, 100.0]
    assert found.decrease_percent[2] < 2.0
    told = detectable_percent(np.array([0.0027]), np.array([0.0394]), np.array([0.0483]))
    assert told["detectable_decrease_percent"] == pytest.approx([100.0])
    with pytest.raises(ModelError, match="above the level of the test"):
        smallest_detectable([0.0027], [8.0], critical=[0.1])
