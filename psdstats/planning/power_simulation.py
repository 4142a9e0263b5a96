"""Power and smallest detectable change of planned trials, by simulation.

Response ln D, changes in per cent of size.  Trials without any change are simulated from stated or
estimated standard deviations and analysed as `compare` analyses a study: REML with the known
measurement covariance, Kenward–Roger tests of the times.  REML estimates of variances do not move
when every time's mean is shifted, so one set of fits serves every change: the estimate is shifted,
its standard error and degrees of freedom stay.  That makes the power curve exact for the simulated
trials and lets all changes share the same random numbers.

Not covered: incomplete designs, percentiles the sieves do not bracket.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum
from itertools import product

import numpy as np
from numpy.typing import NDArray

from psdstats.models.engine import BatchFit, fit_batch
from psdstats.models.kenward_roger import AdjustedCovariance, adjusted_covariance, kenward_roger
from psdstats.planning.plan_error import PlanError
from psdstats.planning.power_result import DesignPower, PowerResult
from psdstats.planning.trial_plan import (
    Design,
    Variation,
    covariance_parts,
    noise_covariance,
    time_indicators,
)

__all__ = ["Question", "power", "simulate_design"]

Array = NDArray[np.float64]
FIT_TOLERANCE = 1e-5  # ample beside the Monte Carlo error


class Question(StrEnum):
    """What the planned trial is to show."""

    LAST = "last against first"
    FAMILY = "each against first"
    ANY = "any difference"


def power(
    variation: Variation,
    *,
    groups: int | Sequence[int] = 4,
    times: int | Sequence[int] = 5,
    replicates: int | Sequence[int] = (1, 2, 3),
    change_percent: float = -10.0,
    question: Question | str = Question.FAMILY,
    alpha: float = 0.05,
    wanted_power: float = 0.8,
    trials: int = 2000,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> PowerResult:
    """Chance of showing a change, and the smallest change likely to be shown, for each design.

    Parameters
    ----------
    variation : Variation
        Standard deviations, stated or from `variation_of`.
    groups, times, replicates : int or sequence of int
        Every combination is one design.
    change_percent : float, default=-10
        Change of size from the first to the last time, per cent; above -100 and not 0.
    question : {"each against first", "last against first", "any difference"}
        The last time against the first within the family of all times against the first
        (Dunnett), that contrast alone, or the joint F test of all times, with equal steps of
        ln D from time to time.
    alpha : float, default=0.05
        Level of the test.
    wanted_power : float, default=0.8
        Power at which the smallest detectable change is given.
    trials : int, default=2000
        Simulated trials a design.
    seed : int, default=0
        Seed; designs are simulated independently of each other.
    progress : callable or None
        Called with (designs done, designs in all).

    Returns
    -------
    PowerResult

    Raises
    ------
    PlanError
        For a design that cannot answer, or a number out of range.
    """
    question = Question(question)
    if not -100 < change_percent < np.inf or change_percent == 0:
        raise PlanError(f"the change is {change_percent:g} %; give one above -100, not 0.")
    for name, value in (("alpha", alpha), ("wanted power", wanted_power)):
        if not 0 < value < 1:
            raise PlanError(f"{name} is {value:g}; give a number between 0 and 1.")
    if trials < 100:
        raise PlanError(f"{trials} trials are too few to tell a power; ask for 100 or more.")
    if seed < 0:
        raise PlanError(f"the seed is {seed}; give a whole number of 0 or more.")
    designs = [
        Design(groups=g, times=t, replicates=r)
        for g, t, r in product(_several(groups), _several(times), _several(replicates))
    ]
    results = []
    for number, design in enumerate(designs):
        shares = simulate_design(
            design, variation, question=question, alpha=alpha, trials=trials, seed=seed
        )
        results.append(shares)
        if progress is not None:
            progress(number + 1, len(designs))
    return PowerResult(
        designs=tuple(results),
        variation=variation,
        change_percent=change_percent,
        question=str(question),
        alpha=alpha,
        wanted_power=wanted_power,
        trials=trials,
        seed=seed,
    )


def simulate_design(
    design: Design,
    variation: Variation,
    *,
    question: Question | str,
    alpha: float,
    trials: int,
    seed: int,
) -> DesignPower:
    """Simulate one design without any change and keep what its power curve needs."""
    stream = np.random.SeedSequence([seed, design.groups, design.times, design.replicates])
    rng = np.random.default_rng(stream)
    root = np.linalg.cholesky(noise_covariance(design, variation))
    responses = rng.standard_normal((trials, design.runs)) @ root.T
    fit = fit_batch(
        responses,
        time_indicators(design),
        covariance_parts(design, variation),
        free=True,  # as `compare` fits: variances may go below zero, which keeps the tests exact
        tolerance=FIT_TOLERANCE,
    )
    adjusted = adjusted_covariance(fit)
    if Question(question) is Question.ANY:
        return _joint(design, fit, adjusted, alpha)
    return _single(design, fit, adjusted, alpha, family=Question(question) is Question.FAMILY)


def _single(
    design: Design, fit: BatchFit, adjusted: AdjustedCovariance, alpha: float, *, family: bool
) -> DesignPower:
    contrast = np.zeros(design.times)
    contrast[0], contrast[-1] = -1.0, 1.0
    test = kenward_roger(fit, adjusted, contrast)
    error = np.sqrt(contrast @ adjusted.adjusted @ contrast)
    critical = _critical(design, test.df_den, alpha, family=family and design.times > 2)
    return DesignPower(
        design=design,
        estimate=(fit.beta @ contrast)[:, None],
        root=(1 / error)[:, None, None],
        per_unit=np.ones(1),
        critical=critical,
        df=test.df_den,
        standard_error=error,
        on_edge=np.asarray((fit.theta <= 0).any(axis=1)),
    )


def _joint(
    design: Design, fit: BatchFit, adjusted: AdjustedCovariance, alpha: float
) -> DesignPower:
    contrasts = np.hstack([-np.ones((design.times - 1, 1)), np.eye(design.times - 1)])
    test = kenward_roger(fit, adjusted, contrasts)
    spread = contrasts @ adjusted.adjusted @ contrasts.T
    whiten = np.linalg.inv(np.linalg.cholesky(spread))
    last = np.zeros(design.times)
    last[0], last[-1] = -1.0, 1.0
    return DesignPower(
        design=design,
        estimate=fit.beta @ contrasts.T,
        root=whiten * np.sqrt(test.scaling / test.df_num)[:, None, None],
        per_unit=np.arange(1, design.times) / (design.times - 1),
        critical=np.sqrt(_f_critical(test.df_num, test.df_den, alpha)),
        df=test.df_den,
        standard_error=np.sqrt(last @ adjusted.adjusted @ last),
        on_edge=np.asarray((fit.theta <= 0).any(axis=1)),
    )


def _critical(design: Design, df: Array, alpha: float, *, family: bool) -> Array:
    """Critical |t| for each trial; Dunnett's is interpolated in 1/df between exact values."""
    from psdstats.models.multiplicity import simultaneous
    from psdstats.models.student import critical_t

    if not family:
        return np.asarray(critical_t(alpha, df))
    m = design.times - 1
    correlation = 0.5 * (np.eye(m) + np.ones((m, m)))
    inverse = 1 / df
    low, high = float(inverse.min()), float(inverse.max())
    nodes = np.array([low]) if high - low < 1e-9 else _chebyshev(low, high, 9)
    exact = [
        float(
            simultaneous(
                np.zeros(m),
                correlation,
                1 / node if node > 0 else np.inf,
                kind="dunnett",
                level=1 - alpha,
            ).critical[-1]
        )
        for node in nodes
    ]
    if len(nodes) == 1:
        return np.full(df.shape, exact[0])
    fitted = np.polynomial.Chebyshev.fit(nodes, np.log(exact), len(nodes) - 1, domain=[low, high])
    return np.exp(np.asarray(fitted(inverse)))


def _chebyshev(low: float, high: float, count: int) -> Array:
    points = np.polynomial.chebyshev.chebpts1(count)
    return np.asarray(0.5 * (low + high) + 0.5 * (high - low) * points)


def _f_critical(df_num: int, df_den: Array, alpha: float) -> Array:
    from scipy import special

    finite = np.isfinite(df_den)
    exact = special.fdtri(df_num, np.where(finite, df_den, 1.0), 1 - alpha)
    limit = special.chdtri(df_num, alpha) / df_num
    return np.asarray(np.where(finite, exact, limit))


def _several(value: int | Sequence[int]) -> tuple[int, ...]:
    values = (value,) if isinstance(value, int) else tuple(value)
    if not values:
        raise PlanError("an empty list of designs was given; name at least one number.")
    return values
