"""Permutation MANOVA: scikit-bio, least squares, brute force, and exact size."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from psdstats.comparison.classes import (
    arrangement_blocks,
    layout_of,
    log_ratio_coordinates,
    permutation_manova,
)
from psdstats.errors import ModelError

REFERENCE = json.loads(
    (Path(__file__).parent / "reference" / "scikit_bio.json").read_text(encoding="utf-8")
)


def sequential_f(points, factor, strata):
    """Pseudo-F by two least-squares fits with dummies, written apart from the library."""

    def dummies(labels):
        return np.array([[label == one for one in sorted(set(labels))] for label in labels], float)

    def residual(design):
        fitted = design @ np.linalg.lstsq(design, points, rcond=None)[0]
        return np.sum((points - fitted) ** 2), np.linalg.matrix_rank(design)

    strata_only = dummies(strata)
    rss_0, rank_0 = residual(strata_only)
    rss_1, rank_1 = residual(np.hstack([strata_only, dummies(factor)]))
    return ((rss_0 - rss_1) / (rank_1 - rank_0)) / (rss_1 / (len(points) - rank_1))


def test_against_scikit_bio():
    """Same pseudo-F; p agrees within the Monte Carlo error of two times 9,999 permutations."""
    points = log_ratio_coordinates(REFERENCE["parts"])
    result = permutation_manova(points, REFERENCE["factor"], permutations=9_999, seed=3)
    assert result.pseudo_f == pytest.approx(REFERENCE["pseudo_f"], rel=1e-9)
    p = REFERENCE["p"]
    assert result.p == pytest.approx(p, abs=4 * np.sqrt(2 * p * (1 - p) / 9_999) + 2e-4)
    assert not result.exact


def test_pseudo_f_with_strata_is_the_sequential_one():
    rng = np.random.default_rng(2)
    strata = ["A"] * 5 + ["B"] * 4 + ["C"] * 3
    factor = [0, 0, 6, 6, 12, 0, 6, 12, 12, 0, 0, 6]
    points = rng.normal(size=(12, 3))
    result = permutation_manova(points, factor, strata=strata, permutations=99)
    assert result.pseudo_f == pytest.approx(sequential_f(points, factor, strata))
    assert (result.df_factor, result.df_residual) == (2, 7)


def test_exact_p_against_brute_force():
    """All 4! · 3! orders of the labels within two strata, weighed alike."""
    rng = np.random.default_rng(8)
    strata = ["A"] * 4 + ["B"] * 3
    factor = [0, 0, 1, 1, 0, 1, 1]
    points = rng.normal(size=(7, 2)) + np.array(factor)[:, None]
    observed = sequential_f(points, factor, strata)
    reached = total = 0
    for first in itertools.permutations(range(4)):
        for second in itertools.permutations(range(4, 7)):
            moved = [factor[i] for i in first + second]
            reached += sequential_f(points, moved, strata) >= observed * (1 - 1e-9)
            total += 1
    result = permutation_manova(points, factor, strata=strata)
    assert result.exact
    assert result.arrangements == 18
    assert result.p == pytest.approx(reached / total)


def test_one_column_two_levels_is_the_t_test_squared():
    from scipy import stats

    y = np.array([1.0, 1.4, 0.8, 2.0, 2.6, 2.2, 1.9])
    label = np.array([0, 0, 0, 1, 1, 1, 1])
    result = permutation_manova(y[:, None], label)
    t = stats.ttest_ind(y[label == 0], y[label == 1]).statistic
    assert result.pseudo_f == pytest.approx(t**2)
    exact = stats.permutation_test(
        (y[label == 0], y[label == 1]),
        lambda a, b: abs(stats.ttest_ind(a, b).statistic),
        n_resamples=np.inf,
        alternative="greater",
    )
    assert result.p == pytest.approx(exact.pvalue)


def test_blocks_are_permutations_within_strata():
    levels = np.array([0, 1, 0, 1, 2, 0])
    strata = np.array([0, 1, 0, 1, 0, 1])
    rng = np.random.default_rng(0)
    for draws in (None, 500):
        for block in arrangement_blocks(levels, strata, draws=draws, rng=rng):
            assert (np.sort(block, axis=1) == np.arange(6)).all()
            assert (strata[block] == strata).all()
    every = np.vstack(list(arrangement_blocks(levels, strata, draws=None, rng=rng)))
    assert len(every) == layout_of(levels, strata).arrangements == 3 * 3
    assigned = np.empty_like(every)
    np.put_along_axis(assigned, every, np.broadcast_to(levels, every.shape), axis=1)
    assert len(np.unique(assigned, axis=0)) == len(every)


def test_more_arrangements_than_a_block_holds():
    levels, strata = np.array([0, 1, 2] * 3), np.zeros(9, dtype=int)
    blocks = list(arrangement_blocks(levels, strata, draws=None, rng=np.random.default_rng(0)))
    assert sum(map(len, blocks)) == 1680
    blocks = list(arrangement_blocks(levels, strata, draws=4_500, rng=np.random.default_rng(0)))
    assert [len(block) for block in blocks] == [2_000, 2_000, 500]


def test_random_order_within_strata_is_uniform():
    levels, strata = np.zeros(3, dtype=int), np.zeros(3, dtype=int)
    block = next(arrangement_blocks(levels, strata, draws=2_000, rng=np.random.default_rng(1)))
    _, counts = np.unique(block, axis=0, return_counts=True)
    assert len(counts) == 6
    assert np.sum((counts - 2000 / 6) ** 2 / (2000 / 6)) < 20.5  # chi-square(5), 0.1 %


def test_same_seed_same_p():
    rng = np.random.default_rng(5)
    points, label = rng.normal(size=(20, 2)), np.repeat([0, 1], 10)
    first, second = (permutation_manova(points, label, permutations=200, seed=9) for _ in "ab")
    assert first == second


def test_size_is_exact_with_empty_classes_and_unequal_numbers():
    """300 null trials with enumeration: rejection at p ≤ 0.05 within Monte Carlo error (seed 7)."""
    rng = np.random.default_rng(7)
    strata = np.array([0] * 5 + [1] * 4)
    factor = np.array([0, 0, 1, 1, 1, 0, 1, 1, 0])
    hits = 0
    for _ in range(300):
        counts = rng.poisson([200, 40, 3, 0.5], size=(9, 4)) + 0.2
        points = log_ratio_coordinates(counts)
        hits += permutation_manova(points, factor, strata=strata).p <= 0.05
    # 60 arrangements: p ≤ 0.05 has probability 3/60 at most
    assert hits / 300 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)
    assert hits / 300 > 0.05 - 3 * np.sqrt(0.05 * 0.95 / 300)


@pytest.mark.parametrize(
    ("factor", "strata", "message"),
    [
        ([0, 0, 1, 1], ["A", "A", "B", "B"], "No group holds runs at two different levels"),
        ([0, 1, 2, 3], None, "leave nothing to judge the difference by"),
        ([0, 0, 1, 1], ["A", "A"], "4 factor values but 2 strata"),
    ],
)
def test_designs_that_show_nothing(factor, strata, message):
    with pytest.raises(ModelError, match=message):
        permutation_manova(np.arange(4.0)[:, None], factor, strata=strata)


def test_a_small_design_says_what_it_cannot_show():
    result = permutation_manova([[0.0], [0.1], [5.0], [5.1]], [0, 0, 1, 1])
    assert result.smallest_p == pytest.approx(1 / 6)


def test_identical_runs_show_no_difference():
    result = permutation_manova(np.ones((6, 2)), [0, 0, 0, 1, 1, 1])
    assert np.isnan(result.pseudo_f)
    assert result.p == 1.0
