"""When a planned day ends if its hands-on steps take longer or shorter than planned.

Times in min after the beginning of the day.  `psdstats.simulate` draws the durations of many days;
the order of the steps is kept and their times follow.  Machines run by their timers and do not
vary.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.planning.bench_steps import Resource
from psdstats.planning.plan_error import PlanError
from psdstats.planning.schedule import Placed
from psdstats.simulate import simulate_durations

__all__ = ["DayVariation", "vary_day"]

Array = NDArray[np.float64]
NINE_IN_TEN = 0.9


@dataclass(frozen=True, kw_only=True, eq=False)
class DayVariation:
    """Ends of the steps on many simulated days.

    Parameters
    ----------
    step_end_min : ndarray, shape (days, steps)
        End of each step, in the order of the plan.
    spread_percent : float
        Standard deviation of the hands-on steps, per cent of what is planned.
    seed : int
        Seed of the simulation.
    """

    step_end_min: Array
    spread_percent: float
    seed: int

    def __post_init__(self) -> None:
        self.step_end_min.setflags(write=False)

    @property
    def days(self) -> int:
        """Number of simulated days."""
        return len(self.step_end_min)

    @property
    def end_min(self) -> Array:
        """End of each simulated day, shape (days,)."""
        return np.asarray(self.step_end_min.max(axis=1))

    @property
    def late_end_min(self) -> float:
        """Time by which 9 of 10 days have ended."""
        return float(np.quantile(self.end_min, NINE_IN_TEN))

    @property
    def late_step_end_min(self) -> Array:
        """Time by which each step has ended on 9 of 10 days, shape (steps,)."""
        return np.asarray(np.quantile(self.step_end_min, NINE_IN_TEN, axis=0))

    def share_over(self, day_min: float) -> float:
        """Share of days that are longer than a working day."""
        return float((self.end_min > day_min).mean())


def vary_day(
    placed: Sequence[Placed], *, spread_percent: float, days: int, seed: int, number: int = 1
) -> DayVariation:
    """Simulate a planned day many times.

    Parameters
    ----------
    placed : sequence of Placed
        The steps by start time, as `shortest_schedule` places them.
    spread_percent : float
        Standard deviation of the hands-on steps, per cent of what is planned; 0 or more.
    days : int
        Simulated days; 100 or more.
    seed : int
        Seed of the simulation.
    number : int, default=1
        Which day of the plan this is; each has random numbers of its own.

    Returns
    -------
    DayVariation

    Raises
    ------
    PlanError
        If a number is out of range.
    """
    if not 0 <= spread_percent < float("inf"):
        raise PlanError(f"the spread of the steps is {spread_percent:g} %; give 0 or more.")
    if days < 100:
        raise PlanError(f"{days} simulated days are too few; ask for 100 or more.")
    if seed < 0:
        raise PlanError(f"the seed is {seed}; give a whole number of 0 or more.")
    durations = simulate_durations(
        [one.step.duration_min for one in placed],
        spread_percent=[spread_percent if one.step.attended else 0.0 for one in placed],
        days=days,
        seed=np.random.SeedSequence([seed, number]),
    )
    return DayVariation(
        step_end_min=_ends(placed, durations), spread_percent=spread_percent, seed=seed
    )


def _ends(placed: Sequence[Placed], durations: Array) -> Array:
    """Ends of the steps when each starts as soon as its chain, and the person if needed, is free.

    A sample is sieved after it is taken because the person does both, in this order.
    """
    ends = np.empty_like(durations)
    chain_free = {True: np.zeros(len(durations)), False: np.zeros(len(durations))}
    person_free = np.zeros(len(durations))
    for number, one in enumerate(placed):
        at_mill = Resource.MILL in one.step.uses
        start = chain_free[at_mill]
        if one.step.attended:
            start = np.maximum(start, person_free)
        ends[:, number] = start + durations[:, number]
        chain_free[at_mill] = ends[:, number]
        if one.step.attended:
            person_free = ends[:, number]
    return ends
