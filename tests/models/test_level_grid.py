"""Grids of variances: weights and moments against the formulas written out, rough ones as fine."""

import numpy as np
import pytest

from psdstats.models.judged import Question
from psdstats.models.level_grid import ContrastGrid, LevelGrid, design_of, grid_axes, loosened


def trial(groups, times, replicates, lost):
    """Design with lines, cells and runs unknown; so many rows are left out."""
    group, time, _ = (
        a.ravel()
        for a in np.meshgrid(range(groups), range(times), range(replicates), indexing="ij")
    )
    keep = np.ones(len(group), dtype=bool)
    keep[np.random.default_rng(4).permutation(len(group))[:lost]] = False
    group, time = group[keep], time[keep]
    x = np.column_stack([np.eye(times)[time], np.eye(groups)[group]])
    same, steps = (group[:, None] == group).astype(float), time - time.mean()
    parts = np.array(
        [same * np.outer(steps, steps), same * (time[:, None] == time), np.eye(len(x))]
    )
    known = 0.3 * same * np.exp(-abs(time[:, None] - time) / 2) + 0.7 * np.eye(len(x))
    unit = np.eye(x.shape[1])
    rows = np.array([unit[j] - unit[i] for i in range(times) for j in range(i + 1, times)])
    asked = Question(contrasts=rows, jointly=(tuple(range(times - 1)),))
    return design_of(x, parts, known, asked)


@pytest.mark.parametrize("loose", [False, True])
def test_weights_are_the_restricted_likelihood_with_its_prior(loose):
    design = trial(3, 3, 2, 2)
    p, m = design.lead.shape[1], len(design.residual)
    known, parts = loosened(design.known, design.parts) if loose else (design.known, design.parts)
    axes = [np.array([0.01, 0.1, 1.0]), np.array([0.02, 0.5]), np.array([0.05, 0.3, 2.0, 9.0])]
    grid = LevelGrid(p, known, parts, axes)
    r = np.random.default_rng(1).standard_normal((5, m)) * np.array([0.2, 1, 1, 2, 5])[:, None]
    logs = np.empty((5, len(grid.theta)))
    width = [np.diff([0.0, *(a[1:] + a[:-1]) / 2, 1.5 * a[-1] - 0.5 * a[-2]]) for a in axes]
    size = np.prod([w.ravel() for w in np.meshgrid(*width, indexing="ij")], axis=0)
    for h, theta in enumerate(grid.theta):
        v = (known + np.tensordot(theta, parts, 1))[p:, p:]
        inverse = np.linalg.inv(v)
        moved = [inverse @ g[p:, p:] for g in parts]
        information = np.array([[0.5 * np.trace(a @ b) for b in moved] for a in moved])
        logs[:, h] = (
            -0.5 * np.linalg.slogdet(v)[1]
            - 0.5 * np.einsum("ni,ij,nj->n", r, inverse, r)
            + 0.5 * np.linalg.slogdet(information)[1]
            + np.log(size[h])
        )
    expected = np.exp(logs - logs.max(axis=1, keepdims=True))
    expected /= expected.sum(axis=1, keepdims=True)
    assert grid.posterior(r) == pytest.approx(expected, rel=1e-8, abs=1e-12)


def test_moments_are_those_of_generalised_least_squares():
    design = trial(3, 3, 2, 2)
    p, m = design.lead.shape[1], len(design.residual)
    axes = [np.array([0.1, 1.0]), np.array([0.02, 0.5]), np.array([0.3, 2.0])]
    grid = ContrastGrid(design, design.known, design.parts, axes)
    r = np.random.default_rng(2).standard_normal((4, m))
    found, weight = grid.moments(r), grid.posterior(r)
    precision, estimate = [], []
    for theta in grid.theta:
        v = design.known + np.tensordot(theta, design.parts, 1)
        x = np.eye(p + m)[:, :p]
        inner = np.linalg.inv(x.T @ np.linalg.solve(v, x))
        y = np.concatenate([np.zeros((4, p)), r], axis=1)
        estimate.append(y @ np.linalg.solve(v, x) @ inner @ design.lead.T)
        precision.append(1 / np.diag(design.lead @ inner @ design.lead.T))
    precision, estimate = np.array(precision), np.array(estimate)
    first, second = weight @ precision, weight @ precision**2
    shift = np.einsum("nh,hq,hnq->nq", weight, precision, estimate) / first
    assert found.shift == pytest.approx(shift, rel=1e-8, abs=1e-12)
    assert found.se == pytest.approx(first**-0.5, rel=1e-9)
    assert found.df == pytest.approx(2 * first**2 / (second - first**2), rel=1e-7)


def test_rough_moments_are_near_the_fine_ones():
    """Wide enough that shifts are kept as a product of narrow matrices."""
    design = trial(6, 6, 2, 8)
    known, parts = loosened(design.known, design.parts)
    grid = ContrastGrid(design, known, parts, grid_axes(design, 1.0))
    q, m, p = len(design.lead), len(design.residual), design.lead.shape[1]
    assert grid.width < q * m
    rng = np.random.default_rng(3)
    for theta in ([0.001, 0.001, 0.01], [0.01, 1.0, 0.3], [1.0, 0.01, 1.0]):
        v = (design.known + np.tensordot(theta, design.parts, 1))[p:, p:]
        r = rng.standard_normal((200, m)) @ np.linalg.cholesky(v).T
        fine, rough = grid.moments(r), grid.moments(r, rough=True)
        assert np.abs((fine.shift - rough.shift) / fine.se).max() < 5e-3
        assert rough.se == pytest.approx(fine.se, rel=1e-4)
        assert rough.df == pytest.approx(fine.df, rel=0.01)
        assert rough.joint[0].df == pytest.approx(fine.joint[0].df, rel=0.05)
