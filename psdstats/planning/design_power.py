"""One planned design, simulated: how often a change, and that little was left, would be shown.

Trials without any change are drawn and judged as `compare` judges a study: groups are fixed
blocks, what differs within them is estimated beside the known measurement, and the law of each
contrast is that of the calibrated level.  That law takes nothing from the means of the times, so
one set of trials serves every change: the estimate is shifted, its reach stays.  The power curve
is exact for the simulated trials, and all changes share the same random numbers.

Response ln D; distances, reaches and standard errors on that scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from psdstats.comparison.ordered import BESIDE, LAST_STEP
from psdstats.comparison.plan import SpreadRule
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.judged import Family, Judged, Question
from psdstats.models.level import LevelLaw
from psdstats.models.verdicts import PLAUSIBLE_DRIFT_PERCENT
from psdstats.planning.variation import Design, Variation, analysis_of

WIDEST = 16.0  # ln D; a change by a factor of nine million is sought no further
IN_ORDER = 1.0 - BESIDE  # share of the error of the last time


class PowerQuestion(StrEnum):
    """How the change from the first to the last time is to be shown."""

    FALLEN = "fallen by the end"
    FAMILY = "each against first"
    LAST = "last against first"


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownAcross:
    """How far a contrast is shown to lie from a limit, in every simulated trial.

    Parameters
    ----------
    noise : ndarray, shape (trials,)
        Estimates of a contrast that is truly 0.
    reach : ndarray, shape (trials,)
        Half width: an estimate further than it from the limit is shown.
    two_sided : bool
        Whether it may lie off on either side, or on the side looked for alone.

    Notes
    -----
    Each trial is used with its noise and with the noise's mirror image, which is as likely.
    """

    noise: Array
    reach: Array
    two_sided: bool = False

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def power_at(self, distance: ArrayLike) -> Array:
        """Share of trials that show a true distance, for each distance."""
        apart = np.atleast_1d(np.asarray(distance, dtype=float))[:, None]
        shown = np.zeros(len(apart))
        for noise in (self.noise, -self.noise):
            off = apart + noise
            shown += 0.5 * ((np.abs(off) if self.two_sided else off) > self.reach).mean(axis=1)
        return shown

    def interval_of(self, power: ArrayLike) -> tuple[Array, Array]:
        """95 % interval of a power from so many trials (Clopper and Pearson 1934, from memory)."""
        from statsmodels.stats.proportion import proportion_confint

        trials = len(self.noise)
        shown = np.asarray(power, dtype=float) * trials
        lower, upper = proportion_confint(shown, trials, method="beta")
        return np.asarray(lower), np.asarray(upper)

    def error_of(self, power: ArrayLike) -> Array:
        """Monte Carlo standard error of a power (binomial; the mirror images are not counted)."""
        p = np.asarray(power, dtype=float)
        return np.asarray(np.sqrt(p * (1 - p) / len(self.noise)))

    def smallest(self, wanted: float) -> float:
        """Smallest distance with the wanted power; inf where none has it."""
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

    def smallest_error(self, wanted: float) -> float:
        """Monte Carlo standard error of `smallest`, from the power curve around it."""
        spread = float(self.error_of(wanted))
        low, high = max(wanted - spread, 1e-3), min(wanted + spread, 1 - 1e-3)
        return 0.5 * (self.smallest(high) - self.smallest(low))


@dataclass(frozen=True, kw_only=True, eq=False)
class DesignPower:
    """The simulated trials of one design, reduced to what power curves need.

    Parameters
    ----------
    design : Design
        The design.
    change : ShownAcross
        Last time against the first, as the question has it.
    step : ShownAcross
        What the last step gained, against the margin: one-sided.
    df, standard_error : ndarray, shape (trials,)
        Degrees of freedom, and standard error of last against first.
    """

    design: Design
    change: ShownAcross
    step: ShownAcross
    df: Array
    standard_error: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


def simulate_design(
    variation: Variation,
    design: Design,
    *,
    question: PowerQuestion | str,
    alpha: float,
    trials: int,
    seed: int,
    spread: SpreadRule | str = SpreadRule.DRIFTING,
) -> DesignPower:
    """Simulate one design without any change and keep what its power curves need."""
    drawn = draw_ln_sizes(variation, design, trials=trials, seed=seed)
    judged = judge_trials(design, variation, drawn, spread)
    asked, last = PowerQuestion(question), design.times - 2
    claims = [judged]
    if design.leaves_drift_unknown(spread):  # claimed is only what a plausible drift leaves
        drift = PLAUSIBLE_DRIFT_PERCENT
        claims.append(judge_trials(design, variation, drawn, spread, drift_percent=drift))
    if asked is PowerQuestion.FAMILY:
        reach = judged.family_half_width(_against_first(design), alpha)[:, last]
    elif asked is PowerQuestion.LAST:
        reach = judged.half_width(alpha)[:, last]
    else:
        reach = _widest(claims, IN_ORDER * alpha)[:, last]
    step_reach = _widest(claims, LAST_STEP * alpha)[:, -1]
    return DesignPower(
        design=design,
        change=ShownAcross(
            noise=judged.estimate[:, last],
            reach=reach,
            two_sided=asked is not PowerQuestion.FALLEN,
        ),
        step=ShownAcross(noise=judged.estimate[:, -1], reach=step_reach),
        df=judged.df[:, last],
        standard_error=judged.se[:, last],
    )


def draw_ln_sizes(variation: Variation, design: Design, *, trials: int, seed: int) -> Array:
    """Draw ln D of every run of many independent trials, about a mean of 0; shape (trials, runs).

    Nothing changes with time.  Switching one part off leaves the draws of the others as they were.
    """
    groups, times, replicates = design.groups, design.times, design.replicates
    rng = np.random.default_rng(np.random.SeedSequence([seed, groups, times, replicates]))
    shared = rng.standard_normal((2, trials, groups, 1, 1))
    lines = rng.standard_normal((trials, groups, 1, 1))
    cells = rng.standard_normal((trials, groups, times, 1))
    own = rng.standard_normal((2, trials, groups, times, replicates))
    percent = (
        variation.group_percent * shared[0]
        + variation.sieves_percent * shared[1]
        + variation.drift_percent * lines * np.linspace(0.0, 1.0, times)[:, None]
        + variation.group_time_percent * cells
        + variation.run_percent * own[0]
        + variation.measurement_percent * own[1]
    )
    return np.asarray(percent.reshape(trials, design.runs) / 100)


def _widest(claims: Sequence[Judged], alpha: float) -> Array:
    """One-sided reach by which every law shows a contrast; complete trials share the estimates."""
    return np.asarray(np.max([one.half_width(2 * alpha) for one in claims], axis=0))


def judge_trials(
    design: Design,
    variation: Variation,
    ln_size: Array,
    spread: SpreadRule | str,
    *,
    drift_percent: float = 0.0,
) -> Judged:
    """Judge each later time against the first, then the last step's gain, in many trials.

    Shapes: ln_size (trials, runs); contrasts (times - 1) + 1.
    """
    analysis = analysis_of(design, variation, spread, drift_percent=drift_percent)
    later = design.times - 1
    contrasts = np.zeros((later + 1, analysis.x.shape[1]))
    contrasts[:later, 0], contrasts[:later, 1 : later + 1] = -1.0, np.eye(later)
    contrasts[later, later - 1 : later + 1] = 1.0, -1.0
    asked = Question(contrasts=contrasts, families=(_against_first(design),))
    # the law takes from a response no more than the size of its scatter: here an ordinary one
    fitted = ln_size @ np.linalg.pinv(analysis.x).T @ analysis.x.T
    scatter = np.square(ln_size - fitted).sum(axis=1)
    typical = ln_size[np.argsort(scatter)[len(scatter) // 2]]
    return LevelLaw(analysis.x, analysis.parts, analysis.known, asked, typical).judge(ln_size)


def _against_first(design: Design) -> Family:
    later = design.times - 1
    return Family(members=tuple(range(later)), signs=(1,) * later)
