"""The REML engine: closed forms, limits, numerical derivatives, scaling."""

import numpy as np
import pytest

from psdstats.errors import ModelError
from psdstats.models.engine import CovarianceParts, fit_batch
from psdstats.models.likelihood import Criterion, build_problem


def layout(groups, times, replicates=1, keep=None):
    group = np.repeat(np.arange(groups), times * replicates)
    time = np.tile(np.repeat(np.arange(times), replicates), groups)
    if keep is not None:
        group, time = group[keep], time[keep]
    x = np.eye(times)[time]
    x[:, 0] = 1.0
    same = (group[:, None] == group).astype(float)
    cell = same * (time[:, None] == time)
    return x, same, cell


def parts_of(*matrices, known=None):
    stacked = np.array(matrices)
    return CovarianceParts(
        matrices=stacked, is_variance=np.ones(len(stacked), dtype=bool), known=known
    )


def dense_log_likelihood(y, x, v, criterion="reml"):
    inverse = np.linalg.inv(v)
    weight = x.T @ inverse @ x
    residual = y - x @ np.linalg.solve(weight, x.T @ inverse @ y)
    level = np.linalg.slogdet(v)[1] + residual @ inverse @ residual
    n, p = x.shape
    if criterion == "ml":
        return -0.5 * (n * np.log(2 * np.pi) + level)
    return -0.5 * ((n - p) * np.log(2 * np.pi) + level + np.linalg.slogdet(weight)[1])


@pytest.fixture
def unbalanced():
    rng = np.random.default_rng(3)
    keep = np.sort(rng.permutation(24)[:20])
    x, same, cell = layout(3, 4, 2, keep)
    y = rng.normal(size=(6, 20)) + rng.normal(size=(6, 1))
    return y, x, parts_of(same, cell, np.eye(20))


@pytest.mark.parametrize("criterion", ["reml", "ml"])
def test_likelihood_against_its_definition(unbalanced, criterion):
    y, x, parts = unbalanced
    fit = fit_batch(y, x, parts, criterion=criterion)
    for row in range(len(y)):
        v = parts.covariance(fit.theta[[row]])[0]
        expected = dense_log_likelihood(y[row], x, v, criterion)
        assert fit.log_likelihood[row] == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize("known", [False, True])
def test_score_and_information_by_differences(unbalanced, known):
    y, x, parts = unbalanced
    rng = np.random.default_rng(1)
    root = rng.normal(size=(20, 20))
    v_known = root @ root.T / 40 if known else None
    problem = build_problem(y, x, parts.matrices, v_known)
    theta, rows, step = np.tile([0.5, 0.3, 0.8], (6, 1)), np.arange(6), 1e-5
    value = problem.value(theta, rows)
    for k in range(3):
        move = np.zeros(3)
        move[k] = step
        up, down = problem.value(theta + move, rows), problem.value(theta - move, rows)
        slope = (up.log_likelihood - down.log_likelihood) / (2 * step)
        assert value.score[:, k] == pytest.approx(slope, rel=1e-5, abs=1e-6)
        bend = -(up.score - down.score) / (2 * step)
        assert value.observed[:, k] == pytest.approx(bend, rel=1e-5, abs=1e-6)


def test_expected_information_is_the_mean_of_the_observed(unbalanced):
    _, x, parts = unbalanced
    theta = np.array([[0.7, 0.4, 1.1]])
    v = parts.covariance(theta)[0]
    y = np.random.default_rng(2).normal(size=(40_000, 20)) @ np.linalg.cholesky(v).T
    problem = build_problem(y, x, parts.matrices, None)
    scaled = theta * problem.matrix_scale / problem.response_scale[:, None] ** 2
    value = problem.back(problem.value(scaled, np.arange(len(y))))
    spread = value.observed.std(axis=0) / np.sqrt(len(y))
    assert np.all(np.abs(value.observed.mean(axis=0) - value.expected[0]) < 5 * spread)


def test_balanced_data_give_mean_squares():
    x, same, _ = layout(3, 5)
    y = np.random.default_rng(5).normal(size=(300, 15)) + np.repeat([0, 2, 5], 5)
    fit = fit_batch(y, x, parts_of(same, np.eye(15)))
    table = y.reshape(300, 3, 5)
    centred = table - table.mean(axis=1, keepdims=True)
    between = 5 * (centred.mean(axis=2) ** 2).sum(axis=1) / 2
    rest = centred - centred.mean(axis=2, keepdims=True)
    within = (rest**2).sum(axis=(1, 2)) / 8
    inside = between > within
    assert inside.mean() > 0.9
    assert fit.theta[inside, 1] == pytest.approx(within[inside], rel=1e-10)
    assert fit.theta[inside, 0] == pytest.approx((between - within)[inside] / 5, rel=1e-9)


def test_variances_at_zero_are_zero_and_free_ones_unbiased():
    x, same, _ = layout(3, 5)
    y = np.random.default_rng(6).normal(size=(4000, 15))
    bounded = fit_batch(y, x, parts_of(same, np.eye(15)))
    free = fit_batch(y, x, parts_of(same, np.eye(15)), free=True)
    at_zero = bounded.on_edge[:, 0]
    assert np.all(bounded.theta[at_zero, 0] == 0)
    assert np.all(bounded.score[at_zero, 0] <= 0)
    assert 0.5 < at_zero.mean() < 0.7
    error = free.theta.std(axis=0) / np.sqrt(4000)
    assert np.all(np.abs(free.theta.mean(axis=0) - [0, 1]) < 4 * error)


def test_known_covariance_like_the_residual_is_absorbed(unbalanced):
    """V_known = c I only moves the residual variance (where it stays positive)."""
    y, x, parts = unbalanced
    plain = fit_batch(y, x, parts)
    known = fit_batch(y, x, parts_of(*parts.matrices, known=0.1 * np.eye(20)))
    assert known.theta[:, 2] + 0.1 == pytest.approx(plain.theta[:, 2], rel=1e-8)
    assert known.theta[:, :2] == pytest.approx(plain.theta[:, :2], rel=1e-7, abs=1e-9)
    assert known.log_likelihood == pytest.approx(plain.log_likelihood, rel=1e-11)


def test_known_covariance_equals_whitened_data(unbalanced):
    """V = V_known (1 + θ) is ordinary least squares after whitening with V_known."""
    y, x, _ = unbalanced
    root = np.random.default_rng(8).normal(size=(20, 20))
    v_known = root @ root.T / 20 + 0.2 * np.eye(20)
    fit = fit_batch(y, x, parts_of(v_known))
    white = np.linalg.inv(np.linalg.cholesky(v_known))
    solution = np.linalg.lstsq(white @ x, white @ y.T, rcond=None)
    assert fit.beta == pytest.approx(solution[0].T, rel=1e-9)
    assert fit.theta[:, 0] == pytest.approx(solution[1] / 16, rel=1e-10)


def test_nothing_estimated_is_generalised_least_squares(unbalanced):
    y, x, _ = unbalanced
    v_known = np.diag(np.linspace(0.5, 2, 20))
    empty = CovarianceParts(
        matrices=np.zeros((0, 20, 20)), is_variance=np.zeros(0, dtype=bool), known=v_known
    )
    fit = fit_batch(y, x, empty)
    inverse = np.linalg.inv(v_known)
    expected = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ y.T).T
    assert fit.beta == pytest.approx(expected, rel=1e-10)
    for row in range(3):
        level = dense_log_likelihood(y[row], x, v_known)
        assert fit.log_likelihood[row] == pytest.approx(level, rel=1e-11)


@pytest.mark.parametrize("factor", [1e-4, 1e4])
def test_scale_of_the_response_does_not_matter(unbalanced, factor):
    y, x, parts = unbalanced
    plain, scaled = fit_batch(y, x, parts), fit_batch(y * factor, x, parts)
    size = plain.theta.max()
    assert scaled.theta / factor**2 == pytest.approx(plain.theta, rel=1e-7, abs=1e-9 * size)
    assert scaled.converged.all()
    assert plain.converged.all()


def test_a_large_mean_costs_no_digits(unbalanced):
    y, x, parts = unbalanced
    plain, shifted = fit_batch(y, x, parts), fit_batch(y + 1e6, x, parts)
    assert shifted.theta == pytest.approx(plain.theta, rel=1e-6, abs=1e-8)
    assert shifted.beta[:, 0] - 1e6 == pytest.approx(plain.beta[:, 0], abs=1e-8)


def test_maximum_is_a_maximum(unbalanced):
    y, x, parts = unbalanced
    fit = fit_batch(y, x, parts)
    rng = np.random.default_rng(4)
    for row in range(len(y)):
        for _ in range(20):
            other = np.maximum(fit.theta[row] + rng.normal(0, 0.05, 3), 1e-9)
            v = parts.covariance(other[None])[0]
            assert dense_log_likelihood(y[row], x, v) <= fit.log_likelihood[row] + 1e-9


def test_a_chunked_batch_equals_single_fits(unbalanced, monkeypatch):
    y, x, parts = unbalanced
    whole = fit_batch(y, x, parts)
    monkeypatch.setattr("psdstats.models.engine._CHUNK_NUMBERS", 2 * 3 * 20**2)
    pieces = fit_batch(y, x, parts)
    assert pieces.theta == pytest.approx(whole.theta, rel=1e-9, abs=1e-12)


def test_full_likelihood_is_not_below_that_of_fewer_terms(unbalanced):
    y, x, parts = unbalanced
    large = fit_batch(y, x, parts, criterion=Criterion.ML)
    small = fit_batch(y, x[:, :1], parts, criterion=Criterion.ML)
    assert np.all(large.log_likelihood >= small.log_likelihood - 1e-9)


def test_an_exact_response_is_refused():
    x, same, _ = layout(3, 4)
    with pytest.raises(ModelError, match="exactly"):
        fit_batch(x @ np.arange(4.0), x, parts_of(same, np.eye(12)))


def test_no_variance_and_no_known_covariance_is_refused():
    x, _, _ = layout(3, 4)
    empty = CovarianceParts(matrices=np.zeros((0, 12, 12)), is_variance=np.zeros(0, dtype=bool))
    with pytest.raises(ModelError, match="known covariance"):
        fit_batch(np.arange(12.0), x, empty)


def test_slopes_at_perfect_correlation():
    """A block at the edge of its cone: no point of the cone nearby is better."""
    rng = np.random.default_rng(11)
    group, t = np.repeat(np.arange(5), 4), np.tile(np.arange(4.0), 5)
    same = (group[:, None] == group).astype(float)
    g = [same, same * np.outer(t, t), same * (t[:, None] + t), np.eye(20)]
    parts = CovarianceParts(
        matrices=np.array(g),
        is_variance=np.array([True, True, False, True]),
        blocks=((0, 1, 2),),
    )
    x = np.stack([np.ones(20), t], axis=1)
    level = rng.normal(size=(60, 5))[:, group]
    y = level * (1 + 0.5 * t) + 3 * rng.normal(size=(60, 20))
    fit = fit_batch(y, x, parts)
    edged = np.flatnonzero(fit.on_edge[:, 2])
    assert len(edged) >= 5
    assert fit.converged.all()
    a, b, c = fit.theta[edged, :3].T
    assert a * b - c**2 == pytest.approx(np.zeros(len(edged)), abs=1e-8 * (a * b).max())
    for row in edged[:5]:
        for _ in range(40):
            root = np.linalg.cholesky(
                np.array([[a.max(), 0], [0, b.max()]]) * 1e-6 + fit.theta[row][[[0, 2], [2, 1]]]
            ) + np.tril(rng.normal(0, 0.05, (2, 2)))
            block = root @ root.T
            theta = np.array([block[0, 0], block[1, 1], block[0, 1], fit.theta[row, 3]])
            v = parts.covariance(theta[None])[0]
            assert dense_log_likelihood(y[row], x, v) <= fit.log_likelihood[row] + 1e-9
