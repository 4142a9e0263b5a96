"""Residual tables, quantiles and influence of single groups."""

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import ModelError
from psdstats.models import (
    MixedModel,
    effect_quantiles,
    leave_one_group_out,
    normal_quantiles,
    residual_quantiles,
    residual_table,
)


@pytest.fixture
def fit(trial):
    return MixedModel(
        trial, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()


def test_residuals_add_up(fit):
    table = residual_table(fit)
    assert (table["fitted"] + table["residual"]).to_numpy() == pytest.approx(fit.response)
    assert table["marginal_residual"].to_numpy() == pytest.approx(
        fit.response - fit.fixed.matrix @ fit.batch.beta[0]
    )


def test_standardised_residuals_have_unit_variance(trial):
    """Simulated from the model with its true variances near the estimates."""
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(3), 4)
    found = []
    for _ in range(200):
        y = rng.normal(0, 1, 3)[group] + rng.normal(0, 1, 12)
        fit = MixedModel(
            trial.assign(ln_d50=y),
            response="ln_d50",
            fixed=["time"],
            random=["group"],
            factors=["time"],
        ).fit()
        found.append(residual_table(fit)["standardised"].to_numpy())
    assert np.mean(np.square(found)) == pytest.approx(1, abs=0.1)


def test_quantiles_follow_the_ranks(fit):
    table = residual_quantiles(fit)
    assert table["standardised"].is_monotonic_increasing
    expected = stats.norm.ppf((np.arange(1, 13) - 0.375) / 12.25)
    assert table["normal_quantile"].to_numpy() == pytest.approx(expected)
    effects = effect_quantiles(fit)
    assert effects["normal_quantile"].to_numpy() == pytest.approx(
        normal_quantiles(effects["estimate"])
    )


def test_influence_refits_without_each_group(fit, trial):
    found = leave_one_group_out(fit, "time")
    assert list(found.table["left_out"]) == ["none", "a", "b", "c"]
    rest = trial[trial["group"] != "b"]
    again = MixedModel(
        rest, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()
    row = found.table.set_index("left_out").loc["b"]
    assert row["p"] == pytest.approx(again.test("time").p, rel=1e-9)
    assert found.decided_by == ()
    assert "No single level of group decides" in found.sentence


def test_one_group_that_decides_is_named(trial):
    """Groups a and c do not change, group b changes steadily: without b nothing is left."""
    rng = np.random.default_rng(3)
    time = trial["time"].to_numpy()
    change = np.where(trial["group"] == "b", -0.02 * time, 0.0)
    frame = trial.assign(ln_d50=6 + change + rng.normal(0, 0.02, 12))
    fit = MixedModel(frame, response="ln_d50", fixed=["time"], random=["group"]).fit()
    found = leave_one_group_out(fit, "time", alpha=0.1)
    assert found.table["p"].iloc[0] < 0.1
    assert "b" in found.decided_by
    assert "hangs on one level of group" in found.sentence


def test_influence_needs_a_grouping(trial):
    fit = MixedModel(trial, response="ln_d50", fixed=["time"]).fit()
    with pytest.raises(ModelError, match="name the column"):
        leave_one_group_out(fit, "time")


def test_influence_says_why_a_refit_fails(trial):
    two = trial[trial["group"] != "c"]
    fit = MixedModel(
        two, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()
    found = leave_one_group_out(fit, "time")
    assert found.table["p"].iloc[1:].isna().all()
    assert "one level only" in found.table["status"].iloc[1]
    assert "cannot be tested without" in found.sentence
