"""The Monte Carlo driver: tolerance, interval ends, merging, adaptive stop, open draws."""

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import UncertaintyError
from psdstats.uncertainty.monte_carlo import (
    JointMoments,
    block_draws,
    interval_ends,
    numerical_tolerance,
    validate_linear,
)


@pytest.mark.parametrize(
    ("u", "digits", "expected"),
    [
        (0.000_35, 2, 0.000_005),  # 35 × 10⁻⁵
        (0.000_35, 1, 0.000_05),
        (2.0, 2, 0.05),
        (9.96, 2, 0.5),  # rounds to 10 × 10⁰, not to 99.6
        (9.94, 2, 0.05),
        (0.0, 2, 0.0),
    ],
)
def test_numerical_tolerance(u, digits, expected):
    assert numerical_tolerance(np.array([u]), digits)[0] == pytest.approx(expected)


def test_interval_ends_pick_the_ranks_of_the_standard():
    """10 000 ordered draws at 95 %: ranks 250 and 9750, JCGM 101:2008, 7.7.2 (from memory)."""
    ordered = np.arange(1, 10_001) ** 2.0
    low, high, short_low, short_high = interval_ends(ordered, 0.95)
    assert (np.sqrt(low), np.sqrt(high)) == (250, 9750)
    assert (np.sqrt(short_low), np.sqrt(short_high)) == (1, 9501)  # density falls with the value


def test_interval_ends_may_be_open():
    ordered = np.concatenate([np.full(300, -np.inf), np.arange(9700.0)])
    low, high, short_low, short_high = interval_ends(ordered, 0.95)
    assert np.isneginf(low)
    assert high == 9449.0
    assert np.isfinite([short_low, short_high]).all()
    assert np.isinf(interval_ends(np.full(100, np.inf), 0.95)).all()


def test_merged_moments_are_those_of_all_draws():
    draws = np.random.default_rng(1).standard_normal((3, 1000)) + np.array([[1e6], [0], [5]])
    draws[1] += draws[0]
    parts = [JointMoments.of(draws[:, cut].copy()) for cut in (slice(0, 300), slice(300, None))]
    merged = parts[0].merge(parts[1])
    np.testing.assert_allclose(merged.mean, draws.mean(axis=1), rtol=1e-13)
    np.testing.assert_allclose(merged.covariance, np.cov(draws), rtol=1e-8, atol=1e-8)


def test_moments_leave_out_draws_without_a_value():
    generator = np.random.default_rng(2)
    draws = generator.standard_normal((2, 400))
    valid = np.ones(draws.shape, dtype=bool)
    valid[0, generator.random(400) < 0.3] = False
    halves = [
        JointMoments.of(draws[:, cut].copy(), valid[:, cut])
        for cut in (slice(0, 150), slice(150, None))
    ]
    merged = halves[0].merge(halves[1])
    seen = draws[0, valid[0]]
    assert merged.mean[0] == pytest.approx(seen.mean())
    assert merged.u[0] == pytest.approx(seen.std(ddof=1))
    assert np.linalg.eigvalsh(merged.covariance).min() > 0


def test_moments_of_nothing_are_unknown():
    nothing = JointMoments.of(np.ones((1, 5)), np.zeros((1, 5), dtype=bool))
    assert np.isnan(nothing.u[0])
    some = JointMoments.of(np.array([[1.0, 2.0, 3.0]]))
    assert nothing.merge(some).mean[0] == pytest.approx(2.0)
    assert some.merge(nothing).u[0] == pytest.approx(1.0)


def test_adaptive_stop_keeps_its_promise(adaptive_monte_carlo):
    """Results lie within the tolerance of the truth of a log-normal (closed form)."""
    generator = np.random.default_rng(5)
    result = adaptive_monte_carlo(
        lambda _: np.exp(0.5 * generator.standard_normal((1, 10_000))), max_blocks=400
    )
    law = stats.lognorm(0.5)
    assert result.settled
    assert 100_000 <= result.draws <= 4_000_000
    found = [result.mean[0], result.u[0], result.ends[0, 0], result.ends[1, 0]]
    truth = [law.mean(), law.std(), law.ppf(0.025), law.ppf(0.975)]
    np.testing.assert_allclose(found, truth, atol=1.5 * result.tolerance[0])


def test_too_few_blocks_are_reported(adaptive_monte_carlo):
    generator = np.random.default_rng(6)
    result = adaptive_monte_carlo(lambda _: generator.standard_normal((1, 10_000)), max_blocks=3)
    assert not result.settled
    assert result.draws == 30_000


@pytest.mark.parametrize(("restless", "blocks"), [(1, 5), (3, 20)])
def test_one_result_in_a_hundred_is_not_waited_for(adaptive_monte_carlo, restless, blocks):
    """The upper end of a rare far value does not settle; the other results have."""

    def draws(number):
        found = np.random.default_rng([8, number]).standard_normal((200, 10_000))
        return found * np.where(np.arange(200) < restless, 1 + 9 * (number % 2), 1)[:, None]

    result = adaptive_monte_carlo(draws, digits=1, min_blocks=5, max_blocks=20)
    assert (result.blocks, result.left, result.watched) == (blocks, restless, 200)
    assert not result.settled


def test_draw_blocks_are_not_changed(adaptive_monte_carlo):
    block = np.random.default_rng(7).standard_normal((2, 10_000))
    kept = block.copy()
    adaptive_monte_carlo(lambda _: block, min_blocks=2, max_blocks=2)
    np.testing.assert_array_equal(block, kept)


def test_blocks_grow_with_the_coverage():
    assert block_draws(0.95) == 10_000
    assert block_draws(0.999) == 100_000


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"digits": 3}, "digits is 3; give 1 or 2"),
        ({"max_blocks": 0}, "no draws were asked for"),
    ],
)
def test_refusals(options, words, adaptive_monte_carlo):
    with pytest.raises(UncertaintyError, match=words):
        adaptive_monte_carlo(lambda _: np.zeros((1, 10_000)), **options)


def test_validation_compares_both_ends():
    same = {"value": np.zeros(3), "u": np.full(3, 2.0), "lower": np.full(3, -3.9)}
    verdict = validate_linear(
        **same, expanded=np.full(3, 3.9), upper=np.array([3.9, 5.0, np.inf]), digits=1
    )
    np.testing.assert_array_equal(verdict, [True, False, False])
