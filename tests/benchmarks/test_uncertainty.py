"""Speed of the uncertainty engine as ratios within one run: `pytest tests/benchmarks`."""

import importlib.util
from pathlib import Path
from statistics import median

import pytest

_spec = importlib.util.spec_from_file_location(
    "benchmark_uncertainty", Path(__file__).with_name("uncertainty.py")
)
bench = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bench)


@pytest.fixture(scope="module", params=[None, "semilog"], ids=["law of the curves", "semilog"])
def rule(request):
    return request.param


@pytest.fixture(scope="module")
def one_run(rule):
    return bench.plan_of(1, rule)


@pytest.mark.parametrize(("work", "limit"), [("draws_only", 1.5), ("summaries", 2.0)])
def test_one_run_against_its_random_numbers(one_run, rule, work, limit):
    """A million draws: sizes within 1.5 times, intervals and covariance within twice."""
    made, inputs = getattr(bench, work), bench.inputs_of(1, rule)
    found = bench.ratio(
        lambda: made(one_run, 1_000_000), lambda: bench.random_numbers(inputs, 1_000_000)
    )
    assert found < limit


def test_forty_runs_jointly_with_intervals(rule):
    plan, inputs = bench.plan_of(40, rule), bench.inputs_of(40, rule)
    found = bench.ratio(
        lambda: bench.summaries(plan, 100_000), lambda: bench.random_numbers(inputs, 100_000)
    )
    assert found < 2.0


def test_one_run_against_a_plain_loop(one_run):
    """At least 35 times the speed of a loop over draws, intervals included."""
    per_draw = bench.ratio(
        lambda: bench.plain_loop(2_000), lambda: bench.summaries(one_run, 100_000)
    )
    assert 50 * per_draw > 35


def test_linear_batch_of_a_thousand_runs():
    """Derivatives and covariances in under 2 ms of processor time a call."""
    batch = bench.batch_of(1000)
    bench.linear_batch(*batch)
    assert median(bench.seconds(lambda: bench.linear_batch(*batch)) for _ in range(99)) < 2e-3


def test_memory_does_not_grow_with_draws():
    few, many = bench.extra_memory_mb(100_000), bench.extra_memory_mb(1_000_000)
    assert many < few + 2
    assert bench.extra_memory_mb(100_000, 40) < 100
