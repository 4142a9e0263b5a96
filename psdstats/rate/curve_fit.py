"""Fit one curve of size against time: generalised least squares with estimated variances.

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

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.engine import BatchFit, CovarianceParts, fit_batch
from psdstats.models.kenward_roger import (
    AdjustedCovariance,
    adjusted_covariance,
    kenward_roger,
)
from psdstats.rate.constraints import AllFree
from psdstats.rate.critical import critical_value, student_critical
from psdstats.rate.curve_search import Search, bounds_of
from psdstats.rate.curves import Curve
from psdstats.rate.run_sizes import RunSizes

__all__ = ["CurveFit", "covariance_parts", "fit_curve", "random_terms"]

Array = NDArray[np.float64]
MOST_ROUNDS = 40
SAME = 1e-6
EDGE = 1e-7


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

    @property
    def at_edge(self) -> tuple[str, ...]:
        """Parameters at an end of their range, so that the data do not fix them."""
        lower, upper = bounds_of(self.curve, self.data)
        edge = (self.beta <= lower + EDGE) | (self.beta >= upper - EDGE)
        return tuple(name for name, flag in zip(self.curve.parameters, edge, strict=True) if flag)

    def log_size(self, time_min: Array) -> Array:
        """Fitted ln D at the given times."""
        return self.curve.log_size(np.asarray(time_min, dtype=float), self.beta)

    def spread(self, gradient: Array) -> tuple[float, float, float]:
        """Standard error, its inflation, and degrees of freedom of a direction in β.

        Parameters
        ----------
        gradient : ndarray, shape (p,)
            Derivatives of what is looked at in β.

        Returns
        -------
        standard_error, inflation, df : float
            Kenward–Roger; inflation is the adjusted over the plain variance.
        """
        kept = self.batch.design.shape[1]
        direction = gradient[:kept]
        variance = float(direction @ self.adjusted.adjusted[0] @ direction)
        plain = float(direction @ self.adjusted.plain[0] @ direction)
        if plain <= 0:
            return 0.0, 1.0, np.inf
        df = float(kenward_roger(self.batch, self.adjusted, direction).df_den[0])
        df = max(df, float(self.least_df))
        return float(np.sqrt(max(variance, plain))), max(variance / plain, 1.0), df

    def critical(self, df: float, level: float) -> float:
        """Two-sided critical value for a direction with these degrees of freedom."""
        if self.data.groups > 1:
            return student_critical(level, df)
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
    """Fit a curve and its variances.

    Parameters
    ----------
    curve : Curve
        The curve.
    data : RunSizes
        The sizes.
    criterion : {"reml", "ml"}
        Likelihood for the variances; "ml" is for comparing curves.
    random_rate : bool or None
        Whether groups may differ in their rate; None: where there are three groups or more.

    Returns
    -------
    CurveFit

    Raises
    ------
    ModelError
        If the trial has no more runs than the curve has parameters.
    """
    n = len(data.ln_size)
    if n <= curve.size:
        raise ModelError(
            f"the curve {str(curve.name)!r} has {curve.size} parameters for {n} runs; sample more "
            "times or choose a simpler curve."
        )
    terms = random_terms(data, curve, random_rate)
    free = AllFree(curve)
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
