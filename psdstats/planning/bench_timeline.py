"""A bench timeline for one mill, one shaker, one set of sieves and one person.

Times in min.  While the mill runs the next interval, the sample before it is sieved and weighed.
Steps are placed by `psdstats.planning.schedule`, which finds the shortest order there is for the
charges in the order given; samples are sieved in the order they are taken (they all take the same
time, so no other order is shorter).

It leaves no breaks, and it does not know what your rules say about unattended machines.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise

import pandas as pd

from psdstats.planning.bench_steps import BenchTimes, Step, mill_chain, sieve_chain
from psdstats.planning.cautions import BENCH_CAUTIONS
from psdstats.planning.icalendar import Event, calendar_text
from psdstats.planning.plan_error import PlanError
from psdstats.planning.schedule import Placed, least_possible_min, shortest_schedule

__all__ = ["Day", "Timeline", "timeline"]

DEFAULT_START = datetime(2026, 1, 5, 8, 30)  # a Monday, for plans without a date


@dataclass(frozen=True, kw_only=True)
class Day:
    """The steps of one day.

    Parameters
    ----------
    start : datetime
        Beginning of the day, local time.
    charges : tuple of str
        Charges milled on that day, in order.
    placed : tuple of Placed
        Steps by start time.
    least_min : float
        Length that no order of these steps can beat, min.
    """

    start: datetime
    charges: tuple[str, ...]
    placed: tuple[Placed, ...]
    least_min: float

    @property
    def length_min(self) -> float:
        """End of the last step, min after the beginning."""
        return max(one.end_min for one in self.placed)


@dataclass(frozen=True, kw_only=True)
class Timeline:
    """A plan of the bench, day by day.

    Parameters
    ----------
    days : tuple of Day
        The days, in order.
    title : str
        Name of the plan, used as the calendar's.
    cautions : tuple of str
        What can hurt.
    """

    days: tuple[Day, ...]
    title: str = "Milling trial"
    cautions: tuple[str, ...] = field(default=BENCH_CAUTIONS)

    def to_frame(self) -> pd.DataFrame:
        """One row a step: day, start, end, minutes, what, charge, sample time, what it uses."""
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
                }
                for number, day in enumerate(self.days, start=1)
                for one in day.placed
            ]
        )

    def uses_frame(self) -> pd.DataFrame:
        """One row a step and resource, for a bar chart: resource, day, start_min, end_min, …."""
        frame = self.to_frame()
        frame["resource"] = frame["uses"].str.split(" + ", regex=False)
        return frame.explode("resource", ignore_index=True).drop(columns="uses")

    def sentences(self) -> tuple[str, ...]:
        """The plan in words: length, hands-on time, saving, and how short it could be at all."""
        lines = []
        for number, day in enumerate(self.days, start=1):
            attended = sum(one.step.duration_min for one in day.placed if one.step.attended)
            in_turn = sum(one.step.duration_min for one in day.placed)
            lines.append(
                f"Day {number}: {len(day.charges)} charge{'s' * (len(day.charges) > 1)} "
                f"({', '.join(day.charges)}), {_hours(day.length_min)} from {day.start:%H:%M}, of "
                f"which {_hours(attended)} hands on; one step after another would take "
                f"{_hours(in_turn)}."
            )
            lines.append(
                "No order of these steps with these charges in turn is shorter"
                + (
                    "; the longest chain of steps allows no less."
                    if day.length_min <= day.least_min + 1e-6
                    else f" (the longest single chain takes {_hours(day.least_min)}; the person "
                    "cannot be in two places)."
                )
            )
        return tuple(lines)

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
        day = _day(left, times, bench, fresh_charge_each_time, moment, day_min)
        days.append(day)
        left = left[len(day.charges) :]
    return Timeline(days=tuple(days), title=title)


def _names(charges: int | Sequence[str]) -> tuple[str, ...]:
    if isinstance(charges, int):
        if charges < 1:
            raise PlanError(f"the number of charges is {charges}; give at least one.")
        return tuple(f"charge {number}" for number in range(1, charges + 1))
    names = tuple(charges)
    if not names or len(set(names)) < len(names):
        raise PlanError(f"charge names are {list(names)}; give at least one, each once.")
    return names


def _day(
    names: tuple[str, ...],
    times: tuple[float, ...],
    bench: BenchTimes,
    fresh: bool,
    start: datetime,
    day_min: float | None,
) -> Day:
    """As many charges, in order, as end within the day."""
    count = len(names) if day_min is None else 1
    best = _plan(names[:count], times, bench, fresh, start)
    if day_min is None:
        return best
    if best.length_min > day_min:
        raise PlanError(
            f"{names[0]} takes {best.length_min:.0f} min, more than the day of {day_min:g} min; "
            "allow a longer day, fewer times or shorter steps."
        )
    for count in range(2, len(names) + 1):
        longer = _plan(names[:count], times, bench, fresh, start)
        if longer.length_min > day_min:
            break
        best = longer
    return best


def _plan(
    names: tuple[str, ...],
    times: tuple[float, ...],
    bench: BenchTimes,
    fresh: bool,
    start: datetime,
) -> Day:
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
    return Day(
        start=start,
        charges=names,
        placed=shortest_schedule(mill, sieves),
        least_min=least_possible_min(mill, sieves),
    )


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


def _hours(minutes: float) -> str:
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60:02d} min" if whole >= 60 else f"{whole} min"
