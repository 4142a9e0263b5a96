"""Power by simulation against exact power of balanced designs, and its own consistency.

Exact: noncentral t and F (general statistics; scipy's distributions are the independent route).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import PlanError
from psdstats.planning import Variation, power
from psdstats.words.planning import power_sentences

RUNS_ONLY = Variation(run_percent=5)


def exact_t(change_percent, *, error, df, alpha=0.05):
    critical = stats.t.isf(alpha / 2, df)
    shift = np.log1p(change_percent / 100) / error
    return stats.nct.sf(critical, df, shift) + stats.nct.cdf(-critical, df, shift)


@pytest.mark.parametrize(("times", "replicates", "change"), [(5, 2, -12), (3, 4, -7), (2, 3, 15)])
def test_last_against_first_in_one_group_is_the_noncentral_t(times, replicates, change):
    found = (
        power(
            RUNS_ONLY,
            groups=1,
            times=times,
            replicates=replicates,
            change_percent=change,
            question="last against first",
            trials=20_000,
        )
        .to_frame()
        .iloc[0]
    )
    df = times * (replicates - 1)
    assert found["df"] == pytest.approx(df)
    expected = exact_t(change, error=0.05 * np.sqrt(2 / replicates), df=df)
    assert found["power"] == pytest.approx(expected, abs=4 * found["power_error"])


def test_any_difference_in_one_group_is_the_noncentral_f():
    times, replicates, change = 5, 3, -12
    found = (
        power(
            RUNS_ONLY,
            groups=1,
            times=times,
            replicates=replicates,
            change_percent=change,
            question="any difference",
            trials=20_000,
        )
        .to_frame()
        .iloc[0]
    )
    means = np.log1p(change / 100) * np.arange(times) / (times - 1)
    noncentrality = replicates * ((means - means.mean()) ** 2).sum() / 0.05**2
    df = times * (replicates - 1)
    critical = stats.f.isf(0.05, times - 1, df)
    expected = stats.ncf.sf(critical, times - 1, df, noncentrality)
    assert found["power"] == pytest.approx(expected, abs=4 * found["power_error"])


@pytest.mark.parametrize(
    ("variation", "times", "replicates", "change"),
    [
        (Variation(run_percent=5, group_percent=30), 8, 1, -15),
        (Variation(run_percent=5), 8, 1, -15),
        (Variation(run_percent=3, group_percent=5, group_time_percent=3), 9, 2, -12),
        (Variation(run_percent=3, group_percent=5), 9, 2, -8),
    ],
)
def test_two_groups_are_the_noncentral_t_of_their_stratum(variation, times, replicates, change):
    """Groups cancel; the times are tested against group × time, whatever its variance."""
    found = (
        power(
            variation,
            groups=2,
            times=times,
            replicates=replicates,
            change_percent=change,
            question="last against first",
            trials=20_000,
        )
        .to_frame()
        .iloc[0]
    )
    variance = variation.group_time_percent**2 + variation.run_percent**2 / replicates
    assert found["df"] == pytest.approx(times - 1)
    assert found["power"] == pytest.approx(
        exact_t(change, error=np.sqrt(variance) / 100, df=times - 1), abs=4 * found["power_error"]
    )


def test_groups_that_drift_apart_cost_power():
    options = {"groups": 4, "times": 5, "replicates": 2, "change_percent": -8, "trials": 4000}
    still = power(Variation(run_percent=3), **options).to_frame()["power"][0]
    drifting = power(Variation(run_percent=3, drift_percent=4), **options).to_frame()["power"][0]
    # last against first: variance 2 · 3²/8 = 2.25 without, 2.25 + 4²/4 = 6.25 with the drift
    assert drifting < 0.6 * still


def test_family_of_two_times_is_the_single_contrast_and_more_times_cost_power():
    options = {"groups": 1, "replicates": 3, "change_percent": -10, "trials": 4000}
    single = power(RUNS_ONLY, times=(2, 5), question="last against first", **options).to_frame()
    family = power(RUNS_ONLY, times=(2, 5), question="each against first", **options).to_frame()
    assert family["power"][0] == single["power"][0]
    assert family["power"][1] < single["power"][1]


def test_dunnett_limit_is_that_of_a_reference_library():
    """Level of the family under no change, against scipy.stats.dunnett's law by simulation."""
    found = power(RUNS_ONLY, groups=1, times=4, replicates=3, trials=2000)
    limit = found.designs[0].critical[0]
    # Dunnett's critical value for 3 comparisons with 8 df: 2.88 two-sided (table, from memory)
    assert limit == pytest.approx(2.88, abs=0.005)


def test_measurement_counts_like_run_to_run_in_one_stratum():
    """Own measurement error of each run adds in quadrature: 4 and 3 per cent make 5."""
    found = (
        power(
            Variation(run_percent=4, measurement_percent=3),
            groups=1,
            times=3,
            replicates=3,
            change_percent=-12,
            question="last against first",
            trials=20_000,
        )
        .to_frame()
        .iloc[0]
    )
    expected = exact_t(-12, error=0.05 * np.sqrt(2 / 3), df=6)
    assert found["power"] == pytest.approx(expected, abs=4 * found["power_error"])


def test_sieves_shared_by_a_group_cancel():
    options = {"groups": 2, "times": 4, "replicates": 2, "trials": 2000, "seed": 3}
    without = power(Variation(run_percent=4, measurement_percent=1), **options)
    shared = power(Variation(run_percent=4, measurement_percent=1, sieves_percent=9), **options)
    assert np.median(shared.designs[0].standard_error) == pytest.approx(
        np.median(without.designs[0].standard_error), rel=0.03
    )


def test_detectable_change_has_the_wanted_power_and_an_error():
    result = power(RUNS_ONLY, groups=1, times=5, replicates=3, wanted_power=0.9, trials=4000)
    one = result.designs[0]
    smallest = one.detectable(0.9)
    assert one.power_at(smallest)[0] == pytest.approx(0.9, abs=1e-3)
    row = result.to_frame().iloc[0]
    assert row["detectable_decrease_percent"] == pytest.approx(100 * (1 - np.exp(-smallest)))
    assert 0 < row["detectable_error_percent"] < 0.5


def test_curve_starts_at_the_level_and_ends_near_certainty():
    curve = power(
        RUNS_ONLY,
        groups=1,
        times=3,
        replicates=4,
        change_percent=-15,
        trials=20_000,
        question="last against first",
    ).curve_frame()
    assert curve["power"].iloc[0] == pytest.approx(0.05, abs=4 * curve["power_error"].iloc[0])
    assert curve["power"].iloc[-1] > 0.99


def test_same_seed_same_figures_whatever_else_is_asked():
    alone = power(RUNS_ONLY, groups=4, times=5, replicates=2, trials=200, seed=7).to_frame()
    among = power(RUNS_ONLY, groups=(3, 4), times=5, replicates=2, trials=200, seed=7).to_frame()
    assert alone["power"][0] == among["power"][1]


def test_sentences_name_the_assumptions():
    text = " ".join(power_sentences(power(RUNS_ONLY, groups=4, times=5, replicates=2, trials=200)))
    for words in ("run to run 5 %", "4 groups × 5 times × 2 replicates (40 runs)", "seed 0"):
        assert words in text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"change_percent": -100.0}, "the change is -100 %"),
        ({"change_percent": 0.0}, "the change is 0 %"),
        ({"groups": 1, "replicates": 1}, "plan a second replicate"),
        ({"times": 1}, "times is 1"),
        ({"trials": 10}, "10 trials are too few"),
        ({"groups": ()}, "empty list"),
        ({"alpha": 1.5}, "alpha is 1.5"),
        ({"seed": -1}, "the seed is -1"),
    ],
)
def test_refusals_name_the_value(options, words):
    with pytest.raises(PlanError, match=words):
        power(RUNS_ONLY, **options)


def test_variation_without_anything_random_is_refused():
    with pytest.raises(PlanError, match="every difference would be seen"):
        Variation(run_percent=0)
