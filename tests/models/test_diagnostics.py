"""Residual tables and quantiles."""

import numpy as np
import pytest
from scipy import stats

from psdstats.models import MixedModel
from psdstats.models.diagnostics import (
    normal_quantiles,
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
        fit.response - fit.fixed.matrix @ fit.estimates.beta
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
    table = residual_table(fit).sort_values("normal_quantile", ignore_index=True)
    assert table["standardised"].is_monotonic_increasing
    expected = stats.norm.ppf((np.arange(1, 13) - 0.375) / 12.25)
    assert table["normal_quantile"].to_numpy() == pytest.approx(expected)
    assert normal_quantiles(table["standardised"]) == pytest.approx(expected)
