"""Bounded least squares: certified nonlinear regression, bounds, many problems at once."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from psdstats.distribution.least_squares import minimise

X = np.array([1.0, 2.0, 3.0, 5.0, 7.0, 10.0])
Y = np.array([109.0, 149.0, 149.0, 191.0, 213.0, 224.0])
FREE = (np.full(2, -np.inf), np.full(2, np.inf))


def boxbod(beta):
    b1, b2 = beta[:, :1], beta[:, 1:]
    fading = np.exp(-b2 * X)
    return b1 * (1 - fading) - Y, np.stack([1 - fading, b1 * X * fading], axis=-1)


@pytest.mark.parametrize("start", [(100.0, 0.75), (200.0, 0.5)])
def test_boxbod_nist(start):
    """NIST StRD nonlinear regression, BoxBOD: certified values, 11 digits.

    Data of Box, Hunter and Hunter, Statistics for Experimenters, 1978; values as quoted in several
    public test suites.
    """
    found = minimise(boxbod, np.array([start]), *FREE)
    assert found.converged.all()
    assert found.beta[0] == pytest.approx([2.1380940889e02, 5.4723748542e-01], rel=1e-7)
    assert found.cost[0] == pytest.approx(1.1680088766e03, rel=1e-10)


def test_many_problems_at_once_are_the_problems_one_by_one():
    starts = np.array([(100.0, 0.75), (200.0, 0.5), (250.0, 1.2)])
    together = minimise(boxbod, starts, *FREE)
    for row, start in enumerate(starts):
        alone = minimise(boxbod, start[None, :], *FREE)
        assert together.beta[row] == pytest.approx(alone.beta[0], rel=1e-7)


def test_bounds_hold_as_in_a_reference_library():
    lower, upper = np.array([0.0, 0.6]), np.array([200.0, 2.0])
    found = minimise(boxbod, np.array([[100.0, 0.75]]), lower, upper)
    reference = least_squares(
        lambda beta: boxbod(beta[None, :])[0][0], (100.0, 0.75), bounds=(lower, upper), xtol=1e-12,
        ftol=1e-12,
    )  # fmt: skip
    assert found.beta[0] == pytest.approx(reference.x, rel=1e-5)
    assert found.cost[0] == pytest.approx(2 * reference.cost, rel=1e-8)
