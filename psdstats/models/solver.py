"""Newton steps up a likelihood for many responses at once, with variances kept at or above zero.

The first steps use the expected information (Fisher scoring), later ones the observed information
where it gives an ascent.  A variance that a step would carry below zero is fixed at zero and the
others are solved again, so estimates at zero are exactly zero.

A block [[a, c], [c, b]] of intercept and slope is v vᵀ + diag(0, w) with v = (v₁, v₂) and w ≥ 0:
positive semidefinite whatever v, and of correlation ±1 at the bound w = 0, which is that of a
variance.  The likelihood is maximised over v and w with the chain rule.

`let_free` lets variances go below zero while V stays positive definite, which in balanced designs
gives back the exact F tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array
from psdstats.models.likelihood import LikelihoodValue, Rows

Mask = NDArray[np.bool_]
Block = tuple[int, int, int]

_SCORING_STEPS, _MAX_HALVINGS, _MAX_ITERATIONS = 2, 30, 100
_NOTHING = 1e-12  # of the larger variance of a block, below which the other is zero


class Target(Protocol):
    """Anything with a likelihood value at θ for chosen responses."""

    def value(self, theta: Array, rows: Rows) -> LikelihoodValue:
        """Log likelihood, score and information at θ (len(rows), q)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Maximum found for each response, in scaled units, with what is needed for inference."""

    theta: Array
    value: LikelihoodValue
    converged: Mask
    on_edge: Mask

    def take(self, rows: Rows, other: Solution) -> None:
        """Write what another has for some responses in place."""
        self.value.put(rows, other.value.rows(rows))
        for name in ("theta", "converged", "on_edge"):
            getattr(self, name)[rows] = getattr(other, name)[rows]


def maximise(
    problem: Target,
    start: Array,
    bounded: Mask,
    *,
    tolerance: float,
    held: Mask | bool = False,
) -> Solution:
    """Maximise a likelihood from ``start`` (B, q), scaled units.

    Shapes: bounded (q,) marks what stays at or above zero, held (q,) what stays where it is.
    """
    theta, everyone = start.copy(), np.arange(len(start))
    value = problem.value(theta, everyone)
    converged = np.zeros(len(start), dtype=bool)
    live = everyone[np.isfinite(value.log_likelihood)]
    for iteration in range(_MAX_ITERATIONS):
        if not len(live):
            break
        scoring, now = iteration < _SCORING_STEPS, value.rows(live)
        step = _bounded_step(theta[live], now.score, now.expected, bounded, held)
        if not scoring:
            newton = _bounded_step(theta[live], now.score, now.observed, bounded, held)
            gain = (newton * now.score).sum(axis=1)
            curve = (newton * (now.observed @ newton[:, :, None])[:, :, 0]).sum(axis=1)
            use = np.isfinite(newton).all(axis=1) & (gain >= 0) & (curve >= 0)
            step = np.where(use[:, None], newton, step)
        size = np.abs(step).max(axis=1, initial=0.0)
        done = size <= tolerance * np.abs(theta[live]).max(axis=1, initial=1e-8)
        converged[live[done]] = True
        live, step = live[~done], step[~done]
        moved = _search(problem, theta, value, live, step, bounded)
        live = live[moved | scoring]
    edge = bounded & (theta == 0)
    return Solution(theta=theta, value=value, converged=converged, on_edge=edge)


def _bounded_step(
    theta: Array, score: Array, information: Array, bounded: Mask, held: Mask | bool
) -> Array:
    """Solve the quadratic model with θ + step ≥ 0 for variances, fixing those that reach zero."""
    q = theta.shape[1]
    fixed = (bounded & (theta <= 0) & (score <= 0)) | held
    diagonal = np.abs(np.einsum("bii->bi", information))
    step = np.zeros_like(theta)
    for _ in range(q):
        step = np.where(fixed & ~np.asarray(held), -theta, 0.0)
        right = np.where(fixed, 0.0, score - (information @ step[:, :, None])[:, :, 0])
        inner = np.where(~fixed[:, :, None] & ~fixed[:, None, :], information, 0.0)
        ridge = 1e-14 * diagonal + np.where(fixed, 1.0, 1e-300)
        inner = inner + ridge[:, :, None] * np.eye(q)
        try:
            solved = np.linalg.solve(inner, right[:, :, None])[:, :, 0]
        except np.linalg.LinAlgError:
            solved = (np.linalg.pinv(inner, hermitian=True) @ right[:, :, None])[:, :, 0]
        step = np.where(fixed, step, solved)
        below = bounded & ~fixed & (theta + step < 0)
        if not below.any():
            break
        fixed = fixed | below
    return step


def _search(
    problem: Target, theta: Array, value: LikelihoodValue, live: Rows, step: Array, bounded: Mask
) -> Mask:
    """Halve each step until the likelihood does not fall; returns which responses moved.

    θ and its values are written in place.
    """
    moved = np.zeros(len(live), dtype=bool)
    shorten = np.ones(len(live))
    pending = np.arange(len(live))
    for _ in range(_MAX_HALVINGS):
        if not len(pending):
            break
        rows = live[pending]
        trial = theta[rows] + shorten[pending, None] * step[pending]
        trial = np.where(bounded, np.maximum(trial, 0.0), trial)
        found = problem.value(trial, rows)
        level = value.log_likelihood[rows]
        good = found.log_likelihood >= level - 1e-10 * (1.0 + np.abs(level))
        theta[rows[good]] = trial[good]
        value.put(rows[good], found.rows(good))
        moved[pending[good]] = True
        pending = pending[~good]
        shorten[pending] *= 0.5
    return moved


def maximise_blocks(
    problem: Target, start: Array, bounded: Mask, blocks: Sequence[Block], *, tolerance: float
) -> Solution:
    """The same where blocks stay positive semidefinite; their members are not in ``bounded``.

    ``start`` is without covariances.
    """
    target, ends = _Rooted(problem, blocks), bounded.copy()
    ends[[cross for *_, cross in blocks]] = True
    found, *others = [  # v = 0 may be a saddle
        maximise(target, target.start(start, share), ends, tolerance=tolerance)
        for share in (0.0, 0.9, -0.9)
    ]
    for other in others:
        gain = other.value.log_likelihood - found.value.log_likelihood
        better = gain > np.where(found.converged >= other.converged, 1e-9, -1e-9)
        found.take(np.flatnonzero(better), other)
    edge, theta = found.on_edge, target.theta(found.theta)
    for first, second, cross in blocks:
        a, b, c = theta[:, first], theta[:, second], theta[:, cross]
        least = _NOTHING * np.maximum(a, b)
        edge[:, [first, second, cross]] = (a * b - c**2 <= least * np.maximum(a, b))[:, None]
        c[(a <= least) | (b <= least)] = 0.0
        a[a <= least] = b[b <= least] = 0.0
    return Solution(
        theta=theta,
        value=problem.value(theta, np.arange(len(theta))),
        converged=found.converged,
        on_edge=edge,
    )


@dataclass(frozen=True, eq=False)
class _Rooted:
    """A likelihood in v₁, v₂ and w, which stand in the places of a block's a, b and c."""

    problem: Target
    blocks: Sequence[Block]

    def start(self, theta: Array, share: float) -> Array:
        """The v and w of variances, so much of the second one being shared with the first."""
        loose = theta.copy()
        for first, second, cross in self.blocks:
            loose[:, first] = np.sqrt(theta[:, first])
            loose[:, second] = share * np.sqrt(theta[:, second])
            loose[:, cross] = (1.0 - share**2) * theta[:, second]
        return loose

    def theta(self, loose: Array) -> Array:
        """θ that belongs to v and w."""
        theta = loose.copy()
        for first, second, cross in self.blocks:
            theta[:, first] = loose[:, first] ** 2
            theta[:, second] = loose[:, second] ** 2 + loose[:, cross]
            theta[:, cross] = loose[:, first] * loose[:, second]
        return theta

    def value(self, theta: Array, rows: Rows) -> LikelihoodValue:
        """Value, score and information in v and w."""
        value = self.problem.value(self.theta(theta), rows)
        jacobian = np.broadcast_to(np.eye(theta.shape[1]), (*theta.shape, theta.shape[1]))
        for block in self.blocks:
            jacobian = jacobian @ root_jacobian(theta, block)
        observed = jacobian.mT @ value.observed @ jacobian
        for block in self.blocks:
            add_bend(observed, value.score, block)
        return LikelihoodValue(
            log_likelihood=value.log_likelihood,
            score=(jacobian.mT @ value.score[:, :, None])[:, :, 0],
            expected=jacobian.mT @ value.expected @ jacobian,
            observed=observed,
        )


def root_jacobian(loose: Array, block: Block) -> Array:
    """∂θ/∂(v, w, rest), shape (..., q, q)."""
    first, second, cross = block
    jacobian = np.broadcast_to(np.eye(loose.shape[-1]), (*loose.shape, loose.shape[-1])).copy()
    jacobian[..., cross, cross] = 0.0
    jacobian[..., second, cross] = 1.0
    jacobian[..., first, first] = 2 * loose[..., first]
    jacobian[..., second, second] = 2 * loose[..., second]
    jacobian[..., cross, first] = loose[..., second]
    jacobian[..., cross, second] = loose[..., first]
    return jacobian


def add_bend(observed: Array, score: Array, block: Block) -> None:
    """Add, in place, what the second derivatives of v vᵀ give the observed information in v.

    Shapes: observed (..., q, q), score (..., q).
    """
    first, second, cross = block
    observed[..., first, first] -= 2 * score[..., first]
    observed[..., second, second] -= 2 * score[..., second]
    observed[..., first, second] -= score[..., cross]
    observed[..., second, first] -= score[..., cross]


_SHORTENINGS = 40
_ROOM = 1e-3
"""V has to stay positive definite a little beyond the end of a step, too."""


def let_free(problem: Target, solution: Solution) -> Solution:
    """Responses at an edge carried one scoring step beyond it.

    The step I(θ)⁻¹ s(θ) from the bounded maximum, with the expected information, gives the
    quadratic unbiased estimates at the weights of that maximum; in balanced designs they are the
    mean-square estimates whatever the weights.  Steps are shortened to where V stays positive
    definite with some room.
    """
    rows = np.flatnonzero(solution.on_edge.any(axis=1) & solution.converged)
    if not len(rows):
        return solution
    old, value = solution.theta[rows], solution.value.rows(rows)
    step = np.linalg.solve(value.expected, value.score[:, :, None])[:, :, 0]
    fraction, pending = np.ones(len(rows)), np.arange(len(rows))
    for _ in range(_SHORTENINGS):
        beyond = old[pending] + (1 + _ROOM) * fraction[pending, None] * step[pending]
        good = np.isfinite(problem.value(beyond, rows[pending]).log_likelihood)
        pending = pending[~good]
        if not len(pending):
            break
        fraction[pending] *= 0.8
    fraction[pending] = 0.0
    solution.theta[rows] = old + fraction[:, None] * step
    solution.value.put(rows, problem.value(solution.theta[rows], rows))
    solution.on_edge[rows] &= (fraction == 0)[:, None]
    return solution
