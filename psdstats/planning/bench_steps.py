"""The steps of a milling trial at the bench, as two chains: the mill's and the sieves'.

Times in min.  The mill's chain (load, mill, sample, mill, sample, …, empty and clean) and the
sieves' chain (weigh empty, load, shake, weigh, clean, for one sample after another) each run in
their own order; they meet only in the person who does the attended steps and in the samples that
must exist before they are sieved.  Durations of the attended steps are the user's; the defaults
are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from enum import StrEnum

from psdstats.planning.plan_error import PlanError

__all__ = ["BenchTimes", "Resource", "Step", "mill_chain", "sieve_chain"]


class Resource(StrEnum):
    """What a step keeps busy; there is one of each."""

    PERSON = "person"
    MILL = "mill"
    SHAKER = "shaker"
    SIEVES = "sieves"


@dataclass(frozen=True, kw_only=True)
class BenchTimes:
    """How long each step takes, min (defaults: common practice, no source).

    Parameters
    ----------
    load_charge_min, sample_min, empty_mill_min : float
        Attended steps at the mill: charging jar and balls; stopping, taking one sample and
        closing; emptying and cleaning.
    weigh_empty_min, load_stack_min, shake_min, weigh_full_min, clean_sieves_min : float
        Steps at the sieves: weighing them empty, loading the stack, shaking (unattended),
        weighing the fractions, brushing clean.
    tares_once : bool, default=False
        Whether the empty sieves are weighed before the first sample only.
    spread_percent : float, default=15
        Standard deviation of a hands-on step from day to day, per cent of what is planned.
    """

    load_charge_min: float = 10.0
    sample_min: float = 5.0
    empty_mill_min: float = 15.0
    weigh_empty_min: float = 6.0
    load_stack_min: float = 3.0
    shake_min: float = 10.0
    weigh_full_min: float = 8.0
    clean_sieves_min: float = 10.0
    tares_once: bool = False
    spread_percent: float = 15.0

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            unit = "per cent" if item.name == "spread_percent" else "minutes"
            if item.name != "tares_once" and not 0 <= value < float("inf"):
                raise PlanError(f"{item.name} is {value:g}; give {unit}, zero or more.")


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step, not yet placed in time.

    Parameters
    ----------
    what, charge : str
        What is done, and to which charge.
    duration_min : float
        How long it takes.
    uses : tuple of Resource
        What it keeps busy.
    sample_time_min : float or None
        Milling time of the sample it belongs to.
    makes, needs : int or None
        Number of the sample the step brings about, or must wait for.
    """

    what: str
    charge: str
    duration_min: float
    uses: tuple[Resource, ...]
    sample_time_min: float | None = None
    makes: int | None = None
    needs: int | None = None

    @property
    def attended(self) -> bool:
        """Whether the person has to be there."""
        return Resource.PERSON in self.uses


_HANDS_ON_MILL = (Resource.PERSON, Resource.MILL)
_HANDS_ON_SIEVES = (Resource.PERSON, Resource.SIEVES)


def mill_chain(
    charge: str,
    times_min: Sequence[float],
    bench: BenchTimes,
    *,
    first_sample: int = 0,
    fresh_charge_each_time: bool = False,
) -> tuple[Step, ...]:
    """Steps at the mill for one charge, in order.

    Parameters
    ----------
    charge : str
        Name of the charge.
    times_min : sequence of float
        Milling times at which samples are taken, increasing; 0 is the unmilled powder.
    bench : BenchTimes
        Durations.
    first_sample : int, default=0
        Number given to the first sample.
    fresh_charge_each_time : bool, default=False
        Whether every time is milled from the start with a charge of its own.

    Returns
    -------
    tuple of Step

    Examples
    --------
    >>> [step.what for step in mill_chain("A", [0, 6], BenchTimes())]
    ['load the mill', 'take sample', 'mill', 'take sample', 'empty and clean the mill']
    """
    steps: list[Step] = []
    load = Step(
        what="load the mill",
        charge=charge,
        duration_min=bench.load_charge_min,
        uses=_HANDS_ON_MILL,
    )
    empty = replace(load, what="empty and clean the mill", duration_min=bench.empty_mill_min)
    milled = 0.0
    for number, time in enumerate(times_min):
        if number == 0 or fresh_charge_each_time:
            milled = 0.0
            steps.append(load)
        mill = replace(load, what="mill", duration_min=time - milled, sample_time_min=time)
        steps.append(replace(mill, uses=(Resource.MILL,)))
        take = replace(load, what="take sample", duration_min=bench.sample_min)
        steps.append(replace(take, sample_time_min=time, makes=first_sample + number))
        milled = time
        if fresh_charge_each_time or number == len(times_min) - 1:
            steps.append(empty)
    return tuple(step for step in steps if step.duration_min > 0 or step.makes is not None)


def sieve_chain(
    samples: Sequence[tuple[str, float]], bench: BenchTimes, *, first_sample: int = 0
) -> tuple[Step, ...]:
    """Steps at the sieves for the samples of one day, in order of sampling.

    Parameters
    ----------
    samples : sequence of (str, float)
        Charge and milling time of each sample.
    bench : BenchTimes
        Durations.
    first_sample : int, default=0
        Number of the first sample.

    Returns
    -------
    tuple of Step
    """
    steps: list[Step] = []
    for number, (charge, time) in enumerate(samples):
        weigh_empty = bench.weigh_empty_min if number == 0 or not bench.tares_once else 0.0
        for what, minutes, uses in (
            ("weigh empty sieves", weigh_empty, _HANDS_ON_SIEVES),
            ("load the stack", bench.load_stack_min, _HANDS_ON_SIEVES),
            ("shake", bench.shake_min, (Resource.SHAKER, Resource.SIEVES)),
            ("weigh fractions", bench.weigh_full_min, _HANDS_ON_SIEVES),
            ("clean the sieves", bench.clean_sieves_min, _HANDS_ON_SIEVES),
        ):
            loading = what == "load the stack"
            if minutes > 0 or loading:
                steps.append(
                    Step(
                        what=what,
                        charge=charge,
                        duration_min=minutes,
                        uses=uses,
                        sample_time_min=time,
                        needs=first_sample + number if loading else None,
                    )
                )
    return tuple(steps)
