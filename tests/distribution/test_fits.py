"""Fitted distributions: exact recovery, derivatives, and `scipy.optimize.curve_fit`."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special
from scipy.optimize import approx_fprime, curve_fit
from scipy.stats import lognorm, weibull_min

from psdstats.distribution.fits import FORMS, Family, fit_distribution
from psdstats.errors import SizeError

APERTURES = np.array([45.0, 63, 90, 125, 180, 250, 355])


def noise_of(undersize, mass_scale=2e-3):
    """Covariance of cumulative fractions whose class fractions err alone, in closed form."""
    k = len(undersize) + 1
    share = np.diff(np.concatenate([[0], undersize, [1]]))
    jacobian = np.tri(k)[:-1] - np.outer(np.cumsum(share)[:-1], np.ones(k))
    return mass_scale**2 * jacobian @ jacobian.T


TRUE = {
    Family.LOG_NORMAL: (
        (130.0, 1.9),
        lognorm(np.log(1.9), scale=130).cdf,
    ),
    Family.ROSIN_RAMMLER_BENNETT: (
        (160.0, 1.3),
        weibull_min(1.3, scale=160).cdf,
    ),
    Family.GATES_GAUDIN_SCHUHMANN: (
        (420.0, 0.8),
        lambda x: np.minimum(1, (np.asarray(x) / 420) ** 0.8),
    ),
}


@pytest.mark.parametrize("family", list(Family))
def test_recovers_its_own_curve(family):
    parameters, curve = TRUE[family]
    finer = curve(APERTURES)
    fit = fit_distribution(APERTURES, finer, covariance=noise_of(finer), family=family)
    np.testing.assert_allclose(fit.parameters, parameters, rtol=1e-8)
    assert fit.chi_squared == pytest.approx(0, abs=1e-12)
    assert fit.describes
    assert fit.status == "converged"
    np.testing.assert_allclose(fit.undersize(APERTURES), finer, rtol=1e-8)


@pytest.mark.parametrize("family", list(Family))
def test_against_curve_fit_with_the_same_covariance(family):
    """`curve_fit(sigma=matrix, absolute_sigma=True)` minimises the same sum of squares."""
    parameters, curve = TRUE[family]
    finer = curve(APERTURES)
    noise = noise_of(finer)
    seen = finer + np.linalg.cholesky(noise) @ np.random.default_rng(3).normal(size=7)
    fit = fit_distribution(APERTURES, seen, covariance=noise, family=family, misfit=False)
    form = FORMS[Family(family)]
    theta, spread = curve_fit(
        lambda x, a, b: form.curve(np.log(x), np.array([a, b]))[0],
        APERTURES,
        seen,
        p0=fit.theta + 0.02,
        sigma=noise,
        absolute_sigma=True,
    )
    np.testing.assert_allclose(fit.theta, theta, rtol=1e-6)
    np.testing.assert_allclose(fit.theta_covariance, spread, rtol=1e-3)
    rest = seen - form.curve(np.log(APERTURES), fit.theta)[0]
    chi_squared = rest @ np.linalg.solve(noise, rest)
    assert fit.chi_squared == pytest.approx(chi_squared)
    assert fit.p == pytest.approx(special.chdtrc(5, chi_squared))
    distance = np.log(fit.parameters[0] / parameters[0])
    assert abs(distance) < 4 * np.sqrt(fit.theta_covariance[0, 0])


@pytest.mark.parametrize("family", list(Family))
def test_derivatives_against_numeric_ones(family):
    form, theta = FORMS[Family(family)], np.array([np.log(150.0), np.log(0.9)])
    ln_size = np.log(np.array([30.0, 80, 140, 160, 300]))
    _, slopes, by_size = form.curve(ln_size, theta)
    for i, one in enumerate(ln_size):
        numeric = approx_fprime(theta, lambda t, x=one: form.curve(np.array([x]), t)[0][0], 1e-7)
        np.testing.assert_allclose(slopes[i], numeric, atol=1e-6)
        step = 1e-6
        up, down = (form.curve(np.array([one + s]), theta)[0][0] for s in (step, -step))
        assert by_size[i] == pytest.approx((up - down) / (2 * step), abs=1e-6)
    level = np.array([0.1, 0.5, 0.9])
    ln_quantile, gradient = form.quantile(level, theta)
    np.testing.assert_allclose(form.curve(ln_quantile, theta)[0], level)
    for i in range(3):
        numeric = approx_fprime(theta, lambda t, k=i: form.quantile(level, t)[0][k], 1e-7)
        np.testing.assert_allclose(gradient[i], numeric, atol=1e-5)


def test_sizes_outside_the_stack_are_marked():
    finer = lognorm(np.log(2), scale=60).cdf(APERTURES)
    fit = fit_distribution(APERTURES, finer, covariance=noise_of(finer), family="log-normal")
    table = fit.sizes_frame().set_index("level")
    assert list(table["extrapolated"]) == [True, False, False]
    assert table.loc[0.5, "size_um"] == pytest.approx(60)
    assert table.loc[0.1, "size_um"] == pytest.approx(60 * 2 ** special.ndtri(0.1))
    assert table.loc[0.1, "lower_um"] < table.loc[0.1, "size_um"] < table.loc[0.1, "upper_um"]


def test_percentile_uncertainty_is_that_of_the_median_parameter():
    finer = lognorm(np.log(1.9), scale=130).cdf(APERTURES)
    fit = fit_distribution(
        APERTURES, finer, covariance=noise_of(finer), family="log-normal", levels=(0.5,)
    )
    assert fit.sizes[0].lower_um == pytest.approx(fit.lower[0])
    assert fit.sizes[0].u_relative == pytest.approx(np.sqrt(fit.theta_covariance[0, 0]))


def test_aperture_error_common_to_all_shifts_the_size_parameter():
    """All apertures wrong by one unknown factor: u(ln d') is that of the factor, u(n) unmoved."""
    finer = weibull_min(1.3, scale=160).cdf(APERTURES)
    spread = (0.02 * APERTURES)[:, None] * (0.02 * APERTURES)
    alone = fit_distribution(APERTURES, finer, covariance=noise_of(finer))
    both = fit_distribution(
        APERTURES, finer, covariance=noise_of(finer), aperture_covariance_um2=spread
    )
    added = both.theta_covariance - alone.theta_covariance
    np.testing.assert_allclose(added, [[0.02**2, 0], [0, 0]], atol=1e-9)


def test_the_wrong_family_is_said_to_be_wrong():
    finer = lognorm(np.log(1.9), scale=130).cdf(APERTURES)
    noise = noise_of(finer, 1e-4)
    plain = fit_distribution(APERTURES, finer, covariance=noise, misfit=False)
    assert plain.describes is False
    assert plain.misfit == 0
    assert "summary and its intervals are too narrow" in plain.summary()


def test_misfit_makes_chi_squared_its_degrees_of_freedom():
    finer = lognorm(np.log(1.9), scale=130).cdf(APERTURES)
    noise = noise_of(finer, 1e-4)
    fit = fit_distribution(APERTURES, finer, covariance=noise)
    assert "that the intervals include" in fit.summary()
    rest = finer - fit.undersize(APERTURES)
    total = noise + fit.misfit**2 * np.eye(7)
    assert rest @ np.linalg.solve(total, rest) == pytest.approx(5, rel=0.01)
    plain = fit_distribution(APERTURES, finer, covariance=noise, misfit=False)
    assert fit.chi_squared == plain.chi_squared
    assert fit.upper[0] - fit.lower[0] > plain.upper[0] - plain.lower[0]


def test_large_misfit_gives_ordinary_least_squares():
    """With next to no known error the misfit weighs all points alike."""
    finer = lognorm(np.log(1.9), scale=130).cdf(APERTURES)
    fit = fit_distribution(APERTURES, finer, covariance=1e-14 * np.eye(7))
    theta, _ = curve_fit(
        lambda x, a, b: -np.expm1(-((x / np.exp(a)) ** np.exp(b))), APERTURES, finer, p0=fit.theta
    )
    np.testing.assert_allclose(fit.theta, theta, atol=1e-6)
    assert fit.misfit == pytest.approx(
        np.sqrt(np.sum((finer - fit.undersize(APERTURES)) ** 2) / 5), rel=0.01
    )


def test_two_points_fit_exactly_and_say_so():
    fit = fit_distribution([90, 180], [0.3, 0.7], covariance=1e-6 * np.eye(2))
    assert np.isnan(fit.p)
    assert fit.describes is None
    assert "cannot show whether the family is right" in fit.summary()


def test_scaling_masses_or_sizes_scales_the_answer():
    finer = weibull_min(1.3, scale=160).cdf(APERTURES) ** 1.02
    one = fit_distribution(APERTURES, finer, covariance=noise_of(finer), misfit=False)
    ten = fit_distribution(10 * APERTURES, finer, covariance=4 * noise_of(finer), misfit=False)
    assert ten.parameters[0] == pytest.approx(10 * one.parameters[0])
    assert ten.parameters[1] == pytest.approx(one.parameters[1])
    assert ten.chi_squared == pytest.approx(one.chi_squared / 4)


def test_arrays_are_read_only_and_frames_tidy():
    fit = fit_distribution([90, 125, 180], [0.3, 0.5, 0.7], covariance=1e-6 * np.eye(3))
    with pytest.raises(ValueError, match="read-only"):
        fit.parameters[0] = 1
    assert list(fit.to_frame()["parameter"]) == ["characteristic_um", "exponent"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"undersize": [0.1, 0.5]}, "3 apertures but undersize has shape"),
        ({"aperture_um": [180, 125, 90]}, "ascending positive sizes"),
        ({"aperture_um": [0, 125, 180]}, "leave the pan out"),
        ({"undersize": [10, 50, 90]}, "not per cent"),
        ({"covariance": np.zeros((3, 3))}, "not positive definite"),
        ({"undersize": [0.0, 0.5, 1.0]}, "Only 1 of 3 apertures"),
        ({"undersize": [0.7, 0.5, 0.3]}, "does not rise"),
        ({"aperture_covariance_um2": np.eye(2)}, r"aperture covariance has shape \(2, 2\)"),
    ],
)
def test_refusals(change, message):
    options = {
        "aperture_um": [90, 125, 180],
        "undersize": [0.3, 0.5, 0.7],
        "covariance": 1e-6 * np.eye(3),
    } | change
    aperture, finer = options.pop("aperture_um"), options.pop("undersize")
    with pytest.raises(SizeError, match=message):
        fit_distribution(aperture, finer, **options)
