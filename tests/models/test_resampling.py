"""Bootstrap, permutation and profile intervals."""

from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from psdstats.errors import ModelError
from psdstats.models import MixedModel
from psdstats.models.resampling import (
    bootstrap_test,
    permutation_test,
    profile_log_likelihood,
    variance_intervals,
)


@pytest.fixture
def fit(trial):
    model = MixedModel(trial, response="ln_d50", fixed=["time"], random=["group"], factors=["time"])
    return model.fit()


def test_bootstrap_agrees_with_the_exact_f(trial):
    """In a balanced design the likelihood ratio is nearly a function of F."""
    weak = trial.assign(ln_d50=trial["ln_d50"] + 0.036 * trial["time"])
    fit = MixedModel(
        weak, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()
    test = bootstrap_test(fit, "time", draws=4000, seed=3)
    assert test.p == pytest.approx(fit.test("time").p, abs=5 * test.monte_carlo_error + 0.01)
    assert test.df_num == 3
    assert (test.draws, test.refits_converged) == (4000, 4000)


def test_bootstrap_is_reproducible(fit):
    one, two = bootstrap_test(fit, "time", 300, 5), bootstrap_test(fit, "time", 300, 5)
    assert one == two


def test_bootstrap_refuses_no_draws(fit):
    with pytest.raises(ModelError, match="draws is 0; give a whole number from 99"):
        bootstrap_test(fit, "time", draws=0)


def test_permutations_are_all_those_within_groups():
    """Friedman-like layout small enough to enumerate by hand: 2 times in 5 groups."""
    rng = np.random.default_rng(2)
    frame = pd.DataFrame(
        {
            "y": rng.normal(size=10) + np.tile([0, 1.5], 5),
            "time": np.tile(["0", "5"], 5),
            "group": np.repeat(list("abcde"), 2),
        }
    )
    fit = MixedModel(frame, response="y", fixed=["time"], random=["group"]).fit()
    found = permutation_test(fit, "time")
    differences = frame["y"].to_numpy().reshape(5, 2) @ [-1, 1]
    means = [abs(np.mean(signs * differences)) for signs in product([1, -1], repeat=5)]
    assert found.exhaustive
    assert found.arrangements == 32
    assert found.p == pytest.approx(np.mean(np.array(means) >= means[0] - 1e-12))


def test_permutation_statistic_orders_like_anova(fit):
    found = permutation_test(fit, "time", draws=500, seed=1)
    y = fit.response.reshape(3, 4)

    def between(table):
        return ((table.mean(axis=0) - table.mean()) ** 2).sum()

    rng = np.random.default_rng(4)
    more = [between(rng.permuted(y, axis=1)) >= between(y) for _ in range(3000)]
    assert found.p == pytest.approx(np.mean(more), abs=0.02)


def test_permutation_needs_exchangeable_rows(trial):
    frame = trial.assign(known_only=np.arange(12) / 12)
    uneven = np.diag(np.linspace(1e-4, 2e-4, 12))
    fit = MixedModel(
        frame,
        response="ln_d50",
        fixed=["time"],
        random=["group"],
        factors=["time"],
        known_covariance=uneven,
    ).fit()
    with pytest.raises(ModelError, match="bootstrap test"):
        permutation_test(fit, "time")


def test_all_orders_of_a_block():
    frame = pd.DataFrame(
        {"y": [1.0, 2.0, 4.0, 9.0], "time": ["0", "0", "5", "5"], "group": list("aaaa")}
    )
    fit = MixedModel(frame, response="y", fixed=["time"]).fit()
    found = permutation_test(fit, "time")
    values = frame["y"].to_numpy()
    shifts = [abs(np.mean(p[2:]) - np.mean(p[:2])) for p in permutations(values)]
    assert found.p == pytest.approx(np.mean(np.array(shifts) >= shifts[0] - 1e-12))


def test_profile_is_the_likelihood_maximised_over_the_rest(fit):
    value = 1.7 * fit.variance_components["residual"]
    found = profile_log_likelihood(fit, "residual", np.array([value]))[0]
    x, parts = fit.fixed.matrix, fit.random.parts

    def level(group):
        v = parts.covariance(np.array([[group, value]]))[0]
        inverse = np.linalg.inv(v)
        weight = x.T @ inverse @ x
        p = inverse - inverse @ x @ np.linalg.solve(weight, x.T @ inverse)
        form = fit.response @ p @ fit.response
        both = np.linalg.slogdet(v)[1] + np.linalg.slogdet(weight)[1]
        return -0.5 * (8 * np.log(2 * np.pi) + both + form)

    grid = np.geomspace(1e-5, 1, 4000)
    assert found == pytest.approx(max(level(g) for g in grid), abs=1e-5)


def test_profile_interval_ends_lie_half_a_quantile_below(fit):
    table = variance_intervals(fit)
    drop = stats.chi2.ppf(0.95, 1) / 2
    for name in table.index:
        for end in ("lower", "upper"):
            value = table.loc[name, end]
            if 0 < value < np.inf:
                level = profile_log_likelihood(fit, name, np.array([value]))[0]
                assert fit.reml_log_likelihood - level == pytest.approx(drop, abs=1e-5)
    assert (table["lower"] <= table["estimate"]).all()
    assert (table["estimate"] <= table["upper"]).all()


def test_profile_interval_of_a_plain_residual_covers_like_chi_squared():
    """One variance: the profile is known in closed form, m ln s² + SS/s²."""
    rng = np.random.default_rng(8)
    frame = pd.DataFrame({"y": rng.normal(size=9)})
    fit = MixedModel(frame, response="y").fit()
    table = variance_intervals(fit)
    squares = 8 * fit.variance_components["residual"]

    def excess(value):
        level = 8 * np.log(value) + squares / value
        best = 8 * np.log(squares / 8) + 8
        return level - best

    quantile = stats.chi2.ppf(0.95, 1)
    assert excess(table.loc["residual", "lower"]) == pytest.approx(quantile, rel=1e-5)
    assert excess(table.loc["residual", "upper"]) == pytest.approx(quantile, rel=1e-5)
