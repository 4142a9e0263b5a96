"""Percentiles: exact cases, closed forms in the limit of fine sieves, SciPy, and the refusals."""

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from scipy.stats import lognorm, weibull_min

from psdstats.distribution import percentiles
from psdstats.distribution.curves import monotone_slopes
from psdstats.distribution.percentiles import percentile_bounds
from psdstats.errors import SizeError

LEVELS = [0.1, 0.5, 0.9]
RULES = ["semilog", "linear", "logprobit", "monotone"]


@pytest.mark.parametrize("rule", RULES)
def test_order_of_apertures_does_not_matter(rule):
    aperture, finer = [20, 45, 63, 90, 180, 500], [0.02, 0.11, 0.11, 0.63, 0.91, 1.0]
    down = percentiles([*aperture[::-1], 0], [*finer[::-1], 0], LEVELS, rule)
    np.testing.assert_array_equal(down, percentiles(aperture, finer, LEVELS, rule))


@pytest.mark.parametrize(
    "curve",
    [
        lognorm(np.log(1.9), scale=137.0),
        weibull_min(1.3, scale=210.0),
    ],
)
@pytest.mark.parametrize("rule", RULES)
def test_closed_form_in_the_limit_of_fine_sieves(curve, rule):
    errors = []
    for n_sieves in (40, 400):
        aperture = np.geomspace(1, 20_000, n_sieves)
        sizes = percentiles(aperture, curve.cdf(aperture), LEVELS, rule)
        errors.append(np.abs(sizes / curve.ppf(LEVELS) - 1).max())
    assert errors[1] < max(errors[0] / 50, 1e-9)  # second order or better; exact for one pair
    assert errors[1] < 1e-3


def test_probit_rule_is_exact_for_a_log_normal_curve():
    curve = lognorm(np.log(2.3), scale=80.0)
    aperture = np.array([20.0, 63.0, 250.0, 1000.0])
    sizes = percentiles(aperture, curve.cdf(aperture), LEVELS, "logprobit")
    np.testing.assert_allclose(sizes, curve.ppf(LEVELS), rtol=1e-12)


def test_probit_rule_is_semilog_next_to_nought_and_one():
    ends = ([10.0, 100.0], [0.0, 1.0])
    assert percentiles(*ends, 0.3, "logprobit") == pytest.approx(percentiles(*ends, 0.3))


def test_monotone_rule_agrees_with_scipy():
    aperture = np.array([20.0, 45.0, 63.0, 90.0, 180.0, 500.0])
    finer = np.array([0.02, 0.11, 0.11, 0.63, 0.71, 1.0])
    spline = PchipInterpolator(np.log(aperture), finer)
    slopes = monotone_slopes(finer[None], np.log(aperture)[None])[0]
    np.testing.assert_allclose(slopes, spline.derivative()(np.log(aperture)), atol=1e-13)
    for level, low, high in [(0.05, 20, 45), (0.4, 63, 90), (0.9, 180, 500)]:
        root = brentq(lambda x, p=level: spline(x) - p, np.log(low), np.log(high), xtol=1e-15)
        assert percentiles(aperture, finer, level, "monotone") == pytest.approx(np.exp(root))


@pytest.mark.parametrize("rule", RULES)
def test_flat_step_gives_the_size_where_the_level_is_first_reached(rule):
    sizes = percentiles([50, 100, 200, 400], [0.2, 0.5, 0.5, 0.9], [0.5, 0.2, 0.9], rule)
    np.testing.assert_allclose(sizes, [100, 50, 400], rtol=1e-12)


@pytest.mark.parametrize("rule", RULES)
def test_level_on_a_flat_start_is_the_finest_aperture(rule):
    assert percentiles([50, 100, 200], [0.1, 0.1, 0.9], 0.1, rule) == pytest.approx(50)


def test_not_bracketed_is_open():
    bounds = percentile_bounds([90, 180, 355], [0.3, 0.6, 0.8], LEVELS)
    np.testing.assert_array_equal(np.isnan(bounds.size_um), [True, False, True])
    np.testing.assert_array_equal(bounds.lower_um[[0, 2]], [0, 355])
    np.testing.assert_array_equal(bounds.upper_um[[0, 2]], [90, np.inf])
    assert (bounds.lower_um[0], bounds.upper_um[0]) == (0, 90)
    assert (bounds.lower_um[2], bounds.upper_um[2]) == (355, np.inf)


def test_one_sieve_brackets_only_its_own_undersize():
    np.testing.assert_array_equal(percentiles([90], [0.4], [0.4, 0.3, 0.5]), [90, np.nan, np.nan])


@pytest.mark.parametrize(
    ("aperture", "finer", "level", "words"),
    [
        ([90, 180], [30, 60], 0.5, r"undersize\[0\] is 30; .*divide per cent by 100"),
        ([90, 180, 355], [0.3, 0.6, 0.55], 0.5, r"undersize\[2\] is 0.55"),
        ([355, 180, 90], [0.55, 0.6, 0.3], 0.5, r"undersize\[0\] is 0.55"),
        ([90, 180, 180], [0.3, 0.6, 0.7], 0.5, r"aperture_um\[2\] is 180"),
        ([90, -5], [0.3, 0.6], 0.5, r"aperture_um\[1\] is −5"),
        ([0, 90], [0.1, 0.6], 0.5, r"undersize\[0\] is 0.1; .*pan"),
        ([90, 180], [0.3, np.nan], 0.5, r"undersize\[1\] is nan"),
        ([90, 180], [0.3, 0.6], 50, r"levels\[0\] is 50"),
        ([90, 180, 355], [0.3, 0.6], 0.5, r"shape \(3,\)"),
        ([0], [0], 0.5, "only a pan"),
    ],
)
def test_refusals_name_place_and_value(aperture, finer, level, words):
    with pytest.raises(SizeError, match=words):
        percentiles(aperture, finer, level)


def test_unknown_rule_lists_the_known_ones():
    with pytest.raises(SizeError, match="'cubic' is not known; choose one of 'semilog'"):
        percentiles([90, 180], [0.3, 0.6], 0.5, "cubic")
