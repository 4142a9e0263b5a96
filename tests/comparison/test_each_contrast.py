"""Contrasts by their own spread, against the paired and the Welch t-test of scipy."""

import itertools

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from statsmodels.stats.multitest import multipletests

from psdstats.comparison.plan import ComparisonPlan
from psdstats.comparison.result import Route
from psdstats.comparison.spread import Units, own_spread
from psdstats.errors import ModelError
from psdstats.words.comparison import finding_sentence

TIMES = (0.0, 12.0, 48.0)
GROUPS = ("Alder", "Birch", "Cedar", "Rowan")


@pytest.fixture
def drifting():
    """Four groups, three times, two runs; the groups' rates differ."""
    generator = np.random.default_rng(21)
    rows = [
        {"group": group, "milling_time_min": time}
        for group, time, _ in itertools.product(GROUPS, TIMES, range(2))
    ]
    frame = pd.DataFrame(rows)
    rate = dict(zip(GROUPS, generator.normal(0.012, 0.002, 4), strict=True))
    frame["y"] = 5.5 - frame["group"].map(rate) * frame["milling_time_min"]
    frame["y"] += generator.normal(0, 0.01, len(frame))
    return rows, frame


def test_groups_are_the_paired_t_test_with_holm(planted, drifting):
    rows, frame = drifting
    found = planted(rows, frame["y"], spread="each contrast")["D50"]
    means = frame.pivot_table(index="group", columns="milling_time_min", values="y")
    effects = found.to_frame("all pairs")
    assert found.route is Route.EACH_CONTRAST
    assert found.fit is None
    p = []
    for row in effects.to_dict("records"):
        high, low = means[float(row["high"])], means[float(row["low"])]
        expected = scipy.stats.ttest_rel(high, low)
        alone = expected.confidence_interval(0.95)
        joint = expected.confidence_interval(1 - 0.05 / 3)
        assert row["p"] == pytest.approx(expected.pvalue, rel=1e-6)
        assert row["df"] == pytest.approx(3, rel=1e-6)
        assert np.log([row["ratio_lower_single"], row["ratio_upper_single"]]) == pytest.approx(
            [alone.low, alone.high], rel=1e-6
        )
        assert np.log([row["ratio_lower"], row["ratio_upper"]]) == pytest.approx(
            [joint.low, joint.high], rel=1e-6
        )
        p.append(expected.pvalue)
    assert effects["p_adjusted"].to_numpy() == pytest.approx(
        multipletests(p, method="holm")[1], rel=1e-6
    )


def test_means_of_groups_have_the_interval_of_one_sample(planted, drifting):
    rows, frame = drifting
    found = planted(rows, frame["y"], spread="each contrast")["D50"].means
    cells = frame.groupby(["milling_time_min", "group"])["y"].mean()
    for row in found.to_dict("records"):
        values = cells[float(row["milling_time_min"])]
        expected = scipy.stats.ttest_1samp(values, 0.0).confidence_interval(0.95)
        assert np.log([row["lower"], row["upper"]]) == pytest.approx(
            [expected.low, expected.high], rel=1e-9
        )


def test_runs_without_groups_are_welchs_t_test(planted):
    generator = np.random.default_rng(5)
    times = [0.0] * 4 + [12.0] * 5 + [48.0] * 3
    rows = [{"milling_time_min": time} for time in times]
    y = 5.0 - 0.01 * np.array(times) + generator.normal(0, 0.01 + 0.002 * np.array(times))
    found = planted(rows, y, spread="each contrast")["D50"].to_frame("against first")
    for row in found.to_dict("records"):
        high, low = (y[np.array(times) == float(row[name])] for name in ("high", "low"))
        expected = scipy.stats.ttest_ind(high, low, equal_var=False)
        assert row["p"] == pytest.approx(expected.pvalue, rel=1e-6)
        assert row["df"] == pytest.approx(expected.df, rel=1e-6)


def test_what_groups_share_is_added_and_what_they_do_not_is_in_their_spread():
    """Own errors of 4 differences: nothing added. One shared error of variance s²: s² added."""
    y, rows = np.array([0.1, 0.3, 0.2, 0.4]), np.eye(4)
    plain = own_spread([Units(rows=rows)], y, np.zeros((4, 4)))
    own = own_spread([Units(rows=rows)], y, np.diag([4.0, 1.0, 2.0, 3.0]))
    shared = own_spread([Units(rows=rows)], y, np.diag([4.0, 1.0, 2.0, 3.0]) + 0.25)
    assert plain[1] == pytest.approx(scipy.stats.sem(y) ** 2)
    assert plain[2] == pytest.approx(3)
    assert own[1] == pytest.approx(plain[1], rel=1e-9)
    assert shared[1] == pytest.approx(plain[1] + 0.25)
    assert shared[2] == pytest.approx(shared[1] ** 2 / (plain[1] ** 2 / 3))


def test_known_part_makes_the_variance_right_on_average():
    """Any covariance: the mean of the estimated variance is the variance of the estimate."""
    generator = np.random.default_rng(8)
    root = generator.normal(size=(6, 6))
    known = root @ root.T + 2.0
    rows = [np.eye(6)[:4], np.eye(6)[4:]]
    units = [Units(rows=rows[0]), Units(rows=rows[1], weight=-1.0)]
    weights = np.array([0.25] * 4 + [-0.5] * 2)
    draws = generator.multivariate_normal(np.zeros(6), known, size=4000)
    found = np.array([own_spread(units, y, known)[1] for y in draws])
    error = found.std() / np.sqrt(len(found))
    assert found.mean() == pytest.approx(weights @ known @ weights, abs=4 * error)


def test_further_factors_are_averaged_within_groups(planted, drifting):
    """A level of the further factor that a group has at one time alone does not enter."""
    rows, frame = drifting
    marked = [{**row, "ball_ratio": 5.0 + 5.0 * (i % 2)} for i, row in enumerate(rows)]
    kept = [i for i in range(len(rows)) if i != 5]  # Alder at 48 min loses ball ratio 10
    y = frame["y"].to_numpy() + 0.5 * np.array([row["ball_ratio"] == 10 for row in marked])
    found = planted(
        [marked[i] for i in kept], y[kept], spread="each contrast", within="group",
        also=["ball_ratio"],
    )["D50"].to_frame("against first").iloc[-1]  # fmt: skip
    cells = frame.assign(y=y, ratio=[row["ball_ratio"] for row in marked])
    cells = cells.groupby(["group", "milling_time_min", "ratio"])["y"].mean().unstack([1, 2])  # noqa: PD010
    difference = cells[48.0] - cells[0.0]
    difference.loc["Alder", 10.0] = np.nan
    expected = scipy.stats.ttest_1samp(difference.mean(axis=1), 0.0)
    assert found["p"] == pytest.approx(expected.pvalue, rel=1e-6)


def test_at_each_level_pairs_within_it(planted, drifting):
    rows, frame = drifting
    marked = [{**row, "ball_ratio": 5.0 + 5.0 * (i % 2)} for i, row in enumerate(rows)]
    found = planted(
        marked, frame["y"], spread="each contrast", within="group", at_each="ball_ratio"
    )["D50"]
    ratio = np.array([row["ball_ratio"] for row in marked])
    half = frame[ratio == 10].set_index(["group", "milling_time_min"])["y"].unstack()  # noqa: PD010
    expected = scipy.stats.ttest_rel(half[48.0], half[12.0])
    effects = found.to_frame()
    row = effects.set_index(["high", "low", "where"]).sort_index().loc["48", "12", "10"].iloc[0]
    assert row["p"] == pytest.approx(expected.pvalue, rel=1e-6)
    assert len(found.means) == 6


def test_one_group_left_cannot_be_told(planted, drifting):
    rows, frame = drifting
    kept = [
        i for i, row in enumerate(rows) if row["group"] == "Alder" or row["milling_time_min"] < 48
    ]
    found = planted(
        [rows[i] for i in kept], frame["y"].to_numpy()[kept], spread="each contrast"
    )["D50"]  # fmt: skip
    last = [one for one in found.findings if one.subject.family == "against first"][-1]
    assert last.verdict == "cannot be told"
    assert finding_sentence(last, ComparisonPlan(by="milling_time_min")) == (
        "It cannot be told whether D50 at 48 min differs from that at 0 min, because fewer than "
        "two groups are left to estimate its spread from."
    )


def test_groupings_that_hold_the_factor_cannot_pair(planted, drifting):
    rows, frame = drifting
    with pytest.raises(ModelError, match="no difference lies within a group"):
        planted(
            rows,
            frame["y"],
            spread="each contrast",
            within="group:milling_time_min",
            leave_out=["group"],
        )
