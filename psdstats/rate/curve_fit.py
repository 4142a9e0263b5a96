"""Fit one curve of size against time: generalised least squares with the spread of the analysis.

Model: ln D_i = f(t_i; β) + group + V, with fixed group effects that add up to zero, so that the
curve is that of the mean of the groups.  V is not estimated here: it comes with the sizes, as a
posterior over the variances that the analysis of the trial leaves open (`RunSizes.spread`), so that
a curve that does not fit cannot widen it.  β minimises the weighted sum of squares at the middle of
the posterior; standard errors and critical values hold over all of it (`models.posterior`).

Least weighted sum of squares of a curve, free or under a constraint, for many values at once: a
curve takes one value a time, so the residuals of n runs at m times fall into m that move with the
curve and a part that no curve changes (W C = Q R with C the indicators of the times, both without
what the groups explain).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from psdstats.distribution.least_squares import minimise
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.posterior import Mixture
from psdstats.rate.curves import Constraint, Curve, all_free
from psdstats.rate.run_sizes import RunSizes

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
        W with WᵀW = V⁻¹, less what the groups explain.
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


SAME = 1e-7  # columns more alike than this count as one


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveFit:
    """One curve fitted to the sizes of a trial.

    Parameters
    ----------
    search : Search
        Curve, sizes and weights.
    beta : ndarray, shape (p,)
        (ln D₀, ln k, s), as many as the curve has.
    cost : float
        Weighted sum of squares at β.
    """

    search: Search
    beta: Array
    cost: float

    def __post_init__(self) -> None:
        self.beta.setflags(write=False)

    @property
    def curve(self) -> Curve:
        """The curve."""
        return self.search.curve

    @property
    def data(self) -> RunSizes:
        """The sizes it was fitted to."""
        return self.search.data

    def log_size(self, time_min: Array) -> Array:
        """Fitted ln D at the given times."""
        return self.curve.log_size(np.asarray(time_min, dtype=float), self.beta)

    @cached_property
    def kept(self) -> int:
        """How many leading parameters say something of their own at the solution."""
        gradient = self.curve.gradient(self.data.time_min, self.beta)
        size = np.linalg.norm(gradient, axis=0)
        for kept in range(gradient.shape[1], 1, -1):
            part = gradient[:, :kept] / np.where(size[:kept] > 0, size[:kept], 1.0)
            if np.linalg.svd(part, compute_uv=False)[-1] > SAME:
                return kept
        return 1

    @cached_property
    def _weights(self) -> Array:
        """Weights (kept, n) of the runs in β, linear at the solution."""
        whitener = self.search.whitener
        gradient = self.curve.gradient(self.data.time_min, self.beta)[:, : self.kept]
        return np.asarray(np.linalg.pinv(whitener @ gradient) @ whitener)

    def directions(self, gradients: Array) -> Mixture:
        """Directions in β over the posterior, about their estimates.

        Shapes: gradients (q, p).
        """
        rows = gradients[:, : self.kept] @ self._weights
        return self.data.over_spread(np.zeros(len(rows)), rows)

    def plain(self, gradient: Array) -> Array:
        """Standard errors of directions (..., p) at the middle of the posterior, (...,)."""
        rows = gradient[..., : self.kept] @ self._weights
        return np.asarray(np.sqrt(((rows @ self.data.middle) * rows).sum(axis=-1)))

    def allowed(self, gradients: Array, level: float) -> Array:
        """Rise of the weighted sum of squares that the intervals of directions (q, p) allow."""
        plain = self.plain(gradients)
        half = self.directions(gradients).half_width(1 - level)
        return np.asarray((half / np.where(plain > 0, plain, np.inf)) ** 2)


def fit_curve(curve: Curve, data: RunSizes) -> CurveFit:
    """Fit a curve at the middle of the posterior of the variances."""
    n = len(data.ln_size)
    if n <= curve.size:
        raise ModelError(
            f"the curve {str(curve.name)!r} has {curve.size} parameters for {n} runs; sample more "
            "times or choose a simpler curve."
        )
    search = Search(curve=curve, data=data, whitener=data.whitener)
    betas, costs = search.best(all_free(curve), np.zeros(1))
    return CurveFit(search=search, beta=betas[0], cost=float(costs[0]))
