"""Curve fits against scipy, the mixed model, Fieller's interval and the classical lack-of-fit F."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.optimize import curve_fit

from psdstats.errors import ModelError
from psdstats.models import MixedModel
from psdstats.rate.answers import (
    check_fit,
    choose_curve,
    limit_size,
    parameter,
    time_to_margin,
    time_to_target,
)
from psdstats.rate.curve_fit import fit_curve
from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.run_sizes import run_sizes
from psdstats.words.rate import check_sentence, choice_sentence

LIMIT, CONSTANT = CURVES[CurveName.LIMIT], CURVES[CurveName.CONSTANT]


def model(t, a, b, s):
    return a + np.log(s + (1 - s) * np.exp(-np.exp(b) * t))


def test_one_group_is_ordinary_nonlinear_least_squares(make_sizes):
    data = make_sizes(replicates=3)
    fit = fit_curve(LIMIT, data)
    best, covariance = curve_fit(
        model, data.time_min, data.ln_size, p0=(5.5, np.log(0.05), 0.4), xtol=1e-13, ftol=1e-13
    )
    assert fit.beta == pytest.approx(best, rel=1e-6)
    errors = [fit.spread(row)[0] for row in np.eye(3)]
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4)
    assert [fit.spread(row)[2] for row in np.eye(3)] == pytest.approx([12, 12, 12])


def test_known_covariance_counts_as_known(make_sizes):
    """With run-to-run variation absent the fit is generalised least squares with V known."""
    rng = np.random.default_rng(5)
    n = 15
    root = 0.02 * np.tril(rng.uniform(0.2, 1.0, (n, n)))
    known = root @ root.T + 1e-3 * np.eye(n)
    data = make_sizes(replicates=3, run_sd=0.001, known=known)
    fit = fit_curve(LIMIT, data)
    assert fit.variance["run"] == 0.0
    best, covariance = curve_fit(
        model, data.time_min, data.ln_size, p0=(5.5, np.log(0.05), 0.4), sigma=known,
        absolute_sigma=True, xtol=1e-13, ftol=1e-13,
    )  # fmt: skip
    assert fit.beta == pytest.approx(best, rel=1e-5)
    errors = [fit.spread(row)[0] for row in np.eye(3)]
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4)


def test_size_that_does_not_change_is_the_mixed_model_mean(make_sizes):
    data = make_sizes(groups=4, replicates=2, level_sd=0.1, k=1e-9)
    fit = fit_curve(CURVES[CurveName.NO_CHANGE], data)
    frame = pd.DataFrame({"y": data.ln_size, "group": np.repeat(list("abcd"), 10)})
    mixed = MixedModel(frame, response="y", random=["group"]).fit().fixed_effects.iloc[0]
    error, _, df = fit.spread(np.ones(1))
    assert fit.beta[0] == pytest.approx(mixed["estimate"], abs=1e-9)
    assert error == pytest.approx(mixed["standard_error_adjusted"], rel=1e-6)
    assert df == pytest.approx(mixed["df"], rel=1e-6)


def test_time_to_target_at_constant_rate_is_fiellers_interval(make_sizes):
    """For ln D = a − k t the set {T: (a − kT − ln target)² ≤ t² s² h(T)}, a quadratic in T."""
    data = make_sizes(replicates=3, s=0.0, run_sd=0.05)
    target = 60.0
    found = time_to_target(fit_curve(CONSTANT, data), target).interval()
    x = np.column_stack([np.ones(15), -data.time_min])
    beta, rss, *_ = np.linalg.lstsq(x, data.ln_size, rcond=None)
    v = rss[0] / 13 * np.linalg.inv(x.T @ x)
    t2 = stats.t.ppf(0.975, 13) ** 2
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
    reach = stats.t.ppf(0.975, 13) * line.intercept_stderr
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
        expected = stats.t.ppf(0.975, 12) ** 2 * least / 12
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
    assert choice.corrected
    assert "no support" in choice_sentence(choice)
    assert choice.to_frame()["weight"].sum() == pytest.approx(1)


def test_information_criterion_of_a_straight_line(make_sizes):
    """−2 ln L = n ln(2π RSS/n) + n; AICc adds 2m + 2m(m+1)/(n−m−1) with m = 3 (line, variance)."""
    data = make_sizes(replicates=3, s=0.0, run_sd=0.05)
    row = choose_curve(data, ["constant rate"]).to_frame().iloc[0]
    line = stats.linregress(data.time_min, data.ln_size)
    rss = ((data.ln_size - line.intercept - line.slope * data.time_min) ** 2).sum()
    deviance = 15 * np.log(2 * np.pi * rss / 15) + 15
    assert row["minus_2_log_likelihood"] == pytest.approx(deviance, abs=1e-6)
    assert row["criterion"] == pytest.approx(deviance + 6 + 24 / 11, abs=1e-6)


def test_five_runs_give_a_provisional_choice(make_sizes):
    choice = choose_curve(make_sizes())
    assert not choice.corrected
    assert "provisional" in choice_sentence(choice)


def test_order_of_runs_and_unit_of_time_do_not_matter(make_sizes):
    data = make_sizes(groups=3, replicates=2, level_sd=0.03)
    group = np.repeat(np.arange(3), 10)
    order = np.random.default_rng(2).permutation(30)
    shuffled = run_sizes(60 * data.time_min[order], np.exp(data.ln_size[order]), group=group[order])
    first, second = fit_curve(LIMIT, data), fit_curve(LIMIT, shuffled)
    shift = np.array([0.0, np.log(60), 0.0])
    assert second.beta == pytest.approx(first.beta - shift, abs=1e-6)
    assert second.variance["level"] == pytest.approx(first.variance["level"], rel=1e-4)


@pytest.mark.parametrize(
    ("times", "sizes", "options", "words"),
    [
        ([0, 1], [2.0], {}, "2 times for 1 sizes"),
        ([0, 1], [2.0, -1.0], {}, "size number 2 is -1"),
        ([0, np.nan], [2.0, 1.0], {}, "milling time number 2 is nan"),
        ([3, 3], [2.0, 1.0], {}, "one milling time"),
        ([0, 1], [2.0, 1.0], {"group": ["a"]}, "1 groups for 2 runs"),
        ([0, 1], [2.0, 1.0], {"known_covariance": np.eye(3)}, r"shape \(3, 3\)"),
    ],
)
def test_bad_arrays_are_refused_with_the_value(times, sizes, options, words):
    with pytest.raises(ModelError, match=words):
        run_sizes(times, sizes, **options)


def test_refusals(make_sizes):
    fit = fit_curve(CONSTANT, make_sizes())
    with pytest.raises(ModelError, match="'constant rate' has no limit"):
        time_to_margin(fit, 5.0)
    with pytest.raises(ModelError, match="target size is -1"):
        time_to_target(fit, -1.0)
    with pytest.raises(ModelError, match="3 parameters for 3 runs"):
        fit_curve(LIMIT, make_sizes(times=(0.0, 6.0, 12.0)))
    with pytest.raises(ModelError, match="There is no curve 'cubic'"):
        choose_curve(make_sizes(), ["cubic"])
