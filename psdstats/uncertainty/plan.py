"""Turns a table of elementary inputs into what the Monte Carlo kernel needs for each run.

Raw draws (uniform on [0, 1), standard normal, gamma, t) are used as they come: their scaling and
centring are folded into coefficients and base values here, once.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import groupby
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.arrays import StudyArrays
from psdstats.distribution.inverse import find_brackets, undersize_of_masses
from psdstats.distribution.rules import InterpolationRule
from psdstats.distribution.sizes import LEVELS
from psdstats.uncertainty.inputs import InputTable, Kind

__all__ = ["DrawPlan", "RunPlan", "Stream", "make_plan"]

Array = NDArray[np.float64]
_Parts = dict[int, list[tuple[int, int, float]]]

# a class this many standard deviations above nothing is not looked at for negative masses
_SAFE_DEVIATIONS = 9.0


@dataclass(frozen=True, kw_only=True)
class Stream:
    """One elementary input to be drawn.

    An input of one run acts either on one net mass (then `sign` says how it enters the sum of its
    group) or on ln D (then `on_ln_size` lists level and coefficient).
    """

    identity: tuple[str, ...]
    kind: Kind
    shape: float
    sign: float = 1.0
    on_ln_size: tuple[tuple[int, float], ...] = ()


@dataclass(kw_only=True)
class RunPlan:
    """One run without padding: K classes, K - 1 apertures.

    Attributes
    ----------
    base_g, base_ln : ndarray
        Net masses (K,) and shifts of ln D (3,) before any raw draw is added.
    own : list of Stream
        Inputs of this run alone.
    groups : list of (place, coefficient, first, stop)
        Streams first to stop of `own` act on one net mass with one coefficient, up to sign, so
        they are summed before they are scaled.
    shared_mass, shared_ln : list of (slot, place, coefficient)
        Inputs shared with other runs.
    sieve_slot : ndarray of int, shape (K - 1,)
        Which physical sieve each aperture is.
    upper : tuple of int
        Nominal bracket of each level: index of its upper aperture, 0 below the finest sieve, K - 1
        above the coarsest.
    edges_um : tuple of float
        Best estimates of the finest and the coarsest aperture.
    risky : tuple of int
        Classes that may be drawn below zero.
    """

    base_g: Array
    base_ln: Array
    sieve_slot: NDArray[np.intp]
    upper: tuple[int, ...]
    edges_um: tuple[float, float]
    own: list[Stream] = field(default_factory=list)
    groups: list[tuple[int, float, int, int]] = field(default_factory=list)
    shared_mass: list[tuple[int, int, float]] = field(default_factory=list)
    shared_ln: list[tuple[int, int, float]] = field(default_factory=list)
    risky: tuple[int, ...] = ()


@dataclass(frozen=True, kw_only=True)
class DrawPlan:
    """All that a worker needs to make the blocks of a stripe.

    Attributes
    ----------
    seed : int
        Seed of every stream.
    runs : tuple of RunPlan
        In the order of the results.
    shared : tuple of Stream
        Inputs of several runs, or of sieves.
    sieves : tuple of (base_um, ((slot, coefficient), …))
        Each physical sieve: its aperture and the shared inputs that act on it.
    rule : InterpolationRule
        Interpolation rule.
    coverage : float
        Coverage probability of the interval ends.
    chunk : int
        Draws worked on at a time.
    """

    seed: int
    runs: tuple[RunPlan, ...]
    shared: tuple[Stream, ...]
    sieves: tuple[tuple[float, tuple[tuple[int, float], ...]], ...]
    rule: InterpolationRule
    coverage: float
    chunk: int


def make_plan(
    table: InputTable,
    arrays: StudyArrays,
    *,
    rule: InterpolationRule,
    seed: int,
    coverage: float,
    chunk: int,
) -> DrawPlan:
    """Arrange the inputs by run, with those that act in several places drawn once."""
    runs = [_bare_run(table, arrays, row) for row in range(len(arrays.runs))]
    _note_risky(table, arrays, runs)
    shared_inputs = _shared_inputs(table)
    slot = {index: number for number, index in enumerate(shared_inputs)}
    own_mass, own_ln = _spread(table, arrays, runs, slot)
    _group_streams(table, runs, own_mass)
    for index, parts in own_ln.items():
        on_ln_size = tuple((level, part) for _, level, part in parts)
        stream = _stream(table, index, on_ln_size=on_ln_size)
        runs[parts[0][0]].own.append(stream)
    return DrawPlan(
        seed=seed,
        runs=tuple(runs),
        shared=tuple(_stream(table, index) for index in shared_inputs),
        sieves=_sieves(table, arrays, slot),
        rule=rule,
        coverage=coverage,
        chunk=chunk,
    )


def _stream(
    table: InputTable,
    index: int,
    *,
    sign: float = 1.0,
    on_ln_size: tuple[tuple[int, float], ...] = (),
) -> Stream:
    return Stream(
        identity=table.identity[index],
        kind=table.kind[index],
        shape=float(table.shape[index]),
        sign=sign,
        on_ln_size=on_ln_size,
    )


def _group_streams(table: InputTable, runs: list[RunPlan], own_mass: _Parts) -> None:
    """Give each run its inputs on net masses, those of equal size on one class together."""
    entries = [
        (row, place, part, index)
        for index, (one,) in own_mass.items()
        for row, place, part in (one,)
    ]
    entries.sort(key=lambda one: (one[0], one[1], abs(one[2]), _rank(table, one[3])))
    for (row, place, _), members in groupby(entries, key=lambda one: (one[0], one[1], abs(one[2]))):
        plan, streams = runs[row], list(members)
        scale = streams[0][2]
        first = len(plan.own)
        plan.own += [_stream(table, index, sign=part / scale) for _, _, part, index in streams]
        plan.groups.append((place, scale, first, len(plan.own)))


def _raw(kind: Kind, shape: float, coefficient: float) -> tuple[float, float]:
    """Coefficient of the raw draw and the constant that goes with it."""
    if kind is Kind.UNIFORM:
        return coefficient * sqrt(12), -coefficient * sqrt(3)
    if kind is Kind.GAMMA:
        return coefficient / sqrt(shape), -coefficient * sqrt(shape)
    return coefficient, 0.0


def _rank(table: InputTable, index: int) -> tuple[int, tuple[str, ...]]:
    """Order of drawing and adding that does not depend on the order of runs."""
    return int(table.source[index]), table.identity[index]


def _bare_run(table: InputTable, arrays: StudyArrays, row: int) -> RunPlan:
    real = arrays.real[row]
    mass = table.net_g[row, real]
    n_apertures = mass.size - 1
    undersize = undersize_of_masses(mass[None, :])
    brackets = find_brackets(undersize, LEVELS)
    upper = np.where(
        brackets.below[0], 0, np.where(brackets.above[0], n_apertures, brackets.upper[0])
    )
    return RunPlan(
        base_g=mass.copy(),
        base_ln=np.zeros(LEVELS.size),
        sieve_slot=arrays.sieve_index[row, :n_apertures].copy(),
        upper=tuple(int(one) for one in upper),
        edges_um=(float(arrays.finest_um[row]), float(arrays.coarsest_um[row])),
    )


def _note_risky(table: InputTable, arrays: StudyArrays, runs: list[RunPlan]) -> None:
    action = table.on_mass
    variance = np.zeros(table.net_g.shape)
    np.add.at(variance, (action.run, action.place), np.square(action.coefficient))
    # counted masses cannot fall below zero, but their spread still marks the class as small
    thin = table.net_g < _SAFE_DEVIATIONS * np.sqrt(variance)
    for row, plan in enumerate(runs):
        plan.risky = tuple(int(one) for one in np.flatnonzero(thin[row, arrays.real[row]]))


def _shared_inputs(table: InputTable) -> list[int]:
    """Inputs that act on a sieve, on several runs or on several masses, in drawing order."""
    first: dict[int, tuple[int, int]] = {}
    shared = set(table.on_aperture.input)
    mass = table.on_mass
    entries = list(zip(mass.input, mass.run, mass.place, strict=True))
    # levels of one run count as one place: a stream may shift several of them
    entries += [
        (index, run, -1)
        for index, run in zip(table.on_ln_size.input, table.on_ln_size.run, strict=True)
    ]
    for index, run, place in entries:
        if first.setdefault(index, (run, place)) != (run, place):
            shared.add(index)
    return sorted(shared, key=lambda one: _rank(table, one))


def _spread(
    table: InputTable, arrays: StudyArrays, runs: list[RunPlan], slot: dict[int, int]
) -> tuple[_Parts, _Parts]:
    """Give shared parts to their runs; return the others by input. Constants go to the bases."""
    own: tuple[_Parts, _Parts] = (defaultdict(list), defaultdict(list))
    bare = np.cumsum(arrays.real, axis=1) - 1
    for kept, action in zip(own, (table.on_mass, table.on_ln_size), strict=True):
        is_mass = action is table.on_mass
        entries = zip(action.input, action.run, action.place, action.coefficient, strict=True)
        for index, row, place, coefficient in sorted(
            entries, key=lambda entry: _rank(table, entry[0])
        ):
            part, constant = _raw(table.kind[index], float(table.shape[index]), coefficient)
            at = int(bare[row, place]) if is_mass else place
            plan = runs[row]
            base = plan.base_g if is_mass else plan.base_ln
            base[at] += constant
            if index in slot:
                group = plan.shared_mass if is_mass else plan.shared_ln
                group.append((slot[index], at, part))
            else:
                kept[index].append((row, at, part))
    return own


def _sieves(
    table: InputTable, arrays: StudyArrays, slot: dict[int, int]
) -> tuple[tuple[float, tuple[tuple[int, float], ...]], ...]:
    base = np.empty(len(arrays.sieve_keys))
    base[arrays.sieve_index.ravel()] = arrays.aperture_um.ravel()
    parts: list[dict[int, float]] = [{} for _ in arrays.sieve_keys]
    action = table.on_aperture
    for index, row, place, coefficient in zip(
        action.input, action.run, action.place, action.coefficient, strict=True
    ):
        parts[arrays.sieve_index[row, place]][index] = coefficient
    result = []
    for number, own in enumerate(parts):
        acting = []
        for index in sorted(own, key=lambda one: _rank(table, one)):
            part, constant = _raw(table.kind[index], float(table.shape[index]), own[index])
            base[number] += constant
            acting.append((slot[index], part))
        result.append((float(base[number]), tuple(acting)))
    return tuple(result)
