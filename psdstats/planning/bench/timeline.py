"""When a planned day ends if its hands-on steps take longer or shorter than planned.

Times in min after the beginning of the day.  The durations of many days are drawn, each step of
each day for itself (a person who is slow all day long is not modelled); the order of the steps is
kept and their times follow.  Machines run by their timers and do not vary.

One day at the bench: as many charges as fit, their steps placed in time, how late it may end.

Times in min after the beginning of the day.

Write bench steps as an iCalendar text (RFC 5545), with nothing but the standard library.

Times are local ("floating", RFC 5545 3.3.5 form 1): the calendar shows them as bench time in any
zone.  Lines end with CR LF and are folded at 75 octets (3.1); text is escaped (3.3.11).  The same
events give the same bytes.  It writes events only: no alarms, no time zones, no recurrence.

A bench timeline for one mill, one shaker, one set of sieves and one person.

Times in min.  While the mill runs the next interval, the sample before it is sieved and weighed.
Steps are placed by `psdstats.planning.bench.schedule`, which finds the shortest order there is for
the charges in the order given; samples are sieved in the order they are taken (they all take the
same time, so no other order is shorter).

How late a day may end is simulated: hands-on steps vary, their order is kept (`day_variation`).
It leaves no breaks, and it does not know what your rules say about unattended machines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from hashlib import blake2b
from itertools import pairwise

import numpy as np
import pandas as pd

from psdstats import limits
from psdstats.errors import PlanError
from psdstats.frozen import Array
from psdstats.planning.bench.schedule import (
    BenchTimes,
    Placed,
    Resource,
    Step,
    least_possible_min,
    mill_chain,
    shortest_schedule,
    sieve_chain,
)
from psdstats.present import Shown

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

    Notes
    -----
    With c the spread as a fraction, ln(duration/mean) is normal with variance ln(1 + c²) and mean
    −½ ln(1 + c²), so that mean and standard deviation are those stated.
    """
    limits.SPREAD_PERCENT.require("the spread of the steps", spread_percent)
    limits.TRIALS.require("simulated days", days)
    limits.SEED.require("seed", seed)
    spread = np.array([spread_percent / 100 if one.step.attended else 0.0 for one in placed])
    variance = np.log1p(spread**2)
    rng = np.random.default_rng(np.random.SeedSequence([seed, number]))
    noise = rng.standard_normal((days, len(placed)))
    planned_min = np.array([one.step.duration_min for one in placed])
    durations = planned_min * np.exp(np.sqrt(variance) * noise - variance / 2)
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


@dataclass(frozen=True, kw_only=True)
class Day:
    """The steps of one day.

    Parameters
    ----------
    charges : tuple of str
        Charges milled on that day, in order.
    placed : tuple of Placed
        Steps by start time.
    least_min : float
        Length that no order of these steps can beat, min.
    start : datetime
        Beginning of the day, local time.
    variation : DayVariation
        The same day simulated many times with steps that vary.
    """

    charges: tuple[str, ...]
    placed: tuple[Placed, ...]
    least_min: float
    start: datetime
    variation: DayVariation

    @property
    def length_min(self) -> float:
        """End of the last step, min after the beginning."""
        return _length_min(self.placed)


def _length_min(placed: Sequence[Placed]) -> float:
    return max(one.end_min for one in placed)


def _fill_day(
    names: tuple[str, ...],
    plan: Callable[[tuple[str, ...]], tuple[tuple[Placed, ...], float]],
    day_min: float | None,
) -> tuple[tuple[str, ...], tuple[Placed, ...], float]:
    """As many charges, in order, as end within the day; their steps and the least length."""
    if day_min is None:
        return names, *plan(names)
    best, least_min = plan(names[:1])
    if _length_min(best) > day_min:
        raise PlanError(
            f"{names[0]} takes {_length_min(best):.0f} min, more than the day of {day_min:g} min; "
            "allow a longer day, fewer times or shorter steps."
        )
    for count in range(2, len(names) + 1):
        longer = plan(names[:count])
        if _length_min(longer[0]) > day_min:
            return names[: count - 1], best, least_min
        best, least_min = longer
    return names, best, least_min


def _plan(
    times: tuple[float, ...], bench: BenchTimes, fresh: bool, names: tuple[str, ...]
) -> tuple[tuple[Placed, ...], float]:
    """Steps of a day with these charges, and a length that no order of them can beat, min."""
    mill: list[Step] = []
    for number, name in enumerate(names):
        first = number * len(times)
        mill += mill_chain(name, times, bench, first_sample=first, fresh_charge_each_time=fresh)
    sieves = sieve_chain([(name, time) for name in names for time in times], bench)
    return shortest_schedule(mill, sieves), least_possible_min(mill, sieves)


FOLD_OCTETS = 75


@dataclass(frozen=True, kw_only=True)
class Event:
    """One entry of a calendar.

    Parameters
    ----------
    start, end : datetime
        Local times without a zone; the end later than the start (RFC 5545 3.6.1).
    summary : str
        One line.
    description : str
        Longer text.
    categories : tuple of str
        What the step keeps busy.
    """

    start: datetime
    end: datetime
    summary: str
    description: str = ""
    categories: tuple[str, ...] = ()


def calendar_text(events: Iterable[Event], *, name: str, stamp: datetime) -> str:
    """An iCalendar object holding the events in the order given.

    Examples
    --------
    >>> nine, ten = datetime(2026, 1, 5, 9), datetime(2026, 1, 5, 10)
    >>> text = calendar_text([Event(start=nine, end=ten, summary="mill")], name="t", stamp=nine)
    >>> text.splitlines()[6]
    'DTSTART:20260105T090000'
    """
    events = tuple(events)
    if not events:
        raise PlanError("there is nothing to put into the calendar; plan at least one step.")
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//psdstats//bench timeline//EN"]
    for number, event in enumerate(events):
        if event.end <= event.start:
            raise PlanError(f"{event.summary!r} does not end after it starts; change its times.")
        lines += _event_lines(event, name, number, stamp)
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)


def _event_lines(event: Event, name: str, number: int, stamp: datetime) -> list[str]:
    identity = f"{name}\n{number}\n{event.start.isoformat()}\n{event.summary}"
    digest = blake2b(identity.encode(), digest_size=12).hexdigest()
    lines = [
        "BEGIN:VEVENT",
        f"UID:{digest}@psdstats.invalid",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%S}Z",
        f"DTSTART:{event.start:%Y%m%dT%H%M%S}",
        f"DTEND:{event.end:%Y%m%dT%H%M%S}",
        f"SUMMARY:{_escaped(event.summary)}",
    ]
    if event.description:
        lines.append(f"DESCRIPTION:{_escaped(event.description)}")
    if event.categories:
        lines.append("CATEGORIES:" + ",".join(_escaped(word) for word in event.categories))
    lines.append("END:VEVENT")
    return lines


def _escaped(value: str) -> str:
    """Signs with a meaning of their own behind a backslash, control signs left out (3.3.11)."""
    value = value.replace("\r\n", "\n").replace("\r", "\n")
    value = value.translate({ord(sign): f"\\{sign}" for sign in "\\;,"} | {10: "\\n"})
    return "".join(sign for sign in value if sign == "\t" or ord(sign) >= 32)


def _folded(line: str) -> str:
    """Split after at most 75 octets, never inside a character; each further line by a blank."""
    pieces: list[str] = []
    piece, size = "", 0
    for sign in line:
        octets = len(sign.encode())
        if size + octets > FOLD_OCTETS:
            pieces.append(piece)
            piece, size = " ", 1
        piece += sign
        size += octets
    pieces.append(piece)
    return "\r\n".join(pieces)


DEFAULT_START = datetime(2026, 1, 5, 8, 30)  # a Monday, for plans without a date


@dataclass(frozen=True, kw_only=True, repr=False)
class Timeline(Shown):
    """A plan of the bench, day by day.

    Parameters
    ----------
    days : tuple of Day
        The days, in order.
    title : str
        Name of the plan, used as the calendar's.
    day_min : float or None
        Longest working day, min.
    fresh_charges : bool, default=False
        Whether each time is milled from the start with a charge of its own.

    Examples
    --------
    >>> from psdstats.planning.bench.timeline import timeline
    >>> plan = timeline([0, 6, 12])
    >>> plan.days[0].length_min
    131.0
    """

    days: tuple[Day, ...]
    title: str = "Milling trial"
    day_min: float | None = None
    fresh_charges: bool = False

    def to_frame(self) -> pd.DataFrame:
        """One row a step: day, start, end, minutes, what, charge, sample time, what it uses.

        late_end_min, late_end: when it has ended on 9 of 10 simulated days.

        Examples
        --------
        >>> from psdstats.planning.bench.timeline import timeline
        >>> plan = timeline([0, 6, 12])
        >>> plan.to_frame()[["step", "charge"]].head(2)
                    step    charge
        0  load the mill  charge 1
        1    take sample  charge 1
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
        """One row a step and resource, for a bar chart: resource, day, start_min, end_min, ….

        Examples
        --------
        >>> from psdstats.planning.bench.timeline import timeline
        >>> plan = timeline([0, 6, 12])
        >>> sorted(set(plan.uses_frame()["resource"]))
        ['mill', 'person', 'shaker', 'sieves']
        """
        frame = self.to_frame()
        frame["resource"] = frame["uses"].str.split(" + ", regex=False)
        return frame.explode("resource", ignore_index=True).drop(columns="uses")

    def to_icalendar(self, *, attended_only: bool = False) -> str:
        """The steps as iCalendar text (RFC 5545); write it with CR LF line ends kept.

        Parameters
        ----------
        attended_only : bool, default=False
            Whether to leave out the steps that run by themselves.

        Examples
        --------
        >>> from psdstats.planning.bench.timeline import timeline
        >>> plan = timeline([0, 6, 12])
        >>> plan.to_icalendar().splitlines()[0]
        'BEGIN:VCALENDAR'
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
    times = tuple(limits.STEP_MIN.require("a milling time", time) for time in times_min)
    if not times or any(later <= early for early, later in pairwise(times)):
        raise PlanError(f"milling times are {list(times)}; give increasing minutes from 0 up.")
    names = _names(charges)
    if day_min is not None:
        limits.DAY_MIN.require("day_min", day_min)
    plan = partial(_plan, times, bench, fresh_charge_each_time)
    days: list[Day] = []
    left = names
    while left:
        some, placed, least_min = _fill_day(left, plan, day_min)
        varied = vary_day(
            placed,
            spread_percent=bench.spread_percent,
            days=simulated_days,
            seed=seed,
            number=len(days) + 1,
        )
        moment = start + timedelta(days=len(days))
        day = Day(charges=some, placed=placed, least_min=least_min, start=moment, variation=varied)
        days.append(day)
        left = left[len(some) :]
    return Timeline(
        days=tuple(days), title=title, day_min=day_min, fresh_charges=fresh_charge_each_time
    )


def _names(charges: int | Sequence[str]) -> tuple[str, ...]:
    if isinstance(charges, int | float | np.integer):
        many = limits.CHARGES.require("charges", charges)
        return tuple(f"charge {number}" for number in range(1, int(many) + 1))
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
