"""Evenly spread directions: moments of the uniform distribution on the sphere."""

from itertools import islice

import numpy as np
import pytest

from psdstats.models.maximum_law import POINTS, shifted_directions


@pytest.mark.parametrize("dimension", [2, 3, 4, 5, 8, 12])
def test_moments_of_the_sphere(dimension):
    """E v_i² = 1/d, E v_i⁴ = 3/(d(d+2)), E v_i² v_j² = 1/(d(d+2)), and products average to 0."""
    way = np.concatenate(list(islice(shifted_directions(dimension), 4)), axis=1)
    assert way.shape == (dimension, 4 * POINTS)
    np.testing.assert_allclose(np.square(way).sum(axis=0), 1.0, rtol=1e-13)
    both = np.concatenate([way, -way], axis=1)
    second = both @ both.T / both.shape[1]
    fourth = both**2 @ (both**2).T / both.shape[1]
    d = dimension
    np.testing.assert_allclose(second, np.eye(d) / d, atol=3e-3 / d)
    np.testing.assert_allclose(fourth, (1 + 2 * np.eye(d)) / (d * (d + 2)), rtol=1e-2)


def test_spread_is_more_even_than_random():
    """A kink on the sphere: the mean of |v_1| in four dimensions is 4/(3π)."""
    found = [np.abs(way[0]).mean() for way in islice(shifted_directions(4), 16)]
    by_chance = np.sqrt((1 / 4 - (4 / (3 * np.pi)) ** 2) / POINTS)
    assert np.mean(found) == pytest.approx(4 / (3 * np.pi), abs=1e-5)
    assert np.std(found) < 0.05 * by_chance


def test_same_directions_every_time():
    first, again = (next(shifted_directions(5)) for _ in range(2))
    np.testing.assert_array_equal(first, again)
    one, two = islice(shifted_directions(5), 2)
    assert not np.array_equal(one, two)
