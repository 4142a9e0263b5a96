"""Groups that drift apart: the line each is given, and the check of what is left."""

import importlib.util
import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from psdstats.comparison.courses import with_undoing
from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.response import ComparisonRemark, drift_lines, level_order
from psdstats.comparison.spread import drift_slope, find_misfit
from psdstats.findings import Numbers
from psdstats.models import MixedModel, RandomSlope
from psdstats.models.verdicts import VerdictRemark
from psdstats.study.settings import Declared
from psdstats.words.comparison import model_sentence
from psdstats.words.remarks import sentence

_spec = importlib.util.spec_from_file_location(
    "trial_records", Path(__file__).parents[1] / "words" / "trial_records.py"
)
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)

TIMES = (0.0, 6.0, 12.0, 24.0, 48.0)
GROUPS = ("Alder", "Birch", "Cedar", "Rowan")
ROWS = [
    {"group": group, "milling_time_min": time}
    for group, time, _ in itertools.product(GROUPS, TIMES, range(2))
]
ORDER = np.array([TIMES.index(row["milling_time_min"]) for row in ROWS])
MEAN = 5.5 - 0.15 * ORDER


def test_pure_drift_is_judged_by_the_spread_of_the_slopes(planted):
    """Groups on lines of their own with next to no scatter: the t-test of the groups' changes.

    Kenward and Roger's is that test; the calibrated one may not be narrower, nor wider by 5 %.
    """
    generator = np.random.default_rng(3)
    slope = dict(zip(GROUPS, generator.normal(0, 0.02, 4), strict=True))
    y = MEAN + np.array([slope[row["group"]] for row in ROWS]) * ORDER
    y = y + generator.normal(0, 1e-5, len(ROWS))
    plain = planted(ROWS, y, test="kenward-roger")["D50"]
    last = plain.to_frame("against first").iloc[-1]
    change = 4 * np.array(list(slope.values())) + MEAN[ORDER == 4][0] - MEAN[ORDER == 0][0]
    expected = scipy.stats.ttest_1samp(change, 0.0).confidence_interval(0.95)
    assert last["df"] == pytest.approx(3, rel=0.01)
    assert np.log([last["ratio_lower_single"], last["ratio_upper_single"]]) == pytest.approx(
        [expected.low, expected.high], abs=2e-4
    )
    found = planted(ROWS, y)["D50"]
    own = found.to_frame("against first").iloc[-1]
    width = np.log(own["ratio_upper_single"] / own["ratio_lower_single"])
    assert 0.999 < width / (expected.high - expected.low) < 1.05
    assert any(
        "Groups were allowed to drift apart" in note for note in map(sentence, found.remarks)
    )
    assert "slopes in order of milling time" in model_sentence(found)


def test_pooled_leaves_the_lines_out_and_says_that_they_are_missing(planted):
    generator = np.random.default_rng(3)
    slope = dict(zip(GROUPS, generator.normal(0, 0.02, 4), strict=True))
    y = MEAN + np.array([slope[row["group"]] for row in ROWS]) * ORDER
    y = y + generator.normal(0, 0.005, len(ROWS))
    found = planted(ROWS, y, spread="pooled", within="group")["D50"]
    free = planted(ROWS, y, within="group")["D50"]
    (caution,) = (one for one in found.remarks if one.kind is ComparisonRemark.MISFIT)
    residual = pd.Series(y - np.array([y[one == ORDER].mean() for one in ORDER]))
    first, last = (residual[one == ORDER].std() for one in (0, 4))
    assert (caution["first"], caution["last"]) == ("0", "48")
    assert caution["first_percent"] == pytest.approx(100 * first)
    assert caution["last_percent"] == pytest.approx(100 * last)
    assert all(one.kind is not ComparisonRemark.MISFIT for one in free.remarks)
    widths = [
        np.log(row["ratio_upper"] / row["ratio_lower"])
        for row in (one.to_frame("against first").iloc[-1] for one in (found, free))
    ]
    assert widths[1] > 1.5 * widths[0]


def test_scatter_that_grows_is_seen_without_groups(planted):
    generator = np.random.default_rng(6)
    rows = [{"milling_time_min": time} for time in TIMES for _ in range(4)]
    order = np.repeat(np.arange(5), 4)
    y = 5 - 0.1 * order + generator.normal(0, 0.004 * (1 + 3 * order))
    found = planted(rows, y)["D50"]
    kinds = {one.kind for one in found.remarks}
    assert ComparisonRemark.MISFIT in kinds
    assert ComparisonRemark.DRIFT_ALLOWED not in kinds


def test_the_check_holds_its_level(planted_study):
    """Trials that are as the model says, with and without lines: p below 0.05 in about 5 %."""
    generator = np.random.default_rng(12)
    study = planted_study(ROWS)
    plan = plan_comparison(study)
    frame = study.runs_frame()
    frame["order"] = level_order(frame["milling_time_min"])
    group = np.array([GROUPS.index(row["group"]) for row in ROWS])
    known = 1e-4 * (1.0 + 2.0 * np.eye(len(ROWS)))
    trials, hits = 150, 0
    for trial in range(trials):
        y = MEAN + generator.normal(0, 0.03, 4)[group]
        y = y + generator.multivariate_normal(np.zeros(len(ROWS)), known)
        y = y + generator.normal(0, 0.01, 20)[group * 5 + ORDER] + generator.normal(0, 0.01, 40)
        line = RandomSlope("group", "order", correlated=False) if trial % 2 else "group"
        fit = MixedModel(
            frame.assign(y=y),
            response="y",
            fixed=["milling_time_min"],
            random=[line, ("group", "milling_time_min")],
            known_covariance=known,
            factors=["milling_time_min"],
            boundary="free",
        ).fit()
        hits += find_misfit(fit, plan).p < 0.05
    assert hits <= scipy.stats.binom.ppf(0.999, trials, 0.05)


def test_two_groups_say_the_drift_that_undoes_a_change(planted):
    """Declared, as much of it brings the interval to no change, though few runs know the scatter.

    And the bound that is printed is none that a drift of 1.5 per cent a step would undo.
    """
    rows = [
        {"group": group, "milling_time_min": time}
        for group, time, _ in itertools.product(GROUPS[:2], TIMES[:3], range(2))
    ]
    order = np.array([TIMES.index(row["milling_time_min"]) for row in rows])
    y = 5.5 - 0.1 * order + np.random.default_rng(5).normal(0, 0.015, len(rows))
    (found,) = planted(rows, y)["D50"].courses
    (why,) = found.fallen.reasons
    assert why.kind is VerdictRemark.DRIFT_UNKNOWN
    percent = why["percent"]
    assert 3.0 < percent < 12.0

    def declared(percent):
        (course,) = planted(rows, y, drift=Declared(percent=percent, df=np.inf))["D50"].courses
        return course

    numbers = declared(percent).fallen.numbers
    half = numbers.upper - numbers.estimate
    assert half == pytest.approx(-numbers.estimate, rel=0.1)
    assert not declared(percent).fallen.reasons
    plausible = declared(1.5).at_least
    assert np.all(np.array(found.at_least) <= np.array(plausible) + 2e-3)


def test_lines_need_three_groups_that_hold_three_levels(planted_study):
    def line(rows):
        study = planted_study(rows)
        frame = study.runs_frame()
        frame["order"] = level_order(frame["milling_time_min"])
        return drift_slope(frame, plan_comparison(study, within="group"), order="order")

    assert line(ROWS) == RandomSlope("group", "order", correlated=False)
    assert line([row for row in ROWS if row["group"] in GROUPS[:2]]) is None
    assert line([row for row in ROWS if row["milling_time_min"] < 12]) is None


def test_a_size_that_no_run_has_has_no_lines(planted_study):
    study = planted_study(ROWS)
    frame, plan = study.runs_frame(), plan_comparison(study, within="group")
    assert drift_lines(frame, plan, ("group",)).shape == (len(ROWS), len(GROUPS))
    assert drift_lines(frame.iloc[:0], plan, ("group",)).shape[0] == 0


def test_names_have_no_order():
    assert level_order(pd.Series(["b", "a"])) is None
    assert level_order(pd.Series([12.0, 0.0, 12.0])).tolist() == [1.0, 0.0, 1.0]


def test_of_two_bounds_the_one_that_allows_for_drift_is_kept():
    """Both are open at one end: as intervals they are equally wide."""
    fell = made.COURSES["fell below the finest sieve"]
    wider = replace(fell, fallen=replace(fell.fallen, numbers=Numbers(lower=-np.inf, upper=-0.7)))
    rose = replace(fell, fallen=replace(fell.fallen, numbers=Numbers(lower=0.5, upper=np.inf)))
    less = replace(fell, fallen=replace(fell.fallen, numbers=Numbers(lower=0.2, upper=np.inf)))
    for one, other in ((fell, wider), (rose, less)):
        kept = with_undoing(one, other, 5.0, by_drift=True)
        assert kept.fallen.numbers == other.fallen.numbers
        assert with_undoing(other, one, 5.0, by_drift=True).fallen.numbers == other.fallen.numbers
