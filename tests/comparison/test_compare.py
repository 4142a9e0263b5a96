"""Comparison against general reference libraries and hand calculation, on planted sizes."""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pingouin
import pytest
import scipy.stats
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

from psdstats.comparison import compare
from psdstats.comparison.result import Route
from psdstats.errors import ModelError
from psdstats.findings import FindingKind
from psdstats.uncertainty import propagate
from psdstats.uncertainty.inputs import measurement_sources
from psdstats.uncertainty.propagation import Joint
from psdstats.words.comparison import finding_sentence, headlines, model_sentence
from psdstats.words.remarks import sentence

TIMES = (0.0, 6.0, 12.0, 24.0, 48.0)


def _two_levels():
    generator = np.random.default_rng(11)
    times = [0.0] * 5 + [24.0] * 6
    ln_size = np.log(250.0) - 0.3 * (np.array(times) > 0) + generator.normal(0, 0.05, 11)
    return [{"milling_time_min": time} for time in times], ln_size


def _balanced(replicates, seed=5):
    generator = np.random.default_rng(seed)
    rows, ln_size = [], []
    for group in ("Alder", "Birch", "Cedar"):
        own = generator.normal(0, 0.06)
        for time in TIMES:
            cell = generator.normal(0, 0.04)
            for _ in range(replicates):
                rows.append({"group": group, "milling_time_min": time})
                ln_size.append(5.5 - 0.012 * time + own + cell + generator.normal(0, 0.02))
    return rows, np.array(ln_size)


def test_two_levels_are_the_t_test_on_logarithms(planted):
    """A known part s 11' cancels in every difference, and adds nothing the t-test lacks."""
    rows, ln_size = _two_levels()
    known = np.full((11, 11), 9e-4)
    found = planted(rows, ln_size, known)["D50"]
    expected = scipy.stats.ttest_ind(ln_size[5:], ln_size[:5])
    interval = expected.confidence_interval(0.95)
    row = found.to_frame().iloc[0]
    assert found.route is Route.MIXED_MODEL
    assert found.tests[0].f == pytest.approx(expected.statistic**2, rel=1e-6)
    assert row["df"] == pytest.approx(9.0, rel=1e-6)
    assert row["p_adjusted"] == pytest.approx(expected.pvalue, rel=1e-6)
    assert np.log([row["ratio_lower"], row["ratio_upper"]]) == pytest.approx(
        [interval.low, interval.high], rel=1e-6
    )
    assert row["verdict"] == "changed"


@pytest.mark.filterwarnings("ignore:The inplace keyword")  # pingouin's own use of pandas
def test_one_run_a_cell_is_the_two_way_analysis_of_variance(planted):
    """Groups as blocks: F and df of statsmodels' two-way table and of pingouin's rm_anova."""
    rows, ln_size = _balanced(1)
    found = planted(rows, ln_size, spread="pooled")["D50"].tests[0]
    data = pd.DataFrame(rows).assign(y=ln_size)
    table = anova_lm(smf.ols("y ~ C(milling_time_min) + C(group)", data).fit())
    expected = table.loc["C(milling_time_min)"]
    assert (found.df_num, found.df_den) == pytest.approx((4.0, 8.0), rel=1e-6)
    assert found.f == pytest.approx(expected["F"], rel=1e-6)
    assert found.p == pytest.approx(expected["PR(>F)"], rel=1e-6)
    repeated = pingouin.rm_anova(data, dv="y", within="milling_time_min", subject="group")
    assert found.f == pytest.approx(float(repeated["F"].iloc[0]), rel=1e-6)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_replicates_are_tested_against_the_cells(planted, seed):
    """With replicates the error of time is group by time: MS ratio of statsmodels' table."""
    rows, ln_size = _balanced(2, seed)
    found = planted(rows, ln_size, spread="pooled")["D50"].tests[0]
    data = pd.DataFrame(rows).assign(y=ln_size)
    table = anova_lm(smf.ols("y ~ C(milling_time_min) * C(group)", data).fit())
    square = table["mean_sq"]
    ratio = square["C(milling_time_min)"] / square["C(milling_time_min):C(group)"]
    assert found.f == pytest.approx(ratio, rel=1e-5)
    assert (found.df_num, found.df_den) == pytest.approx((4.0, 8.0), rel=1e-5)


def test_a_known_part_like_the_scatter_changes_next_to_nothing(planted):
    """Known c I is part of the scatter: the calibrated p is that of the t-test but for its table.

    Ten tables of the same design lie within 3 per cent of the exact p.
    """
    rows, ln_size = _two_levels()
    row = planted(rows, ln_size, 1e-4 * np.eye(11) + 9e-4)["D50"].to_frame().iloc[0]
    expected = scipy.stats.ttest_ind(ln_size[5:], ln_size[:5])
    interval = expected.confidence_interval(0.95)
    width = np.log(row["ratio_upper"] / row["ratio_lower"])
    assert width == pytest.approx(interval.high - interval.low, rel=0.02)
    assert row["df"] == pytest.approx(9.0, rel=1e-3)


def test_adjusted_p_of_all_pairs_is_tukeys(planted):
    """Equal replicates, no groups: scipy's Tukey test on the logarithms."""
    generator = np.random.default_rng(3)
    rows = [{"milling_time_min": time} for time in (0.0, 12.0, 48.0) for _ in range(4)]
    ln_size = generator.normal(5, 0.05, 12) - np.repeat([0.0, 0.04, 0.10], 4)
    found = planted(rows, ln_size)["D50"].to_frame("all pairs")
    expected = scipy.stats.tukey_hsd(*ln_size.reshape(3, 4))
    for row in found.to_dict("records"):
        high, low = ((0.0, 12.0, 48.0).index(float(row[name])) for name in ("high", "low"))
        assert row["p_adjusted"] == pytest.approx(expected.pvalue[high, low], abs=2e-4)
        limits = expected.confidence_interval()
        assert np.log(row["ratio_lower"]) == pytest.approx(limits.low[high, low], abs=2e-4)


def test_adjusted_p_against_first_is_dunnetts(planted):
    """Scipy's Dunnett test on the logarithms, which integrates numerically (about 1e-4)."""
    generator = np.random.default_rng(4)
    rows = [{"milling_time_min": time} for time in (0.0, 12.0, 48.0) for _ in range(4)]
    ln_size = generator.normal(5, 0.05, 12) - np.repeat([0.0, 0.04, 0.10], 4)
    found = planted(rows, ln_size)["D50"].to_frame("against first")
    zero, twelve, last = ln_size.reshape(3, 4)
    expected = scipy.stats.dunnett(twelve, last, control=zero, random_state=1)
    assert found["p_adjusted"].to_numpy() == pytest.approx(expected.pvalue, abs=5e-4)


def test_shared_error_cancels_and_separate_error_does_not(planted):
    """Two stacks whose errors (5 %) are known: only a comparison across stacks feels them."""
    rows = [{"milling_time_min": time} for time in (0.0, 24.0) for _ in range(4)]
    ln_size = np.array([5.0, 5.01, 4.99, 5.0, 4.9, 4.91, 4.89, 4.9])
    small = 1e-6 * np.eye(8)
    one_stack = small + 0.05**2
    block = np.kron(np.eye(2), np.ones((4, 4)))
    two_stacks = small + 0.05**2 * block
    same = planted(rows, ln_size, one_stack)["D50"].to_frame().iloc[0]
    other = planted(rows, ln_size, two_stacks)["D50"].to_frame().iloc[0]
    width = [np.log(row["ratio_upper"] / row["ratio_lower"]) for row in (same, other)]
    assert same["verdict"] == "changed"
    assert other["verdict"] == "not shown"
    assert width[1] > 2 * 1.96 * np.sqrt(2) * 0.05 > 5 * width[0]


def test_at_each_level_is_the_cell_means_and_the_interaction(planted):
    """A crossed factor, no groups: ratios of cell means, F of the interaction statsmodels'."""
    generator = np.random.default_rng(8)
    cells = list(itertools.product((0.0, 12.0, 48.0), (5.0, 10.0)))
    rows = [{"milling_time_min": t, "ball_ratio": b} for t, b in cells for _ in range(3)]
    data = pd.DataFrame(rows)
    data["y"] = 5 - 0.001 * data["milling_time_min"] * data["ball_ratio"]
    data["y"] += generator.normal(0, 0.03, len(data))
    comparison = planted(rows, data["y"])
    found = comparison["D50"]
    means = data.groupby(["ball_ratio", "milling_time_min"])["y"].mean()
    for row in found.to_frame("against first").to_dict("records"):
        time, ratio = float(row["high"]), float(row["where"])
        expected = means[ratio, time] - means[ratio, 0.0]
        assert np.log(row["ratio"]) == pytest.approx(expected, abs=1e-9)
    for finding in found.findings:
        if finding.kind is FindingKind.LEVELS and finding.subject.where:
            told = f"At ball ratio {finding.subject.where}, D50"
            assert told in finding_sentence(finding, comparison.plan)
    table = anova_lm(smf.ols("y ~ C(milling_time_min) * C(ball_ratio)", data).fit())
    expected = table.loc["C(milling_time_min):C(ball_ratio)"]
    assert found.tests[1].term == ("milling_time_min", "ball_ratio")
    assert found.tests[1].f == pytest.approx(expected["F"], rel=1e-6)
    assert found.tests[1].p == pytest.approx(expected["PR(>F)"], rel=1e-6)
    assert list(comparison.means_frame()["ball_ratio"].unique()) == ["5", "10"]
    assert len(comparison.means_frame()) == 6


def test_equivalence_is_two_one_sided_t_tests(planted):
    """Two levels, margin 10 %: pingouin's tost on the logarithms with bound ln 1.1."""
    generator = np.random.default_rng(2)
    rows = [{"milling_time_min": time} for time in (24.0, 48.0) for _ in range(5)]
    ln_size = generator.normal(5, 0.04, 10)
    row = planted(rows, ln_size, margin_percent=10.0)["D50"].to_frame().iloc[0]
    expected = pingouin.tost(ln_size[5:], ln_size[:5], bound=np.log(1.1))
    assert row["equivalence_p"] == pytest.approx(float(expected["pval"].iloc[0]), rel=1e-6)
    assert row["verdict"] == "equivalent"


def test_margin_below_what_could_be_seen_cannot_be_told(planted):
    generator = np.random.default_rng(2)
    rows = [{"milling_time_min": time} for time in (24.0, 48.0) for _ in range(5)]
    found = planted(rows, generator.normal(5, 0.04, 10), margin_percent=1.0)
    row = found["D50"].to_frame().iloc[0]
    assert row["verdict"] == "cannot be told"
    assert row["detectable_decrease_percent"] > 1.0
    assert "a change as large as the margin could easily have been missed" in finding_sentence(
        found["D50"].findings[0], found.plan
    )


def test_level_across_quantities_is_bonferroni(planted_study, planted_sizes):
    """Four quantities at 95 % together are each at 98.75 %."""
    rows, ln_size = _two_levels()
    study = planted_study(rows)
    sizes = planted_sizes(study, ln_size, 1e-12 * np.eye(11))
    together = compare(study, propagation=sizes, across_quantities=True)
    alone = compare(study, propagation=sizes, level=1 - 0.05 / 4)
    columns = ["ratio_lower", "ratio_upper"]
    assert together["D90"].to_frame()[columns].to_numpy() == pytest.approx(
        alone["D90"].to_frame()[columns].to_numpy(), rel=1e-9
    )


def test_open_percentiles_go_with_their_whole_cell(planted_study, planted_sizes):
    """Of two runs of Alder at 48 min one is open: both go, nothing else does."""
    rows, ln_size = _balanced(2)
    study = planted_study(rows)
    at = next(i for i, row in enumerate(rows) if row == {"group": "Alder", "milling_time_min": 48})
    ln_size[at] = np.nan
    found = compare(
        study,
        quantities=("D50",),
        propagation=planted_sizes(study, ln_size, 1e-12 * np.eye(len(rows))),
    )["D50"]
    assert sentence(found.remarks[0]) == (
        "2 runs count only by a bound, because the sieves do not bracket the size in every run "
        f"of its condition: run-{at}, run-{at + 1}."
    )
    assert found.fit is not None
    assert len(found.fit.fitted) == len(rows) - 2
    assert set(found.to_frame("against first")["verdict"]) == {"changed", "not shown"}


def test_level_that_loses_most_runs_cannot_be_told(planted_study, planted_sizes):
    rows, ln_size = _balanced(1)
    times = np.array([row["milling_time_min"] for row in rows])
    ln_size[np.flatnonzero(times == 48)[:2]] = np.nan
    study = planted_study(rows)
    whole = compare(
        study,
        quantities=("D50",),
        propagation=planted_sizes(study, ln_size, 1e-12 * np.eye(len(rows))),
    )
    found = whole["D50"]
    last = found.to_frame("against first").iloc[-1]
    assert last["verdict"] == "cannot be told"
    finding = [one for one in found.findings if one.subject.family == "against first"][-1]
    assert finding_sentence(finding, whole.plan) == (
        "It cannot be told whether D50 at 48 min differs from that at 0 min, because D50 at 48 min "
        "is not bracketed by the sieves in 2 of 3 runs."
    )
    assert np.isnan(last["ratio"])
    assert np.isfinite(found.to_frame("against first")["ratio"].iloc[:-1]).all()


def test_nothing_left_is_said_and_not_fitted(planted_study, planted_sizes):
    rows, ln_size = _two_levels()
    ln_size[5:] = np.nan
    study = planted_study(rows)
    found = compare(
        study, quantities=("D50",), propagation=planted_sizes(study, ln_size, 1e-12 * np.eye(11))
    )["D50"]
    assert found.route is Route.NONE
    assert found.tests == ()
    assert model_sentence(found) == (
        "D50 is bracketed by the sieves at fewer than two levels of milling time; nothing was "
        "fitted."
    )
    assert list(found.to_frame()["verdict"]) == ["cannot be told"]


def test_run_to_run_is_never_counted_twice(planted_study):
    rows, _ = _two_levels()
    study = planted_study(rows, uncertainty={"run_to_run_percent": 2.0})
    assert "run_to_run" in propagate(study, method="linear").sources
    assert "run_to_run" not in {source.name for source in measurement_sources(study)}
    with pytest.raises(ModelError) as refusal:
        compare(study, propagation=propagate(study, method="linear"))
    assert str(refusal.value) == (
        "The propagation given holds the run-to-run source, which the model estimates itself; "
        "make it with sources=measurement_sources(study)."
    )


def test_single_runs_take_the_linear_covariance_and_no_draws(planted_study):
    """That of the measurement alone, at each run's own curve; one that is given counts instead."""
    single = planted_study([{"milling_time_min": time} for time in (0.0, 24.0)])
    linear = propagate(single, method="linear", sources=measurement_sources(single))
    found = compare(single, quantities=("D50",))
    assert found["D50"].route is Route.MEASUREMENT_ONLY
    joint = linear.covariance("D50", log=True)
    error = float(np.array([-1.0, 1.0]) @ np.asarray(joint) @ np.array([-1.0, 1.0]))
    assert found["D50"].to_frame()["u"].iloc[0] == pytest.approx(error**0.5, rel=1e-9)
    wide = replace(linear, joint=Joint(of_logs=4 * linear.log_covariance_matrix))
    given = compare(single, quantities=("D50",), propagation=wide)
    assert given["D50"].to_frame()["u"].iloc[0] == pytest.approx(2 * error**0.5, rel=1e-9)


def test_sources_asked_for_are_counted(planted_study):
    study = planted_study([{"milling_time_min": time} for time in (0.0, 24.0)])
    narrow = compare(study, sources=["repeatability"], quantities=("D50",))
    known = propagate(study, method="linear", sources=["repeatability"])
    given = compare(study, propagation=known, quantities=("D50",))
    pd.testing.assert_frame_equal(narrow.to_frame(), given.to_frame())


def test_unknown_quantity_is_refused(planted_study, planted_sizes):
    rows, ln_size = _two_levels()
    study = planted_study(rows)
    sizes = planted_sizes(study, ln_size, np.eye(11))
    with pytest.raises(ModelError) as refusal:
        compare(study, quantities=("D50", "D95"), propagation=sizes)
    assert str(refusal.value) == (
        "There is no quantity 'D95' to compare; choose from D10, D50, D90, span."
    )


def test_frames_of_the_result_hold_every_quantity(planted_study, planted_sizes):
    rows, ln_size = _balanced(1)
    study = planted_study(rows)
    found = compare(study, propagation=planted_sizes(study, ln_size, 1e-12 * np.eye(15)))
    assert list(found.to_frame("against first").groupby("quantity").size()) == [4, 4, 4, 4]
    assert list(found.tests_frame()["quantity"]) == ["D10", "D50", "D90", "span"]
    assert set(found.variance_frame()["component"]) == {
        "group",
        "group[order of milling time]",
        "residual",
    }
    said = headlines(found)
    assert found.summary().splitlines()[: len(said)] == list(said)
    with pytest.raises(KeyError, match="'D95' was not compared; choose one of D10"):
        found["D95"]
