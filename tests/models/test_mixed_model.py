"""MixedModel and its fit: words, predictions, contrasts, an independent route."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import mixedlm

from psdstats.errors import ModelError
from psdstats.models import MixedModel, RandomSlope, Trend
from psdstats.models.mixed_model import FitRemark
from psdstats.words.models import fit_sentence
from psdstats.words.remarks import sentence


def fit_trial(trial, **changes):
    options = {
        "response": "ln_d50",
        "fixed": ["time"],
        "random": ["group"],
        "factors": ["time"],
    } | changes
    return MixedModel(trial, **options).fit()


def test_sentence_says_what_was_fitted(trial):
    fit = fit_trial(trial)
    assert fit_sentence(fit) == (
        "Restricted maximum likelihood fit of ln_d50 to time (4 levels), with a random intercept "
        "of group (3 levels) and a residual variance; 12 rows."
    )
    assert fit.status == ()
    assert fit.cautions == ()


def test_agrees_with_another_implementation(crossed):
    """Statsmodels MixedLM, a separate optimiser: estimates and log likelihood (less constants)."""
    crossed = crossed.assign(y=10 * crossed["y"])  # statsmodels takes variances < 0.01 for zeros
    fit = MixedModel(crossed, response="y", fixed=["time", "ball"], random=["group"]).fit()
    other = mixedlm("y ~ time + ball", crossed, groups="group").fit(
        reml=True, method=["bfgs"], gtol=1e-8
    )
    names = {"Intercept": "(Intercept)", "ball[T.5:1]": "ball[5:1]"}
    expected = other.fe_params.rename(names)
    found = fit.to_frame()["estimate"][expected.index]
    assert found.to_numpy() == pytest.approx(expected.to_numpy(), rel=1e-4)
    assert fit.variance_components["group"] == pytest.approx(other.cov_re.iloc[0, 0], rel=1e-3)
    assert fit.variance_components["residual"] == pytest.approx(other.scale, rel=1e-3)


def test_predictions_solve_the_mixed_model_equations(crossed):
    slopes = crossed["group"].map({"g0": 0.03, "g1": -0.05, "g2": 0.01, "g3": 0.06})
    crossed = crossed.assign(y=crossed["y"] + slopes * crossed["time"])
    fit = MixedModel(
        crossed, response="y", fixed=["time"], random=[RandomSlope("group", "time", False)]
    ).fit()
    intercept, slope, residual = fit.variance_components
    z = np.eye(4)[fit.random.groupings[0].codes]
    z = np.hstack([z, z * crossed["time"].to_numpy()[:, None]])
    x = fit.fixed.matrix
    penalty = np.diag([0.0] * x.shape[1] + [residual / intercept] * 4 + [residual / slope] * 4)
    both = np.hstack([x, z])
    solution = np.linalg.solve(both.T @ both + penalty, both.T @ fit.response)
    effects = fit.random_effects
    by_effect = effects.sort_values("effect", kind="stable")["estimate"].to_numpy()
    assert by_effect == pytest.approx(solution[x.shape[1] :], rel=1e-6, abs=1e-10)
    assert fit.fitted == pytest.approx(both @ solution, rel=1e-9)
    assert fit.residuals == pytest.approx(fit.response - both @ solution, abs=1e-9)
    inverse = np.linalg.inv(both.T @ both + penalty) * residual
    error = np.sqrt(np.diag(inverse))[x.shape[1] :]
    found = effects.sort_values("effect", kind="stable")["standard_error"].to_numpy()
    assert found == pytest.approx(error, rel=1e-6)


def test_contrast_families(trial):
    fit = fit_trial(trial)
    first = fit.contrasts("time", kind="against first")
    assert [one.label for one in first.contrasts] == ["5 - 0", "10 - 0", "20 - 0"]
    table = fit.to_frame()
    assert first.estimate == pytest.approx(table["estimate"].to_numpy()[1:])
    assert first.df == pytest.approx(table["df"].to_numpy()[1:])
    alone = fit.contrasts("time", kind="against first", adjust="none")
    assert alone.lower == pytest.approx(table["lower"].to_numpy()[1:])
    assert np.all(first.p_adjusted >= first.p)
    steps = fit.contrasts("time", kind="successive")
    assert steps.estimate.sum() == pytest.approx(first.estimate[-1])
    assert len(fit.contrasts("time").contrasts) == 6
    trend = fit.contrasts("time", kind="trend")
    means = fit.marginal_means("time")["estimate"].to_numpy()
    assert trend.estimate[0] == pytest.approx(np.polyfit([0, 5, 10, 20], means, 1)[0])


def test_slopes_within_levels(crossed):
    fit = MixedModel(
        crossed, response="y", fixed=["time", "ball", ("time", "ball")], random=["group"]
    ).fit()
    slopes = fit.contrasts("time", by="ball")
    table = fit.to_frame()["estimate"]
    expected = [table["time"], table["time"] + table["time:ball[5:1]"]]
    assert slopes.estimate == pytest.approx(expected)
    assert [one.label for one in slopes.contrasts] == ["time at 10:1", "time at 5:1"]


def test_trend_terms_can_be_named_by_column(trial):
    fit = fit_trial(trial, fixed=[Trend("time", "log1p")], factors=[])
    assert fit.test("time").f == fit.test(Trend("time", "log1p")).f
    assert "the trend log1p(time)" in fit_sentence(fit)


def test_known_covariance_lowers_the_estimated_variance(trial):
    known = pd.DataFrame(0.02**2 * np.eye(12))
    plain, measured = fit_trial(trial), fit_trial(trial, known_covariance=known)
    difference = plain.variance_components["residual"] - measured.variance_components["residual"]
    assert difference == pytest.approx(0.02**2, rel=1e-6)
    assert "known covariance of the measurements" in fit_sentence(measured)


def test_measurement_covariance_alone(trial):
    one = trial[trial["group"] == "a"]
    fit = MixedModel(
        one,
        response="ln_d50",
        fixed=["time"],
        factors=["time"],
        known_covariance=1e-4 * np.eye(4),
        residual=False,
    ).fit()
    assert fit.status == (FitRemark.NOTHING_ESTIMATED(),)
    assert "infinite" in sentence(*fit.status)
    found = fit.contrasts("time", kind="against first")
    assert np.all(np.isinf(found.df))
    assert found.standard_error == pytest.approx(np.full(3, np.sqrt(2e-4)))


def test_wrong_questions_are_named(trial):
    fit = fit_trial(trial)
    with pytest.raises(ModelError, match="its terms are time"):
        fit.test("group")
    with pytest.raises(ModelError, match="kenward-roger"):
        fit.test("time", method="wald")
    with pytest.raises(ModelError, match="rank"):
        fit.test_matrix([[0, 1, 0, 0], [0, 2, 0, 0]])
    with pytest.raises(ModelError, match="'mill' is no factor"):
        fit.contrasts("mill")


def test_incomplete_designs_carry_a_caution(crossed):
    fit = MixedModel(
        crossed.iloc[:20],
        response="y",
        fixed=["time"],
        random=["group", ("group", "time")],
        factors=["time"],
        boundary="free",
    ).fit()
    assert len(fit.cautions) == 1
    assert "cautious" in sentence(*fit.cautions)


def test_a_singular_covariance_is_said():
    """A known covariance of low rank explains all there is, so that nothing is left for V."""
    rng = np.random.default_rng(1)
    factor = rng.normal(0, 0.3, (9, 5))
    frame = pd.DataFrame({"group": list("aaabbbccc"), "time": list("xyz") * 3})
    frame["y"] = factor @ rng.normal(size=5) + np.repeat(rng.normal(size=3), 3)
    options = {"response": "y", "fixed": ["time"], "random": ["group"]}
    fit = MixedModel(frame, **options, known_covariance=factor @ factor.T).fit()
    assert FitRemark.NEARLY_SINGULAR() in fit.status
    assert fit.test("time").p > 0.9
    sound = MixedModel(frame, **options, known_covariance=factor @ factor.T + np.eye(9)).fit()
    assert FitRemark.NEARLY_SINGULAR() not in sound.status
