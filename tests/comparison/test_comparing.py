"""Bars for comparing reproduce the differences they stand for; bounds stand where runs are open."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats import compare, propagate, read_study
from psdstats.comparison.result import comparing_halves, condition_sizes, open_sizes


@pytest.fixture(scope="module")
def benches():
    study = read_study(demo_study("four_benches"))
    return compare(study, propagation=propagate(study, method="linear"))


@pytest.fixture(scope="module")
def bench():
    study = read_study(demo_study("one_bench"))
    return compare(study, propagation=propagate(study, method="linear"))


def _half(finding):
    """Half the interval of one difference, by itself."""
    return finding.numbers.upper_single - finding.numbers.estimate


def _halves(frame):
    own = frame.set_index(["at", "level"])
    return np.log(own["comparing_upper"] / own["value"])


@pytest.mark.parametrize("quantity", ["D10", "D50", "D90", "span"])
def test_two_bars_give_the_interval_of_the_difference(benches, quantity):
    """√2 times the root of the squares of two bars is half the interval, levels at each time."""
    found = condition_sizes(benches)
    halves = _halves(found[found["quantity"] == quantity])
    (answer,) = benches[quantity].factors
    seen = 0
    for one in (answer.control, *answer.at):
        both = [halves[one.subject.where, level] for level in (answer.high, answer.low)]
        if np.isfinite(both).all():
            seen += 1
            assert np.hypot(*both) * 2**0.5 == pytest.approx(_half(one), rel=0.02)
            is_apart = abs(one.numbers.estimate) > sum(both)
            assert is_apart == (abs(one.numbers.estimate) > _half(one))
    assert seen >= 4


@pytest.mark.parametrize(("quantity", "off"), [("D10", 0.06), ("D50", 0.18), ("D90", 0.19)])
def test_bars_of_times_give_their_differences(bench, quantity, off):
    """Times of one bench share neighbouring sieves: bars are near, and right on average."""
    found = condition_sizes(bench)
    halves = _halves(found[found["quantity"] == quantity])
    pairs = [one for one in bench[quantity].findings if one.subject.family == "all pairs"]
    told = [
        np.hypot(halves[one.subject.high, ""], halves[one.subject.low, ""]) * 2**0.5 / _half(one)
        for one in pairs
    ]
    assert max(abs(np.array(told) - 1)) < off
    assert np.exp(np.mean(np.log(told))) == pytest.approx(1.0, abs=0.01)


def test_three_levels_are_reproduced_exactly():
    cells = [("48", level) for level in ("a", "b", "c")]
    wanted = dict(zip(combinations(cells, 2), (0.05, 0.06, 0.07), strict=True))
    halves = comparing_halves(wanted)
    for (one, other), half in wanted.items():
        assert np.hypot(halves[one], halves[other]) * 2**0.5 == pytest.approx(half, rel=1e-4)


def test_what_the_compared_share_is_the_covariance_of_their_means(benches):
    """By hand: mean over times of the covariance of the runs of one level with the other's."""
    found = condition_sizes(benches)
    shared = found.loc[found["quantity"] == "D50", "shared"].unique()
    frame = benches.analysis["D50"].frame
    joint = benches.analysis.measured().covariance("D50", log=True)
    means = [
        joint.loc[own.loc[own["ball_ratio"] == 10, "run"], own.loc[own["ball_ratio"] == 5, "run"]]
        .to_numpy()
        .mean()
        for _, own in frame.groupby("milling_time_min")
    ]
    assert shared == pytest.approx([1.959964 * np.mean(means) ** 0.5], rel=1e-6)


def test_means_are_those_of_the_comparison_and_open_ones_bounds(benches):
    found = condition_sizes(benches).set_index(["quantity", "at", "level"])
    means = benches["D50"].means
    for row in means.to_dict("records"):
        own = found.loc[("D50", row["milling_time_min"], f"{float(row['ball_ratio']):g}")]
        assert own["value"] == row["value"]
        assert (own["lower"], own["upper"]) == (row["lower"], row["upper"])
    for course in benches["D10"].courses:
        own = found.loc[("D10", "48", course.where)]
        assert own["side"] == "<"
        assert np.log(own["value"]) == pytest.approx(course.end.upper)
        assert np.isnan(own["comparing_lower"])
    assert set(open_sizes(benches, "D10")) == {("48", "5"), ("48", "10")}
    assert open_sizes(benches, "D50") == {}


def test_an_open_span_lies_between_its_bounds(benches):
    found = condition_sizes(benches).set_index(["quantity", "at", "level"])
    own = found.loc[("span", "48", "5")]
    assert np.isnan(own["value"])
    assert 0 < own["lower"] < own["upper"] < np.inf


def test_a_condition_that_cannot_be_compared_has_its_plain_mean(benches):
    """Were D10 open everywhere but at 0 min, that mean would be of the runs, with no interval."""
    one = benches["D10"]
    bare = replace(one, means=one.means.iloc[:0], factors=(), findings=())
    found = condition_sizes(replace(benches, results=(bare,))).set_index(["at", "level"])
    frame = benches.analysis["D10"].response.placed
    own = frame[(frame["milling_time_min"] == 0) & (frame["ball_ratio"] == 5)]
    assert found.loc[("0", "5"), "value"] == pytest.approx(np.exp(own["ln_lower"].mean()))
    assert np.isnan(found.loc[("0", "5"), ["lower", "upper"]].to_numpy(dtype=float)).all()
    assert found.loc[("48", "5"), "side"] == "<"
