"""How sizes vary, how a planned trial is analysed, and how often one design would show a change.

Response: ln of a percentile (or of span), so standard deviations are relative; in per cent they
are 100 times the standard deviation of ln D.  They are stated, or read from the analysis of a
study; the part of the measurement can be found from simulated weighings of the expected powder,
split into what each sample has for itself (balance, particles) and what samples on one stack share
(apertures, and the curve between them).  A plan is complete: groups × times × replicates.

Trials without any change are drawn and judged as `compare` judges a study: groups are fixed
blocks, what differs within them is estimated beside the known measurement, and the law of each
contrast is that of the calibrated level.  That law takes nothing from the means of the times, so
one set of trials serves every change: the estimate is shifted, its reach stays.  The power curve
is exact for the simulated trials, and all changes share the same random numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from math import sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats import limits
from psdstats.columns import QUANTITIES, TIME
from psdstats.comparison.analysis import SpreadBasis, analyse
from psdstats.comparison.ordered import BESIDE, LAST_STEP
from psdstats.comparison.plan import SpreadRule, plan_comparison
from psdstats.errors import PlanError
from psdstats.findings import Remark
from psdstats.frozen import Array, Still
from psdstats.models.judged import Family, Judged, Question
from psdstats.models.level import LevelLaw
from psdstats.models.verdicts import PLAUSIBLE_DRIFT_PERCENT
from psdstats.planning.planned_samples import (
    ExpectedPowder,
    PlannedWeighing,
    PlanningRemark,
    planned_sizes,
)
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import RUN_TO_RUN
from psdstats.uncertainty.propagation import Propagation

FEWEST_FOR_LINES = 3  # groups, and times, from which `compare` gives each group a line of its own


@dataclass(frozen=True, kw_only=True)
class Variation:
    """Standard deviations of ln D, in per cent.

    Parameters
    ----------
    run_percent : float
        Between repeated runs of one group at one time (milling, sampling, sieving).
    group_percent : float, default=0
        Between groups, the same at all times; cancels in a comparison of times.
    group_time_percent : float, default=0
        Between groups in how they change, at each time anew.
    drift_percent : float, default=0
        Between groups in how far each has drifted from the others by the last time, along a
        straight line in the order of times (benches that mill faster or slower).
    measurement_percent : float, default=0
        Known from the readings, each run for itself (balance, particles).
    sieves_percent : float, default=0
        Known from the sieves, shared by all runs of a group; cancels likewise.
    source : tuple of Remark
        Where the figures come from.

    Examples
    --------
    >>> from psdstats.planning import Variation
    >>> Variation(run_percent=4, group_percent=6).group_percent
    6
    """

    run_percent: float
    group_percent: float = 0.0
    group_time_percent: float = 0.0
    drift_percent: float = 0.0
    measurement_percent: float = 0.0
    sieves_percent: float = 0.0
    source: tuple[Remark, ...] = (PlanningRemark.STATED(),)

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name != "source":
                limits.SPREAD_PERCENT.require(item.name, value)
        if self.run_percent == 0 and self.measurement_percent == 0:
            raise PlanError(
                "run_percent and measurement_percent are both 0, so every difference would be "
                "seen; state the run-to-run variation."
            )


@dataclass(frozen=True, kw_only=True)
class Design:
    """A complete trial: every group does every time in every replicate.

    Parameters
    ----------
    groups, times, replicates : int
        How many of each; two times or more.

    Examples
    --------
    >>> from psdstats.planning import Design
    >>> Design(groups=3, times=4, replicates=2).runs
    24
    """

    groups: int
    times: int
    replicates: int

    def __post_init__(self) -> None:
        for name in ("groups", "times", "replicates"):
            count = limits.COUNT.require(name, getattr(self, name))
            if name == "times" and count < 2:
                raise PlanError("one time shows no change; plan two or more.")
        if self.groups == 1 and self.replicates == 1:
            raise PlanError(
                "one group with one replicate leaves nothing to tell run-to-run variation from a "
                "change; plan a second replicate or a second group."
            )

    @property
    def runs(self) -> int:
        """Number of runs."""
        return self.groups * self.times * self.replicates

    def allows_drift(self, spread: SpreadRule | str) -> bool:
        """Whether the analysis lets each group drift along a line of its own in the order.

        Parameters
        ----------
        spread : {"drifting", "pooled"}
            The rule asked for.

        Examples
        --------
        >>> from psdstats.planning import Design
        >>> Design(groups=3, times=4, replicates=1).allows_drift("drifting")
        True
        """
        enough = self.groups >= FEWEST_FOR_LINES and self.times >= FEWEST_FOR_LINES
        return enough and SpreadRule(spread) is SpreadRule.DRIFTING

    def leaves_drift_unknown(self, spread: SpreadRule | str) -> bool:
        """Whether groups may drift and are too few to show it; claims must then survive some.

        Parameters
        ----------
        spread : {"drifting", "pooled"}
            The rule asked for.

        Examples
        --------
        >>> from psdstats.planning import Design
        >>> Design(groups=2, times=4, replicates=2).leaves_drift_unknown("drifting")
        True
        """
        several = self.groups > 1 and self.times >= FEWEST_FOR_LINES
        drifting = SpreadRule(spread) is SpreadRule.DRIFTING
        return several and drifting and not self.allows_drift(spread)

    def allows_for(self, variation: Variation, spread: SpreadRule | str) -> bool:
        """Whether the analysis allows for all that varies, so that it errs no more than it says.

        Parameters
        ----------
        variation : Variation
            What varies.
        spread : {"drifting", "pooled"}
            The rule asked for.

        Examples
        --------
        >>> from psdstats.planning import Design, Variation
        >>> drifting = Variation(run_percent=4, drift_percent=3)
        >>> Design(groups=3, times=4, replicates=1).allows_for(drifting, "pooled")
        False
        """
        step = variation.drift_percent / (self.times - 1)
        most = PLAUSIBLE_DRIFT_PERCENT if self.leaves_drift_unknown(spread) else 0.0
        drift_allowed = self.allows_drift(spread) or step <= most
        return drift_allowed and (self.groups > 1 or variation.group_time_percent == 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedAnalysis:
    """The arrays by which `compare` judges a complete trial.

    Parameters
    ----------
    x : ndarray, shape (runs, times + groups)
        A column a time, then one a group: groups are fixed blocks.
    parts : ndarray, shape (k, runs, runs)
        What unknown variances multiply: group × time where repeated, drift where it is allowed
        for, run to run last.
    known : ndarray, shape (runs, runs), or None
        Measurement and shared sieves, at the values of the variation, and a drift taken for
        granted.
    """

    x: Array
    parts: Array
    known: Array | None


def analysis_of(
    design: Design,
    variation: Variation,
    spread: SpreadRule | str = SpreadRule.DRIFTING,
    *,
    drift_percent: float = 0.0,
) -> PlannedAnalysis:
    """What the analysis of a planned trial takes as fixed, estimates and knows.

    A drift, a step of times, is added to what is known.
    """
    group, time, _ = (
        one.ravel() for one in np.indices((design.groups, design.times, design.replicates))
    )
    same_group = (group[:, None] == group).astype(float)
    order = time - time.mean()
    lines = same_group * np.outer(order, order)
    parts = []
    if design.groups > 1 and design.replicates > 1:
        parts.append(same_group * (time[:, None] == time))
    if design.allows_drift(spread):
        parts.append(lines)
    parts.append(np.eye(design.runs))
    known = (variation.sieves_percent / 100) ** 2 * same_group
    known = known + (variation.measurement_percent / 100) ** 2 * np.eye(design.runs)
    known = known + (drift_percent / 100) ** 2 * lines
    return PlannedAnalysis(
        x=np.hstack([np.eye(design.times)[time], np.eye(design.groups)[group]]),
        parts=np.array(parts),
        known=known if known.any() else None,
    )


def variation_of(
    study: Study, *, quantity: str = "D50", propagation: Propagation | None = None
) -> Variation:
    """Standard deviations of ln D between runs and groups, and of the measurement, in a study.

    Parameters
    ----------
    study : Study
        A trial with replicates or with several groups.
    quantity : {"D10", "D50", "D90", "span"}
        Which quantity.
    propagation : Propagation or None
        Joint uncertainty of the study without the run-to-run source; made here otherwise.

    Returns
    -------
    Variation

    Raises
    ------
    PlanError
        If the study cannot tell run-to-run variation, having one group and no replicates.

    Notes
    -----
    The standard deviations are those that `compare` prints.  Lines along which groups drift are
    summed up by how far they lie apart at the last time.  The known covariance is summed up as a
    part of each run and a part shared by a group's runs (its mean covariance between two runs of
    one group), which stands for the sieves.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("four_benches"))
    >>> found = psdstats.planning.variation_of(study)
    >>> found.run_percent > found.measurement_percent > 0
    True
    """
    if quantity not in QUANTITIES:
        raise PlanError(f"there is no quantity {quantity!r}; choose from {', '.join(QUANTITIES)}.")
    if propagation is not None and RUN_TO_RUN in propagation.sources:
        raise PlanError(
            "the propagation given holds the run-to-run source, which is estimated here; make it "
            "without that source."
        )
    plan = plan_comparison(study, by=TIME)
    one = analyse(study, plan, quantities=[quantity], propagation=propagation)[quantity]
    frame, spread = one.frame, one.spread
    if spread.basis is SpreadBasis.NONE:
        raise PlanError(
            f"the {len(frame)} runs of this study leave nothing to tell run-to-run variation "
            "from; state it instead, as run_percent or --run-percent."
        )
    own, shared = _measurement(frame, np.asarray(one.response.known))
    steps = frame[TIME].nunique() - 1
    return Variation(
        run_percent=_percent(spread.run),
        group_percent=_percent(spread.group),
        group_time_percent=_percent(spread.cell),
        drift_percent=steps * _percent(spread.drift),
        measurement_percent=_percent(sqrt(own)),
        sieves_percent=_percent(sqrt(shared)),
        source=(
            PlanningRemark.OF_STUDY(
                quantity=quantity,
                title=study.title,
                runs=len(frame),
                groups=frame["group"].nunique(),
                basis=spread.basis,
            ),
        ),
    )


def _measurement(frame: pd.DataFrame, known: Array) -> tuple[float, float]:
    """Own and shared part of the known variance."""
    group = frame["group"].to_numpy()
    same = (group[:, None] == group[None, :]) & ~np.eye(len(group), dtype=bool)
    shared = max(float(known[same].mean()), 0.0) if same.any() else 0.0
    return max(float(np.diag(known).mean()) - shared, 0.0), shared


def _percent(standard_deviation: float) -> float:
    """In per cent; 0 where it was estimated at zero, below, or not at all."""
    return 100 * standard_deviation if standard_deviation > 0 else 0.0


def weighed_variation(
    variation: Variation,
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    sample_g: float,
    quantity: str = "D50",
    stacks: int = 2000,
    seed: int = 0,
) -> Variation:
    """The variation with its measurement and its sieves as simulated weighings find them."""
    if quantity not in QUANTITIES:
        raise PlanError(f"there is no quantity {quantity!r}; choose from {', '.join(QUANTITIES)}.")
    sizes = planned_sizes(
        [powder], aperture_um, weighing, sample_g=sample_g, trials=stacks, seed=seed
    )
    found = sizes.size(0, quantity)
    if found.share_open > 0:
        raise PlanError(
            f"the sieves leave {quantity} of {powder.name!r} open in {100 * found.share_open:.3g} "
            "% of simulated samples; choose a stack that brackets it."
        )
    return replace(
        variation,
        measurement_percent=found.own_percent,
        sieves_percent=found.shared_percent,
        source=(
            *variation.source,
            PlanningRemark.WEIGHED(
                powder=powder.name, sample_g=sample_g, weighing=weighing, found=found
            ),
        ),
    )


WIDEST = 16.0  # ln D; a change by a factor of nine million is sought no further
IN_ORDER = 1.0 - BESIDE  # share of the error of the last time


class PowerQuestion(StrEnum):
    """How the change from the first to the last time is to be shown."""

    FALLEN = "fallen by the end"
    FAMILY = "each against first"
    LAST = "last against first"


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownAcross(Still):
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
class DesignPower(Still):
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
            noise=judged.estimate[:, last], reach=reach, two_sided=asked is not PowerQuestion.FALLEN
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
