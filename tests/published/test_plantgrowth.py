"""PlantGrowth (A. J. Dobson 1983; R datasets): one-way analysis and Tukey's differences.

Figures as printed by R's TukeyHSD, quoted from memory and re-run in R 4.2.2; the data are quoted
from memory and confirmed by the two sums of squares.
"""

import numpy as np
import pytest

from psdstats.models.contrasts import contrast_matrix, contrast_table

WEIGHTS = {
    "ctrl": [4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14],
    "trt1": [4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69],
    "trt2": [6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26],
}


def within_sum():
    return sum(((np.array(y) - np.mean(y)) ** 2).sum() for y in WEIGHTS.values())


def test_sums_of_squares():
    means = np.array([np.mean(y) for y in WEIGHTS.values()])
    assert 10 * ((means - means.mean()) ** 2).sum() == pytest.approx(3.76634, abs=5e-6)
    assert within_sum() == pytest.approx(10.49209, abs=5e-6)


def test_tukey_differences():
    """R prints four decimals of the intervals and of p (seven digits for p)."""
    means = [np.mean(y) for y in WEIGHTS.values()]
    covariance = within_sum() / 27 / 10 * np.eye(3)
    matrix = contrast_matrix(list(WEIGHTS), "all pairs")
    found = contrast_table(matrix, means, covariance, 27).to_frame()
    assert list(found["contrast"]) == ["trt1 - ctrl", "trt2 - ctrl", "trt2 - trt1"]
    np.testing.assert_allclose(found["estimate"], [-0.371, 0.494, 0.865], atol=5e-7)
    np.testing.assert_allclose(found["lower"], [-1.0622, -0.1972, 0.1738], atol=6e-5)
    np.testing.assert_allclose(found["upper"], [0.3202, 1.1852, 1.5562], atol=6e-5)
    np.testing.assert_allclose(found["p_adjusted"], [0.3909, 0.1980, 0.0120], atol=6e-5)
