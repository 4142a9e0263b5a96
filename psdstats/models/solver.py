"""Newton steps up a likelihood for many responses at once, with variances kept at or above zero.

The first steps use the expected information (Fisher scoring), later ones the observed information
where it gives an ascent.  A variance that a step would carry below zero is fixed at zero and the
others are solved again, so estimates at zero are exactly zero.  Intercept-slope blocks are kept
positive semidefinite by shortening the step.

Where a maximum lies at the edge there are two routes.  `settle_edge` stays on it: a block
[[a, c], [c, b]] with a correlation of ±1, or a variance at zero, is v vᵀ with v = (v₁, v₂), and the
likelihood is maximised over v with the chain rule.  `let_free` lets variances go below zero while V
stays positive definite, which in balanced designs gives back the exact F tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array
from psdstats.models.likelihood import LikelihoodValue, Problem, Rows

Mask = NDArray[np.bool_]
Block = tuple[int, int, int]

_SCORING_STEPS, _MAX_HALVINGS, _MAX_ITERATIONS = 2, 30, 100


class Target(Protocol):
    """Anything with a likelihood value at θ for chosen responses."""

    def value(self, theta: Array, rows: Rows) -> LikelihoodValue:
        """Log likelihood, score and information at θ (len(rows), q)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Bounds:
    """What θ may be: ``variance`` (q,) marks single variances, which stay at or above zero.

    ``blocks`` lists (variance, variance, covariance) positions that form 2 x 2 matrices, which
    stay positive definite; their members are not marked in ``variance``.
    """

    variance: Mask
    blocks: tuple[Block, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Maximum found for each response, in scaled units, with what is needed for inference."""

    theta: Array
    value: LikelihoodValue
    converged: Mask
    on_edge: Mask

    def rows(self, chosen: Rows) -> Solution:
        """The same for some of the responses."""
        return Solution(
            theta=self.theta[chosen],
            value=self.value.rows(chosen),
            converged=self.converged[chosen],
            on_edge=self.on_edge[chosen],
        )

    def put(self, rows: Rows, new: Solution) -> None:
        """Write the solutions of some responses in place."""
        self.theta[rows] = new.theta
        self.value.put(rows, new.value)
        self.converged[rows] = new.converged
        self.on_edge[rows] = new.on_edge


def maximise(problem: Target, start: Array, bounds: Bounds, *, tolerance: float) -> Solution:
    """Maximise a likelihood from ``start`` (B, q), scaled units."""
    theta, everyone = start.copy(), np.arange(len(start))
    value = problem.value(theta, everyone)
    converged = np.zeros(len(start), dtype=bool)
    live = everyone[np.isfinite(value.log_likelihood)]
    for iteration in range(_MAX_ITERATIONS):
        if not len(live):
            break
        scoring, now = iteration < _SCORING_STEPS, value.rows(live)
        step = _bounded_step(theta[live], now.score, now.expected, bounds)
        if not scoring:
            newton = _bounded_step(theta[live], now.score, now.observed, bounds)
            gain = (newton * now.score).sum(axis=1)
            curve = (newton * (now.observed @ newton[:, :, None])[:, :, 0]).sum(axis=1)
            use = np.isfinite(newton).all(axis=1) & (gain >= 0) & (curve >= 0)
            step = np.where(use[:, None], newton, step)
        size = np.abs(step).max(axis=1, initial=0.0)
        done = size <= tolerance * np.abs(theta[live]).max(axis=1, initial=1e-8)
        converged[live[done]] = True
        live, step = live[~done], step[~done]
        moved = _search(problem, theta, value, live, step, bounds)
        live = live[moved | scoring]
    edge = bounds.variance & (theta == 0)
    return Solution(theta=theta, value=value, converged=converged, on_edge=edge)


def _bounded_step(theta: Array, score: Array, information: Array, bounds: Bounds) -> Array:
    """Solve the quadratic model with θ + step ≥ 0 for variances, fixing those that reach zero."""
    q = theta.shape[1]
    fixed = bounds.variance & (theta <= 0) & (score <= 0)
    diagonal = np.abs(np.einsum("bii->bi", information))
    step = np.zeros_like(theta)
    for _ in range(q):
        step = np.where(fixed, -theta, 0.0)
        right = np.where(fixed, 0.0, score - (information @ step[:, :, None])[:, :, 0])
        inner = np.where(~fixed[:, :, None] & ~fixed[:, None, :], information, 0.0)
        ridge = 1e-14 * diagonal + np.where(fixed, 1.0, 1e-300)
        inner = inner + ridge[:, :, None] * np.eye(q)
        try:
            solved = np.linalg.solve(inner, right[:, :, None])[:, :, 0]
        except np.linalg.LinAlgError:
            solved = (np.linalg.pinv(inner, hermitian=True) @ right[:, :, None])[:, :, 0]
        step = np.where(fixed, step, solved)
        below = bounds.variance & ~fixed & (theta + step < 0)
        if not below.any():
            break
        fixed = fixed | below
    return step


def _search(
    problem: Target, theta: Array, value: LikelihoodValue, live: Rows, step: Array, bounds: Bounds
) -> Mask:
    """Halve each step until the likelihood does not fall; returns which responses moved.

    θ and its values are written in place.
    """
    moved = np.zeros(len(live), dtype=bool)
    shorten = _room_in_blocks(theta[live], step, bounds.blocks) if bounds.blocks else 1.0
    shorten = shorten * np.ones(len(live))
    pending = np.arange(len(live))
    for _ in range(_MAX_HALVINGS):
        if not len(pending):
            break
        rows = live[pending]
        trial = theta[rows] + shorten[pending, None] * step[pending]
        trial = np.where(bounds.variance, np.maximum(trial, 0.0), trial)
        found = problem.value(trial, rows)
        level = value.log_likelihood[rows]
        good = found.log_likelihood >= level - 1e-10 * (1.0 + np.abs(level))
        for first, second, cross in bounds.blocks:
            a, b, c = trial[:, first], trial[:, second], trial[:, cross]
            good &= (a > 0) & (b > 0) & (a * b > c**2)
        theta[rows[good]] = trial[good]
        value.put(rows[good], found.rows(good))
        moved[pending[good]] = True
        pending = pending[~good]
        shorten[pending] *= 0.5
    return moved


def _room_in_blocks(theta: Array, step: Array, blocks: Sequence[Block]) -> Array:
    """Largest fraction of each step, at most 1, that keeps every 2 x 2 block inside its cone.

    A step that would leave is stopped at nine tenths of the way to the edge.
    """
    room = np.ones(len(theta))
    for first, second, cross in blocks:
        a, b, c = theta[:, first], theta[:, second], theta[:, cross]
        da, db, dc = step[:, first], step[:, second], step[:, cross]
        # determinant along the step: constant + linear t + square t²
        square, linear, constant = da * db - dc**2, a * db + b * da - 2 * c * dc, a * b - c**2
        root = np.sqrt(np.maximum(linear**2 - 4 * square * constant, 0.0))
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.stack([(-linear - root) / (2 * square), (-linear + root) / (2 * square)])
            straight = -constant / linear
        ends = np.where(np.abs(square) > 1e-14, ends, straight)
        ends = np.where((ends > 0) & np.isfinite(ends), ends, np.inf)
        edge = ends.min(axis=0)
        room = np.minimum(room, np.where(edge <= 1.0, 0.9 * edge, 1.0))
    return room


@dataclass(frozen=True, kw_only=True, eq=False)
class _RankOneTarget:
    """The likelihood of some responses, the first two places of one block holding v₁ and v₂.

    The place of the covariance is unused: its score is zero and its information one.
    """

    problem: Problem
    chosen: Rows
    block: Block

    def theta(self, loose: Array) -> Array:
        """θ that belongs to v."""
        first, second, cross = self.block
        theta = loose.copy()
        theta[:, first] = loose[:, first] ** 2
        theta[:, second] = loose[:, second] ** 2
        theta[:, cross] = loose[:, first] * loose[:, second]
        return theta

    def start(self, theta: Array) -> Array:
        """The v whose v vᵀ is nearest to a block inside the cone: its leading eigenvector."""
        first, second, cross = self.block
        loose = theta.copy()
        pairs = np.stack([theta[:, [first, cross]], theta[:, [cross, second]]], axis=1)
        size, vectors = np.linalg.eigh(pairs)
        leading = vectors[:, :, 1] * np.sqrt(np.maximum(size[:, 1], 1e-6))[:, None]
        loose[:, first], loose[:, second], loose[:, cross] = leading[:, 0], leading[:, 1], 0.0
        return loose

    def value(self, theta: Array, rows: Rows) -> LikelihoodValue:
        """Value, score and information in v."""
        value = self.problem.value(self.theta(theta), self.chosen[rows])
        jacobian = rank_one_jacobian(theta, self.block)
        across = jacobian.mT
        cross = self.block[2]
        expected = across @ value.expected @ jacobian
        observed = bent_information(value.observed, value.score, jacobian, self.block)
        expected[:, cross, cross] = observed[:, cross, cross] = 1.0
        return LikelihoodValue(
            log_likelihood=value.log_likelihood,
            score=(across @ value.score[:, :, None])[:, :, 0],
            expected=expected,
            observed=observed,
        )


def rank_one_jacobian(loose: Array, block: Block) -> Array:
    """∂θ/∂(v, rest), shape (..., q, q); the column of the covariance's place is zero."""
    first, second, cross = block
    jacobian = np.broadcast_to(np.eye(loose.shape[-1]), (*loose.shape, loose.shape[-1])).copy()
    jacobian[..., cross, cross] = 0.0
    jacobian[..., first, first] = 2 * loose[..., first]
    jacobian[..., second, second] = 2 * loose[..., second]
    jacobian[..., cross, first] = loose[..., second]
    jacobian[..., cross, second] = loose[..., first]
    return jacobian


def bent_information(observed: Array, score: Array, jacobian: Array, block: Block) -> Array:
    """Observed information in v from that in θ: chain rule, with the second derivatives of v vᵀ.

    Shapes: observed (..., q, q), score (..., q), jacobian (..., q, q).
    """
    first, second, cross = block
    bent = jacobian.mT @ observed @ jacobian
    bent[..., first, first] -= 2 * score[..., first]
    bent[..., second, second] -= 2 * score[..., second]
    bent[..., first, second] -= score[..., cross]
    bent[..., second, first] -= score[..., cross]
    return np.asarray(bent, dtype=np.float64)


_SHORTENINGS = 40
_ROOM = 1e-3
"""V has to stay positive definite a little beyond the end of a step, too."""

_FLAT = 1e-4
"""Blocks whose smaller eigenvalue is below this share of the larger are tried at rank one."""


def settle_edge(
    problem: Problem, solution: Solution, bounds: Bounds, block: Block, *, tolerance: float
) -> None:
    """Finish, in place, responses whose block ran into the edge of its cone at rank one."""
    first, second, cross = block
    theta = solution.theta
    product = theta[:, first] * theta[:, second]
    largest = theta[:, [first, second]].max(axis=1)
    flat = product - theta[:, cross] ** 2 <= _FLAT * largest**2
    rows = np.flatnonzero(flat | ~solution.converged)
    if not len(rows):
        return
    target = _RankOneTarget(problem=problem, chosen=rows, block=block)
    variance = bounds.variance.copy()
    variance[list(block)] = False
    best = _best_of_starts(target, theta[rows], Bounds(variance=variance), tolerance)
    at_edge = target.theta(best.theta)
    value = problem.value(at_edge, rows)
    inside = solution.converged[rows] & (
        solution.value.log_likelihood[rows] > value.log_likelihood + 1e-9
    )
    edge = variance & (at_edge == 0)
    edge[:, list(block)] = True
    found = Solution(theta=at_edge, value=value, converged=best.converged, on_edge=edge)
    solution.put(rows[~inside], found.rows(np.flatnonzero(~inside)))


def _best_of_starts(
    target: _RankOneTarget, theta: Array, bounds: Bounds, tolerance: float
) -> Solution:
    """The best maximum from several v: both signs of the correlation, one effect alone, none."""
    first, second, _ = target.block
    leading = target.start(theta)
    best = maximise(target, leading, bounds, tolerance=tolerance)
    for signs in ((1.0, -1.0), (1.0, 0.0), (0.0, 1.0), (0.0, 0.0)):
        start = leading.copy()
        start[:, [first, second]] *= signs
        found = maximise(target, start, bounds, tolerance=tolerance)
        gain = found.value.log_likelihood - best.value.log_likelihood
        better = np.flatnonzero(gain > np.where(best.converged >= found.converged, 1e-9, -1e-9))
        best.put(better, found.rows(better))
    return best


def let_free(problem: Target, solution: Solution) -> None:
    """Carry responses at an edge one scoring step beyond it, in place.

    The step I(θ)⁻¹ s(θ) from the bounded maximum, with the expected information, gives the
    quadratic unbiased estimates at the weights of that maximum; in balanced designs they are the
    mean-square estimates whatever the weights.  Steps are shortened to where V stays positive
    definite with some room.
    """
    rows = np.flatnonzero(solution.on_edge.any(axis=1) & solution.converged)
    if not len(rows):
        return
    old = solution.rows(rows)
    step = np.linalg.solve(old.value.expected, old.value.score[:, :, None])[:, :, 0]
    fraction, pending = np.ones(len(rows)), np.arange(len(rows))
    for _ in range(_SHORTENINGS):
        beyond = old.theta[pending] + (1 + _ROOM) * fraction[pending, None] * step[pending]
        good = np.isfinite(problem.value(beyond, rows[pending]).log_likelihood)
        pending = pending[~good]
        if not len(pending):
            break
        fraction[pending] *= 0.8
    fraction[pending] = 0.0
    theta = old.theta + fraction[:, None] * step
    solution.put(
        rows,
        Solution(
            theta=theta,
            value=problem.value(theta, rows),
            converged=old.converged,
            on_edge=old.on_edge & (fraction == 0)[:, None],
        ),
    )
