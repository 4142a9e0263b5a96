"""Kenward–Roger and Satterthwaite: exact cases, numerical derivatives, limits."""

import numpy as np
import pytest
from scipy import stats

from psdstats.models.engine import CovarianceParts, fit_batch
from psdstats.models.judged import f_tail
from psdstats.models.kenward_roger import (
    adjusted_covariance,
    kenward_roger,
    satterthwaite,
    satterthwaite_df,
    single_df,
)


def layout(groups=3, times=5, keep=None):
    group, time = np.repeat(np.arange(groups), times), np.tile(np.arange(times), groups)
    if keep is not None:
        group, time = group[keep], time[keep]
    x = np.eye(times)[time]
    x[:, 0] = 1.0
    return x, (group[:, None] == group).astype(float)


def parts_of(*matrices, known=None):
    stacked = np.array(matrices)
    return CovarianceParts(
        matrices=stacked, is_variance=np.ones(len(stacked), dtype=bool), known=known
    )


def anova(y, groups=3, times=5):
    """F and p of times in the two-way layout without interaction."""
    table = y.reshape(groups, times)
    mean = table.mean()
    by_time, by_group = table.mean(axis=0), table.mean(axis=1)
    between = groups * ((by_time - mean) ** 2).sum() / (times - 1)
    rest = table - by_time - by_group[:, None] + mean
    df = (groups - 1) * (times - 1)
    f = between / ((rest**2).sum() / df)
    return f, stats.f.sf(f, times - 1, df)


def test_balanced_design_gives_the_exact_f_even_beyond_the_boundary():
    x, same = layout()
    y = np.random.default_rng(1).normal(size=(50, 15))
    fit = fit_batch(y, x, parts_of(same, np.eye(15)), free=True)
    assert (fit.theta[:, 0] < 0).any()
    test = kenward_roger(fit, adjusted_covariance(fit), np.eye(5)[1:])
    other = satterthwaite(fit, adjusted_covariance(fit), np.eye(5)[1:])
    exact = np.array([anova(row) for row in y])
    for found in (test, other):
        assert found.f == pytest.approx(exact[:, 0], rel=1e-8)
        assert found.df_den == pytest.approx(np.full(50, 8.0), rel=1e-7)
        assert found.p == pytest.approx(exact[:, 1], rel=1e-6)


def test_one_sample_is_student_t():
    """With one variance and no grouping the test is the ordinary regression F."""
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(12), rng.normal(size=(12, 2))])
    y = rng.normal(size=12)
    fit = fit_batch(y, x, parts_of(np.eye(12)))
    test = kenward_roger(fit, adjusted_covariance(fit), np.eye(3)[1:])
    _, left, *_ = np.linalg.lstsq(x, y, rcond=None)
    total = ((y - y.mean()) ** 2).sum()
    f = (total - left[0]) / 2 / (left[0] / 9)
    assert (test.f[0], test.df_den[0]) == pytest.approx((f, 9))
    assert test.scaling[0] == pytest.approx(1)


def test_satterthwaite_gradient_by_differences():
    keep = np.array([0, 1, 2, 3, 5, 6, 8, 9, 10, 12, 13, 14])
    x, same = layout(keep=keep)
    y = np.random.default_rng(3).normal(size=12) + np.repeat([0, 1, 3.0], [4, 4, 4])
    parts = parts_of(same, np.eye(12))
    fit = fit_batch(y, x, parts)
    contrast = np.eye(5)[[3]]

    def variance(theta):
        v = parts.covariance(theta[None])[0]
        return float((contrast @ np.linalg.inv(x.T @ np.linalg.solve(v, x)) @ contrast.T)[0, 0])

    theta, step = fit.theta[0], 1e-5
    gradient = np.array(
        [(variance(theta + m) - variance(theta - m)) / (2 * step) for m in step * np.eye(2)]
    )
    spread = gradient @ np.linalg.inv(fit.observed[0]) @ gradient
    covariance = adjusted_covariance(fit)
    found = contrast @ covariance.plain[0] @ contrast.T
    assert found[0, 0] == pytest.approx(variance(theta), rel=1e-10)
    df = satterthwaite_df(fit, covariance, contrast)
    assert df[0, 0] == pytest.approx(2 * variance(theta) ** 2 / spread, rel=1e-6)


def test_adjusted_covariance_of_one_sample_with_known_part():
    """One mean, V = V_known + θI: Λ from its definition with scalars."""
    known = np.diag([0.1, 0.4, 0.9, 0.2, 0.5])
    x = np.ones((5, 1))
    y = np.array([1.0, 3.0, -1.0, 2.0, 0.5])
    fit = fit_batch(y, x, parts_of(np.eye(5), known=known))
    w = 1 / (np.diag(known) + fit.theta[0, 0])
    phi = 1 / w.sum()
    slope, square = -(w**2).sum(), (w**3).sum()
    precision = np.diag(w) - phi * np.outer(w, w)
    spread = 2 / np.trace(precision @ precision)
    expected = phi + 2 * phi * spread * (square - slope * phi * slope) * phi
    found = adjusted_covariance(fit)
    assert found.adjusted[0, 0, 0] == pytest.approx(expected, rel=1e-9)
    df = 2 * phi**2 / (spread * (phi * slope * phi) ** 2)
    assert single_df(found, np.ones((1, 1)))[0, 0] == pytest.approx(df, rel=1e-9)


def test_single_contrast_agrees_with_its_f_test():
    x, same = layout(keep=np.arange(13))
    y = np.random.default_rng(5).normal(size=(20, 13)) + np.repeat([0, 1, 3.0], [5, 5, 3])
    fit = fit_batch(y, x, parts_of(same, np.eye(13)))
    covariance = adjusted_covariance(fit)
    row = np.array([[0.0, 1.0, -1.0, 0.0, 0.0]])
    test = kenward_roger(fit, covariance, row)
    assert single_df(covariance, row)[:, 0] == pytest.approx(test.df_den, rel=1e-9)
    assert np.all(test.scaling == 1)


def test_nothing_estimated_gives_chi_squared():
    x, _ = layout()
    known = np.eye(15) * 0.5
    empty = CovarianceParts(
        matrices=np.zeros((0, 15, 15)), is_variance=np.zeros(0, dtype=bool), known=known
    )
    fit = fit_batch(np.random.default_rng(6).normal(size=15), x, empty)
    test = kenward_roger(fit, adjusted_covariance(fit), np.eye(5)[1:])
    assert np.isinf(test.df_den[0])
    assert test.p[0] == pytest.approx(stats.chi2.sf(4 * test.f[0], 4), rel=1e-10)


def test_dropping_an_edge_equals_leaving_the_component_out():
    x, same = layout()
    y = np.random.default_rng(7).normal(size=(200, 15))
    both = fit_batch(y, x, parts_of(same, np.eye(15)))
    edge = np.flatnonzero(both.on_edge[:, 0])
    plain = fit_batch(y[edge], x, parts_of(np.eye(15)))
    dropped = kenward_roger(both, adjusted_covariance(both, drop_edges=True), np.eye(5)[1:])
    without = kenward_roger(plain, adjusted_covariance(plain), np.eye(5)[1:])
    assert dropped.f[edge] == pytest.approx(without.f, rel=1e-8)
    assert dropped.df_den[edge] == pytest.approx(without.df_den, rel=1e-8)


def test_tail_agrees_with_scipy():
    assert f_tail(3.0, 4, 7.5) == pytest.approx(stats.f.sf(3.0, 4, 7.5), rel=1e-12)


@pytest.mark.parametrize("known", [False, True])
def test_type_1_error_of_three_groups_and_five_times(known):
    """A short version of tests/calibration/mixed_models.py: 4.5 to 5.5 % and Monte Carlo error."""
    x, same = layout()
    v_known = 0.2 * np.kron(np.ones((3, 3)), np.eye(5)) + 0.1 * np.eye(15) if known else None
    v = 0.5 * same + np.eye(15) + (0.0 if v_known is None else v_known)
    y = np.random.default_rng(9).normal(size=(6000, 15)) @ np.linalg.cholesky(v).T
    fit = fit_batch(y, x, parts_of(same, np.eye(15), known=v_known), free=True, tolerance=1e-6)
    test = kenward_roger(fit, adjusted_covariance(fit), np.eye(5)[1:])
    error = np.sqrt(0.05 * 0.95 / 6000)
    assert 0.045 - 3 * error < np.mean(test.p < 0.05) < 0.055 + 3 * error
