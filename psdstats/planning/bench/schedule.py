"""The steps of a milling trial at the bench, as two chains: the mill's and the sieves'.

Times in min.  The mill's chain (load, mill, sample, mill, sample, …, empty and clean) and the
sieves' chain (weigh empty, load, shake, weigh, clean, for one sample after another) each run in
their own order; they meet only in the person who does the attended steps and in the samples that
must exist before they are sieved.  Durations of the attended steps are the user's; the defaults
are common practice without a source.

The shortest order of two chains of steps that share one person.

Times in min.  Two chains with their own order, one shared worker: a job shop of two jobs.  Every
order of the attended steps is a path through a grid (steps done of the first chain × of the
second); a state keeps the pairs of end times that no other pair beats in both, so the search is
exact (the geometric view of Akers, A graphical approach to production scheduling problems,
Operations Research 4, 1956, cited from memory; the end-time pairs replace its shortest path).
A makespan only grows with every end time, so starting each step as early as its order allows
loses nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from itertools import accumulate

from psdstats import limits


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

    Examples
    --------
    >>> from psdstats.planning.bench import BenchTimes
    >>> BenchTimes(shake_min=15).shake_min
    15
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
            if item.name != "tares_once":
                is_spread = item.name == "spread_percent"
                (limits.SPREAD_PERCENT if is_spread else limits.STEP_MIN).require(item.name, value)


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

    Examples
    --------
    >>> [step.what for step in mill_chain("A", [0, 6], BenchTimes())]
    ['load the mill', 'take sample', 'mill', 'take sample', 'empty and clean mill']
    """
    steps: list[Step] = []
    minutes, uses = bench.load_charge_min, _HANDS_ON_MILL
    load = Step(what="load the mill", charge=charge, duration_min=minutes, uses=uses)
    empty = replace(load, what="empty and clean mill", duration_min=bench.empty_mill_min)
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


def sieve_chain(samples: Sequence[tuple[str, float]], bench: BenchTimes) -> tuple[Step, ...]:
    """Steps at the sieves for the samples of one day, in order of sampling."""
    steps: list[Step] = []
    for number, (charge, time) in enumerate(samples):
        weigh_empty = bench.weigh_empty_min if number == 0 or not bench.tares_once else 0.0
        for what, minutes, uses, needs in (
            ("weigh empty sieves", weigh_empty, _HANDS_ON_SIEVES, None),
            ("load the stack", bench.load_stack_min, _HANDS_ON_SIEVES, number),
            ("shake", bench.shake_min, (Resource.SHAKER, Resource.SIEVES), None),
            ("weigh fractions", bench.weigh_full_min, _HANDS_ON_SIEVES, None),
            ("clean the sieves", bench.clean_sieves_min, _HANDS_ON_SIEVES, None),
        ):
            step = Step(what=what, charge=charge, duration_min=minutes, uses=uses)
            steps.append(replace(step, sample_time_min=time, needs=needs))
    return tuple(step for step in steps if step.duration_min > 0 or step.needs is not None)


TINY = 1e-9
QUICK_WIDTH = 4


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A step with its start, min after the beginning of the day."""

    step: Step
    start_min: float

    @property
    def end_min(self) -> float:
        """End of the step, min."""
        return self.start_min + self.step.duration_min


@dataclass(frozen=True)
class _State:
    """End of the last attended step of each chain, and how it was reached."""

    ends: tuple[float, float]
    before: _State | None
    chain: int


@dataclass(frozen=True)
class _Chain:
    """Attended steps of one chain, each with the unattended time before it and after the last."""

    work: tuple[float, ...]
    wait: tuple[float, ...]
    last_wait: float
    needs: tuple[int, ...]

    def remaining(self, done: int) -> float:
        """Length of the rest of the chain from the end of its `done`-th attended step."""
        return sum(self.work[done:]) + sum(self.wait[done:]) + self.last_wait


def shortest_schedule(mill: Sequence[Step], sieves: Sequence[Step]) -> tuple[Placed, ...]:
    """Place the steps of two chains so that the last one ends as early as possible.

    Examples
    --------
    >>> from psdstats.planning.bench.schedule import BenchTimes, mill_chain, sieve_chain
    >>> bench = BenchTimes()
    >>> placed = shortest_schedule(
    ...     mill_chain("A", [0, 30], bench), sieve_chain([("A", 0.0), ("A", 30.0)], bench)
    ... )
    >>> max(one.end_min for one in placed)
    99.0
    """
    chains = (_reduce(mill, mill), _reduce(sieves, mill))
    quick = _search(chains, width=QUICK_WIDTH, limit=float("inf"))
    limit = max(end + chain.last_wait for end, chain in zip(quick.ends, chains, strict=True))
    best = _search(chains, width=None, limit=limit)
    order: list[int] = []
    state: _State | None = best
    while state is not None and state.before is not None:
        order.append(state.chain)
        state = state.before
    return _place((mill, sieves), order[::-1])


def least_possible_min(mill: Sequence[Step], sieves: Sequence[Step]) -> float:
    """A length no order of the two chains can beat, min.

    Notes
    -----
    The longest of: the mill's chain; the person's attended work; and, for each sample, the mill's
    chain up to the sample followed by the sieves' chain from loading it.
    """
    bounds = [sum(step.duration_min for step in (*mill, *sieves) if step.attended)]
    bounds += [sum(step.duration_min for step in chain) for chain in (mill, sieves)]
    done = accumulate(step.duration_min for step in mill)
    made = {step.makes: end for step, end in zip(mill, done, strict=True)}
    for number, step in enumerate(sieves):
        if step.needs is not None:
            bounds.append(made[step.needs] + sum(later.duration_min for later in sieves[number:]))
    return max(bounds)


def _reduce(chain: Sequence[Step], mill: Sequence[Step]) -> _Chain:
    """Attended work with the waits between, and how many mill steps must come first."""
    attended = [step for step in mill if step.attended]
    makers = {
        step.makes: place + 1 for place, step in enumerate(attended) if step.makes is not None
    }
    work: list[float] = []
    wait: list[float] = []
    needs: list[int] = []
    pending = 0.0
    for step in chain:
        if step.attended:
            work.append(step.duration_min)
            wait.append(pending)
            needs.append(0 if step.needs is None else makers[step.needs])
            pending = 0.0
        else:
            pending += step.duration_min
    return _Chain(tuple(work), tuple(wait), pending, tuple(needs))


def _search(chains: tuple[_Chain, _Chain], *, width: int | None, limit: float) -> _State:
    """Best state with every attended step done, sweeping the grid row by row.

    `width` keeps only so many states a cell (a quick good order, not the best); states that
    cannot end before `limit` are dropped.
    """
    rests = tuple([chain.remaining(n) for n in range(len(chain.work) + 1)] for chain in chains)
    work = [[sum(chain.work[n:]) for n in range(len(chain.work) + 1)] for chain in chains]
    sizes = (len(chains[0].work), len(chains[1].work))
    fronts: dict[tuple[int, int], list[_State]] = {(0, 0): [_State((0.0, 0.0), None, 0)]}
    for first in range(sizes[0] + 1):
        for second in range(sizes[1] + 1):
            rest = (rests[0][first], rests[1][second])
            hands = work[0][first] + work[1][second]
            states = [
                state
                for state in _unbeaten(fronts.pop((first, second), []))
                if max(_finish(state, rest), max(state.ends) + hands) <= limit + TINY
            ]
            if width is not None:
                states = sorted(states, key=lambda state: _finish(state, rest))[:width]
            fronts[first, second] = states
            for chain, after in ((0, (first + 1, second)), (1, (first, second + 1))):
                done = (first, second)[chain]
                if done < sizes[chain] and chains[chain].needs[done] <= first:
                    steps = [_advance(state, chain, done, chains[chain]) for state in states]
                    fronts.setdefault(after, []).extend(steps)
            if (first, second) != sizes:
                del fronts[first, second]
    return min(fronts[sizes], key=lambda state: _finish(state, (rests[0][-1], rests[1][-1])))


def _finish(state: _State, rest: tuple[float, float]) -> float:
    return max(state.ends[0] + rest[0], state.ends[1] + rest[1])


def _advance(state: _State, chain: int, done: int, steps: _Chain) -> _State:
    start = max(*state.ends, state.ends[chain] + steps.wait[done])
    end = start + steps.work[done]
    ends = (end, state.ends[1]) if chain == 0 else (state.ends[0], end)
    return _State(ends, state, chain)


def _unbeaten(states: list[_State]) -> list[_State]:
    """States whose pair of end times no other state beats in both."""
    kept: list[_State] = []
    lowest = float("inf")
    for state in sorted(states, key=lambda state: state.ends):
        if state.ends[1] < lowest - TINY:
            kept.append(state)
            lowest = state.ends[1]
    return kept


def _place(chains: tuple[Sequence[Step], Sequence[Step]], order: list[int]) -> tuple[Placed, ...]:
    """Start times for a given order of the attended steps, each as early as can be."""
    placed: list[Placed] = []
    next_step = [0, 0]
    clock = [0.0, 0.0]
    person = 0.0

    def unattended(chain: int) -> None:
        steps = chains[chain]
        while next_step[chain] < len(steps) and not steps[next_step[chain]].attended:
            placed.append(Placed(step=steps[next_step[chain]], start_min=clock[chain]))
            clock[chain] = placed[-1].end_min
            next_step[chain] += 1

    for chain in order:
        unattended(chain)
        start = max(clock[chain], person)
        placed.append(Placed(step=chains[chain][next_step[chain]], start_min=start))
        next_step[chain] += 1
        clock[chain] = person = placed[-1].end_min
    unattended(0)
    unattended(1)
    return tuple(sorted(placed, key=lambda one: (one.start_min, one.end_min)))
