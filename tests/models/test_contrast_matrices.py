"""Weights of the contrast families."""

import numpy as np
import pytest

from psdstats.errors import ModelError
from psdstats.models.contrasts import (
    contrast_matrix,
    interaction,
    polynomial_trend,
    within_each,
)

TIMES = ["0", "6", "12", "24"]


def against_first(levels):
    return contrast_matrix(levels, "against first")


def all_pairs(levels):
    return contrast_matrix(levels, "all pairs")


def successive(levels):
    return contrast_matrix(levels, "successive")


def labels(matrix):
    return [one.label for one in matrix.contrasts]


def test_differences_of_known_means():
    means = np.array([10.0, 7.0, 5.0, 4.5])
    np.testing.assert_allclose(against_first(TIMES).weights @ means, [-3, -5, -5.5])
    np.testing.assert_allclose(successive(TIMES).weights @ means, [-3, -2, -0.5])
    np.testing.assert_allclose(all_pairs(TIMES).weights @ means, [-3, -5, -5.5, -2, -2.5, -0.5])


@pytest.mark.parametrize("kind", ["against first", "all pairs", "successive"])
def test_labels_name_high_and_low(kind):
    matrix = contrast_matrix(TIMES, kind)
    for row, one in zip(matrix.weights, matrix.contrasts, strict=True):
        assert one.label == f"{one.high} - {one.low}"
        assert one.family == kind
        assert row[TIMES.index(one.high)] == 1.0
        assert row[TIMES.index(one.low)] == -1.0
        assert row.sum() == 0.0


def test_polynomials_of_five_equal_steps():
    """Tables of orthogonal polynomials for five levels (textbook integers, from memory)."""
    table = np.array([[-2, -1, 0, 1, 2], [2, -1, -2, -1, 2], [-1, 2, 0, -2, 1], [1, -4, 6, -4, 1]])
    weights = polynomial_trend(np.arange(5.0), degree=4).weights
    for found, expected in zip(weights, table, strict=True):
        np.testing.assert_allclose(found / found[-1], expected / expected[-1], atol=1e-10)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_trend_is_the_leading_coefficient_of_a_fit(degree):
    """numpy.polyfit of the same degree gives the same leading coefficient, unequal steps."""
    times, means = np.array([0.0, 6, 12, 24, 48]), np.array([5.1, 4.6, 4.4, 4.1, 4.05])
    trend = polynomial_trend(times, degree=degree)
    assert trend.weights[-1] @ means == pytest.approx(np.polyfit(times, means, degree)[0])
    assert len(trend.contrasts) == degree


def test_interaction_is_a_difference_of_differences():
    cells = np.array([[1.0, 2.0], [4.0, 9.0], [5.0, 5.5]])  # time by ball ratio
    both = interaction(successive(["0", "6", "12"]), against_first(["5:1", "10:1"]))
    np.testing.assert_allclose(both.weights @ cells.ravel(), [(9 - 2) - 3, (5.5 - 9) - 1])
    assert labels(both)[0] == "(6 - 0) by (10:1 - 5:1)"


def test_interaction_of_a_trend_has_no_high_and_low():
    both = interaction(against_first(["5:1", "10:1"]), polynomial_trend([0, 6, 12]))
    assert [one.low for one in both.contrasts] == [""]
    assert labels(both) == ["(10:1 - 5:1) by (linear trend)"]


def test_within_each_level_of_another_factor():
    cells = np.array([[1.0, 4.0, 5.0], [2.0, 9.0, 5.5]])  # ball ratio by time
    matrix = within_each(successive(["0", "6", "12"]), ["5:1", "10:1"])
    np.testing.assert_allclose(matrix.weights @ cells.ravel(), [3, 1, 7, -3.5])
    assert labels(matrix)[2] == "6 - 0 at 10:1"
    assert [one.where for one in matrix.contrasts] == ["5:1", "5:1", "10:1", "10:1"]
    assert [one.high for one in matrix.contrasts] == ["6", "12", "6", "12"]


def test_weights_are_read_only():
    with pytest.raises(ValueError, match="read-only"):
        against_first(TIMES).weights[0, 0] = 1.0


def test_faults_are_named():
    with pytest.raises(ModelError, match="at least two"):
        against_first(["0"])
    with pytest.raises(ModelError, match="repeat a name"):
        all_pairs(["0", "6", "0"])
    with pytest.raises(ModelError, match="every"):
        contrast_matrix(TIMES, "every")
    with pytest.raises(ModelError, match="degree 3"):
        polynomial_trend([0, 6, 12], degree=3)
    for scores in ([0, 6, 6], [0, 6, np.inf]):
        with pytest.raises(ModelError, match="finite and all different"):
            polynomial_trend(scores)
