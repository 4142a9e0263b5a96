"""Closed-form derivatives against numeric ones, all rules, bracket by bracket."""

import numpy as np
import pytest

from psdstats.distribution.curves import InterpolationRule, ln_sizes, undersize_of_masses
from psdstats.uncertainty.linear import percentile_jacobian

LEVELS = np.array([0.1, 0.5, 0.9])
RULES = ["semilog", "linear", "logprobit", "monotone"]


@pytest.fixture
def weighed():
    """Masses and ln apertures of 40 invented runs; the last has two classes fewer, padded."""
    generator = np.random.default_rng(20261125)
    net = np.array([2.0, 3, 6, 9, 12, 9, 5, 3, 1]) * np.exp(
        0.3 * generator.standard_normal((40, 9))
    )
    aperture = np.array([45, 63, 90, 125, 180, 250, 355, 500]) * np.exp(
        0.02 * generator.standard_normal((40, 8))
    )
    net[-1, 6:8] = 0.0
    aperture[-1, 6:] = aperture[-1, 5]
    return net, np.log(aperture)


def _numeric(function, point, step):
    """Central differences with one Richardson step, error of fourth order."""
    columns = []
    for index in range(point.shape[1]):
        slopes = []
        for width in (step, step / 2):
            up, down = point.copy(), point.copy()
            up[:, index] += width
            down[:, index] -= width
            slopes.append((function(up) - function(down)) / (2 * width))
        columns.append((4 * slopes[1] - slopes[0]) / 3)
    return np.stack(columns, axis=2)


@pytest.mark.parametrize("rule", RULES)
def test_derivatives_against_differences(weighed, rule):
    net, ln_aperture = weighed
    chosen = InterpolationRule(rule)
    found = percentile_jacobian(net, ln_aperture, LEVELS, rule)
    by_mass = _numeric(
        lambda m: ln_sizes(undersize_of_masses(m), ln_aperture, LEVELS, chosen), net, 2e-3
    )
    full = slice(None, -1)  # a padded column cannot be moved alone
    by_aperture = _numeric(
        lambda a: ln_sizes(undersize_of_masses(net[full]), a, LEVELS, chosen),
        ln_aperture[full],
        1e-3,
    )
    np.testing.assert_allclose(found.by_mass, by_mass, atol=1e-8)
    np.testing.assert_allclose(found.by_ln_aperture[full], by_aperture, atol=1e-8)


@pytest.mark.parametrize("rule", RULES)
def test_exact_laws(weighed, rule):
    """Scaling all masses changes nothing; scaling all apertures scales every size."""
    net, ln_aperture = weighed
    found = percentile_jacobian(net, ln_aperture, LEVELS, rule)
    np.testing.assert_allclose((found.by_mass * net[:, None, :]).sum(axis=2), 0, atol=1e-12)
    np.testing.assert_allclose(found.by_ln_aperture.sum(axis=2), 1, atol=1e-11)


def test_not_bracketed_has_no_derivative():
    found = percentile_jacobian(
        np.array([[20.0, 60.0, 20.0]]), np.log([[90.0, 180.0]]), LEVELS, "semilog"
    )
    np.testing.assert_array_equal(np.isnan(found.ln_size[0]), [True, False, True])
    assert np.isnan(found.by_mass[0, 0]).all()
    assert np.isfinite(found.by_mass[0, 1]).all()


def test_one_sieve_has_no_derivative():
    found = percentile_jacobian(np.array([[5.0, 5.0]]), np.log([[90.0]]), LEVELS)
    assert np.isnan(found.by_mass).all()
    assert found.by_ln_aperture.shape == (1, 3, 1)
