"""How sizes vary from run to run and group to group, and how a planned trial is analysed.

Response: ln of a percentile (or of span), so standard deviations are relative; in per cent they
are 100 times the standard deviation of ln D.  They are stated, or read from the analysis of a
study; the part of the measurement can be found from simulated weighings of the expected powder,
split into what each sample has for itself (balance, particles) and what samples on one stack share
(apertures, and the curve between them).  A plan is complete: groups × times × replicates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from math import sqrt

import numpy as np
import pandas as pd

from psdstats import limits
from psdstats.columns import QUANTITIES, TIME
from psdstats.comparison.analysis import SpreadBasis, analyse
from psdstats.comparison.plan import SpreadRule, plan_comparison
from psdstats.errors import PlanError
from psdstats.findings import Remark
from psdstats.frozen import Array
from psdstats.models.verdicts import PLAUSIBLE_DRIFT_PERCENT
from psdstats.planning.planned_sizes import planned_sizes
from psdstats.planning.planned_weighing import ExpectedPowder, PlannedWeighing, PlanningRemark
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
    study: Study,
    *,
    quantity: str = "D50",
    propagation: Propagation | None = None,
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
            "from; state the variation instead."
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
