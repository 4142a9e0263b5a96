"""Mixtures over a posterior of variances: Student's t, Behrens–Fisher, the mixed model, levels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from psdstats.errors import ModelError
from psdstats.models.contrasts import simultaneous
from psdstats.models.engine import CovarianceParts
from psdstats.models.judged import Family, Side
from psdstats.models.posterior import (
    Mixture,
    freed,
    left_over,
    mixture,
    stated_posterior,
    variance_posterior,
)
from psdstats.student import critical_t, two_sided_p


def parts_of(matrices: np.ndarray, known: np.ndarray | None = None) -> CovarianceParts:
    """A covariance whose parts are all variances."""
    return CovarianceParts(
        matrices=matrices, is_variance=np.ones(len(matrices), dtype=bool), known=known
    )


def of_one(known: float, variance: float, df: float) -> Mixture:
    """One contrast at zero whose variance is in part known, in part estimated."""
    posterior = stated_posterior(variance, df)
    total = known + posterior.theta
    return Mixture(
        weight=posterior.weight, centre=np.zeros((len(total), 1)), covariance=total[:, :, None]
    )


@pytest.mark.parametrize(("known", "nu"), [(1.0, 1), (0.2, 2), (5.0, 2), (1.0, 3), (1.0, 12)])
def test_interval_of_a_variance_known_in_part_is_that_of_behrens_and_fisher(known, nu):
    """P(|√known Z + T| > c) by numerical convolution is what was asked for."""
    half = of_one(known, 1.0, nu).half_width(0.05)[0]

    def outside(z):
        near, far = (end - np.sqrt(known) * z for end in (-half, half))
        return stats.norm.pdf(z) * (stats.t.cdf(near, nu) + stats.t.sf(far, nu))

    tail, _ = integrate.quad(outside, -10, 10, limit=400)
    assert tail == pytest.approx(0.05, abs=1e-7)


def test_ends_are_student_and_normal():
    assert of_one(0.0, 4.0, 3.0).half_width(0.1)[0] == pytest.approx(2 * stats.t.ppf(0.95, 3))
    assert of_one(1.0, 0.0, np.inf).half_width(0.1)[0] == pytest.approx(stats.norm.ppf(0.95))
    assert of_one(0.0, 1.0, 7.0).df[0] == pytest.approx(7.0)


def one_way():
    """Three times of five runs, their means against the first."""
    rng = np.random.default_rng(3)
    x = np.kron(np.eye(3), np.ones((5, 1)))
    y = rng.normal(0, 0.02, 15)
    contrasts = np.array([[-1.0, 1, 0], [-1, 0, 1]])
    posterior = variance_posterior(y, x, parts_of(np.eye(15)[None]))
    return y, x, mixture(y, x, parts_of(np.eye(15)[None]), contrasts, posterior)


def test_nothing_known_is_students_t_and_dunnetts_law():
    y, _, found = one_way()
    means, rest = y.reshape(3, 5).mean(axis=1), y.reshape(3, 5).var(axis=1, ddof=1).mean()
    error = np.sqrt(2 * rest / 5)
    assert found.estimate == pytest.approx(means[1:] - means[0])
    assert found.p() == pytest.approx(two_sided_p((means[1:] - means[0]) / error, 12), rel=1e-6)
    score = (means[1:] - means[0] - 0.01) / error
    assert found.p_below(0.01) == pytest.approx(stats.t.cdf(score, 12), rel=1e-6)
    assert found.p_above(0.01) == pytest.approx(stats.t.sf(score, 12), rel=1e-6)
    assert found.half_width(0.05) == pytest.approx(critical_t(0.05, 12) * error, rel=1e-6)
    family = Family(members=(0, 1), signs=(1, 1))
    law = simultaneous(found.estimate / error, [[1, 0.5], [0.5, 1]], 12, kind="dunnett")
    assert found.family_p(family) == pytest.approx(law.p_adjusted, abs=0.01)
    half = found.family_half_width(family, 0.05)
    assert half == pytest.approx(law.critical * error, rel=0.01)


def test_one_side_of_a_family_is_the_law_of_the_largest():
    """With both sides of one contrast in the family, its upper limits are those of two sides."""
    _, _, found = one_way()
    both = Family(members=(0,), signs=(1,))
    one = Family(members=(0, 0), signs=(1, -1), side=Side.BELOW)
    assert found.family_half_width(one, 0.05) == pytest.approx(
        found.family_half_width(both, 0.05)[0],
        rel=2e-3,  # drawn against exact
    )


def test_a_known_covariance_alone_leaves_generalised_least_squares():
    rng = np.random.default_rng(1)
    root = np.tril(rng.uniform(0.2, 1.0, (15, 15)))
    known = root @ root.T + np.eye(15)
    y, x, _ = one_way()
    nothing = stated_posterior(0.0, np.inf)
    found = mixture(y, x, parts_of(np.eye(15)[None], known), [[-1.0, 1, 0]], nothing)
    precision = np.linalg.inv(known)
    covariance = np.linalg.inv(x.T @ precision @ x)
    row = np.array([-1.0, 1, 0])
    assert found.estimate[0] == pytest.approx(row @ covariance @ x.T @ precision @ y)
    assert found.se[0] == pytest.approx(np.sqrt(row @ covariance @ row))


def test_two_variances_of_a_balanced_table_are_judged_by_the_cells():
    """Cells of two runs, cells random: means of cells by Student's t with the cells' scatter.

    The cell variance is large, so that nothing is lost by its being zero at least.
    """
    rng = np.random.default_rng(8)
    cell = np.repeat(np.arange(12), 2)
    x = np.equal.outer(cell // 6, np.arange(2)).astype(float)
    y = rng.normal(0, 0.5, 12)[cell] + rng.normal(0, 0.01, 24)
    parts = parts_of(np.array([np.equal.outer(cell, cell), np.eye(24)], dtype=float))
    found = mixture(y, x, parts, [[-1.0, 1.0]], variance_posterior(y, x, parts))
    test = stats.ttest_ind(*np.split(y.reshape(12, 2).mean(axis=1), 2)[::-1])
    assert found.p()[0] == pytest.approx(test.pvalue, rel=0.03)
    assert found.df[0] == pytest.approx(10, rel=0.05)


def test_what_all_rows_have_alike_is_left_to_the_residual():
    shared = 0.02**2 * np.ones((4, 4))
    rest = freed(shared + 0.01**2 * np.eye(4))
    np.testing.assert_allclose(rest - shared, 0.02 * 0.01**2 * np.eye(4), atol=1e-12)


def test_shared_measurement_and_own_scatter_give_students_t_level():
    """Alike shared errors cancel in a difference: 5 % at any size of either (2,000 sets)."""
    rng = np.random.default_rng(11)
    x = np.kron(np.eye(2), np.ones((3, 1)))
    known = 0.03**2 * np.ones((6, 6)) + 0.01**2 * np.eye(6)
    root, rejected = np.linalg.cholesky(known), 0
    for _ in range(2000):
        y = root @ rng.standard_normal(6) + 0.01 * rng.standard_normal(6)
        free = freed(known)
        parts = parts_of(np.eye(6)[None], free)
        found = mixture(y, x, parts, [[-1, 1]], variance_posterior(y, x, parts))
        rejected += found.p()[0] < 0.05
    assert rejected / 2000 == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 2000))


def test_refusals():
    with pytest.raises(ModelError, match="2 runs leave nothing"):
        variance_posterior([1.0, 2.0], np.eye(2), parts_of(np.eye(2)[None]))
    _, _, found = one_way()
    with pytest.raises(ModelError, match="no set number 0"):
        found.joint_p(0)
    assert left_over(np.ones((3, 2))).shape == (3, 2)
