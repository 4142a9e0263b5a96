"""Least weighted sum of squares of a curve, free or under a constraint, for many values at once.

A curve takes one value a time, so the residuals of n runs at m times fall into m that move with the
curve and a part that no curve changes (W C = Q R with C the indicators of the times).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from psdstats.rate.constraints import Constraint
from psdstats.rate.curves import Curve
from psdstats.rate.least_squares import minimise
from psdstats.rate.run_sizes import RunSizes

__all__ = ["Search", "bounds_of"]

Array = NDArray[np.float64]
GRID_RATES, GRID_SHAPES = 25, 9
SLOWEST, FASTEST = 1e-4, 30.0  # k times the longest, the shortest time


def bounds_of(curve: Curve, data: RunSizes) -> tuple[Array, Array]:
    """Bounds of the parameters: a rate that does nothing up to one that ends at once."""
    times = data.times[data.times > 0]
    low = [-np.inf, np.log(SLOWEST / times.max()), curve.shape_range[0]]
    high = [np.inf, np.log(FASTEST / times.min()), curve.shape_range[1]]
    return np.array(low[: curve.size]), np.array(high[: curve.size])


@dataclass(frozen=True, kw_only=True, eq=False)
class _Reduced:
    """Residuals as target − weight · (ln size at the times − base)."""

    base: float
    target: Array
    weight: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Search:
    """A curve, the sizes it is fitted to and their weights.

    Parameters
    ----------
    curve : Curve
        The curve.
    data : RunSizes
        The sizes.
    whitener : ndarray, shape (n, n)
        W with WᵀW = V⁻¹.
    """

    curve: Curve
    data: RunSizes
    whitener: Array

    def best(
        self, constraint: Constraint, value: Array, start: Array | None = None
    ) -> tuple[Array, Array]:
        """Parameters (B, p) and costs (B,) of the best curves for the values (B,) held.

        Notes
        -----
        Started from the best point of a coarse grid, and from `start` (p,) where it is given.
        """
        lower, upper = bounds_of(self.curve, self.data)
        free = list(constraint.free)

        def residuals(reduced: Array) -> tuple[Array, Array]:
            beta, slope = constraint.expand(value, reduced)
            jacobian = self.curve.gradient(self.data.times, beta) @ slope
            return self._whitened(beta), -(self._reduced.weight @ jacobian)

        first = minimise(residuals, self._grid_start(constraint, value), lower[free], upper[free])
        reduced, cost = first.beta, first.cost
        if start is not None:
            near = np.tile(start[free], (len(value), 1))
            second = minimise(residuals, near, lower[free], upper[free])
            better = second.cost < cost
            reduced = np.where(better[:, None], second.beta, reduced)
            cost = np.where(better, second.cost, cost)
        return constraint.expand(value, reduced)[0], cost

    @cached_property
    def _reduced(self) -> _Reduced:
        data = self.data
        base = float(data.ln_size.mean())  # kept small, so that nothing is lost by cancellation
        at_times = self.whitener @ (data.time_min[:, None] == data.times).astype(float)
        q, weight = np.linalg.qr(at_times)
        whole = self.whitener @ (data.ln_size - base)
        moving = q.T @ whole
        fixed = float(np.linalg.norm(whole - q @ moving))
        return _Reduced(
            base=base,
            target=np.append(moving, fixed),
            weight=np.vstack([weight, np.zeros((1, weight.shape[1]))]),
        )

    def _whitened(self, beta: Array) -> Array:
        """Residuals (B, m + 1); the last is the part that no curve changes."""
        own = self._reduced
        curve = self.curve.log_size(self.data.times, beta) - own.base
        return np.asarray(own.target - curve @ own.weight.T)

    def _grid_start(self, constraint: Constraint, value: Array) -> Array:
        """Best point of a grid in rate and shape, ln D₀ solved for where it is free."""
        free = list(constraint.free)
        grid = self._grid()[:, free]
        grid = np.unique(grid, axis=0)
        count = len(grid)
        values = np.repeat(value, count)
        reduced = np.tile(grid, (len(value), 1))
        rows = self._whitened(constraint.expand(values, reduced)[0])
        if 0 in free:
            ones = self._reduced.weight.sum(axis=1)
            shift = rows @ ones / (ones @ ones)
            reduced[:, free.index(0)] += shift
            rows = rows - shift[:, None] * ones
        costs = np.nan_to_num((rows**2).sum(axis=1), nan=np.inf)
        best = costs.reshape(len(value), count).argmin(axis=1)
        chosen: Array = reduced.reshape(len(value), count, len(free))[np.arange(len(value)), best]
        return chosen

    def _grid(self) -> Array:
        times = self.data.times[self.data.times > 0]
        rates = np.linspace(np.log(0.02 / times.max()), np.log(5 / times.min()), GRID_RATES)
        level = float(self.data.ln_size.mean())
        if self.curve.size == 1:
            return np.array([[level]])
        if self.curve.size == 2:
            return np.column_stack([np.full(GRID_RATES, level), rates])
        low, high = self.curve.shape_range
        shapes = low + np.linspace(0, 1, GRID_SHAPES) ** 2 * (min(high, 3.0) - low)
        rate, shape = np.meshgrid(rates, shapes)
        return np.column_stack([np.full(rate.size, level), rate.ravel(), shape.ravel()])
