"""Curves against their differential equations, limits and numeric derivatives."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from psdstats.rate.curves import CURVES, CurveName

TIME = np.array([0.0, 0.5, 3.0, 10.0, 40.0])


@pytest.mark.parametrize("curve", CURVES.values(), ids=lambda curve: curve.name.value)
@pytest.mark.parametrize("shape", [0.0, 1e-9, 0.3, 0.9])
def test_gradient_is_the_numeric_one(curve, shape):
    beta = np.array([5.5, np.log(0.07), shape])[: curve.size]
    step = 1e-6
    for position in range(curve.size):
        up, down = beta.copy(), beta.copy()
        up[position] += step
        if position == 2 and shape < step:  # s starts at zero: one-sided, second order
            further = beta.copy()
            further[2] += 2 * step
            numeric = (
                -3 * curve.log_size(TIME, beta)
                + 4 * curve.log_size(TIME, up)
                - curve.log_size(TIME, further)
            ) / (2 * step)
        else:
            down[position] -= step
            numeric = (curve.log_size(TIME, up) - curve.log_size(TIME, down)) / (2 * step)
        assert curve.gradient(TIME, beta)[:, position] == pytest.approx(numeric, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("shape", [0.25, 0.5, 1.0, 2.0])
def test_power_law_solves_its_differential_equation(shape):
    """dD/dt = −k D (D/D0)^s: the general law of size reduction with energy as time."""
    k, start = 0.05, 250.0
    solved = solve_ivp(
        lambda _, d: -k * d * (d / start) ** shape, (0, 40), [start], t_eval=TIME, rtol=1e-10,
        atol=1e-10,
    ).y[0]  # fmt: skip
    curve = CURVES[CurveName.POWER]
    beta = np.array([np.log(start), np.log(k), shape])
    assert np.exp(curve.log_size(TIME, beta)) == pytest.approx(solved, rel=1e-8)


def test_approach_solves_its_differential_equation():
    """dD/dt = −k (D − D∞)."""
    k, start, limit = 0.05, 250.0, 80.0
    solved = solve_ivp(
        lambda _, d: -k * (d - limit), (0, 40), [start], t_eval=TIME, rtol=1e-10, atol=1e-10
    ).y[0]
    beta = np.array([np.log(start), np.log(k), limit / start])
    found = np.exp(CURVES[CurveName.LIMIT].log_size(TIME, beta))
    assert found == pytest.approx(solved, rel=1e-8)


def test_rittinger_and_bond_are_linear_in_their_own_scales():
    """1/D (Rittinger, s = 1) and 1/√D (Bond, s = 1/2) grow in proportion to time."""
    curve = CURVES[CurveName.POWER]
    for shape, power in ((1.0, -1.0), (0.5, -0.5)):
        size = np.exp(curve.log_size(TIME, np.array([5.0, np.log(0.1), shape])))
        slope = np.diff(size**power) / np.diff(TIME)
        assert slope == pytest.approx(np.full(4, slope[0]), rel=1e-9)


@pytest.mark.parametrize("name", [CurveName.LIMIT, CurveName.POWER])
def test_three_parameter_curves_become_the_constant_rate(name):
    beta = np.array([5.5, np.log(0.07), 0.0])
    constant = CURVES[CurveName.CONSTANT].log_size(TIME, beta[:2])
    assert CURVES[name].log_size(TIME, beta) == pytest.approx(constant, abs=1e-12)
    near = CURVES[name].log_size(TIME, np.array([5.5, np.log(0.07), 1e-8]))
    assert near == pytest.approx(constant, abs=2e-6)
