"""Critical value of an estimate whose variance is in part estimated from few runs.

Of the variance, a part is known or as good as known, the rest is estimated with few degrees of
freedom.  (estimate − truth)/standard error is then taken as √(1 − b) Z + √b T, Z normal, T of
Student with ν degrees of freedom and b the estimated share (W.-U. Behrens 1929 and R. A. Fisher
1935, from memory).  One Student's t with effective degrees of freedom is too short there: where
the estimated part comes out small by chance, it takes the whole for known.

Least weighted sum of squares of a curve, free or under a constraint, for many values at once.

A curve takes one value a time, so the residuals of n runs at m times fall into m that move with the
curve and a part that no curve changes (W C = Q R with C the indicators of the times).

Fit one curve of size against time: generalised least squares with estimated variances.

Model: ln D_i = f(t_i; β) + measurement (known covariance) + group level + group rate + run, normal.
The variances of group level, of the group's deviation in ln k, and of run to run are estimated.
Route: for given variances β minimises the weighted sum of squares; for given β the model is made
linear at β and the variances come from REML of that linear mixed model; the two steps alternate
until nothing moves (linear mixed-effects approximation of M. J. Lindstrom and D. M. Bates,
Biometrics 46 (1990) 673, from memory, with the group effects linearised at zero).  Standard errors
and degrees of freedom are those of Kenward and Roger for the linear model at the solution, with
variances at zero taken as known zeros and never fewer degrees of freedom than averaging curves
fitted group by group would leave.  Two groups show their difference once only: there a variance
found to be zero keeps its uncertainty.  With one group the known and the estimated part of a
variance are told apart (`critical`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from scipy import special

from psdstats.distribution.least_squares import minimise
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.engine import BatchFit, CovarianceParts, fit_batch
from psdstats.models.kenward_roger import (
    AdjustedCovariance,
    adjusted_covariance,
    single_df,
)
from psdstats.rate.curves import Constraint, Curve, all_free
from psdstats.rate.run_sizes import RunSizes
from psdstats.student import critical_t

NODES, WEIGHTS = np.polynomial.legendre.leggauss(100)
STEPS = 40


@lru_cache(maxsize=1024)  # a search asks for the same few many times
def critical_value(level: float, df: float, *, least_df: float) -> float:
    """Two-sided critical value for a variance of which only a part is estimated.

    Notes
    -----
    The share b estimated follows from 2 V²/var(V̂) = df and var(V̂) = 2 (b V)²/ν: b = √(ν/df).
    The tail is a mean of normal tails over T = Z √(ν/χ²), by quadrature over the quantiles of χ².

    Examples
    --------
    >>> round(critical_value(0.95, 8.0, least_df=2.0), 2)
    3.28
    """
    if np.isinf(df) or df <= least_df:
        return float(critical_t(1 - level, max(df, least_df)))
    share = float(np.sqrt(least_df / df))
    tails = 0.5 * (1 + NODES)
    width = np.sqrt(1 - share + share * least_df / special.chdtri(least_df, tails))
    low, high = (float(critical_t(1 - level, nu)) for nu in (np.inf, least_df))
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        outside = float(WEIGHTS @ special.ndtr(-middle / width))  # the weights add up to 2
        low, high = (middle, high) if outside > 1 - level else (low, middle)
    return 0.5 * (low + high)


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


MOST_ROUNDS = 40
SAME = 1e-6


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveFit:
    """One curve fitted to the sizes of a trial.

    Parameters
    ----------
    search : Search
        Curve, sizes and weights at the estimated variances.
    beta : ndarray, shape (p,)
        (ln D₀, ln k, s), as many as the curve has.
    cost : float
        Weighted sum of squares at β.
    variance : dict of str to float
        Variances of ln D: "level" and "rate" (of ln k) of groups where present, and "run".
    batch : BatchFit
        Linear mixed model at the solution.
    adjusted : AdjustedCovariance
        Its Kenward–Roger covariance.
    converged : bool
        Whether the rounds came to rest.
    """

    search: Search
    beta: Array
    cost: float
    variance: dict[str, float]
    batch: BatchFit
    adjusted: AdjustedCovariance
    converged: bool

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

    def spread(self, gradient: Array) -> tuple[float, float, float]:
        """Standard error, its inflation, and degrees of freedom of a direction in β.

        Shapes: gradient (p,).
        """
        kept = self.batch.design.shape[1]
        direction = gradient[:kept]
        variance = float(direction @ self.adjusted.adjusted[0] @ direction)
        plain = float(direction @ self.adjusted.plain[0] @ direction)
        if plain <= 0:
            return 0.0, 1.0, np.inf
        df = float(single_df(self.adjusted, direction[None])[0, 0])
        df = max(df, float(self.least_df))
        return float(np.sqrt(max(variance, plain))), max(variance / plain, 1.0), df

    def critical(self, df: float, level: float) -> float:
        """Two-sided critical value for a direction with these degrees of freedom."""
        if self.data.groups > 1:
            return float(critical_t(1 - level, df))
        return critical_value(level, df, least_df=self.least_df)

    @property
    def least_df(self) -> int:
        """Degrees of freedom that every direction has at least.

        Curves fitted group by group and averaged leave one less than the groups; one group leaves
        the runs less the parameters.
        """
        groups = self.data.groups
        return groups - 1 if groups > 1 else len(self.data.ln_size) - self.batch.design.shape[1]


def random_terms(data: RunSizes, curve: Curve, random_rate: bool | None = None) -> tuple[str, ...]:
    """Which variances are estimated, in order.

    Notes
    -----
    "level" with two groups or more; "rate" with three groups or more (or as asked), for curves
    that have a rate; "run" always.
    """
    wants_rate = data.groups >= 3 if random_rate is None else random_rate and data.groups >= 2
    terms = ["level"] if data.groups >= 2 else []
    if wants_rate and curve.size > 1:
        terms.append("rate")
    return (*terms, "run")


def covariance_parts(
    data: RunSizes, terms: tuple[str, ...], rate_gradient: Array
) -> CovarianceParts:
    """Known covariance and the matrices of the estimated variances; rate at ∂ ln D/∂ ln k."""
    matrices = {
        "level": data.same_group,
        "rate": data.same_group * np.outer(rate_gradient, rate_gradient),
        "run": np.eye(len(data.ln_size)),
    }
    return CovarianceParts(
        matrices=np.array([matrices[term] for term in terms]),
        is_variance=np.ones(len(terms), dtype=bool),
        known=data.known,
    )


def fit_curve(
    curve: Curve, data: RunSizes, *, criterion: str = "reml", random_rate: bool | None = None
) -> CurveFit:
    """Fit a curve and its variances."""
    n = len(data.ln_size)
    if n <= curve.size:
        raise ModelError(
            f"the curve {str(curve.name)!r} has {curve.size} parameters for {n} runs; sample more "
            "times or choose a simpler curve."
        )
    terms = random_terms(data, curve, random_rate)
    free = all_free(curve)
    search = Search(curve=curve, data=data, whitener=np.eye(n))
    beta = search.best(free, np.zeros(1))[0][0]
    theta: Array | None = None
    moved = np.inf
    for _ in range(MOST_ROUNDS):
        batch = _linear(search, beta, terms, criterion)
        moved = np.inf if theta is None else _moved(theta, batch.theta[0])
        theta = batch.theta[0]
        root = np.linalg.cholesky(batch.parts.covariance(batch.theta)[0])
        search = Search(curve=curve, data=data, whitener=np.linalg.inv(root))
        betas, costs = search.best(free, np.zeros(1), beta)
        beta, cost = betas[0], float(costs[0])
        if moved < SAME:
            break
    return CurveFit(
        search=search,
        beta=beta,
        cost=cost,
        variance=dict(zip(terms, (float(value) for value in batch.theta[0]), strict=True)),
        batch=batch,
        adjusted=adjusted_covariance(batch, drop_edges=data.groups != 2),
        converged=bool(moved < 1e-3),
    )


def _linear(search: Search, beta: Array, terms: tuple[str, ...], criterion: str) -> BatchFit:
    """The linear mixed model at β; columns that add nothing there are left out at the end."""
    data, curve = search.data, search.curve
    gradient = curve.gradient(data.time_min, beta)
    rate = gradient[:, 1] if curve.size > 1 else np.zeros(len(gradient))
    kept = _independent(gradient)
    response = data.ln_size - curve.log_size(data.time_min, beta) + gradient[:, :kept] @ beta[:kept]
    parts = covariance_parts(data, terms, rate)
    return fit_batch(response, gradient[:, :kept], parts, criterion=criterion)


def _independent(gradient: Array) -> int:
    """How many leading columns are independent, to a relative 1e-7."""
    size = np.linalg.norm(gradient, axis=0)
    for kept in range(gradient.shape[1], 1, -1):
        part = gradient[:, :kept] / np.where(size[:kept] > 0, size[:kept], 1.0)
        if np.linalg.svd(part, compute_uv=False)[-1] > 1e-7:
            return kept
    return 1


def _moved(old: Array, new: Array) -> float:
    return float(np.abs(new - old).max() / max(np.abs(new).max(), 1e-300))
