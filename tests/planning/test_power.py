"""Power by simulation against exact power of balanced designs, and its own consistency.

Exact: noncentral t (general statistics; scipy's distributions are the independent route).
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


def one_sided_t(distance, *, error, df, alpha):
    return stats.nct.sf(stats.t.isf(alpha, df), df, distance / error)


@pytest.mark.parametrize("change", [-6, 8])
def test_fallen_by_the_end_is_the_one_sided_noncentral_t_at_four_per_cent(change):
    found = (
        power(RUNS_ONLY, groups=1, times=4, replicates=3, change_percent=change, trials=20_000)
        .to_frame()
        .iloc[0]
    )
    expected = one_sided_t(
        abs(np.log1p(change / 100)), error=0.05 * np.sqrt(2 / 3), df=8, alpha=0.04
    )
    assert found["power"] == pytest.approx(expected, abs=4 * found["power_error"])


@pytest.mark.parametrize(("change", "margin"), [(-10, np.log(1 / 0.93)), (10, np.log(1.07))])
def test_little_left_is_the_one_sided_noncentral_t_of_the_last_step(change, margin):
    """Truly level; the margin is a gain, of a fall or of a growth, at 4.5 per cent."""
    result = power(
        Variation(run_percent=3),
        groups=2,
        times=5,
        replicates=1,
        change_percent=change,
        margin_percent=7,
        spread="pooled",
        trials=20_000,
    )
    found = result.to_frame().iloc[0]
    expected = one_sided_t(margin, error=0.03, df=4, alpha=0.045)
    assert found["power_left"] == pytest.approx(expected, abs=4 * found["power_left_error"])
    curve = result.margin_frame()
    assert curve["power"].iloc[0] == pytest.approx(0.045, abs=4 * 0.0015)
    assert curve.loc[curve["asked"], "power"].item() == found["power_left"]


def test_smallest_margin_has_the_wanted_power():
    result = power(RUNS_ONLY, groups=3, times=4, replicates=2, trials=1000)
    margin = result.to_frame()["smallest_margin_percent"][0]
    again = power(
        RUNS_ONLY, groups=3, times=4, replicates=2, trials=1000, margin_percent=margin
    ).to_frame()
    assert again["power_left"][0] == pytest.approx(0.8, abs=2e-3)


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
    options = {"groups": 4, "times": 5, "replicates": 2, "change_percent": -5, "trials": 4000}
    still = power(Variation(run_percent=3), **options).to_frame()["power"][0]
    drifting = power(Variation(run_percent=3, drift_percent=4), **options).to_frame()["power"][0]
    # last against first: variance 2 · 3²/8 = 2.25 without, 2.25 + 4²/4 = 6.25 with the drift
    assert drifting < 0.7 * still


def test_allowing_for_drift_costs_power_where_there_is_none():
    options = {"groups": 3, "times": 4, "replicates": 2, "change_percent": -5, "trials": 4000}
    free, pooled = (
        power(Variation(run_percent=2.5), spread=spread, **options).to_frame().iloc[0]
        for spread in ("drifting", "pooled")
    )
    assert pooled["power"] > free["power"] + 0.1
    # nothing known and one variance of a cell mean: exact, (3 - 1)(4 - 1) degrees of freedom
    expected = one_sided_t(-np.log(0.95), error=0.025 / np.sqrt(3), df=6, alpha=0.04)
    assert pooled["power"] == pytest.approx(expected, abs=4 * pooled["power_error"])


def test_two_groups_claim_only_what_a_plausible_drift_leaves():
    """1.5 per cent a step, known: over four steps a variance of 2 · 6²/4 beside 2 · 1²/2."""
    found = (
        power(
            Variation(run_percent=1),
            groups=2,
            times=5,
            replicates=1,
            change_percent=-9,
            trials=20_000,
        )
        .to_frame()
        .iloc[0]
    )
    # nearly all of the variance that is allowed for is known, and only 1 % varies
    limit = stats.norm.isf(0.04) * np.sqrt(1 + 18) / 100
    expected = stats.norm.cdf((-np.log(0.91) - limit) / 0.01)
    assert found["power"] == pytest.approx(expected, abs=0.05)


def test_level_holds_at_no_change_with_drift():
    """The first step of the order at 4 per cent, with four groups that drift apart."""
    result = power(
        Variation(run_percent=2, drift_percent=6, measurement_percent=1),
        groups=4,
        times=4,
        replicates=1,
        trials=20_000,
    )
    assert result.designs[0].change.power_at(0.0)[0] < 0.04 + 4 * 0.0014


def test_family_of_two_times_is_the_single_contrast_and_more_times_cost_power():
    options = {"groups": 1, "replicates": 3, "change_percent": -10, "trials": 4000}
    single = power(RUNS_ONLY, times=(2, 5), question="last against first", **options).to_frame()
    family = power(RUNS_ONLY, times=(2, 5), question="each against first", **options).to_frame()
    assert family["power"][0] == single["power"][0]
    assert family["power"][1] < single["power"][1]


def test_dunnett_limit_is_that_of_a_reference_library():
    """Level of the family under no change, against scipy.stats.dunnett's law by simulation."""
    found = power(
        RUNS_ONLY, groups=1, times=4, replicates=3, trials=2000, question="each against first"
    )
    limit = (found.designs[0].change.reach / found.designs[0].standard_error)[0]
    # Dunnett's critical value for 3 comparisons with 8 df: 2.88 two-sided (table, from memory)
    assert limit == pytest.approx(2.88, abs=0.005)


def test_measurement_adds_to_run_to_run_and_is_known():
    """4 and 3 per cent make 5; knowing 3 of them is worth more than nothing, less than all."""
    found = (
        power(
            Variation(run_percent=4, measurement_percent=3),
            groups=1,
            times=3,
            replicates=3,
            change_percent=-12,
            trials=20_000,
        )
        .to_frame()
        .iloc[0]
    )
    distance, error = -np.log(0.88), 0.05 * np.sqrt(2 / 3)
    nothing_known = one_sided_t(distance, error=error, df=6, alpha=0.04)
    all_known = stats.norm.sf(stats.norm.isf(0.04) - distance / error)
    slack = 4 * found["power_error"]
    assert nothing_known - slack < found["power"] < all_known + slack


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
    smallest = one.change.smallest(0.9)
    assert one.change.power_at(smallest)[0] == pytest.approx(0.9, abs=1e-3)
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


def enough(frame, *columns):
    """Designs that are enough, the one with the fewest runs first."""
    return frame[frame[list(columns)].all(axis=1)].sort_values("runs", kind="stable")


def test_smallest_design_is_that_of_a_whole_table():
    """All of 3 to 4 groups × 1 to 4 replicates, simulated and looked through."""
    variation = Variation(run_percent=3, drift_percent=2, measurement_percent=1)
    options = {"times": 4, "change_percent": -7, "margin_percent": 4, "trials": 400}
    found = power(variation, groups=4, replicates=1, seek_smallest=True, **options).smallest
    table = power(variation, groups=(3, 4), replicates=(1, 2, 3, 4), **options).to_frame()
    least = enough(table, "enough")["runs"].iloc[0]
    assert found.change.design.runs == least
    assert least < enough(table, "enough", "enough_left")["runs"].iloc[0] == found.both.design.runs


def test_more_groups_are_sought_only_where_those_asked_are_not_enough():
    """Drift of the groups is lessened by groups alone: 8²/g, whatever the replicates."""
    result = power(
        Variation(run_percent=1, drift_percent=8),
        groups=3,
        times=4,
        replicates=1,
        change_percent=-12,
        margin_percent=10,
        trials=500,
        seek_smallest=True,
    )
    design = result.smallest.change.design
    assert (design.groups > 3, design.replicates) == (True, 1)
    text = " ".join(power_sentences(result))
    assert "with 3 groups no number of replicates up to 4 is enough" in text


def test_nothing_is_enough_for_a_change_below_the_noise():
    result = power(
        RUNS_ONLY, groups=3, times=3, replicates=1, change_percent=-0.5, trials=100,
        seek_smallest=True,
    )  # fmt: skip
    assert (result.smallest.change, result.smallest.both) == (None, None)
    assert "No trial up to 8 groups and 4 replicates" in power_sentences(result)[0]


@pytest.mark.parametrize(
    ("variation", "groups", "spread"),
    [
        (Variation(run_percent=2, drift_percent=6), 2, "drifting"),
        (Variation(run_percent=2, drift_percent=3), 4, "pooled"),
        (Variation(run_percent=2, group_time_percent=3), 1, "drifting"),
    ],
)
def test_designs_that_do_not_allow_for_what_varies_are_named_and_never_the_smallest(
    variation, groups, spread
):
    result = power(
        variation, groups=groups, times=4, replicates=2, spread=spread, trials=200,
        change_percent=-30, seek_smallest=True,
    )  # fmt: skip
    assert result.missed
    assert "does not allow for all that is assumed to differ" in " ".join(power_sentences(result))
    smallest = result.smallest.change
    assert smallest is None or smallest.design.allows_for(variation, spread)


def test_sentences_name_the_assumptions():
    text = " ".join(power_sentences(power(RUNS_ONLY, groups=4, times=5, replicates=2, trials=200)))
    for words in ("run to run 5 %", "4 groups × 5 times × 2 replicates (40 runs)", "seed 0"):
        assert words in text
    for words in ("less than 5 % was left after a level last step", "finer by the end"):
        assert words in text
    risen = power(RUNS_ONLY, groups=1, times=3, replicates=2, trials=200, change_percent=20)
    assert "coarser by the end" in " ".join(power_sentences(risen))
    assert "the smallest increase" in power_sentences(risen)[0]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"change_percent": -100.0}, "change is -100"),
        ({"change_percent": 0.0}, "the change is 0 %"),
        ({"groups": 1, "replicates": 1}, "plan a second replicate"),
        ({"times": 1}, "one time shows no change"),
        ({"trials": 10}, "trials is 10"),
        ({"groups": ()}, "empty list"),
        ({"alpha": 1.5}, "alpha is 1.5"),
        ({"margin_percent": 0.0}, "margin is 0"),
        ({"spread": "each contrast"}, "plan with drifting or pooled"),
        ({"seed": -1}, "seed is -1"),
    ],
)
def test_refusals_name_the_value(options, words):
    with pytest.raises(PlanError, match=words):
        power(RUNS_ONLY, **options)


def test_variation_without_anything_random_is_refused():
    with pytest.raises(PlanError, match="every difference would be seen"):
        Variation(run_percent=0)


def test_a_chance_is_never_told_as_certain():
    sure = power(RUNS_ONLY, groups=4, times=5, replicates=2, trials=200, change_percent=-60)
    text = " ".join(power_sentences(sure))
    assert "would be shown in every simulated trial, which is enough; " in text
    assert "100 %" not in text
