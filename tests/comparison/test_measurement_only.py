"""Single runs: hand calculation with the joint covariance, and how the verdict is qualified."""

import numpy as np
import pytest
from scipy import stats

from psdstats.comparison.analysis import SpreadBasis, analyse_sizes
from psdstats.comparison.compare import compare_analysis
from psdstats.comparison.plan import ComparisonPlan, plan_comparison
from psdstats.comparison.response import ComparisonRemark
from psdstats.comparison.result import Route
from psdstats.models.verdicts import PLAUSIBLE_RUN_TO_RUN_PERCENT
from psdstats.words.comparison import finding_sentence

ROWS = [{"milling_time_min": 0.0}, {"milling_time_min": 24.0}]
COVARIANCE = np.array([[4e-4, 3e-4], [3e-4, 9e-4]])


def said(found):
    """The first finding in words."""
    return finding_sentence(found.findings[0], ComparisonPlan(by="milling_time_min"))


def test_two_single_runs_by_hand(planted):
    """Ln ratio 0.3, variance v1 + v2 - 2c = 7e-4, normal quantile; chi-square is z squared."""
    found = planted(ROWS, [5.3, 5.0], COVARIANCE)["D50"]
    row = found.to_frame().iloc[0]
    error = np.sqrt(4e-4 + 9e-4 - 2 * 3e-4)
    half = stats.norm.ppf(0.975) * error
    assert found.route is Route.MEASUREMENT_ONLY
    assert found.fit is None
    assert np.log([row["ratio"], row["ratio_lower"], row["ratio_upper"]]) == pytest.approx(
        [-0.3, -0.3 - half, -0.3 + half], rel=1e-9
    )
    assert row["p"] == pytest.approx(2 * stats.norm.sf(0.3 / error), rel=1e-6)
    assert found.tests[0].f == pytest.approx((0.3 / error) ** 2, rel=1e-9)
    assert found.tests[0].p == pytest.approx(stats.chi2.sf((0.3 / error) ** 2, 1), rel=1e-6)


def test_run_to_run_that_would_undo_it_by_hand(planted):
    """|0.3| = z sqrt(7e-4 + 2 s²), solved for s."""
    found = planted(ROWS, [5.3, 5.0], COVARIANCE)["D50"]
    row = found.to_frame().iloc[0]
    z = stats.norm.ppf(0.975)
    s_percent = 100 * np.sqrt(((0.3 / z) ** 2 - 7e-4) / 2)
    assert row["undone_by_run_to_run_percent"] == pytest.approx(s_percent, rel=1e-9)
    assert s_percent > PLAUSIBLE_RUN_TO_RUN_PERCENT
    assert row["verdict"] == "changed"
    assert said(found).endswith(
        "; run-to-run variation was not estimated, and it would take a standard deviation of 11 % "
        "to undo this."
    )


def test_small_difference_cannot_be_told_from_run_to_run(planted):
    """0.08 is three standard errors, but 2 % between runs would undo it."""
    found = planted(ROWS, [5.08, 5.0], COVARIANCE)["D50"]
    row = found.to_frame().iloc[0]
    assert row["p_adjusted"] < 0.01
    assert row["verdict"] == "cannot be told"
    assert (
        "because run-to-run variation was not estimated, and a standard deviation of 2.2 % would "
        "undo it; it reads 7.7 % lower" in said(found)
    )


def test_declared_run_to_run_enters_twice_the_square(planted):
    """3 % declared: variance 7e-4 + 2 (0.03)²; the verdict then stands by itself."""
    settings = {"uncertainty": {"run_to_run_percent": 3.0}}
    found = planted(ROWS, [5.3, 5.0], COVARIANCE, settings=settings)["D50"]
    row = found.to_frame().iloc[0]
    error = np.sqrt(7e-4 + 2 * 0.03**2)
    assert np.log(row["ratio_upper"]) == pytest.approx(
        -0.3 + stats.norm.ppf(0.975) * error, rel=1e-9
    )
    assert found.route is Route.SINGLE_RUNS
    assert found.basis == ComparisonRemark.BY_SINGLE_RUNS(
        basis=SpreadBasis.DECLARED, percent=3.0, df=np.inf
    )
    assert "was not estimated" not in said(found)
    assert "undone_by_run_to_run_percent" not in found.to_frame().columns


def test_no_difference_is_not_undone(planted):
    row = planted(ROWS, [5.01, 5.0], COVARIANCE)["D50"].to_frame().iloc[0]
    assert row["undone_by_run_to_run_percent"] == 0.0
    assert row["verdict"] == "not shown"


def test_families_are_simultaneous_over_correlated_contrasts(planted):
    """Against first with equal variances and no sharing: correlation 1/2, so the critical value is
    the two-sided Dunnett quantile at infinite df: 2.21 for two comparisons (Dunnett 1955, table
    of two-sided comparisons, from memory).
    """
    rows = [{"milling_time_min": time} for time in (0.0, 12.0, 24.0)]
    found = planted(rows, [5.4, 5.2, 5.0], 1e-4 * np.eye(3))["D50"].to_frame("against first")
    half = np.log(found["ratio_upper"] / found["ratio"])
    assert (half / np.sqrt(2e-4)).to_numpy() == pytest.approx([2.21, 2.21], abs=0.005)


def test_mean_of_each_level_is_its_run(planted):
    means = planted(ROWS, [5.3, 5.0], COVARIANCE).means_frame()
    z = stats.norm.ppf(0.975)
    assert means["value"].to_numpy() == pytest.approx(np.exp([5.3, 5.0]))
    assert means["lower"].to_numpy() == pytest.approx(np.exp([5.3 - 0.02 * z, 5.0 - 0.03 * z]))
    assert list(means["milling_time_min"]) == ["0", "24"]


def test_order_of_the_runs_does_not_matter(planted):
    forwards = planted(ROWS, [5.3, 5.0], COVARIANCE).to_frame()
    backwards = planted(ROWS[::-1], [5.0, 5.3], COVARIANCE[::-1, ::-1]).to_frame()
    columns = ["ratio", "ratio_lower", "ratio_upper", "p_adjusted"]
    assert forwards[columns].to_numpy() == pytest.approx(backwards[columns].to_numpy(), rel=1e-9)


def test_a_level_that_ends_in_a_bound_keeps_its_course_beside_the_other(
    planted_study, planted_sizes
):
    """Ratio 5 ends below the sieves; what would undo ratio 10 is that of ratio 10, by hand."""
    rows = [{"milling_time_min": t, "ball_ratio": r} for r in (5.0, 10.0) for t in (0.0, 24.0)]
    study = planted_study(rows)
    ln_size = np.array([5.3, np.nan, 5.3, 5.0])
    sizes = planted_sizes(study, np.nan_to_num(ln_size, nan=4.0), 4e-4 * np.eye(4))
    value = sizes.value.copy()
    value[1] = np.nan
    bounds = np.tile([0.0, np.exp(4.5)], (4, 4, 1))
    plan = plan_comparison(study)
    known = {"D50": 4e-4 * np.eye(4)}
    found = compare_analysis(
        analyse_sizes(study, plan, value, known, measured=lambda: sizes, bounds=bounds)
    )["D50"]
    bound, other = found.courses
    assert (bound.where, other.where) == ("5", "10")
    assert bound.fallen.verdict.value == other.fallen.verdict.value == "changed"
    assert np.isnan(bound.fallen.reasons[0]["percent"])
    s_percent = 100 * np.sqrt(((0.3 / stats.norm.ppf(0.975)) ** 2 - 8e-4) / 2)
    assert other.fallen.reasons[0]["percent"] == pytest.approx(s_percent, rel=1e-9)
