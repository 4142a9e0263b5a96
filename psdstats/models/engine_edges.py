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
Number = TypeVar("Number", bound=np.generic)

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
    # from the leading eigenvector the solver may sit at a saddle v₁ = 0 or v₂ = 0: nudge it off
    start = target.start(solution.theta[rows]) + np.where(
        np.isin(np.arange(len(variance)), block[:2]), 1e-3, 0
    )
    found = maximise(target, start, Bounds(variance=variance), tolerance=tolerance)
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


class _Some:
    """A problem seen through a choice of its responses."""

    def __init__(self, problem: Problem, rows: Rows) -> None:
        self._problem, self._rows = problem, rows

    def value(self, theta: Array, rows: Rows) -> LikelihoodValue:
        """Value of the chosen responses."""
        return self._problem.value(theta, self._rows[rows])


def let_free(
    problem: Problem, solution: Solution, bounds: Bounds, start: Array, *, tolerance: float
) -> Solution:
    """Refit the responses at an edge without the edges, V positive definite being the only bound.

    Where the free maximum is not reached (V would become singular first) the bounded fit stays.
    """
    rows = np.flatnonzero(solution.on_edge.any(axis=1))
    if not len(rows):
        return solution
    loose = Bounds(variance=bounds.variance, blocks=bounds.blocks, free=True)
    found = maximise(_Some(problem, rows), start[rows], loose, tolerance=tolerance)
    good = found.converged & (
        found.value.log_likelihood >= solution.value.log_likelihood[rows] - 1e-9
    )
    use = np.flatnonzero(good)
    none = np.zeros((len(use), start.shape[1]), dtype=bool)
    return _replaced(
        solution, rows[use], found.theta[use], _pick(found.value, use), found.converged[use], none
    )


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
