"""What happens where a maximum lies at the edge of what variances may be.

Two routes: stay on the edge (zero variances, intercept-slope blocks of rank one), or let the
variances go below zero while V stays positive definite, which in balanced designs gives back the
exact F tests.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from psdstats.models.engine_criterion import LikelihoodValue, Problem
from psdstats.models.engine_rank_one import RankOneTarget
from psdstats.models.engine_solver import Bounds, Solution, maximise

__all__ = ["let_free", "settle_edges"]

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
Mask = NDArray[np.bool_]
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
