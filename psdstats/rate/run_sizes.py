"""Sizes of the runs of one trial as a rate model sees them: arrays and a covariance.

Time in min, sizes as ln of µm.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError

__all__ = ["RunSizes", "run_sizes"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class RunSizes:
    """One percentile of n runs.

    Parameters
    ----------
    time_min, ln_size : ndarray, shape (n,)
        Milling time and ln of the size in µm.
    known : ndarray, shape (n, n), or None
        Known covariance of ``ln_size`` from the measurement.
    same_group : ndarray, shape (n, n)
        1 where two runs belong to one group, else 0.
    groups : int
        Number of groups that can be told from runs: 1 where no group has a second run, since
        differences between groups are then differences between runs.
    """

    time_min: Array
    ln_size: Array
    known: Array | None
    same_group: Array
    groups: int

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    @property
    def times(self) -> Array:
        """Distinct times, increasing."""
        return np.unique(self.time_min)


def run_sizes(
    time_min: ArrayLike,
    size_um: ArrayLike,
    *,
    group: ArrayLike | None = None,
    known_covariance: ArrayLike | None = None,
) -> RunSizes:
    """Check and gather arrays for the rate models.

    Parameters
    ----------
    time_min, size_um : array_like, shape (n,)
        Milling time (0 or more) and size of each run.
    group : array_like or None, shape (n,)
        Group of each run; None for one group.
    known_covariance : array_like or None, shape (n, n)
        Known covariance of ln size.

    Returns
    -------
    RunSizes

    Raises
    ------
    ModelError
        If lengths differ, values are not usable, or fewer than two times are there.
    """
    time = np.array(time_min, dtype=float).ravel()
    size = np.array(size_um, dtype=float).ravel()
    if time.size != size.size:
        raise ModelError(f"there are {time.size} times for {size.size} sizes; give one each.")
    for name, values, bad in (
        ("milling time", time, ~np.isfinite(time) | (time < 0)),
        ("size", size, ~np.isfinite(size) | (size <= 0)),
    ):
        if bad.any():
            at = int(np.flatnonzero(bad)[0])
            raise ModelError(
                f"{name} number {at + 1} is {values[at]:g}; leave out runs without a usable value."
            )
    if len(np.unique(time)) < 2:
        raise ModelError(
            f"all {time.size} runs have one milling time; a rate needs two times or more."
        )
    labels = np.zeros(time.size) if group is None else np.asarray(group).ravel()
    if labels.size != time.size:
        raise ModelError(f"there are {labels.size} groups for {time.size} runs; give one each.")
    known = None
    if known_covariance is not None:
        known = np.array(known_covariance, dtype=float)
        if known.shape != (time.size, time.size):
            raise ModelError(
                f"the known covariance has shape {known.shape} for {time.size} runs; give one row "
                "and one column a run."
            )
        known = 0.5 * (known + known.T)
    groups = len(np.unique(labels))
    return RunSizes(
        time_min=time,
        ln_size=np.log(size),
        known=known,
        same_group=(labels[:, None] == labels[None, :]).astype(float),
        groups=1 if groups == labels.size else groups,
    )
