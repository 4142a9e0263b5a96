"""Weights of the contrast families."""

import numpy as np
import pytest

from psdstats.errors import ModelError
from psdstats.models.contrasts import (
    contrast_matrix,
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
