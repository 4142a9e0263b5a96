"""Power and smallest detectable change of planned trials, by simulation.

Response ln D, changes in per cent of size.  `psdstats.simulate` draws trials without any change
from stated or estimated standard deviations; they are analysed as `compare` analyses a study: REML
with the known measurement covariance and groups that may drift apart, Kenward–Roger tests of the
times.  REML estimates of variances do not move when every time's mean is shifted, so one set of
fits serves every change: the estimate is shifted, its standard error and degrees of freedom stay.
That makes the power curve exact for the simulated trials and lets all changes share the same
random numbers.

Not covered: incomplete designs, percentiles the sieves do not bracket.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum
from itertools import product

import numpy as np
from numpy.typing import NDArray

from psdstats.models.engine import BatchFit, fit_batch
from psdstats.models.kenward_roger import (
    AdjustedCovariance,
    adjusted_covariance,
    kenward_roger,
    single_df,
)
from psdstats.planning.family_limits import last_of_family
from psdstats.planning.plan_error import PlanError
from psdstats.planning.power_result import DesignPower, PowerResult
from psdstats.planning.trial_plan import (
    Design,
    Variation,
    covariance_parts,
    time_indicators,
)
from psdstats.simulate import simulate_ln_sizes

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
    drawn = simulate_ln_sizes(
        variation.spread,
        groups=design.groups,
        times=design.times,
        replicates=design.replicates,
        trials=trials,
        seed=np.random.SeedSequence([seed, design.groups, design.times, design.replicates]),
    )
    fit = fit_batch(
        drawn.reshape(trials, design.runs),
        time_indicators(design),
        covariance_parts(design, variation),
        # as `compare` fits: with lines of the groups variances at zero are dropped; without, they
        # may go below zero, which keeps the tests exact
        free=not design.group_lines,
        tolerance=FIT_TOLERANCE,
    )
    adjusted = adjusted_covariance(fit, drop_edges=design.group_lines)
    if Question(question) is Question.ANY:
        return _joint(design, fit, adjusted, alpha)
    return _single(design, fit, adjusted, alpha, family=Question(question) is Question.FAMILY)


def _single(
    design: Design, fit: BatchFit, adjusted: AdjustedCovariance, alpha: float, *, family: bool
) -> DesignPower:
    from psdstats.models.student import critical_t

    contrasts = _against_first(design)
    df = single_df(adjusted, contrasts)
    covariance = contrasts @ adjusted.adjusted @ contrasts.T
    error = np.sqrt(covariance[:, -1, -1])
    critical = (
        last_of_family(covariance, df, alpha=alpha) if family else critical_t(alpha, df[:, -1])
    )
    return DesignPower(
        design=design,
        estimate=(fit.beta @ contrasts[-1])[:, None],
        root=(1 / error)[:, None, None],
        per_unit=np.ones(1),
        critical=np.asarray(critical),
        df=df[:, -1],
        standard_error=error,
        on_edge=np.asarray((fit.theta <= 0).any(axis=1)),
    )


def _joint(
    design: Design, fit: BatchFit, adjusted: AdjustedCovariance, alpha: float
) -> DesignPower:
    contrasts = _against_first(design)
    test = kenward_roger(fit, adjusted, contrasts)
    spread = contrasts @ adjusted.adjusted @ contrasts.T
    whiten = np.linalg.inv(np.linalg.cholesky(spread))
    return DesignPower(
        design=design,
        estimate=fit.beta @ contrasts.T,
        root=whiten * np.sqrt(test.scaling / test.df_num)[:, None, None],
        per_unit=np.arange(1, design.times) / (design.times - 1),
        critical=np.sqrt(_f_critical(test.df_num, test.df_den, alpha)),
        df=test.df_den,
        standard_error=np.sqrt(spread[:, -1, -1]),
        on_edge=np.asarray((fit.theta <= 0).any(axis=1)),
    )


def _against_first(design: Design) -> Array:
    """Each later time against the first, shape (times - 1, times)."""
    return np.hstack([-np.ones((design.times - 1, 1)), np.eye(design.times - 1)])


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
