"""Newton steps up a likelihood for many responses at once, with variances kept at or above zero.

The first steps use the expected information (Fisher scoring), later ones the observed information
where it gives an ascent.  A variance that a step would carry below zero is fixed at zero and the
others are solved again, so estimates at zero are exactly zero.  Intercept-slope blocks are kept
positive semidefinite by shortening the step.  With ``free`` nothing but V itself has to stay
positive definite.

Intercept-slope blocks at the edge of their cone: correlation of ±1, or a variance at zero.

At the edge a block [[a, c], [c, b]] is v vᵀ with v = (v₁, v₂), and the likelihood is maximised over
v with the chain rule.  Used only for the responses whose maximum lies there.

What happens where a maximum lies at the edge of what variances may be.

Two routes: stay on the edge (zero variances, intercept-slope blocks of rank one), or let the
variances go below zero while V stays positive definite, which in balanced designs gives back the
exact F tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array
from psdstats.models.criterion import LikelihoodValue, Problem

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

    Shapes: start (B, q).
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


Block = tuple[int, int, int]


@dataclass(frozen=True, kw_only=True, eq=False)
class RankOneTarget:
    """A likelihood in which the first two places of one block hold v₁ and v₂.

    The place of the covariance is unused: its score is zero and its information one.
    """

    inner: Target
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
        """V nearest to a block inside the cone: its leading eigenvector."""
        first, second, cross = self.block
        loose = theta.copy()
        pairs = np.stack([theta[:, [first, cross]], theta[:, [cross, second]]], axis=1)
        size, vectors = np.linalg.eigh(pairs)
        leading = vectors[:, :, 1] * np.sqrt(np.maximum(size[:, 1], 1e-6))[:, None]
        loose[:, first], loose[:, second], loose[:, cross] = leading[:, 0], leading[:, 1], 0.0
        return loose

    def value(self, theta: Array, rows: NDArray[np.intp]) -> LikelihoodValue:
        """Value, score and information in v."""
        first, second, cross = self.block
        value = self.inner.value(self.theta(theta), rows)
        jacobian = rank_one_jacobian(theta, self.block)
        across = jacobian.transpose(0, 2, 1)
        expected = across @ value.expected @ jacobian
        observed = across @ value.observed @ jacobian
        observed[:, first, first] -= 2 * value.score[:, first]
        observed[:, second, second] -= 2 * value.score[:, second]
        observed[:, first, second] -= value.score[:, cross]
        observed[:, second, first] -= value.score[:, cross]
        expected[:, cross, cross] = observed[:, cross, cross] = 1.0
        return LikelihoodValue(
            log_likelihood=value.log_likelihood,
            score=(across @ value.score[:, :, None])[:, :, 0],
            expected=expected,
            observed=observed,
        )


def rank_one_jacobian(loose: Array, block: Block) -> Array:
    """∂θ/∂(v, rest), shape (B, q, q); the column of the covariance's place is zero."""
    first, second, cross = block
    rows, q = loose.shape
    jacobian = np.tile(np.eye(q), (rows, 1, 1))
    jacobian[:, cross, cross] = 0.0
    jacobian[:, first, first] = 2 * loose[:, first]
    jacobian[:, second, second] = 2 * loose[:, second]
    jacobian[:, cross, first] = loose[:, second]
    jacobian[:, cross, second] = loose[:, first]
    return jacobian


Rows = NDArray[np.intp]
Number = TypeVar("Number", bound=np.generic)

_SHORTENINGS = 40
_ROOM = 1e-3
"""V has to stay positive definite a little beyond the end of a step, too."""

_FLAT = 1e-4
"""Blocks whose smaller eigenvalue is below this share of the larger are tried at rank one."""


def settle_edges(
    problem: Problem, solution: Solution, bounds: Bounds, *, tolerance: float
) -> Solution:
    """Finish intercept-slope blocks that ran into the edge of their cone at rank one."""
    for block in bounds.blocks:
        first, second, cross = block
        theta = solution.theta
        product = theta[:, first] * theta[:, second]
        largest = theta[:, [first, second]].max(axis=1)
        flat = product - theta[:, cross] ** 2 <= _FLAT * largest**2
        rows = np.flatnonzero(flat | ~solution.converged)
        if len(rows):
            solution = _at_rank_one(problem, solution, bounds, block, rows, tolerance)
    return solution


def _at_rank_one(
    problem: Problem,
    solution: Solution,
    bounds: Bounds,
    block: tuple[int, int, int],
    rows: Rows,
    tolerance: float,
) -> Solution:
    target = RankOneTarget(inner=_Some(problem, rows), block=block)
    variance = bounds.variance.copy()
    variance[list(block)] = False
    found = _best_of_starts(target, solution.theta[rows], Bounds(variance=variance), tolerance)
    theta = target.theta(found.theta)
    value = problem.value(theta, rows)
    inside = solution.converged[rows] & (
        solution.value.log_likelihood[rows] > value.log_likelihood + 1e-9
    )
    use = np.flatnonzero(~inside)
    edge = np.zeros((len(rows), len(variance)), dtype=bool)
    edge[:, list(block)] = True
    edge |= variance & (theta == 0)
    return _replaced(
        solution, rows[use], theta[use], _pick(value, use), found.converged[use], edge[use]
    )


def _best_of_starts(
    target: RankOneTarget, theta: Array, bounds: Bounds, tolerance: float
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
        best = _replaced(
            best,
            better,
            found.theta[better],
            _pick(found.value, better),
            found.converged[better],
            found.on_edge[better],
        )
    return best


class _Some:
    """A problem seen through a choice of its responses."""

    def __init__(self, problem: Problem, rows: Rows) -> None:
        self._problem, self._rows = problem, rows

    def value(self, theta: Array, rows: Rows) -> LikelihoodValue:
        """Value of the chosen responses."""
        return self._problem.value(theta, self._rows[rows])


def let_free(problem: Problem, solution: Solution) -> Solution:
    """Carry responses at an edge one scoring step beyond it.

    The step I(θ)⁻¹ s(θ) from the bounded maximum, with the expected information, gives the
    quadratic unbiased estimates at the weights of that maximum; in balanced designs they are the
    mean-square estimates whatever the weights.  Steps that would make V singular are shortened.
    """
    rows = np.flatnonzero(solution.on_edge.any(axis=1) & solution.converged)
    if not len(rows):
        return solution
    theta, value = solution.theta[rows], _pick(solution.value, rows)
    step: Array = np.asarray(
        np.linalg.solve(value.expected, value.score[:, :, None])[:, :, 0], dtype=np.float64
    )
    theta, free = _inside(problem, theta, step, rows)
    edge = solution.on_edge[rows] & ~free[:, None]
    return _replaced(
        solution, rows, theta, problem.value(theta, rows), solution.converged[rows], edge
    )


def _inside(problem: Problem, theta: Array, step: Array, rows: Rows) -> tuple[Array, Mask]:
    """Shorten each step to where V stays positive definite with some room."""
    fraction = np.ones(len(rows))
    pending = np.arange(len(rows))
    for _ in range(_SHORTENINGS):
        beyond = theta[pending] + (1 + _ROOM) * fraction[pending, None] * step[pending]
        good = np.isfinite(problem.value(beyond, rows[pending]).log_likelihood)
        pending = pending[~good]
        if not len(pending):
            break
        fraction[pending] *= 0.8
    fraction[pending] = 0.0
    return theta + fraction[:, None] * step, fraction > 0


def _pick(value: LikelihoodValue, keep: Rows) -> LikelihoodValue:
    return LikelihoodValue(
        log_likelihood=value.log_likelihood[keep],
        score=value.score[keep],
        expected=value.expected[keep],
        observed=value.observed[keep],
    )


def _replaced(
    solution: Solution,
    rows: Rows,
    theta: Array,
    value: LikelihoodValue,
    converged: NDArray[np.bool_],
    edge: NDArray[np.bool_],
) -> Solution:
    def put(old: NDArray[Number], new: NDArray[Number]) -> NDArray[Number]:
        out = old.copy()
        out[rows] = new
        return out

    old = solution.value
    return replace(
        solution,
        theta=put(solution.theta, theta),
        value=LikelihoodValue(
            log_likelihood=put(old.log_likelihood, value.log_likelihood),
            score=put(old.score, value.score),
            expected=put(old.expected, value.expected),
            observed=put(old.observed, value.observed),
        ),
        converged=put(solution.converged, converged),
        on_edge=put(solution.on_edge, edge),
    )
