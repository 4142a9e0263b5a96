"""Long frames fitted in the span of their design, against the route with whole matrices.

A known covariance of zeros asks for the same model by whole matrices, so every number has to agree.
"""

import numpy as np
import pandas as pd
import pytest

from psdstats.errors import ModelError
from psdstats.models import MixedModel, RandomSlope
from psdstats.models.diagnostics import leave_one_group_out, residual_table
from psdstats.models.engine import Span
from psdstats.models.mixed_model import FitRemark
from psdstats.models.resampling import (
    bootstrap_test,
    exchangeable_blocks,
    permutation_test,
    profile_log_likelihood,
    simulated,
    variance_intervals,
)
from psdstats.words.models import fit_sentence

ROWS = 140


def trial(seed=5):
    """140 rows of 7 groups in 4 times, two replicates or more, with unequal numbers."""
    rng = np.random.default_rng(seed)
    group = rng.integers(0, 7, ROWS)
    time = rng.integers(0, 4, ROWS)
    batch = group * 3 + rng.integers(0, 3, ROWS)
    dose = 3 + rng.normal(size=ROWS)
    effects = rng.normal(0, 1.0, 7)[group] + rng.normal(0, 0.7, 21)[batch]
    slope = rng.normal(0, 0.5, 7)[group] * (dose - 3)
    y = 60 - time + effects + slope + rng.normal(0, 0.4, ROWS)
    names = {"group": [f"g{k}" for k in group], "batch": [f"b{k:02}" for k in batch]}
    day = [f"d{k}" for k in rng.integers(0, 5, ROWS)]
    return pd.DataFrame({"y": y, "time": time, "dose": dose, "day": day, **names})


RANDOM = {
    "none": [],
    "intercept": ["group"],
    "nested": ["group", "batch"],
    "cells": ["group", ("group", "time")],
    "crossed": ["group", "day"],
    "slope": [RandomSlope("group", "dose")],
    "uncorrelated slope": [RandomSlope("group", "dose", correlated=False), "day"],
}


def both(random, *, boundary="zero", criterion="reml", frame=None):
    """The same model in its span and by whole matrices."""
    frame = trial() if frame is None else frame
    options = {"response": "y", "fixed": ["time", "dose"], "random": RANDOM[random]}
    options |= {"factors": ["time"], "boundary": boundary}
    whole = MixedModel(frame, known_covariance=np.zeros((len(frame),) * 2), **options)
    return MixedModel(frame, **options).fit(criterion=criterion), whole.fit(criterion=criterion)


@pytest.mark.parametrize("criterion", ["reml", "ml"])
@pytest.mark.parametrize("random", RANDOM)
def test_estimates_and_tests_agree_with_whole_matrices(random, criterion):
    fit, whole = both(random, criterion=criterion)
    assert fit.estimates.parts.span.basis.shape[1] < ROWS / 2
    assert whole.estimates.parts.span is None
    assert fit.reml_log_likelihood == pytest.approx(whole.reml_log_likelihood, abs=1e-8)
    np.testing.assert_allclose(fit.estimates.theta, whole.estimates.theta, rtol=2e-6, atol=1e-9)
    expected, scale = whole.estimates.expected, np.abs(whole.estimates.expected).max()
    np.testing.assert_allclose(fit.estimates.expected, expected, rtol=1e-5, atol=1e-9 * scale)
    for method in ("kenward-roger", "satterthwaite"):
        left, right = fit.to_frame(method=method), whole.to_frame(method=method)
        pd.testing.assert_frame_equal(left, right, rtol=1e-5)
        one, other = fit.test("time", method), whole.test("time", method)
        assert (one.f, one.df_den) == pytest.approx((other.f, other.df_den), rel=1e-5)
    assert fit.status == whole.status
    assert all("; 140 rows." in fit_sentence(found) for found in (fit, whole))


@pytest.mark.parametrize("random", RANDOM)
def test_predictions_and_residuals_agree_with_whole_matrices(random):
    fit, whole = both(random)
    pd.testing.assert_frame_equal(fit.random_effects, whole.random_effects, rtol=1e-5)
    pd.testing.assert_frame_equal(residual_table(fit), residual_table(whole), rtol=1e-5, atol=1e-6)


def test_variances_below_zero_agree_with_whole_matrices():
    frame = trial()
    rng = np.random.default_rng(3)
    frame = frame.assign(y=rng.normal(size=ROWS))
    means = frame.groupby("group")["y"].transform("mean")
    fit, whole = both("intercept", boundary="free", frame=frame.assign(y=frame["y"] - means))
    assert fit.status == (FitRemark.BELOW_ZERO(component="group"),)
    np.testing.assert_allclose(fit.estimates.theta, whole.estimates.theta, rtol=1e-7)


@pytest.mark.parametrize("random", ["none", "nested"])
def test_profiles_and_their_intervals_agree_with_whole_matrices(random):
    fit, whole = both(random)
    values = np.array([0.05, 0.3, 2.0])
    for name in fit.random.names:
        expected = profile_log_likelihood(whole, name, values)
        np.testing.assert_allclose(profile_log_likelihood(fit, name, values), expected, rtol=1e-9)
    if random == "none":
        table, other = variance_intervals(fit), variance_intervals(whole)
        pd.testing.assert_frame_equal(table, other, rtol=1e-5)


def test_simulated_responses_have_the_fitted_covariance():
    """Every element within five Monte Carlo errors of V written out; 20,000 draws."""
    fit, whole = both("nested")
    pieces = simulated(fit.estimates, fit.fixed.matrix, np.random.default_rng(1), 20_000)
    draws = np.concatenate(list(pieces))
    v = whole.estimates.parts.covariance(whole.estimates.theta)
    centred = draws - fit.fixed.matrix @ fit.estimates.beta
    found = centred.T @ centred / len(draws)
    size = np.sqrt(np.diag(v))
    error = np.sqrt((np.outer(size, size) ** 2 + v**2) / len(draws))
    assert np.abs((found - v) / error).max() < 5.5


def test_bootstrap_agrees_with_whole_matrices():
    weak = trial().assign(y=np.random.default_rng(2).normal(size=ROWS))
    fit, whole = both("intercept", frame=weak)
    one, two = bootstrap_test(fit, "time", 1500, 1), bootstrap_test(whole, "time", 300, 2)
    assert one.statistic == pytest.approx(two.statistic, abs=1e-7)
    assert one.p == pytest.approx(two.p, abs=4 * two.monte_carlo_error)


def test_permutations_do_not_depend_on_the_route():
    frame = trial().assign(dose=1.0)
    options = {"response": "y", "fixed": ["time"], "random": ["group"], "factors": ["time"]}
    fit = MixedModel(frame, **options).fit()
    whole = MixedModel(frame, known_covariance=np.zeros((ROWS, ROWS)), **options).fit()
    one, other = (permutation_test(f, "time", 99, 4) for f in (fit, whole))
    assert one.f == pytest.approx(other.f, rel=1e-9)
    assert one.p == other.p


def swappable(matrix, i, j):
    order = np.arange(len(matrix))
    order[[i, j]] = j, i
    return np.abs(matrix[order][:, order] - matrix).max() < 1e-9


@pytest.mark.parametrize("random", RANDOM)
def test_exchangeable_rows_are_those_whose_swap_keeps_every_matrix(random):
    """By definition, pair by pair, in a frame with levels of one and of two rows."""
    frame = trial().iloc[:24].assign(dose=np.tile([-1.0, 0.0, 1.0, 1.0], 6))
    fit = MixedModel(frame, response="y", random=RANDOM[random]).fit()
    design = np.stack([np.ones(24), frame["time"].to_numpy() % 2], axis=1)
    blocks = exchangeable_blocks(design, fit.random.groupings, None)
    matrices = [m for one in fit.random.groupings for m in one.covariances().values()]
    found = np.zeros((24, 24), dtype=bool)
    for block in blocks:
        found[np.ix_(block, block)] = True
    for i in range(24):
        for j in range(24):
            same = np.array_equal(design[i], design[j])
            expected = same and all(swappable(m, i, j) for m in matrices)
            assert found[i, j] == expected, (i, j)


def test_basis_is_orthonormal_and_holds_every_column():
    """Slopes far from zero, levels of one row, columns that repeat each other."""
    frame = trial()
    codes = np.unique(frame["batch"], return_inverse=True)[1]
    frame["dose"] += 2021
    values = np.stack([np.ones(ROWS), frame["dose"]], axis=1)
    alone = np.append(codes[:-1], codes.max() + 1)
    day = np.unique(frame["day"], return_inverse=True)[1]
    groupings = [(alone, int(alone.max()) + 1, values), (day, 5, np.ones((ROWS, 1)))]
    x = np.stack([np.ones(ROWS), frame["dose"], frame["dose"] - 2024, frame["time"]], axis=1)
    z = [np.eye(count)[code] * v[:, None] for code, count, own in groupings for v in own.T]
    columns = np.hstack([x, *z])
    span = Span.of(columns)
    basis = span.basis
    np.testing.assert_allclose(basis.T @ basis, np.eye(basis.shape[1]), atol=1e-13)
    assert span.n_outside == ROWS - basis.shape[1]
    assert basis.shape[1] == np.linalg.matrix_rank(columns / np.linalg.norm(columns, axis=0))
    left = columns - basis @ (basis.T @ columns)
    assert np.abs(left).max() < 1e-12 * np.abs(columns).max()
    np.testing.assert_allclose(
        span.of_levels(day, 5, frame["dose"].to_numpy()),
        basis.T @ (np.eye(5)[day] * frame["dose"].to_numpy()[:, None]),
        atol=1e-9,
    )
    rows = np.random.default_rng(1).normal(size=(3, ROWS))
    np.testing.assert_allclose(span.coordinates(rows), rows @ basis, atol=1e-12)


def long_frame(rows=20_000):
    """20,000 rows of 60 groups and 12 days with a covariate of its own for every row."""
    rng = np.random.default_rng(9)
    group, day = rng.integers(0, 60, rows), rng.integers(0, 12, rows)
    dose = rng.normal(size=rows)
    y = 3 + 0.2 * dose + rng.normal(0, 0.6, 60)[group] + rng.normal(0, 0.3, 12)[day]
    y = y + rng.normal(0, 0.2, 60)[group] * dose + rng.normal(0, 0.5, rows)
    days = [f"d{k}" for k in day]
    return pd.DataFrame(
        {"y": y, "dose": dose, "group": [f"g{k}" for k in group], "day": days, "time": day % 3}
    )


def test_twenty_thousand_rows_give_everything():
    """Slopes with a covariate in every row; truth 0.36, 0.04, 0.09 and 0.25."""
    frame = long_frame()
    random = [RandomSlope("group", "dose", correlated=False), "day"]
    fit = MixedModel(frame, response="y", fixed=["dose"], random=random).fit()
    assert fit.status == ()
    assert fit.variance_components["residual"] == pytest.approx(0.25, rel=0.05)
    assert fit.variance_components["group[dose]"] == pytest.approx(0.04, rel=0.6)
    assert 50 < fit.to_frame().loc["dose", "df"] < 61
    standard = residual_table(fit)["standardised"]
    assert standard.std() == pytest.approx(1.0, abs=0.02)
    assert fit.fitted.shape == (20_000,)


def test_twenty_thousand_rows_are_resampled_and_left_out_by_group():
    frame = long_frame()
    fit = MixedModel(frame, response="y", fixed=["time"], random=["group"], factors=["time"]).fit()
    boot = bootstrap_test(fit, "time", 200, 1)
    assert (boot.draws, boot.refits_converged) == (200, 200)
    permuted = permutation_test(fit, "time", 200, 1)
    assert permuted.f == pytest.approx(fit.test("time").f, rel=1e-3)
    table = leave_one_group_out(fit, "time", grouping="day").table
    assert len(table) == 13
    assert variance_intervals(fit).loc["residual", "lower"] > 0.2


def test_a_known_covariance_keeps_the_limit_of_rows():
    frame = long_frame(4001)
    with pytest.raises(ModelError, match="4001 rows, but with a known covariance"):
        MixedModel(frame, response="y", known_covariance=np.eye(4001)).fit()


def test_too_many_directions_are_refused():
    frame = long_frame(10_000).assign(pair=np.repeat(np.arange(5000), 2).astype(str))
    with pytest.raises(ModelError, match=r"span 500[0-9] directions over 10000 rows"):
        MixedModel(frame, response="y", random=["pair"]).fit()
    frame = long_frame(30_000).assign(few=(np.arange(30_000) % 3500).astype(str))
    with pytest.raises(ModelError, match=r"350[0-9] columns of 30000 rows, but only 100000000"):
        MixedModel(frame, response="y", random=["few"]).fit()
