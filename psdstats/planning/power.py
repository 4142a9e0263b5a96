"""How large |t| must be in each of many simulated trials for a family of times against the first.

`compare` finds the limit of one trial from the exact law of the largest |t|.  In a complete trial
the covariance of the differences from the first time is b (I + J) + s k kᵀ, k = 1, 2, …: what runs
and cells leave, and the lines along which groups drift.  Correlations then depend on s/b alone and
the limit on that and on the degrees of freedom, so it is found exactly on a grid of the two and
read off between its points (Chebyshev polynomials in arctan √(s/b), in which the limit is smooth
at both ends, and in 1/df; what that leaves is far below the Monte Carlo error of a power).

Results of `psdstats.planning.power`: per design, the power at any change, with its error.

Changes in per cent of size; standard errors and shifts on the scale of ln D.

Power and smallest detectable change of planned trials, by simulation.

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
from dataclasses import dataclass
from enum import StrEnum
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import PlanError
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.engine import BatchFit, fit_batch
from psdstats.models.kenward_roger import (
    AdjustedCovariance,
    adjusted_covariance,
    kenward_roger,
    single_df,
)
from psdstats.planning.variation import (
    Design,
    Variation,
    covariance_parts,
    time_indicators,
)
from psdstats.present import present
from psdstats.simulate.trial_sizes import simulate_ln_sizes
from psdstats.student import critical_t, two_sided_p

NARROW = 1e-9  # a range below it is one value
NODES = 7  # in each of the two


def last_of_family(covariance: Array, df: Array, *, alpha: float) -> Array:
    """Limit of |t| of the last time against the first, within all times against the first.

    Shapes: covariance (trials, m, m), df (trials, m); gives (trials,).
    """
    common = df.max(axis=1)  # as `simultaneous` does where they differ
    limit = _read_off(_line_angle(covariance), 1 / common, covariance.shape[1], alpha)
    last = df[:, -1]
    back = critical_t(two_sided_p(limit, common), last)
    return np.asarray(np.where(np.isclose(last, common, rtol=1e-9), limit, back))


def _line_angle(covariance: Array) -> Array:
    """Arctan √(s/b) of each trial, from the variances of the first and of the last difference."""
    m = covariance.shape[1]
    if m == 1:
        return np.zeros(len(covariance))
    first, last = covariance[:, 0, 0], covariance[:, -1, -1]
    line = np.maximum((last - first) / (m**2 - 1), 0.0)
    line = np.where(line < NARROW * first, 0.0, line)
    return np.asarray(np.arctan2(np.sqrt(line), np.sqrt(0.5 * (first - line))))


def _read_off(angle: Array, inverse_df: Array, m: int, alpha: float) -> Array:
    """Limits at the common degrees of freedom, for each trial."""
    angles, inverses = _nodes(angle), _nodes(inverse_df)
    degrees = [len(angles) - 1, len(inverses) - 1]
    exact = np.array([_exact(one, inverses, m, alpha) for one in angles])
    at_nodes = np.polynomial.chebyshev.chebvander2d(*_grid(angles, inverses), degrees)
    weights = np.linalg.solve(at_nodes, np.log(exact).ravel())
    x, y = _unit(angle, angles), _unit(inverse_df, inverses)
    return np.asarray(np.exp(np.polynomial.chebyshev.chebvander2d(x, y, degrees) @ weights))


def _grid(angles: Array, inverses: Array) -> tuple[Array, Array]:
    x, y = np.meshgrid(_unit(angles, angles), _unit(inverses, inverses), indexing="ij")
    return x.ravel(), y.ravel()


def _nodes(values: Array) -> Array:
    """Where the limit is found exactly: Chebyshev's points with both ends, or the one value."""
    low, high = float(values.min()), float(values.max())
    if high - low < NARROW:
        return np.array([low])
    points = np.polynomial.chebyshev.chebpts2(NODES)
    return np.asarray(0.5 * (low + high) + 0.5 * (high - low) * points)


def _unit(values: Array, nodes: Array) -> Array:
    """Values carried to −1 … 1 over the range of the nodes."""
    if len(nodes) == 1:
        return np.zeros(len(values))
    return np.asarray((2 * values - nodes[0] - nodes[-1]) / (nodes[-1] - nodes[0]))


def _exact(angle: float, inverse_df: Array, m: int, alpha: float) -> Array:
    """The limit for one angle and several degrees of freedom."""
    from psdstats.models.maximum_law import maximum_law

    place = np.arange(1.0, m + 1)
    covariance = np.cos(angle) ** 2 * (np.eye(m) + 1)
    covariance += np.sin(angle) ** 2 * np.outer(place, place)
    error = np.sqrt(np.diag(covariance))
    law = maximum_law(covariance / np.outer(error, error))
    return np.array([law.critical(alpha, 1 / one if one > 0 else np.inf) for one in inverse_df])


WIDEST = 16.0  # ln D; a change by a factor of nine million is sought no further


@dataclass(frozen=True, kw_only=True, eq=False)
class DesignPower:
    """Fits of the simulated trials of one design, reduced to what a power curve needs.

    Parameters
    ----------
    design : Design
        The design.
    estimate : ndarray, shape (trials, l)
        Contrasts estimated where nothing changes.
    root : ndarray, shape (trials, l, l)
        A with |A c|² the square of t, or F, of contrasts c.
    per_unit : ndarray, shape (l,)
        Contrasts that a change of 1 in ln D from first to last time makes.
    critical : ndarray, shape (trials,)
        Length of A c above which a difference counts as shown.
    df, standard_error : ndarray, shape (trials,)
        Degrees of freedom, and standard error of last against first.
    on_edge : ndarray of bool, shape (trials,)
        Fits with a variance at zero or below.
    """

    design: Design
    estimate: Array
    root: Array
    per_unit: Array
    critical: Array
    df: Array
    standard_error: Array
    on_edge: NDArray[np.bool_]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def power_at(self, log_change: ArrayLike) -> Array:
        """Share of trials that show a change of ln D, for each change.

        Notes
        -----
        Each trial is used with its noise and with the noise's mirror image, which is as likely.
        """
        changes = np.atleast_1d(np.asarray(log_change, dtype=float))
        noise = (self.root @ self.estimate[:, :, None])[:, :, 0]
        step = self.root @ self.per_unit
        flat, cross, slope = (
            (noise**2).sum(axis=1),
            (noise * step).sum(axis=1),
            (step**2).sum(axis=1),
        )
        shown = [
            0.5
            * sum(
                float(np.mean(flat + 2 * sign * cross * d + slope * d**2 > self.critical**2))
                for sign in (-1, 1)
            )
            for d in changes
        ]
        return np.array(shown)

    def interval_of(self, power: ArrayLike) -> tuple[Array, Array]:
        """95 % interval of a power from so many trials (Clopper and Pearson 1934, from memory)."""
        from statsmodels.stats.proportion import proportion_confint

        trials = len(self.critical)
        shown = np.asarray(power, dtype=float) * trials
        lower, upper = proportion_confint(shown, trials, method="beta")
        return np.asarray(lower), np.asarray(upper)

    def error_of(self, power: ArrayLike) -> Array:
        """Monte Carlo standard error of a power (binomial; the mirror images are not counted)."""
        p = np.asarray(power, dtype=float)
        return np.asarray(np.sqrt(p * (1 - p) / len(self.critical)))

    def detectable(self, wanted: float) -> float:
        """Smallest change of ln D (either way) with the wanted power; inf where none is."""
        if self.power_at(WIDEST)[0] < wanted:
            return float("inf")
        low, high = 0.0, WIDEST
        while high - low > 1e-7:
            middle = 0.5 * (low + high)
            if self.power_at(middle)[0] >= wanted:
                high = middle
            else:
                low = middle
        return high

    def detectable_error(self, wanted: float) -> float:
        """Monte Carlo standard error of `detectable`, from the power curve around it."""
        spread = float(self.error_of(wanted))
        low, high = max(wanted - spread, 1e-3), min(wanted + spread, 1 - 1e-3)
        return 0.5 * (self.detectable(high) - self.detectable(low))


@dataclass(frozen=True, kw_only=True, eq=False)
class PowerResult:
    """Power and smallest detectable change of each design.

    Parameters
    ----------
    designs : tuple of DesignPower
        The designs, in the order asked.
    variation : Variation
        What the simulation assumed.
    change_percent, question, alpha, wanted_power, trials, seed
        As asked.
    """

    designs: tuple[DesignPower, ...]
    variation: Variation
    change_percent: float
    question: str
    alpha: float
    wanted_power: float
    trials: int
    seed: int

    def to_frame(self) -> pd.DataFrame:
        """One row a design: size of the design, power with its error, detectable change."""
        return pd.DataFrame([self._row(one) for one in self.designs])

    def _row(self, one: DesignPower) -> dict[str, float]:
        change = float(np.log1p(self.change_percent / 100))
        shown = float(one.power_at(change)[0])
        smallest = one.detectable(self.wanted_power)
        error = one.detectable_error(self.wanted_power)
        return {
            **vars(one.design),
            "runs": one.design.runs,
            "change_percent": self.change_percent,
            "power": shown,
            "power_error": float(one.error_of(shown)),
            "detectable_increase_percent": float(100 * np.expm1(smallest)),
            "detectable_decrease_percent": float(-100 * np.expm1(-smallest)),
            "detectable_error_percent": float(100 * error * np.exp(-smallest)),
            "standard_error_percent": float(100 * np.median(one.standard_error)),
            "df": float(np.median(one.df)),
            "share_variance_not_above_zero": float(one.on_edge.mean()),
        }

    def curve_frame(self, change_percent: ArrayLike | None = None) -> pd.DataFrame:
        """Power against change, for a figure: one row a design (in words) and change.

        Parameters
        ----------
        change_percent : array_like, optional
            Changes of size, per cent, above -100; by default from none to twice the change asked.
        """
        if change_percent is None:
            largest = np.log1p(self.change_percent / 100)
            changes = 100 * np.expm1(np.linspace(0, 2 * largest, 41))
        else:
            changes = np.atleast_1d(np.asarray(change_percent, dtype=float))
        pieces = []
        for one in self.designs:
            shown = one.power_at(np.log1p(changes / 100))
            lower, upper = one.interval_of(shown)
            pieces.append(
                pd.DataFrame(
                    {
                        "design": " × ".join(map(str, vars(one.design).values())),
                        **vars(one.design),
                        "runs": one.design.runs,
                        "change_percent": changes,
                        "power": shown,
                        "power_error": one.error_of(shown),
                        "power_lower": lower,
                        "power_upper": upper,
                    }
                )
            )
        return pd.concat(pieces, ignore_index=True)

    def summary(self) -> str:
        """What each design would show, in words."""
        return str(present("summary", self))


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
