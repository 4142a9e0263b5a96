"""What a planned trial looks like to a mixed model: its runs and its sources of variation.

Response: ln of a percentile (or of span), so standard deviations are relative; in per cent they
are 100 times the standard deviation of ln D.  Groups × times × replicates, complete.  The model is
the one `compare` fits to such a trial when it is asked for nothing but the milling times.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from psdstats.models.engine import CovarianceParts
from psdstats.planning.plan_error import PlanError
from psdstats.simulate import SizeSpread

__all__ = ["Design", "Variation", "covariance_parts", "time_indicators"]

Array = NDArray[np.float64]
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
    source : str
        Where the figures come from, in words.
    """

    run_percent: float
    group_percent: float = 0.0
    group_time_percent: float = 0.0
    drift_percent: float = 0.0
    measurement_percent: float = 0.0
    sieves_percent: float = 0.0
    source: str = "stated"

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name != "source" and not 0 <= value < 1000:
                raise PlanError(f"{item.name} is {value:g}; give per cent, zero or more.")
        if self.run_percent == 0 and self.measurement_percent == 0:
            raise PlanError(
                "run_percent and measurement_percent are both 0, so every difference would be "
                "seen; state the run-to-run variation."
            )

    @property
    def spread(self) -> SizeSpread:
        """The same for the simulator: standard deviations of ln D, not in per cent."""
        return SizeSpread(
            run=self.run_percent / 100,
            group=self.group_percent / 100,
            group_time=self.group_time_percent / 100,
            drift=self.drift_percent / 100,
            reading=self.measurement_percent / 100,
            sieves=self.sieves_percent / 100,
        )


@dataclass(frozen=True, kw_only=True)
class Design:
    """A complete trial: every group does every time in every replicate.

    Parameters
    ----------
    groups, times, replicates : int
        How many of each; two times or more.
    """

    groups: int
    times: int
    replicates: int

    def __post_init__(self) -> None:
        for name, least in (("groups", 1), ("times", 2), ("replicates", 1)):
            if getattr(self, name) < least:
                raise PlanError(f"{name} is {getattr(self, name)}; plan {least} or more.")
        if self.groups == 1 and self.replicates == 1:
            raise PlanError(
                "one group with one replicate leaves nothing to tell run-to-run variation from a "
                "change; plan a second replicate or a second group."
            )

    @property
    def runs(self) -> int:
        """Number of runs."""
        return self.groups * self.times * self.replicates

    @property
    def random_cells(self) -> bool:
        """Whether group × time can be told apart from run to run."""
        return self.groups > 1 and self.replicates > 1

    @property
    def group_lines(self) -> bool:
        """Whether each group is given a line of its own in the order of times."""
        return self.groups >= FEWEST_FOR_LINES and self.times >= FEWEST_FOR_LINES


def _labels(design: Design) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    group, time, _ = np.indices((design.groups, design.times, design.replicates))
    return group.ravel(), time.ravel()


def time_indicators(design: Design) -> Array:
    """Design matrix of cell means, shape (runs, times): one column a time."""
    _, time = _labels(design)
    return np.eye(design.times)[time]


def covariance_parts(design: Design, variation: Variation) -> CovarianceParts:
    """What the analysis knows and what it estimates.

    Notes
    -----
    Random: group, where there are several; with three groups and three times or more a line of
    each group in the order of times, zero at the first; with replicates group × time; run to run
    always.  Known: measurement and shared sieves, at the values of `variation`.
    """
    group, time = _labels(design)
    same_group = (group[:, None] == group).astype(float)
    matrices = []
    if design.groups > 1:
        matrices.append(same_group)
    if design.group_lines:
        matrices.append(same_group * np.outer(time, time))
    if design.random_cells:
        matrices.append(same_group * (time[:, None] == time))
    matrices.append(np.eye(design.runs))
    known = None
    if variation.measurement_percent > 0 or variation.sieves_percent > 0:
        known = (variation.sieves_percent / 100) ** 2 * same_group
        known = known + (variation.measurement_percent / 100) ** 2 * np.eye(design.runs)
    return CovarianceParts(
        matrices=np.array(matrices), is_variance=np.ones(len(matrices), dtype=bool), known=known
    )
