"""Draws do not depend on workers, order of runs or the other sources."""

from dataclasses import fields, replace

import numpy as np
import pytest

from psdstats.errors import UncertaintyError
from psdstats.uncertainty import propagate
from psdstats.uncertainty.draws import draw_blocks, fill, keyed_generator, make_plan
from psdstats.uncertainty.inputs import Kind
from psdstats.uncertainty.law import prepare


def _assert_equal(one, two):
    for item in fields(one):
        if isinstance(getattr(one, item.name), np.ndarray):
            np.testing.assert_array_equal(getattr(one, item.name), getattr(two, item.name))


def test_order_of_runs_changes_nothing(milling):
    turned = replace(milling, runs=milling.runs[::-1])
    one, two = (propagate(study, seed=3, draws=20_000) for study in (milling, turned))
    np.testing.assert_array_equal(one.u, two.u[::-1])
    np.testing.assert_array_equal(one.lower, two.lower[::-1])
    backwards = [run.name for run in turned.runs]
    np.testing.assert_array_equal(
        one.covariance("D50").loc[backwards, backwards], two.covariance("D50")
    )


def test_workers_change_nothing(milling):
    one = propagate(milling, seed=3, draws=120_000)
    two = propagate(milling, seed=3, draws=120_000, workers=2)
    _assert_equal(one, two)


def test_workers_stop_at_the_same_block(milling):
    one = propagate(milling, seed=3, digits=1, max_draws=400_000)
    two = propagate(milling, seed=3, digits=1, max_draws=400_000, workers=2)
    assert one.settled
    assert one.draws == two.draws < 400_000
    _assert_equal(one, two)


def test_a_source_switched_off_leaves_the_other_draws(milling):
    """With one source less the draws of D50 differ by that source's draws alone."""
    names = ["rounding", "repeatability", "aperture", "run_to_run"]

    def draws(sources):
        ready = prepare(milling, sources=sources)
        plan = make_plan(ready.table, ready.arrays, rule=ready.sizes.rule, seed=9, coverage=0.95)
        return next(draw_blocks(plan, stripe=0, block_draws=500))[0]

    difference = draws(names) - draws(names[:3])
    for row, run in enumerate(sorted(run.name for run in milling.runs)):
        for level, quantity in enumerate(("D10", "D50", "D90")):
            stream = keyed_generator(9, "run_to_run", run, quantity, 0)
            expected = 0.015 * stream.standard_normal(500)
            np.testing.assert_allclose(difference[row, level], expected, atol=1e-12)


def test_another_seed_is_another_result(milling):
    one, two = (propagate(milling, seed=seed, draws=10_000) for seed in (1, 2))
    assert (one.u != two.u).all()


def test_keys_are_not_joined_blindly():
    one, two = keyed_generator(0, "ab", "c"), keyed_generator(0, "a", "bc")
    assert one.random() != two.random()


@pytest.mark.parametrize("seed", [-1, 1.5, True])
def test_seeds_are_whole_numbers(seed):
    with pytest.raises(UncertaintyError, match="seed is"):
        keyed_generator(seed, "x")


@pytest.mark.parametrize("kind", list(Kind))
def test_raw_draws_have_their_moments(kind):
    mean, variance = {
        Kind.NORMAL: (0, 1),
        Kind.UNIFORM: (0.5, 1 / 12),
        Kind.GAMMA: (7, 7),
        Kind.STUDENT: (0, 7 / 5),
    }[kind]
    draws = np.empty(200_000)
    fill(keyed_generator(1, str(kind)), kind, 7.0, draws)
    assert draws.mean() == pytest.approx(mean, abs=5 * np.sqrt(variance / draws.size))
    assert draws.var() == pytest.approx(variance, rel=0.03)
