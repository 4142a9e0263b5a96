"""Algebra of the scales and of the process: numerical integrals, numpy's dense solvers, scipy."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from psdstats.distribution.curve_scales import (
    COMPONENT_LOG_PRIOR,
    LOG_SMOOTH,
    LOG_WILD,
    N_SCALES,
    on_scales,
    slope_of_scales,
    spline_basis,
    state_covariance,
    symmetric_inverse,
    wild_covariance,
    wild_states,
)

T = np.array([[0.0, 0.4, 1.0, 1.3]])


def test_prior_sums_to_one():
    wild = sum(np.exp(share) for share in LOG_WILD.values())
    assert np.exp(COMPONENT_LOG_PRIOR).sum() == pytest.approx(1)
    assert np.exp(LOG_SMOOTH) + wild == pytest.approx(1)


def test_slopes_are_the_derivatives_of_the_scales():
    q, step = np.linspace(0.02, 0.98, 25), 1e-6
    numeric = (on_scales(q + step) - on_scales(q - step)) / (2 * step)
    assert numeric.shape == (N_SCALES, 25)
    np.testing.assert_allclose(slope_of_scales(q), numeric, rtol=1e-7)
    assert (numeric > 0).all()


def test_first_scale_is_the_probit_and_a_cut_powder_is_straight_on_its_own():
    q = norm.cdf(np.linspace(-2, 2, 9))
    np.testing.assert_allclose(on_scales(q)[0], np.linspace(-2, 2, 9), atol=1e-12)
    t = np.linspace(-1.5, 0.5, 9)  # log-normal, its coarsest 20 % scalped off
    bend = np.abs(np.diff(on_scales(norm.cdf(t) / 0.8), 2)).max(axis=1)
    assert bend.min() < 1e-12
    assert np.sort(bend)[1] > 1e-3  # and on no other


def test_covariance_of_states_is_the_integral_over_the_noise():
    found = state_covariance(T)[0]
    for i, a in enumerate(T[0]):
        for j, b in enumerate(T[0]):
            least = min(a, b)
            value = quad(lambda s, a=a, b=b: (a - s) * (b - s), 0, least)[0]
            mixed = quad(lambda s, b=b: b - s, 0, least)[0]
            assert found[i, j] == pytest.approx(value, abs=1e-12)
            assert found[4 + i, j] == pytest.approx(mixed, abs=1e-12)
            assert found[4 + i, 4 + j] == pytest.approx(least, abs=1e-12)


def test_intervals_together_are_the_whole_process():
    states, own = wild_states(T)[0], wild_covariance(np.diff(T))[0]
    parts = states @ own @ states.swapaxes(1, 2)
    np.testing.assert_allclose(parts.sum(axis=0), state_covariance(T)[0], atol=1e-14)
    assert np.abs(parts[1][:2]).max() == 0  # nothing below the interval


def test_between_two_sieves_mean_and_variance_are_those_of_the_dense_algebra():
    at = np.array([[0.1, 0.55, 1.2, 1.5]])
    weights, _, bridge, place = spline_basis(T, at)
    whole = state_covariance(np.concatenate([T, at], axis=1))[0]
    known = [1, 2, 3, 9, 10, 11]  # states at the sieves; those at 0 are 0
    columns = [1, 2, 3, 5, 6, 7]
    for k, point in enumerate([4, 5, 6, 7]):
        pull = np.linalg.solve(whole[np.ix_(known, known)], whole[known, point])
        np.testing.assert_allclose(weights[0, columns, k], pull, atol=1e-9)
        left = whole[point, point] - whole[point, known] @ pull
        assert bridge[0, k] == pytest.approx(left, abs=1e-12)
    np.testing.assert_array_equal(place, [[1, 2, 3, 4]])


def test_slopes_of_the_basis_are_its_derivatives():
    at, step = np.array([[-0.3, 0.1, 0.55, 1.2, 1.5]]), 1e-6
    numeric = (spline_basis(T, at + step)[0] - spline_basis(T, at - step)[0]) / (2 * step)
    np.testing.assert_allclose(spline_basis(T, at)[1], numeric, atol=1e-8)


def test_sweeping_gives_inverse_and_determinant_of_a_bordered_covariance():
    rng = np.random.default_rng(4)
    root, line = rng.normal(size=(3, 5, 6, 9)), rng.normal(size=(3, 5, 6, 2))
    bordered = np.zeros((3, 5, 8, 8))
    bordered[..., :6, :6] = root @ root.swapaxes(-1, -2)
    bordered[..., :6, 6:], bordered[..., 6:, :6] = line, line.swapaxes(-1, -2)
    inverse, log_determinant = symmetric_inverse(bordered)
    np.testing.assert_allclose(inverse, np.linalg.inv(bordered), rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(log_determinant, np.linalg.slogdet(bordered)[1], rtol=1e-12)
