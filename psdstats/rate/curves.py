"""Curves of size against milling time on the scale of ln D, and their fit.

Time t in min, size D in µm, rates in 1/min.  Every curve is ln D(t) = ln D₀ + φ(t; ln k, s), so
that any of them can be made to pass through a given point by eliminating ln D₀:

| curve | D(t)/D₀ | shape s |
|---|---|---|
| no change | 1 | none |
| constant rate | exp(−k t) | none |
| approach to a limit | s + (1 − s) exp(−k t) | D∞/D₀, the limit over the start |
| power law | (1 + s k t)^(−1/s) | 1/n with D ~ t^(−n) in the long run |

The power law solves dE = −C dD/D^m with energy proportional to time (general law of Walker, Lewis,
McAdams and Gilliland 1937, from memory): s = 0, ½ and 1 are the laws of Kick, Bond and Rittinger
for the size taken.  Both three-parameter curves become the constant rate at s = 0.

None of them describes growth of the particles by agglomeration.

The fit is ln D_i = f(t_i; β) + group + V, with fixed group effects that add up to zero, so that the
curve is that of the mean of the groups.  V is not estimated here: it comes with the sizes, as a
posterior over the variances that the analysis of the trial leaves open (`RunSizes.spread`), so that
a curve that does not fit cannot widen it.  β minimises the weighted sum of squares at the middle of
the posterior; standard errors and critical values hold over all of it (`models.posterior`).  A
constraint holds one property of the curve, for profile intervals: it eliminates one parameter.

A curve takes one value a time, so the residuals of n runs at m times fall into m that move with the
curve and a part that no curve changes (W C = Q R with C the indicators of the times, both without
what the groups explain).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.least_squares import minimise
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.posterior import Mixture
from psdstats.rate.run_sizes import RunSizes

SMALL = 1e-5
LEAST_LEVEL = 1e-100  # keeps the logarithm of a size that has faded away finite


class CurveName(StrEnum):
    """The curves on offer.

    Examples
    --------
    >>> from psdstats.rate import CurveName
    >>> [str(name) for name in CurveName]
    ['no change', 'constant rate', 'approach to a limit', 'power law']
    """

    NO_CHANGE = "no change"
    CONSTANT = "constant rate"
    LIMIT = "approach to a limit"
    POWER = "power law"


@dataclass(frozen=True, kw_only=True)
class Curve:
    """One curve; parameters are (ln D₀, ln k, s), as many of them as it has.

    Parameters
    ----------
    name : CurveName
        Which one.
    parameters : tuple of str
        Names of the parameters, in order.
    shape_range : tuple of (float, float)
        Range of s, both ends included.
    """

    name: CurveName
    parameters: tuple[str, ...]
    shape_range: tuple[float, float] = (0.0, 0.0)

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.parameters)

    def log_size(self, time_min: Array, beta: Array) -> Array:
        """Values of ln D.

        Shapes: time_min (..., n), beta (..., p); gives (..., n).
        """
        return np.asarray(beta[..., :1] + self.fall(time_min, beta))

    def fall(self, time_min: Array, beta: Array) -> Array:
        """Values of φ = ln D/D₀.

        Shapes: time_min (..., n), beta (..., p); gives (..., n).
        """
        if self.size == 1:
            return np.zeros(np.broadcast_shapes(np.shape(time_min), beta[..., :1].shape))
        x = np.exp(beta[..., 1:2]) * time_min
        if self.size == 2:
            return -x
        s = beta[..., 2:3]
        if self.name is CurveName.LIMIT:
            return np.asarray(np.log(np.maximum(s + (1 - s) * np.exp(-x), LEAST_LEVEL)))
        flat, safe = _flat(s * x, s)
        return np.where(flat, -x + s * x**2 / 2 - s**2 * x**3 / 3, -np.log1p(safe * x) / safe)

    def gradient(self, time_min: Array, beta: Array) -> Array:
        """Derivatives of ln D in the parameters.

        Shapes: time_min (..., n), beta (..., p); gives (..., n, p).
        """
        x = np.exp(beta[..., 1:2]) * time_min if self.size > 1 else time_min
        columns = [np.ones(np.broadcast_shapes(np.shape(x), beta[..., :1].shape))]
        if self.size == 2:
            columns.append(-x)
        elif self.size == 3:
            columns += self._slopes(x, beta[..., 2:3])
        return np.stack(columns, axis=-1)

    def _slopes(self, x: Array, s: Array) -> list[Array]:
        """Derivatives of φ in ln k and in s; x = k t."""
        if self.name is CurveName.LIMIT:
            fading = np.exp(-x)
            level = np.maximum(s + (1 - s) * fading, LEAST_LEVEL)
            return [-(1 - s) * x * fading / level, (1 - fading) / level]
        flat, safe = _flat(s * x, s)
        bend = np.log1p(safe * x) / safe**2 - x / (safe * (1 + safe * x))
        return [-x / (1 + s * x), np.where(flat, x**2 / 2 - 2 * s * x**3 / 3, bend)]


def _flat(product: Array, s: Array) -> tuple[NDArray[np.bool_], Array]:
    """Where s k t is so small that a series is exact, and an s safe to divide by elsewhere."""
    flat = product < SMALL
    return flat, np.where(flat, 1.0, s)


CURVES: dict[CurveName, Curve] = {
    CurveName.NO_CHANGE: Curve(name=CurveName.NO_CHANGE, parameters=("ln_start",)),
    CurveName.CONSTANT: Curve(name=CurveName.CONSTANT, parameters=("ln_start", "ln_rate")),
    CurveName.LIMIT: Curve(
        name=CurveName.LIMIT,
        parameters=("ln_start", "ln_rate", "limit_share"),
        shape_range=(0.0, 1.0 - 1e-6),
    ),
    CurveName.POWER: Curve(
        name=CurveName.POWER,
        parameters=("ln_start", "ln_rate", "power_shape"),
        shape_range=(0.0, 50.0),
    ),
}
"""Every curve by name."""


@dataclass(frozen=True)
class Constraint:
    """One property of a curve held at a value; all of it free where nothing is put.

    Parameters
    ----------
    curve : Curve
        The curve.
    held : int or None
        Position of the parameter that follows from the others.
    put : callable
        Writes it, and its derivatives, into parameters (B, p) and derivatives (B, p, r), given the
        value (B,).
    """

    curve: Curve
    held: int | None = None
    put: Callable[[Array, Array, Array], object] = lambda *_: None

    @property
    def free(self) -> list[int]:
        """Positions of the free parameters."""
        return [place for place in range(self.curve.size) if place != self.held]

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """All parameters (B, p) and their derivatives (B, p, r) in the free ones (B, r)."""
        beta = np.zeros((len(reduced), self.curve.size))
        beta[:, self.free] = reduced
        slope = np.zeros((len(reduced), self.curve.size, len(self.free)))
        slope[:, self.free, range(len(self.free))] = 1.0
        self.put(beta, slope, value)
        return beta, slope


GRID_RATES, GRID_SHAPES = 25, 9
SLOWEST, FASTEST = 1e-4, 30.0  # k times the longest, the shortest time: from nothing to at once


@dataclass(frozen=True, kw_only=True, eq=False)
class Search:
    """A curve and the sizes it is fitted to, which have their weights.

    Parameters
    ----------
    curve : Curve
        The curve.
    data : RunSizes
        The sizes.
    """

    curve: Curve
    data: RunSizes

    def best(self, constraint: Constraint, value: Array) -> tuple[Array, Array]:
        """Parameters (B, p) and costs (B,) of the best curves for the values (B,) held.

        Started from the best point of a coarse grid.
        """
        times, free = self.data.times[self.data.times > 0], constraint.free
        low = [-np.inf, np.log(SLOWEST / times.max()), self.curve.shape_range[0]]
        high = [np.inf, np.log(FASTEST / times.min()), self.curve.shape_range[1]]
        lower, upper = (np.array(ends)[free] for ends in (low, high))

        def residuals(reduced: Array) -> tuple[Array, Array]:
            beta, slope = constraint.expand(value, reduced)
            jacobian = self.curve.gradient(self.data.times, beta) @ slope
            return self._whitened(beta), -(self._reduced[2] @ jacobian)

        found = minimise(residuals, self._grid_start(constraint, value), lower, upper)
        return constraint.expand(value, found.beta)[0], found.cost

    @cached_property
    def _reduced(self) -> tuple[float, Array, Array]:
        """Base, target, weight: residuals are target − weight · (ln size at the times − base)."""
        data = self.data
        base = float(data.ln_size.mean())  # kept small, so that nothing is lost by cancellation
        q, weight = np.linalg.qr(data.whitener @ data.at_times)
        whole = data.whitener @ (data.ln_size - base)
        moving = q.T @ whole
        fixed = float(np.linalg.norm(whole - q @ moving))
        return base, np.append(moving, fixed), np.vstack([weight, np.zeros((1, weight.shape[1]))])

    def _whitened(self, beta: Array) -> Array:
        """Residuals (B, m + 1); the last is the part that no curve changes."""
        base, target, weight = self._reduced
        curve = self.curve.log_size(self.data.times, beta) - base
        return np.asarray(target - curve @ weight.T)

    def _grid_start(self, constraint: Constraint, value: Array) -> Array:
        """Best point of a grid in rate and shape, ln D₀ solved for where it is free."""
        free = constraint.free
        grid = np.unique(self._grid()[:, free], axis=0)
        count = len(grid)
        reduced = np.tile(grid, (len(value), 1))
        rows = self._whitened(constraint.expand(np.repeat(value, count), reduced)[0])
        if 0 in free:
            ones = self._reduced[2].sum(axis=1)
            shift = rows @ ones / (ones @ ones)
            reduced[:, free.index(0)] += shift
            rows = rows - shift[:, None] * ones
        costs = np.nan_to_num((rows**2).sum(axis=1), nan=np.inf)
        best = costs.reshape(len(value), count).argmin(axis=1)
        return np.asarray(reduced[best + count * np.arange(len(value))])

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
        whitener = self.data.whitener
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
    search = Search(curve=curve, data=data)
    betas, costs = search.best(Constraint(curve), np.zeros(1))
    return CurveFit(search=search, beta=betas[0], cost=float(costs[0]))
