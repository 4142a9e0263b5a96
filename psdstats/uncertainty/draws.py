"""Turns a table of elementary inputs into what the Monte Carlo kernel needs for each run.

Raw draws (uniform on [0, 1), standard normal, gamma, t) are used as they come: their scaling and
centring are folded into coefficients and base values here, once.

Random streams known by a key, so that a draw does not depend on what else is drawn.

A stream belongs to (seed, source, identity, stripe).  A stripe is a fixed group of blocks of draws;
within it a stream is read on and on.  So results are the same for any chunk size, any number of
workers and any order of runs, and switching one source off leaves the draws of the others as they
were (common random numbers).

The inner loop of the study Monte Carlo: joint draws of ln D10, ln D50, ln D90 of all runs.

Work is done in chunks laid out (variate, draw) that fit in the processor's cache.  Each raw draw is
made in place and added to its class.  A draw stays on the fast path while its percentiles stay in
their nominal brackets and no net mass is negative; the others go through the general rule
(`psdstats.distribution.curves`), so both give the size where the curve first reaches the level.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from itertools import groupby
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.arrays import StudyArrays
from psdstats.distribution.curves import (
    InterpolationRule,
    find_brackets,
    ln_sizes,
    undersize_of_masses,
)
from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import CurveLaw, at_scores
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
from psdstats.limits import SEED
from psdstats.uncertainty.inputs import InputTable, Kind

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
    curve : ndarray, shape (3, scores), or None
        Sizes by the law of the curve at `SCORES`.  Places 0 to 2 of what acts on ln D are then
        scores of that law, places 3 to 5 shifts beside it.
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
    curve: Array | None = None


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
    rule : InterpolationRule or None
        Interpolation rule; None where the runs have laws of their curves.
    coverage : float
        Coverage probability of the interval ends.
    chunk : int
        Draws worked on at a time.
    """

    seed: int
    runs: tuple[RunPlan, ...]
    shared: tuple[Stream, ...]
    sieves: tuple[tuple[float, tuple[tuple[int, float], ...]], ...]
    rule: InterpolationRule | None
    coverage: float
    chunk: int


def make_plan(
    table: InputTable,
    arrays: StudyArrays,
    *,
    rule: InterpolationRule | None,
    seed: int,
    coverage: float,
    chunk: int,
    curve: CurveLaw | None = None,
) -> DrawPlan:
    """Arrange the inputs by run, with those that act in several places drawn once.

    With the law of the curve, everything in the table acts on ln D.
    """
    runs = [_bare_run(table, arrays, row) for row in range(len(arrays.runs))]
    if curve is not None:
        for plan, of_run in zip(runs, curve.table, strict=True):
            plan.curve, plan.base_ln = of_run, np.zeros(2 * LEVELS.size)
    _note_risky(table, arrays, runs)
    shared_inputs = _shared_inputs(table)
    slot = {index: number for number, index in enumerate(shared_inputs)}
    own_mass, own_ln = _spread(table, arrays, runs, slot)
    _group_streams(table, runs, own_mass)
    alike: dict[tuple[int, str], list[Stream]] = defaultdict(list)
    for index, parts in own_ln.items():
        on_ln_size = tuple((level, part) for _, level, part in parts)
        stream = _stream(table, index, on_ln_size=on_ln_size)
        if stream.kind is Kind.NORMAL and curve is not None:
            alike[parts[0][0], stream.identity[0]].append(stream)
        else:
            runs[parts[0][0]].own.append(stream)
    for (row, source), streams in alike.items():
        runs[row].own += _fewer(streams, (source, "of one run", arrays.runs[row]))
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


def _fewer(streams: list[Stream], identity: tuple[str, ...]) -> list[Stream]:
    """Normal inputs of one source of one run, as few as the places on which they act.

    The places take A z of normal z; with Aᵀ = Q R they take Rᵀ z' of fewer, of the same law.
    """
    matrix = np.zeros((2 * LEVELS.size, len(streams)))
    for column, one in enumerate(streams):
        for place, part in one.on_ln_size:
            matrix[place, column] = part
    used = np.flatnonzero(matrix.any(axis=1))
    if len(streams) <= len(used):
        return streams
    upper = np.linalg.qr(matrix[used].T)[1]
    upper = upper * np.where(np.diag(upper) < 0.0, -1.0, 1.0)[:, None]
    return [
        replace(
            streams[0],
            identity=(*identity, str(number)),
            on_ln_size=tuple(
                (place, part)
                for place, part in zip(used.tolist(), row.tolist(), strict=True)
                if part
            ),
        )
        for number, row in enumerate(upper)
        if row.any()
    ]


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
        edges_um=(float(arrays.aperture_um[row, 0]), float(arrays.aperture_um[row, -1])),
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
    shared = set(table.on_aperture.input.tolist())
    entries = [(index, run, place) for index, run, place, _ in table.on_mass.entries()]
    # levels of one run count as one place: a stream may shift several of them
    entries += [(index, run, -1) for index, run, _, _ in table.on_ln_size.entries()]
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
        for index, row, place, coefficient in sorted(
            action.entries(), key=lambda entry: _rank(table, entry[0])
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
    for index, row, place, coefficient in action.entries():
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


def keyed_generator(seed: int, *key: str | int) -> np.random.Generator:
    """Generator of the stream with that seed and key.

    Examples
    --------
    >>> a, b = keyed_generator(1, "rounding", "x", 0), keyed_generator(1, "rounding", "x", 0)
    >>> bool(a.random() == b.random())
    True
    """
    own = SEED.require("seed", seed, UncertaintyError)
    # length before text, so that ("ab", "c") and ("a", "bc") differ
    text = "".join(f"{len(part)}:{part}" for part in map(str, (int(own), *key)))
    digest = blake2b(text.encode(), digest_size=16).digest()
    return np.random.Generator(np.random.SFC64(int.from_bytes(digest, "little")))


def fill(
    generator: np.random.Generator, kind: Kind, shape: float, out: NDArray[np.float64]
) -> None:
    """Fill `out` with raw draws: uniform on [0, 1), standard normal, gamma or t."""
    if kind is Kind.UNIFORM:
        generator.random(out=out)
    elif kind is Kind.NORMAL:
        generator.standard_normal(out=out)
    elif kind is Kind.GAMMA:
        generator.standard_gamma(shape, out=out)
    else:
        out[:] = generator.standard_t(shape, size=out.shape)


_TOGETHER = 32  # runs
STRIPE_BLOCKS = 10
"""Blocks that one set of streams serves; fixed, because results depend on it."""

_FAST_RULES = (InterpolationRule.SEMILOG, InterpolationRule.LINEAR)


def draw_blocks(
    plan: DrawPlan, *, stripe: int, block_draws: int, n_blocks: int = STRIPE_BLOCKS
) -> Iterator[tuple[Array, Array]]:
    """Blocks of joint draws of one stripe, one after another.

    Shapes: gives ln_size (R, 3, block_draws), negative (R,).
    """
    shared = [keyed_generator(plan.seed, *one.identity, stripe) for one in plan.shared]
    own = [
        [keyed_generator(plan.seed, *one.identity, stripe) for one in run.own] for run in plan.runs
    ]
    work = _Workspace(plan) if plan.rule is not None else _CurveWorkspace(plan)
    for _ in range(n_blocks):
        ln_size = np.empty((len(plan.runs), LEVELS.size, block_draws))
        negative = np.zeros(len(plan.runs))
        # draws that leave their bracket may divide by an empty class; they are done again
        with np.errstate(divide="ignore", invalid="ignore"):
            for start in range(0, block_draws, plan.chunk):
                stop = min(start + plan.chunk, block_draws)
                work.draw_shared(shared, stop - start)
                for row, run in enumerate(plan.runs):
                    negative[row] += work.draw_run(run, own[row], ln_size[row, :, start:stop])
        yield ln_size, negative


class _Workspace:
    """Buffers of one chunk, used again and again."""

    def __init__(self, plan: DrawPlan) -> None:
        self.plan = plan
        n_classes = max(run.base_g.size for run in plan.runs)
        self._mass = np.empty((n_classes, plan.chunk))
        self._shared = np.empty((len(plan.shared), plan.chunk))
        self._aperture = np.empty((len(plan.sieves), plan.chunk))
        self._ln_aperture = np.empty((len(plan.sieves), plan.chunk))
        self._raw = np.empty(plan.chunk)
        self._part = np.empty(plan.chunk)
        self.width = plan.chunk

    def draw_shared(self, generators: list[np.random.Generator], width: int) -> None:
        """Draw what runs have in common for the next chunk: shared inputs and apertures."""
        self.width = width
        self.shared = self._shared[:, :width]
        self.aperture = self._aperture[:, :width]
        self.ln_aperture = self._ln_aperture[:, :width]
        self.raw, self.part = self._raw[:width], self._part[:width]
        for row, (stream, generator) in enumerate(zip(self.plan.shared, generators, strict=True)):
            fill(generator, stream.kind, stream.shape, self.shared[row])
        for row, (base, acting) in enumerate(self.plan.sieves):
            aperture = self.aperture[row]
            aperture.fill(base)
            for slot, coefficient in acting:
                np.multiply(self.shared[slot], coefficient, out=self.part)
                aperture += self.part
        np.log(self.aperture, out=self.ln_aperture)

    def draw_run(self, run: RunPlan, generators: list[np.random.Generator], ln_size: Array) -> int:
        """Fill ln D of one run for this chunk; return the draws with a negative net mass."""
        mass = self._mass[: run.base_g.size, : self.width]
        mass[:] = run.base_g[:, None]
        shift = self._add_draws(run, generators, mass)
        negative = (mass[list(run.risky)] < 0.0).any(axis=0) if run.risky else None
        for place in range(1, len(mass)):
            mass[place] += mass[place - 1]
        if self.plan.rule in _FAST_RULES:
            left = self._in_brackets(run, mass, ln_size)
            again = np.flatnonzero(left if negative is None else left | negative)
        else:
            again = np.arange(self.width)
        if again.size:
            ln_size[:, again] = self._general(run, mass, again)
        if shift is not None:
            ln_size += shift
        return 0 if negative is None else int(np.count_nonzero(negative))

    def _add_draws(
        self, run: RunPlan, generators: list[np.random.Generator], mass: Array
    ) -> Array | None:
        """Add every error to the net masses; return the shifts of ln D, if any."""
        raw, part = self.raw, self.part
        shift: Array | None = None
        if run.shared_ln or run.base_ln.any() or any(one.on_ln_size for one in run.own):
            shift = np.repeat(run.base_ln[:, None], self.width, axis=1)
        for slot, place, coefficient in run.shared_mass:
            np.multiply(self.shared[slot], coefficient, out=part)
            mass[place] += part
        for place, coefficient, first, stop in run.groups:
            _sum_draws(run.own[first:stop], generators[first:stop], raw, part)
            raw *= coefficient
            mass[place] += raw
        for stream, generator in zip(run.own, generators, strict=True):
            if stream.on_ln_size and shift is not None:
                fill(generator, stream.kind, stream.shape, raw)
                for level, coefficient in stream.on_ln_size:
                    np.multiply(raw, coefficient, out=part)
                    shift[level] += part
        if shift is not None:
            for slot, level, coefficient in run.shared_ln:
                np.multiply(self.shared[slot], coefficient, out=part)
                shift[level] += part
        return shift

    def _in_brackets(self, run: RunPlan, cumulative: Array, ln_size: Array) -> NDArray[np.bool_]:
        """Percentiles with the nominal brackets; True where a draw has left one of them."""
        total = cumulative[-1]
        coarsest = len(cumulative) - 1
        left = np.zeros(self.width, dtype=bool)
        linear = self.plan.rule is InterpolationRule.LINEAR
        aperture = self.aperture if linear else self.ln_aperture
        target, rise = self.part, self.raw
        for level, upper, size in zip(LEVELS, run.upper, ln_size, strict=True):
            np.multiply(total, level, out=target)
            if upper in (0, coarsest):
                size.fill(-np.inf if upper == 0 else np.inf)
                here = cumulative[0] <= target if upper == 0 else cumulative[-2] >= target
                left |= here
                continue
            np.subtract(target, cumulative[upper - 1], out=size)
            np.subtract(cumulative[upper], cumulative[upper - 1], out=rise)
            left |= size <= 0.0
            left |= size > rise
            size /= rise
            low = aperture[run.sieve_slot[upper - 1]]
            np.subtract(aperture[run.sieve_slot[upper]], low, out=rise)
            size *= rise
            size += low
            if linear:
                np.log(size, out=size)
        return left

    def _general(self, run: RunPlan, cumulative: Array, draws: NDArray[np.intp]) -> Array:
        """Percentiles of some draws by the general rule, shape (3, n)."""
        masses = cumulative[:, draws].T
        total = masses[:, -1:]
        # a draw without any powder has no size: all of it counts as finer than the finest sieve
        empty = total <= 0.0
        undersize = np.where(empty, 1.0, masses[:, :-1] / np.where(empty, 1.0, total))
        ln_aperture = self.ln_aperture[run.sieve_slot][:, draws].T
        return ln_sizes(undersize, ln_aperture, LEVELS, self.plan.rule or _FAST_RULES[0]).T


class _CurveWorkspace:
    """The same where every input acts on the law of a curve."""

    def __init__(self, plan: DrawPlan) -> None:
        self.plan = plan
        self._shared = np.empty((len(plan.shared), plan.chunk))
        self._own = np.empty((max(len(run.own) for run in plan.runs), plan.chunk))
        self._acting: dict[int, tuple[int, slice, Array]] = {}
        self._of_shared: list[Array] = []
        for first in range(0, len(plan.runs), _TOGETHER):
            some = plan.runs[first : first + _TOGETHER]
            both = [_acting_on(run, len(plan.shared)) for run in some]
            ends = np.cumsum([0, *(len(of_own) for _, of_own in both)]).tolist()
            for run, (_, of_own), start, end in zip(some, both, ends, ends[1:], strict=False):
                self._acting[id(run)] = len(self._of_shared), slice(start, end), of_own
            self._of_shared.append(np.concatenate([of_shared for of_shared, _ in both]))

    def draw_shared(self, generators: list[np.random.Generator], width: int) -> None:
        """Draw what runs have in common for the next chunk."""
        self.shared = self._shared[:, :width]
        for row, (stream, generator) in enumerate(zip(self.plan.shared, generators, strict=True)):
            fill(generator, stream.kind, stream.shape, self.shared[row])
        self._made: tuple[int, Array] = -1, np.empty(0)

    def _by_shared(self, number: int) -> Array:
        """What shared inputs give to some runs at once, which is faster than one by one."""
        if self._made[0] != number:
            self._made = number, self._of_shared[number] @ self.shared
        return self._made[1]

    def draw_run(self, run: RunPlan, generators: list[np.random.Generator], ln_size: Array) -> int:
        """Fill ln D of one run for this chunk; no draw has a negative net mass."""
        own = self._own[: len(run.own), : ln_size.shape[1]]
        for row, (stream, generator) in enumerate(zip(run.own, generators, strict=True)):
            fill(generator, stream.kind, stream.shape, own[row])
        number, rows, of_own = self._acting[id(run)]
        total = of_own @ own
        total += run.base_ln[: len(total), None]
        if self.shared.size:
            total += self._by_shared(number)[rows]
        for level, upper in enumerate(run.upper):
            if upper in (0, run.base_g.size - 1):
                ln_size[level] = -np.inf if upper == 0 else np.inf
            else:
                ln_size[level] = at_scores(np.asarray(run.curve)[level], total[level])
        if len(total) > LEVELS.size:
            ln_size += total[LEVELS.size :]
        np.maximum.accumulate(ln_size, axis=0, out=ln_size)  # sizes of one run stand in order
        return 0


def _acting_on(run: RunPlan, n_shared: int) -> tuple[Array, Array]:
    """Coefficients of shared and of own inputs; rows beside the scores only where one acts."""
    of_shared = np.zeros((run.base_ln.size, n_shared))
    of_own = np.zeros((run.base_ln.size, len(run.own)))
    for slot, place, coefficient in run.shared_ln:
        of_shared[place, slot] = coefficient
    for column, stream in enumerate(run.own):
        for place, coefficient in stream.on_ln_size:
            of_own[place, column] = coefficient
    beside = slice(LEVELS.size, None)
    rows = None if of_shared[beside].any() or of_own[beside].any() else LEVELS.size
    return of_shared[:rows], of_own[:rows]


def _sum_draws(
    streams: list[Stream], generators: list[np.random.Generator], raw: Array, part: Array
) -> None:
    """Sum of raw draws with the signs of their streams, into `raw`."""
    fill(generators[0], streams[0].kind, streams[0].shape, raw)
    for stream, generator in zip(streams[1:], generators[1:], strict=True):
        fill(generator, stream.kind, stream.shape, part)
        if stream.sign > 0:
            raw += part
        else:
            raw -= part
