"""Classes that moved: t by hand, duality of p and interval, family-wise error."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from psdstats.comparison.classes import moved_classes
from psdstats.errors import ModelError
from psdstats.words.sizes import moved_sentence

LIMITS = (45.0, 90.0, 180.0)
NAMES = ("< 45 µm", "45 to 90 µm", "90 to 180 µm", "≥ 180 µm")


def compositions(rng, shift=0.0, runs=6):
    strata = np.repeat(["A", "B"], runs)
    factor = np.tile([0, 6], runs)
    parts = rng.dirichlet([200, 400, 300, 100], size=2 * runs)
    parts[factor == 6] += shift * np.array([1, 0, 0, -1]) / 100
    return parts, factor, strata


def test_change_and_t_are_the_least_squares_ones():
    parts, factor, strata = compositions(np.random.default_rng(1), shift=3.0)
    result = moved_classes(parts, factor, low=0, high=6, limits_um=LIMITS, strata=strata)
    design = np.column_stack([factor == 6, strata == "A", strata == "B"]).astype(float)
    for k in range(4):
        fit = sm.OLS(100 * parts[:, k], design).fit()
        assert result.change_percent[k] == pytest.approx(fit.params[0])
        assert result.t[k] == pytest.approx(fit.tvalues[0])
    assert result.change_percent.sum() == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_adjusted_p_and_interval_agree(seed):
    parts, factor, strata = compositions(np.random.default_rng(seed), shift=2.0)
    result = moved_classes(parts, factor, low=0, high=6, limits_um=LIMITS, strata=strata)
    outside = (result.lower > 0) | (result.upper < 0)
    np.testing.assert_array_equal(outside, result.moved)
    order = np.argsort(np.abs(result.t))
    assert (np.diff(result.p_adjusted[order]) <= 0).all()


def test_the_class_that_moved_is_named():
    parts, factor, strata = compositions(np.random.default_rng(3), shift=8.0)
    result = moved_classes(parts, factor, low=0, high=6, limits_um=LIMITS, strata=strata)
    assert list(result.moved) == [True, False, False, True]
    gained, lost = result.change_percent[0], -result.change_percent[3]
    assert moved_sentence(result) == (
        f"0 to 6: 2 of 4 size classes moved; the class < 45 µm gained most (+{gained:.1f} points), "
        f"≥ 180 µm lost most (−{lost:.1f} points)."
    )
    assert list(result.to_frame()["class"]) == list(NAMES)


def test_family_wise_error_under_the_null():
    """400 null trials of 2 groups of 4 (36 rearrangements), seed 12."""
    rng = np.random.default_rng(12)
    strata, factor = np.repeat([0, 1], 4), np.tile([0, 1], 4)
    trials, hits = 400, 0
    for _ in range(trials):
        parts = rng.dirichlet([2, 40, 30, 10], size=8)
        result = moved_classes(
            parts, factor, low=0, high=1, limits_um=LIMITS, strata=strata, level=0.9
        )
        hits += bool(result.moved.any())
    # p comes in steps of 2/36, so 0.1 allows one step
    expected = 2 / 36
    assert hits / trials == pytest.approx(expected, abs=3 * np.sqrt(expected / trials))


def test_an_empty_class_never_moves():
    rng = np.random.default_rng(1)
    parts = np.column_stack([rng.dirichlet([5, 5], size=8), np.zeros(8)])
    result = moved_classes(parts, np.tile([0, 1], 4), low=0, high=1, limits_um=(45, 90))
    assert result.t[2] == 0
    assert result.p_adjusted[2] == 1
    assert result.lower[2] == result.upper[2] == 0


def test_too_small_a_design_says_so():
    parts = [[0.2, 0.8], [0.8, 0.2], [0.25, 0.75], [0.75, 0.25]]
    result = moved_classes(parts, [0, 6, 0, 6], low=0, high=6, limits_um=[90])
    assert "cannot be told which classes moved" in moved_sentence(result)
    assert np.isinf(result.upper).all()


def test_many_rearrangements_are_drawn_and_repeatable():
    rng = np.random.default_rng(4)
    parts, factor = rng.dirichlet([20, 40, 30, 10], size=24), np.tile([0, 1], 12)
    options = {"low": 0, "high": 1, "limits_um": LIMITS, "permutations": 300, "seed": 2}
    first = moved_classes(parts, factor, **options)
    second = moved_classes(parts, factor, **options)
    assert not first.exact
    assert first.used == 301
    np.testing.assert_array_equal(first.p_adjusted, second.p_adjusted)


def test_unknown_level():
    with pytest.raises(ModelError, match="No run has the level 12"):
        moved_classes([[1.0, 1.0]] * 4, [0, 0, 6, 6], low=0, high=12, limits_um=[90])
