"""Classical analyses against statsmodels, SciPy, and formulas written out."""

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLMResults
from statsmodels.stats.anova import AnovaRM

from psdstats.errors import ModelError
from psdstats.models import MixedModel, RandomSlope
from psdstats.models.diagnostics import (
    CheckRemark,
    friedman_check,
    independent_refit,
    refit_without_known,
    repeated_measures_check,
    why_apart,
)
from psdstats.words.remarks import sentence


def trial(groups, times, seed=11):
    rng = np.random.default_rng(seed)
    rows = [
        (f"bench {g}", 6 * t, 4 - 0.1 * t + rng.normal(0, 0.1))
        for g in range(groups)
        for t in range(times)
    ]
    return pd.DataFrame(rows, columns=["group", "time_min", "ln_d50"])


def arguments():
    return {"response": "ln_d50", "within": "time_min", "group": "group"}


@pytest.mark.parametrize(("groups", "times"), [(3, 5), (6, 4), (5, 2)])
def test_repeated_measures_against_statsmodels(groups, times):
    frame = trial(groups, times)
    row = repeated_measures_check(frame, **arguments()).table.iloc[0]
    other = AnovaRM(frame, "ln_d50", "group", within=["time_min"]).fit().anova_table.iloc[0]
    assert row["f"] == pytest.approx(other["F Value"], rel=1e-9)
    assert row["p"] == pytest.approx(other["Pr > F"], rel=1e-9)
    assert (row["df_num"], row["df_den"]) == (other["Num DF"], other["Den DF"])


def test_epsilon_and_corrected_p_written_out():
    """Greenhouse and Geisser: tr(S)^2 / ((k-1) tr(S^2)) of the double-centred covariance."""
    frame = trial(6, 4)
    row = repeated_measures_check(frame, **arguments()).table.iloc[0]
    wide = frame.pivot_table(index="group", columns="time_min", values="ln_d50").to_numpy()
    centre = np.eye(4) - 0.25
    s = centre @ np.cov(wide.T) @ centre
    epsilon = np.trace(s) ** 2 / (3 * np.trace(s @ s))
    assert row["epsilon"] == pytest.approx(epsilon, rel=1e-9)
    expected = stats.f(3 * epsilon, 15 * epsilon).sf(row["f"])
    assert row["p_corrected"] == pytest.approx(expected, rel=1e-8)
    f = row["f"]
    assert row["partial_eta_squared"] == pytest.approx(f * 3 / (f * 3 + 15), rel=1e-9)


def test_friedman_against_scipy():
    frame = trial(7, 4)
    row = friedman_check(frame, **arguments()).table.iloc[0]
    wide = frame.pivot_table(index="group", columns="time_min", values="ln_d50").to_numpy()
    q, p = stats.friedmanchisquare(*wide.T)
    assert row["q"] == pytest.approx(q, rel=1e-10)
    assert row["p"] == pytest.approx(p, rel=1e-10)
    assert row["kendall_w"] == pytest.approx(q / (7 * 3), rel=1e-10)


def test_replicates_are_averaged_and_said():
    frame = trial(4, 3)
    doubled = pd.concat([frame.assign(ln_d50=frame["ln_d50"] + d) for d in (-0.01, 0.01)])
    single = repeated_measures_check(frame, **arguments())
    double = repeated_measures_check(doubled, **arguments())
    assert double.table["f"][0] == pytest.approx(single.table["f"][0], rel=1e-9)
    assert CheckRemark.AVERAGED() in double.remarks
    assert CheckRemark.AVERAGED() not in single.remarks


def test_missing_cell_is_named():
    frame = trial(4, 3).query("not (group == 'bench 2' and time_min == 6)")
    for check in (repeated_measures_check, friedman_check):
        found = check(frame, **arguments())
        assert found.table is None
        (reason,) = found.remarks
        assert (reason["missing"], reason["cells"]) == (1, 12)
        assert "first being group bench 2 with time min 6;" in sentence(reason)


def test_missing_value_counts_as_missing_cell():
    frame = trial(4, 3)
    frame.loc[4, "ln_d50"] = np.nan
    (reason,) = repeated_measures_check(frame, **arguments()).remarks
    assert reason.kind is CheckRemark.INCOMPLETE


@pytest.mark.parametrize(
    ("check", "groups", "times", "words"),
    [
        (repeated_measures_check, 1, 4, "two or more groups"),
        (repeated_measures_check, 2, 3, "three groups"),
        (friedman_check, 5, 2, "three levels"),
    ],
)
def test_too_small_designs_are_said(check, groups, times, words):
    found = check(trial(groups, times), **arguments())
    assert found.table is None
    assert words in sentence(*found.remarks)


def test_no_sphericity_test_with_fewer_groups_than_levels():
    row = repeated_measures_check(trial(3, 5), **arguments()).table.iloc[0]
    assert np.isnan(row["sphericity_p"])
    assert 0.25 <= row["epsilon"] <= 1.0


def test_faults_are_named():
    with pytest.raises(ModelError, match="'d50'"):
        friedman_check(trial(4, 3), response="d50", within="time_min", group="group")
    text = trial(4, 3).assign(ln_d50="x")
    with pytest.raises(ModelError, match="not numeric"):
        repeated_measures_check(text, **arguments())


@pytest.mark.parametrize(
    "random", [["group"], ["group", ("group", "time_min")], [RandomSlope("group", "dose")]]
)
def test_refit_by_least_squares_with_the_covariance_found(random):
    frame = pd.concat([trial(5, 3, seed) for seed in (1, 2)]).reset_index(drop=True)
    frame["dose"] = frame["time_min"].astype(float)
    root = np.random.default_rng(3).normal(0, 0.02, (30, 30))
    fit = MixedModel(
        frame,
        response="ln_d50",
        fixed=["time_min"],
        random=random,
        factors=["time_min"],
        known_covariance=root @ root.T,
    ).fit()
    found = independent_refit(fit)
    assert found.largest_difference < 1e-8
    table = found.table
    assert table["refit_standard_error"].to_numpy() == pytest.approx(
        table["standard_error"].to_numpy(), rel=1e-8
    )


def shared_stack(seed=4, groups=6, times=3, replicates=2):
    """Groups with an effect and lines of their own, and runs."""
    rng = np.random.default_rng(seed)
    rows = [(g, t) for g in range(groups) for t in range(times) for _ in range(replicates)]
    frame = pd.DataFrame(rows, columns=["group", "time_min"])
    lines = rng.normal(0, 0.1, groups)
    frame["dose"] = frame["time_min"] - 1.0
    frame["ln_d50"] = (
        rng.normal(0, 0.2, groups)[frame["group"]]
        + lines[frame["group"]] * frame["dose"]
        - 0.2 * frame["time_min"]
        + rng.normal(0, 0.05, len(frame))
    )
    frame["group"] = "bench " + frame["group"].astype(str)
    return frame


@pytest.mark.parametrize("random", [["group"], [RandomSlope("group", "dose", correlated=False)]])
def test_refit_without_known_is_our_fit_without_it(random):
    """Two packages on the model without the known covariance: the same variances and effects."""
    frame = shared_stack()
    known = 0.02**2 * np.equal.outer(frame["time_min"].to_numpy(), frame["time_min"].to_numpy())
    options = {
        "response": "ln_d50", "fixed": ["time_min"], "random": random, "factors": ["time_min"]
    }  # fmt: skip
    fit = MixedModel(frame, **options, known_covariance=known + 1e-6 * np.eye(len(frame))).fit()
    bare = MixedModel(frame, **options).fit()
    found = refit_without_known(fit)
    table = found.table.set_index("name")
    assert table["refit"][list(bare.fixed.names)].to_numpy() == pytest.approx(
        bare.estimates.beta, abs=1e-6
    )
    assert table["refit"][list(bare.variance_components.index)].to_numpy() == pytest.approx(
        bare.variance_components.to_numpy(), rel=2e-2
    )
    # what sieves share is not in its standard errors of the level
    assert table["refit_standard_error"].iloc[0] < table["standard_error"].iloc[0]


def test_a_refit_without_standard_errors_is_silent_and_did_not_converge(monkeypatch):
    """Where its covariance has a negative variance, statsmodels takes the root all the same."""
    negative = property(lambda _: np.sqrt(np.array([1.0, -1.0, 1.0])))
    monkeypatch.setattr(MixedLMResults, "bse_fe", negative)
    frame = shared_stack()
    fit = MixedModel(
        frame, response="ln_d50", fixed=["time_min"], random=["group"], factors=["time_min"],
        known_covariance=1e-4 * np.eye(len(frame)),
    ).fit()  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert not refit_without_known(fit).converged


def test_nothing_is_refitted_where_there_is_no_known_covariance():
    fit = MixedModel(
        shared_stack(), response="ln_d50", fixed=["time_min"], random=["group"],
        factors=["time_min"],
    ).fit()  # fmt: skip
    assert refit_without_known(fit) is None


def test_reasons_stand_only_where_verdicts_part():
    frame = trial(6, 4)
    both = repeated_measures_check(frame, **arguments()), friedman_check(frame, **arguments())
    for check in both:
        assert (check.table["p"] < 0.05).all()
        assert why_apart(check, 0.001, alpha=0.05, measured=True, drifting=True) == ()
    options = {"alpha": 0.05, "measured": True, "drifting": True}
    kinds = [[one.kind for one in why_apart(check, 0.2, **options)] for check in both]
    assert kinds == [
        [CheckRemark.NO_MEASUREMENT, CheckRemark.NO_LINES],
        [CheckRemark.NO_MEASUREMENT, CheckRemark.NO_LINES, CheckRemark.RANKS_ALONE],
    ]
    told = sentence(*why_apart(both[1], 0.2, alpha=0.05, measured=False, drifting=False))
    assert told.startswith("Another verdict by Friedman's rank test")
    assert "6 groups" in told
    too_small = friedman_check(trial(5, 2), **arguments())
    assert why_apart(too_small, 0.2, **options) == ()
