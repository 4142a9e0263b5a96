"""Curve fits against scipy, the mixed model, Fieller's interval and the classical lack-of-fit F."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from rate_runs import run_sizes
from scipy import stats
from scipy.optimize import curve_fit

from psdstats.errors import ModelError
from psdstats.models.posterior import stated_posterior
from psdstats.rate.answers import (
    check_fit,
    choose_curve,
    hull,
    limit_size,
    parameter,
    targets_over,
    time_to_margin,
    time_to_target,
)
from psdstats.rate.curves import CURVES, CurveName, fit_curve
from psdstats.words.rate import check_sentence, choice_sentence

LIMIT, CONSTANT = CURVES[CurveName.LIMIT], CURVES[CurveName.CONSTANT]


def pure_error(data):
    """Mean square within the times."""
    rest = pd.Series(data.ln_size).groupby(data.time_min).transform(lambda y: y - y.mean())
    return float((rest**2).sum() / (len(rest) - len(data.times)))


def model(t, a, b, s):
    return a + np.log(s + (1 - s) * np.exp(-np.exp(b) * t))


def test_one_group_is_ordinary_nonlinear_least_squares(make_sizes):
    data = make_sizes(replicates=3)
    fit = fit_curve(LIMIT, data)
    best, covariance = curve_fit(
        model, data.time_min, data.ln_size, p0=(5.5, np.log(0.05), 0.4), xtol=1e-13, ftol=1e-13
    )
    assert fit.beta == pytest.approx(best, rel=1e-6)
    about = ((data.ln_size - model(data.time_min, *best)) ** 2).sum() / 12
    found = fit.directions(np.eye(3))
    assert found.se == pytest.approx(
        np.sqrt(np.diag(covariance) * pure_error(data) / about), rel=1e-4
    )
    assert found.df == pytest.approx([10, 10, 10], rel=1e-3)


def test_known_covariance_counts_as_known():
    """With no run-to-run variation the fit is generalised least squares with V known."""
    rng = np.random.default_rng(5)
    n = 15
    root = 0.02 * np.tril(rng.uniform(0.2, 1.0, (n, n)))
    known = root @ root.T + 1e-3 * np.eye(n)
    time = np.repeat([0.0, 6.0, 12.0, 24.0, 48.0], 3)
    size = 250 * (0.35 + 0.65 * np.exp(-0.06 * time)) * np.exp(root @ rng.standard_normal(n))
    nothing = stated_posterior(0.0, np.inf)
    data = run_sizes(time, size, known_covariance=known, spread=nothing)
    fit = fit_curve(LIMIT, data)
    best, covariance = curve_fit(
        model, data.time_min, data.ln_size, p0=(5.5, np.log(0.05), 0.4), sigma=known,
        absolute_sigma=True, xtol=1e-13, ftol=1e-13,
    )  # fmt: skip
    assert fit.beta == pytest.approx(best, rel=1e-5)
    found = fit.directions(np.eye(3))
    assert found.se == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4)
    assert found.half_width(0.05) == pytest.approx(1.959964 * found.se, rel=1e-6)


def test_groups_are_blocks_with_the_scatter_that_groups_and_times_leave(make_sizes):
    """Two groups: their mean, s from the two-way table of times and groups, 14 df."""
    data = make_sizes(groups=2, replicates=2, level_sd=0.1, k=1e-9)
    fit = fit_curve(CURVES[CurveName.NO_CHANGE], data)
    frame = pd.DataFrame({"y": data.ln_size, "g": np.repeat(list("ab"), 10), "t": data.time_min})
    table = smf.ols("y ~ g + C(t)", frame).fit()
    found = fit.directions(np.ones((1, 1)))
    assert fit.beta[0] == pytest.approx(data.ln_size.mean(), abs=1e-9)
    assert found.se[0] == pytest.approx(np.sqrt(table.mse_resid / 20), rel=1e-6)
    assert found.df[0] == pytest.approx(table.df_resid, rel=1e-3)


def test_time_to_target_at_constant_rate_is_fiellers_interval(make_sizes):
    """For ln D = a − k t the set {T: (a − kT − ln target)² ≤ t² s² h(T)}, a quadratic in T."""
    data = make_sizes(replicates=3, s=0.0, run_sd=0.05)
    target = 60.0
    found = time_to_target(fit_curve(CONSTANT, data), target).interval()
    x = np.column_stack([np.ones(15), -data.time_min])
    beta = np.linalg.lstsq(x, data.ln_size, rcond=None)[0]
    v = pure_error(data) * np.linalg.inv(x.T @ x)
    t2 = stats.t.ppf(0.975, 10) ** 2
    gap = beta[0] - np.log(target)
    roots = np.roots(
        [
            beta[1] ** 2 - t2 * v[1, 1],
            -2 * (gap * beta[1] - t2 * v[0, 1]),
            gap**2 - t2 * v[0, 0],
        ]
    )
    assert found.value == pytest.approx(gap / beta[1], rel=1e-7)
    assert [found.lower, found.upper] == pytest.approx(sorted(roots), rel=1e-4)


def test_interval_of_the_start_size_is_students(make_sizes):
    """The start ln D0 enters linearly at constant rate, so the profile interval is exact."""
    data = make_sizes(replicates=3, s=0.0, run_sd=0.05)
    found = parameter(fit_curve(CONSTANT, data), "ln_start").interval()
    line = stats.linregress(data.time_min, data.ln_size)
    x = np.column_stack([np.ones(15), data.time_min])
    error = np.sqrt(pure_error(data) * np.linalg.inv(x.T @ x)[0, 0])
    reach = stats.t.ppf(0.975, 10) * error
    assert [found.lower, found.upper] == pytest.approx(
        [line.intercept - reach, line.intercept + reach], abs=1e-4
    )


def test_profile_agrees_with_a_profile_by_hand(make_sizes):
    """At each end of the interval of the limit the refitted sum of squares is t² s² above."""
    data = make_sizes(replicates=3)
    found = limit_size(fit_curve(LIMIT, data)).interval()
    best, _ = curve_fit(model, data.time_min, data.ln_size, p0=(5.5, np.log(0.05), 0.4))
    least = ((data.ln_size - model(data.time_min, *best)) ** 2).sum()
    for end in (found.lower, found.upper):

        def held(t, a, b, end=end):
            return model(t, a, b, np.exp(end - a))

        refit, _ = curve_fit(held, data.time_min, data.ln_size, p0=best[:2])
        cost = ((data.ln_size - held(data.time_min, *refit)) ** 2).sum()
        expected = stats.t.ppf(0.975, 10) ** 2 * pure_error(data)
        assert cost - least == pytest.approx(expected, rel=1e-3)


def test_open_interval_where_the_limit_may_lie_above_the_target(make_sizes):
    data = make_sizes(replicates=2, run_sd=0.03, times=(0.0, 6.0, 12.0, 24.0))
    found = time_to_target(fit_curve(LIMIT, data), 90.0).interval()
    assert found.upper_open
    assert found.lower > 24


def test_target_beyond_the_limit_is_excluded(make_sizes):
    fit = fit_curve(LIMIT, make_sizes(replicates=4, run_sd=0.005, times=(0, 12, 24, 48, 96)))
    found = time_to_target(fit, 60.0).interval()
    assert found.value is None
    assert found.excluded


def test_target_above_the_start_needs_no_milling(make_sizes):
    found = time_to_target(fit_curve(LIMIT, make_sizes(replicates=3)), 400.0).interval()
    assert (found.value, found.upper) == (0.0, 0.0)


def test_time_to_margin_is_where_the_curve_is_that_close(make_sizes):
    fit = fit_curve(LIMIT, make_sizes(replicates=3))
    found = time_to_margin(fit, 5.0).interval()
    limit = fit.beta[0] + np.log(fit.beta[2])
    assert fit.log_size(np.array([found.value]))[0] - limit == pytest.approx(np.log(1.05), rel=1e-6)
    assert found.lower < found.value < found.upper


def test_residual_check_is_the_lack_of_fit_f(make_sizes):
    """Constant rate: a straight line in t, so the classical F of lack of fit and pure error."""
    data = make_sizes(replicates=3, s=0.2, run_sd=0.03, k=0.03)
    check = check_fit(fit_curve(CONSTANT, data))
    y = data.ln_size.reshape(5, 3)
    line = stats.linregress(data.time_min, data.ln_size)
    fitted = line.intercept + line.slope * np.unique(data.time_min)
    lack = 3 * ((y.mean(axis=1) - fitted) ** 2).sum() / 3
    pure = ((y - y.mean(axis=1, keepdims=True)) ** 2).sum() / 10
    assert check.numbers.p == pytest.approx(stats.f.sf(lack / pure, 3, 10), rel=1e-5)


def test_residual_check_says_when_it_cannot_tell(make_sizes):
    assert check_fit(fit_curve(LIMIT, make_sizes())).verdict == "cannot be told"
    three = make_sizes(replicates=3, times=(0.0, 12.0, 48.0))
    assert "passes every mean" in check_sentence(check_fit(fit_curve(LIMIT, three)))


def test_wrong_curve_is_found_out_and_not_chosen(make_sizes):
    data = make_sizes(groups=4, replicates=2, level_sd=0.03)
    assert check_fit(fit_curve(CONSTANT, data)).verdict == "changed"
    choice = choose_curve(data)
    assert choice.best is CurveName.LIMIT
    assert choice_sentence(choice) == "An approach to a limit fits best; no other curve is left."
    assert choice.to_frame()["weight"].sum() == pytest.approx(1)


def test_criterion_is_that_of_a_spread_which_the_curve_cannot_widen(make_sizes):
    """Nothing known: ν ln(1 + S/(ν s²)) + 2 p, S the lack of fit, s² the pure error with ν df."""
    data = make_sizes(replicates=3, s=0.2, run_sd=0.05)
    row = choose_curve(data, ["constant rate"]).to_frame().iloc[0]
    line = stats.linregress(data.time_min, data.ln_size)
    about = ((data.ln_size - line.intercept - line.slope * data.time_min) ** 2).sum()
    lack = about / pure_error(data) - 10
    assert row["deviance"] == pytest.approx(10 * np.log(1 + lack / 10), rel=1e-5)
    assert row["criterion"] == pytest.approx(row["deviance"] + 4)


@pytest.mark.parametrize("seed", range(8))
def test_six_single_runs_that_fall_to_a_third_are_not_called_unchanged(seed):
    """418 to 154 µm at six times: no change is rejected and the time to 180 µm (28 min) is held."""
    rng = np.random.default_rng(seed)
    size = np.array([420.0, 330, 270, 205, 160, 150]) * np.exp(0.02 * rng.standard_normal(6))
    data = run_sizes([0, 5, 10, 20, 40, 60], size)
    choice = choose_curve(data)
    assert choice.best is CurveName.LIMIT
    assert CurveName.NO_CHANGE not in choice.not_ruled_out
    fits = [fit_curve(CURVES[name], data) for name in choice.not_ruled_out]
    found = hull(targets_over(fits, 180.0, level=0.95))
    assert found.lower < 28.0 < found.upper < 60.0


def test_what_the_comparison_shows_rules_no_change_out(make_sizes):
    data = make_sizes(replicates=2, k=1e-9)
    assert choose_curve(data).best is CurveName.NO_CHANGE
    choice = choose_curve(data, changed=True)
    assert CurveName.NO_CHANGE not in choice.not_ruled_out
    assert choice.best is not CurveName.NO_CHANGE


def test_a_rejected_curve_is_not_chosen_while_another_is_not(make_sizes):
    """Three times: the limit passes every mean, a constant rate leaves them."""
    data = make_sizes(replicates=2, times=(0.0, 12.0, 48.0))
    (row,) = [one for one in choose_curve(data).candidates if one.name is CurveName.CONSTANT]
    assert row.rejected
    assert choose_curve(data).best is not CurveName.CONSTANT


def test_drift_of_three_groups_widens_what_two_cannot_show(make_sizes):
    """The line of a group in the order of the times is a variance from three groups on."""
    assert [len(make_sizes(groups=n).parts) for n in (1, 2, 3)] == [1, 1, 2]


def test_order_of_runs_and_unit_of_time_do_not_matter(make_sizes):
    data = make_sizes(groups=3, replicates=2, level_sd=0.03)
    group = np.repeat(np.arange(3), 10)
    order = np.random.default_rng(2).permutation(30)
    shuffled = run_sizes(60 * data.time_min[order], np.exp(data.ln_size[order]), group=group[order])
    first, second = fit_curve(LIMIT, data), fit_curve(LIMIT, shuffled)
    shift = np.array([0.0, np.log(60), 0.0])
    assert second.beta == pytest.approx(first.beta - shift, abs=1e-6)
    at_start = np.array([[1.0, 0.0, 0.0]])
    widths = [one.directions(at_start).half_width(0.05)[0] for one in (first, second)]
    assert widths[1] == pytest.approx(widths[0], rel=1e-4)


def test_refusals(make_sizes):
    fit = fit_curve(CONSTANT, make_sizes())
    with pytest.raises(ModelError, match="'constant rate' has no limit"):
        time_to_margin(fit, 5.0)
    with pytest.raises(ModelError, match="target_um is -1"):
        time_to_target(fit, -1.0)
    three = run_sizes([0, 6, 12], [250.0, 230, 215], spread=stated_posterior(4e-4, 5.0))
    with pytest.raises(ModelError, match="3 parameters for 3 runs"):
        fit_curve(LIMIT, three)
    with pytest.raises(ModelError, match="There is no curve 'cubic'"):
        choose_curve(make_sizes(), ["cubic"])
