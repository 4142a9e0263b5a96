"""One day at the bench: as many charges as fit, their steps placed in time, how late it may end.

Times in min after the beginning of the day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from psdstats.planning.bench_steps import BenchTimes, Step, mill_chain, sieve_chain
from psdstats.planning.day_variation import DayVariation, vary_day
from psdstats.planning.plan_error import PlanError
from psdstats.planning.schedule import Placed, least_possible_min, shortest_schedule

__all__ = ["Day", "PlannedDay", "fill_day", "varied_day"]


@dataclass(frozen=True, kw_only=True)
class PlannedDay:
    """The steps of a day without its date.

    Parameters
    ----------
    charges : tuple of str
        Charges milled on that day, in order.
    placed : tuple of Placed
        Steps by start time.
    least_min : float
        Length that no order of these steps can beat, min.
    """

    charges: tuple[str, ...]
    placed: tuple[Placed, ...]
    least_min: float

    @property
    def length_min(self) -> float:
        """End of the last step, min after the beginning."""
        return max(one.end_min for one in self.placed)


@dataclass(frozen=True, kw_only=True)
class Day(PlannedDay):
    """The steps of one day.

    Parameters
    ----------
    charges, placed, least_min
        As in `PlannedDay`.
    start : datetime
        Beginning of the day, local time.
    variation : DayVariation
        The same day simulated many times with steps that vary.
    """

    start: datetime
    variation: DayVariation


def fill_day(
    names: tuple[str, ...],
    times: tuple[float, ...],
    bench: BenchTimes,
    fresh: bool,
    day_min: float | None,
) -> PlannedDay:
    """As many charges, in order, as end within the day."""
    count = len(names) if day_min is None else 1
    best = _plan(names[:count], times, bench, fresh)
    if day_min is None:
        return best
    if best.length_min > day_min:
        raise PlanError(
            f"{names[0]} takes {best.length_min:.0f} min, more than the day of {day_min:g} min; "
            "allow a longer day, fewer times or shorter steps."
        )
    for count in range(2, len(names) + 1):
        longer = _plan(names[:count], times, bench, fresh)
        if longer.length_min > day_min:
            break
        best = longer
    return best


def _plan(
    names: tuple[str, ...],
    times: tuple[float, ...],
    bench: BenchTimes,
    fresh: bool,
) -> PlannedDay:
    mill: list[Step] = []
    for number, name in enumerate(names):
        mill += mill_chain(
            name,
            times,
            bench,
            first_sample=number * len(times),
            fresh_charge_each_time=fresh,
        )
    sieves = sieve_chain([(name, time) for name in names for time in times], bench)
    return PlannedDay(
        charges=names,
        placed=shortest_schedule(mill, sieves),
        least_min=least_possible_min(mill, sieves),
    )


def varied_day(
    planned: PlannedDay, start: datetime, bench: BenchTimes, number: int, days: int, seed: int
) -> Day:
    """The day on its date, simulated many times; `number` counts the days of the plan from 1."""
    return Day(
        start=start,
        charges=planned.charges,
        placed=planned.placed,
        least_min=planned.least_min,
        variation=vary_day(
            planned.placed,
            spread_percent=bench.spread_percent,
            days=days,
            seed=seed,
            number=number,
        ),
    )
