"""Newton steps up a likelihood for many responses at once, with variances kept at or above zero.

The first steps use the expected information (Fisher scoring), later ones the observed information
where it gives an ascent.  A variance that a step would carry below zero is fixed at zero and the
others are solved again, so estimates at zero are exactly zero.  Intercept-slope blocks are kept
positive semidefinite by shortening the step.  With ``free`` nothing but V itself has to stay
positive definite.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from psdstats.models.engine_criterion import LikelihoodValue

__all__ = ["Bounds", "Solution", "Target", "maximise"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SCORING_STEPS = 2
_MAX_HALVINGS = 30


class Target(Protocol):
    """Anything with a likelihood value at θ for chosen responses."""

    def value(self, theta: Array, rows: NDArray[np.intp]) -> LikelihoodValue:
        """Log likelihood, score and information at θ (len(rows), q)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Bounds:
    """What θ may be: ``variance`` (q,) marks single variances, which stay ≥ 0 unless ``free``.

    ``blocks`` lists (variance, variance, covariance) positions that form 2 x 2 matrices, which
    stay positive definite; their members are not marked in ``variance``.
    """

    variance: Mask
    blocks: tuple[tuple[int, int, int], ...] = ()
    free: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Maximum found for each response, in scaled units, with what is needed for inference."""

    theta: Array
    value: LikelihoodValue
    converged: Mask
    on_edge: Mask


@dataclass
class _State:
    """Working arrays of one maximisation; rows are responses."""

    theta: Array
    level: Array
    score: Array
    expected: Array
    observed: Array

    def store(self, rows: NDArray[np.intp], theta: Array, value: LikelihoodValue) -> None:
        self.theta[rows] = theta
        self.level[rows] = value.log_likelihood
        self.score[rows] = value.score
        self.expected[rows] = value.expected
        self.observed[rows] = value.observed


def maximise(
    problem: Target,
    start: Array,
    bounds: Bounds,
    *,
    tolerance: float = 1e-10,
    max_iterations: int = 100,
) -> Solution:
    """Maximise a likelihood from ``start`` (B, q), scaled units.

    Parameters
    ----------
    problem : Target
        The likelihood.
    start : ndarray, shape (B, q)
        Starting values inside the bounds.
    bounds : Bounds
        Where θ may lie.
    tolerance : float
        Largest step, relative to the largest variance, at which a response counts as converged.
    max_iterations : int
        Steps after which a response is left as it is, marked as not converged.
    """
    n_responses, q = start.shape
    state = _State(
        theta=start.copy(),
        level=np.full(n_responses, -np.inf),
        score=np.zeros((n_responses, q)),
        expected=np.zeros((n_responses, q, q)),
        observed=np.zeros((n_responses, q, q)),
    )
    everyone = np.arange(n_responses)
    state.store(everyone, state.theta, problem.value(state.theta, everyone))
    converged = np.zeros(n_responses, dtype=bool)
    live = everyone[np.isfinite(state.level)]
    for iteration in range(max_iterations):
        if not len(live):
            break
        step = _step(state, live, bounds, scoring=iteration < _SCORING_STEPS)
        size = np.abs(step).max(axis=1, initial=0.0)
        done = size <= tolerance * np.abs(state.theta[live]).max(axis=1, initial=1e-8)
        converged[live[done]] = True
        live, step = live[~done], step[~done]
        moved = _search(problem, state, live, step, bounds)
        live = live[moved | (iteration < _SCORING_STEPS)]
    value = LikelihoodValue(
        log_likelihood=state.level,
        score=state.score,
        expected=state.expected,
        observed=state.observed,
    )
    edge = bounds.variance & (state.theta == 0)
    return Solution(theta=state.theta, value=value, converged=converged, on_edge=edge)


def _step(state: _State, live: NDArray[np.intp], bounds: Bounds, *, scoring: bool) -> Array:
    theta, score = state.theta[live], state.score[live]
    step = _bounded_step(theta, score, state.expected[live], bounds)
    if scoring:
        return step
    newton = _bounded_step(theta, score, state.observed[live], bounds)
    gain = (newton * score).sum(axis=1)
    curve = (newton * (state.observed[live] @ newton[:, :, None])[:, :, 0]).sum(axis=1)
    use = np.isfinite(newton).all(axis=1) & (gain >= 0) & (curve >= 0)
    return np.where(use[:, None], newton, step)


def _bounded_step(theta: Array, score: Array, information: Array, bounds: Bounds) -> Array:
    """Solve the quadratic model with θ + step ≥ 0 for variances, fixing those that reach zero."""
    q = theta.shape[1]
    fixed = np.zeros(theta.shape, dtype=bool)
    if not bounds.free:
        fixed = bounds.variance & (theta <= 0) & (score <= 0)
    for _ in range(q):
        step = _solve_with_fixed(theta, score, information, fixed)
        below = bounds.variance & ~fixed & (theta + step < 0)
        if bounds.free or not below.any():
            break
        fixed = fixed | below
    return step


def _solve_with_fixed(theta: Array, score: Array, information: Array, fixed: Mask) -> Array:
    q = theta.shape[1]
    step = np.where(fixed, -theta, 0.0)
    right = np.where(fixed, 0.0, score - (information @ step[:, :, None])[:, :, 0])
    loose = ~fixed
    inner = np.where(loose[:, :, None] & loose[:, None, :], information, 0.0)
    diagonal = np.einsum("bii->bi", information)
    ridge = 1e-14 * np.abs(diagonal) + np.where(fixed, 1.0, 1e-300)
    inner = inner + ridge[:, :, None] * np.eye(q)
    try:
        solved = np.linalg.solve(inner, right[:, :, None])[:, :, 0]
    except np.linalg.LinAlgError:
        solved = (np.linalg.pinv(inner, hermitian=True) @ right[:, :, None])[:, :, 0]
    return np.where(fixed, step, solved)


def _search(
    problem: Target, state: _State, live: NDArray[np.intp], step: Array, bounds: Bounds
) -> Mask:
    """Halve each step until the likelihood does not fall; returns which responses moved."""
    moved = np.zeros(len(live), dtype=bool)
    shorten = np.ones(len(live))
    if bounds.blocks and not bounds.free:
        shorten = _room_in_blocks(state.theta[live], step, bounds.blocks)
    pending = np.arange(len(live))
    for _ in range(_MAX_HALVINGS):
        if not len(pending):
            break
        rows = live[pending]
        trial = state.theta[rows] + shorten[pending, None] * step[pending]
        if not bounds.free:
            trial = np.where(bounds.variance, np.maximum(trial, 0.0), trial)
        value = problem.value(trial, rows)
        slack = 1e-10 * (1.0 + np.abs(state.level[rows]))
        good = value.log_likelihood >= state.level[rows] - slack
        good &= _in_blocks(trial, bounds)
        state.store(rows[good], trial[good], _rows(value, good))
        moved[pending[good]] = True
        pending = pending[~good]
        shorten[pending] *= 0.5
    return moved


def _in_blocks(theta: Array, bounds: Bounds) -> Mask:
    inside = np.ones(len(theta), dtype=bool)
    for first, second, cross in () if bounds.free else bounds.blocks:
        a, b, c = theta[:, first], theta[:, second], theta[:, cross]
        inside &= (a > 0) & (b > 0) & (a * b > c**2)
    return inside


def _rows(value: LikelihoodValue, keep: Mask) -> LikelihoodValue:
    return LikelihoodValue(
        log_likelihood=value.log_likelihood[keep],
        score=value.score[keep],
        expected=value.expected[keep],
        observed=value.observed[keep],
    )


def _room_in_blocks(theta: Array, step: Array, blocks: Sequence[tuple[int, int, int]]) -> Array:
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
