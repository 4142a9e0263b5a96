"""A bench timeline for one mill, one shaker, one set of sieves and one person.

Times in min.  While the mill runs the next interval, the sample before it is sieved and weighed.
Steps are placed by `psdstats.planning.schedule`, which finds the shortest order there is for the
charges in the order given; samples are sieved in the order they are taken (they all take the same
time, so no other order is shorter).

How late a day may end is simulated: hands-on steps vary, their order is kept (`day_variation`).
It leaves no breaks, and it does not know what your rules say about unattended machines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise

import pandas as pd

from psdstats.planning.bench_day import Day, fill_day, varied_day
from psdstats.planning.bench_steps import BenchTimes
from psdstats.planning.cautions import BENCH_CAUTIONS
from psdstats.planning.icalendar import Event, calendar_text
from psdstats.planning.plan_error import PlanError
from psdstats.planning.schedule import Placed
from psdstats.planning.timeline_words import day_sentences

__all__ = ["Timeline", "timeline"]

DEFAULT_START = datetime(2026, 1, 5, 8, 30)  # a Monday, for plans without a date


@dataclass(frozen=True, kw_only=True)
class Timeline:
    """A plan of the bench, day by day.

    Parameters
    ----------
    days : tuple of Day
        The days, in order.
    title : str
        Name of the plan, used as the calendar's.
    day_min : float or None
        Longest working day, min.
    cautions : tuple of str
        What can hurt.
    """

    days: tuple[Day, ...]
    title: str = "Milling trial"
    day_min: float | None = None
    cautions: tuple[str, ...] = field(default=BENCH_CAUTIONS)

    def to_frame(self) -> pd.DataFrame:
        """One row a step: day, start, end, minutes, what, charge, sample time, what it uses.

        late_end_min, late_end: when it has ended on 9 of 10 simulated days.
        """
        return pd.DataFrame(
            [
                {
                    "day": number,
                    "start": day.start + timedelta(minutes=one.start_min),
                    "end": day.start + timedelta(minutes=one.end_min),
                    "start_min": one.start_min,
                    "end_min": one.end_min,
                    "step": one.step.what,
                    "charge": one.step.charge,
                    "sample_time_min": one.step.sample_time_min,
                    "attended": one.step.attended,
                    "uses": " + ".join(one.step.uses),
                    "late_end_min": float(late),
                    "late_end": day.start + timedelta(minutes=float(late)),
                }
                for number, day in enumerate(self.days, start=1)
                for one, late in zip(day.placed, day.variation.late_step_end_min, strict=True)
            ]
        )

    def uses_frame(self) -> pd.DataFrame:
        """One row a step and resource, for a bar chart: resource, day, start_min, end_min, …."""
        frame = self.to_frame()
        frame["resource"] = frame["uses"].str.split(" + ", regex=False)
        return frame.explode("resource", ignore_index=True).drop(columns="uses")

    def sentences(self) -> tuple[str, ...]:
        """The plan in words: length, hands-on time, saving, how short it could be, and how late."""
        return tuple(
            line
            for number, day in enumerate(self.days, start=1)
            for line in day_sentences(number, day, day_min=self.day_min)
        )

    def to_icalendar(self, *, attended_only: bool = False) -> str:
        """The steps as iCalendar text (RFC 5545); write it with CR LF line ends kept.

        Parameters
        ----------
        attended_only : bool, default=False
            Whether to leave out the steps that run by themselves.
        """
        events = [
            _event(day, one)
            for day in self.days
            for one in day.placed
            if one.step.duration_min > 0 and (one.step.attended or not attended_only)
        ]
        return calendar_text(events, name=self.title, stamp=self.days[0].start)


def timeline(
    times_min: Sequence[float],
    *,
    charges: int | Sequence[str] = 1,
    bench: BenchTimes | None = None,
    fresh_charge_each_time: bool = False,
    start: datetime = DEFAULT_START,
    day_min: float | None = None,
    title: str = "Milling trial",
    simulated_days: int = 2000,
    seed: int = 0,
) -> Timeline:
    """Plan milling, sieving and cleaning so that the whole ends as early as possible.

    Parameters
    ----------
    times_min : sequence of float
        Milling times at which samples are taken, increasing; 0 is the unmilled powder.
    charges : int or sequence of str, default=1
        How many charges are milled (groups × replicates), or their names in order.
    bench : BenchTimes, optional
        How long each step takes.
    fresh_charge_each_time : bool, default=False
        Whether each time is milled from the start with a charge of its own.
    start : datetime
        Beginning of the first day, local time.
    day_min : float or None
        Longest working day; charges that do not fit go to the next day (calendar days, weekends
        included).  None puts everything into one stretch.
    title : str
        Name of the plan.
    simulated_days : int, default=2000
        How often each day is simulated; 100 or more.
    seed : int, default=0
        Seed of the simulation.

    Returns
    -------
    Timeline

    Raises
    ------
    PlanError
        For times out of order, or a charge longer than the day.

    Examples
    --------
    >>> plan = timeline([0, 6, 12, 24, 48])
    >>> plan.days[0].length_min
    205.0
    >>> bool(plan.days[0].variation.late_end_min > 205)
    True
    """
    bench = BenchTimes() if bench is None else bench
    times = tuple(float(time) for time in times_min)
    if not times or times[0] < 0 or any(later <= early for early, later in pairwise(times)):
        raise PlanError(f"milling times are {list(times)}; give increasing minutes from 0 up.")
    names = _names(charges)
    days: list[Day] = []
    left = names
    while left:
        moment = start + timedelta(days=len(days))
        planned = fill_day(left, times, bench, fresh_charge_each_time, day_min)
        days.append(varied_day(planned, moment, bench, len(days) + 1, simulated_days, seed))
        left = left[len(planned.charges) :]
    return Timeline(days=tuple(days), title=title, day_min=day_min)


def _names(charges: int | Sequence[str]) -> tuple[str, ...]:
    if isinstance(charges, int):
        if charges < 1:
            raise PlanError(f"the number of charges is {charges}; give at least one.")
        return tuple(f"charge {number}" for number in range(1, charges + 1))
    names = tuple(charges)
    if not names or len(set(names)) < len(names):
        raise PlanError(f"charge names are {list(names)}; give at least one, each once.")
    return names


def _event(day: Day, one: Placed) -> Event:
    step = one.step
    summary = f"{step.what}: {step.charge}"
    if step.sample_time_min is not None:
        summary += f", {step.sample_time_min:g} min"
    return Event(
        start=_to_second(day.start, one.start_min),
        end=_to_second(day.start, one.end_min),
        summary=summary,
        description=("Hands on." if step.attended else "Runs by itself.")
        + f" Keeps busy: {', '.join(step.uses)}.",
        categories=tuple(step.uses),
    )


def _to_second(start: datetime, minutes: float) -> datetime:
    return start + timedelta(seconds=round(60 * minutes))
