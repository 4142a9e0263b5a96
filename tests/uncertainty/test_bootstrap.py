"""Bootstrap intervals against SciPy and Student, the eight-unit rule by simulation, clusters."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from psdstats.errors import UncertaintyError
from psdstats.uncertainty.bootstrap import (
    LEAST_UNITS,
    bootstrap_interval,
    bootstrap_sizes,
)


@pytest.fixture
def skewed():
    generator = np.random.default_rng(3)
    return [generator.exponential(1.0, 14), 0.4 + generator.exponential(0.7, 20)]


@pytest.mark.parametrize("method", ["percentile", "bca"])
@pytest.mark.parametrize("n_samples", [1, 2])
def test_against_scipy(skewed, method, n_samples):
    parts = skewed[:n_samples]
    found = bootstrap_interval(
        parts, method=method, resamples=60_000, generator=np.random.default_rng(1)
    )

    def statistic(*samples, axis=-1):
        return samples[0].mean(axis=axis) - sum(one.mean(axis=axis) for one in samples[1:])

    expected = stats.bootstrap(
        parts,
        statistic,
        method="BCa" if method == "bca" else method,
        n_resamples=60_000,
        vectorized=True,
        rng=np.random.default_rng(2),
    ).confidence_interval
    # SciPy's jackknife for two samples differs in the last per cent of the acceleration
    np.testing.assert_allclose(found, expected, atol=0.01)


def test_studentised_is_near_student_for_normal_data():
    sample = stats.norm.ppf((np.arange(30) + 0.5) / 30)
    found = bootstrap_interval(
        [sample], method="studentised", resamples=40_000, generator=np.random.default_rng(1)
    )
    half = stats.t.ppf(0.975, 29) * sample.std(ddof=1) / np.sqrt(30)
    np.testing.assert_allclose(found, [-half, half], rtol=0.05)


def test_the_rule_of_eight_units_by_simulation():
    """Percentile intervals of normal data miss as Student's distribution says, more below eight."""
    generator = np.random.default_rng(20261125)
    n_trials = 1500
    missed = {}
    for n_units in (4, 7, 16):
        wrong = 0
        for sample in generator.standard_normal((n_trials, n_units)):
            low, high = bootstrap_interval(
                [sample], method="percentile", resamples=600, generator=generator
            )
            wrong += not low <= 0 <= high
        missed[n_units] = wrong / n_trials
        t = 1.96 * np.sqrt((n_units - 1) / n_units)
        expected = 2 * stats.t.sf(t, n_units - 1)
        error = np.sqrt(expected * (1 - expected) / n_trials)
        assert missed[n_units] == pytest.approx(expected, abs=4 * error + 0.01)
    assert missed[4] > missed[7] > missed[16]
    assert missed[7] > 2 * 0.05 > missed[16]


def _trial(n_groups, *, sizes=None, seed=1):
    generator = np.random.default_rng(seed)
    group = np.repeat([f"g{number}" for number in range(n_groups)], 4)
    time = np.tile([0.0, 0.0, 24.0, 24.0], n_groups)
    ln = np.log(200) - 0.02 * time + np.repeat(0.3 * generator.standard_normal(n_groups), 4)
    ln += 0.02 * generator.standard_normal(ln.size)
    return pd.DataFrame({"D50": np.exp(ln), "milling_time_min": time, "group": group})


def test_groups_as_units_take_ratios_within_a_group():
    """Between-group scatter of 30 % leaves the ratio; runs as units cannot know that."""
    frame = _trial(10)
    grouped = bootstrap_sizes(frame, response="D50", unit="group")
    free = bootstrap_sizes(frame, response="D50")
    assert grouped.status.tolist() == ["given"] * 3
    assert grouped.n_units.tolist() == [10, 10, 10]
    width = [np.log(table.upper[2] / table.lower[2]).item() for table in (grouped, free)]
    assert width[0] < 0.2 * width[1]
    assert grouped.lower[2] < np.exp(-0.48) < grouped.upper[2]
    for table in (grouped, free):
        assert table.estimate[2] == pytest.approx(table.estimate[1] / table.estimate[0])
        assert (table.lower < table.estimate).all()
        assert (table.estimate < table.upper).all()


def test_fewer_than_eight_units_give_no_interval():
    table = bootstrap_sizes(_trial(LEAST_UNITS - 1), response="D50", unit="group")
    assert table[["lower", "upper"]].isna().all(axis=None)
    assert table.estimate.notna().all()
    assert table.status[0] == "too few units"


def test_a_run_without_a_size_is_named_as_the_reason():
    frame = _trial(8)
    frame.loc[2, "D50"] = np.nan
    table = bootstrap_sizes(frame, response="D50", unit="group")
    assert table.status[0] == "given"
    assert table.status[1] == "run without size"
    assert table.status[2] == "run without size"


def test_units_without_both_levels_do_not_count():
    frame = _trial(8)
    frame = frame[(frame.group == "g0") | (frame.milling_time_min == 0)]
    table = bootstrap_sizes(frame, response="D50", unit="group")
    assert table.n_units.tolist() == [8, 1, 1]


def test_same_seed_same_result():
    one, two = (bootstrap_sizes(_trial(9), response="D50", seed=5, resamples=500) for _ in range(2))
    pd.testing.assert_frame_equal(one, two)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"response": "D5"}, "column 'D5' is not in the frame; it has D50"),
        ({"method": "best"}, "method 'best' is not known"),
        ({"coverage": 95}, "coverage is 95"),
        ({"resamples": 10}, "resamples is 10"),
    ],
)
def test_refusals(options, words):
    with pytest.raises(UncertaintyError, match=words):
        bootstrap_sizes(_trial(8), **({"response": "D50"} | options))


def test_sizes_of_nothing_are_refused():
    frame = _trial(8)
    frame.loc[0, "D50"] = 0.0
    with pytest.raises(UncertaintyError, match="holds 0; sizes are above 0"):
        bootstrap_sizes(frame, response="D50")
