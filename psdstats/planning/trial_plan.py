"""What a planned trial looks like to a mixed model: its runs and its sources of variation.

Response: ln of a percentile (or of span), so standard deviations are relative; in per cent they
are 100 times the standard deviation of ln D.  Groups × times × replicates, complete.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from psdstats.models.engine import CovarianceParts
from psdstats.planning.plan_error import PlanError

__all__ = ["Design", "Variation", "covariance_parts", "noise_covariance", "time_indicators"]

Array = NDArray[np.float64]


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
        Between groups in how they change from time to time.
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
    Random: group and, with replicates, group × time, where there are groups; run to run always.
    Known: measurement and shared sieves, at the values of `variation`.
    """
    group, time = _labels(design)
    same_group = (group[:, None] == group).astype(float)
    same_cell = same_group * (time[:, None] == time)
    matrices = [np.eye(design.runs)]
    if design.random_cells:
        matrices.insert(0, same_cell)
    if design.groups > 1:
        matrices.insert(0, same_group)
    known = None
    if variation.measurement_percent > 0 or variation.sieves_percent > 0:
        known = (variation.sieves_percent / 100) ** 2 * same_group
        known = known + (variation.measurement_percent / 100) ** 2 * np.eye(design.runs)
    return CovarianceParts(
        matrices=np.array(matrices), is_variance=np.ones(len(matrices), dtype=bool), known=known
    )


def noise_covariance(design: Design, variation: Variation) -> Array:
    """True covariance of ln D over the runs, shape (runs, runs)."""
    group, time = _labels(design)
    same_group = (group[:, None] == group).astype(float)
    same_cell = same_group * (time[:, None] == time)
    shared = variation.group_percent**2 + variation.sieves_percent**2
    own = variation.run_percent**2 + variation.measurement_percent**2
    total: Array = (
        shared * same_group
        + variation.group_time_percent**2 * same_cell
        + own * np.eye(design.runs)
    )
    return total / 1e4
