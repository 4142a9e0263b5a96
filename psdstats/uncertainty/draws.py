"""Joint draws of ln D10, ln D50, ln D90 of all runs: the inner loop of the Monte Carlo.

Random streams are known by a key, so that a draw does not depend on what else is drawn.  A stream
belongs to (seed, source, identity, stripe).  A stripe is a fixed group of blocks of draws; within
it a stream is read on and on.  So results are the same for any number of workers and any order of
runs, and switching one source off leaves the draws of the others as they were (common random
numbers).

Raw draws (uniform on [0, 1), standard normal, gamma, t) are used as they come: their scaling and
centring are folded into coefficients and constants, once.  What inputs move in a run are its
places: net masses and shifts of ln D where a rule is prescribed, else scores of the law of the
curve and shifts beside it.  Every place is a constant and a sum of raw draws, a matrix product of
chunks (variate, draw) that fit in the processor's cache.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from hashlib import blake2b

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.distribution.curves import (
    InterpolationRule,
    StudyArrays,
    find_brackets,
    ln_sizes,
    undersize_of_masses,
)
from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import CurveLaw, at_scores
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array, Flags, Indices
from psdstats.limits import SEED
from psdstats.uncertainty.inputs import InputTable, Kind

STRIPE_BLOCKS = 10
"""Blocks that one set of streams serves; fixed, because results depend on it."""

_CHUNK = 5_000  # draws worked on at a time
_TOGETHER = 32  # runs moved by what they share in one product, which is faster than one by one
_FAST_RULES = (InterpolationRule.SEMILOG, InterpolationRule.LINEAR)


@dataclass(frozen=True, kw_only=True)
class Stream:
    """One elementary input to be drawn."""

    identity: tuple[str, ...]
    kind: Kind
    shape: float


@dataclass(frozen=True, kw_only=True, eq=False)
class RunPlan:
    """One run without padding: P places, K classes, K - 1 apertures.

    Attributes
    ----------
    base : ndarray, shape (P,)
        Places before any raw draw is added.
    own, of_own : tuple of Stream, ndarray of shape (P, own)
        Inputs of this run alone, and what a raw draw of each adds.
    of_shared : ndarray, shape (P, shared)
        What a raw draw of each input shared with other runs adds.
    sieve_slot : ndarray of int, shape (K - 1,)
        Which physical sieve each aperture is.
    upper : tuple of int
        Nominal bracket of each level: index of its upper aperture, 0 below the finest sieve, K - 1
        above the coarsest.
    edges_um : tuple of float
        Best estimates of the finest and the coarsest aperture.
    curve : ndarray, shape (3, scores), or None
        Sizes by the law of the curve at `SCORES`; the first three places are then scores of it.
    """

    base: Array
    own: tuple[Stream, ...]
    of_own: Array
    of_shared: Array
    sieve_slot: Indices
    upper: tuple[int, ...]
    edges_um: tuple[float, float]
    curve: Array | None

    @property
    def classes(self) -> int:
        """Number of classes."""
        return len(self.sieve_slot) + 1


@dataclass(frozen=True, kw_only=True, eq=False)
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
    sieve_um, of_sieve : ndarray of shape (sieves,), ndarray of shape (sieves, shared)
        Apertures of the physical sieves, and what a raw draw of each shared input adds.
    rule : InterpolationRule or None
        Interpolation rule; None where the runs have laws of their curves.
    coverage : float
        Coverage probability of the interval ends.
    """

    seed: int
    runs: tuple[RunPlan, ...]
    shared: tuple[Stream, ...]
    sieve_um: Array
    of_sieve: Array
    rule: InterpolationRule | None
    coverage: float


def make_plan(
    table: InputTable,
    arrays: StudyArrays,
    *,
    rule: InterpolationRule | None,
    seed: int,
    coverage: float,
    curve: CurveLaw | None = None,
) -> DrawPlan:
    """Arrange the inputs by run, with those that act in several places drawn once.

    With the law of the curve, everything in the table acts on ln D.
    """
    streams = [
        Stream(identity=identity, kind=kind, shape=shape)
        for identity, kind, shape in zip(
            table.identity, table.kind, table.shape.tolist(), strict=True
        )
    ]
    entries, on_sieves = _entries(table, arrays, is_curve=curve is not None)
    shared = pd.Index(entries.loc[entries["is_shared"], "input"].unique()).union(
        pd.Index(on_sieves["input"].unique()), sort=False
    )
    rank = _ranks(table)
    shared = shared[np.argsort(rank[shared.to_numpy(dtype=np.intp)])]
    sieve_um = np.empty(len(arrays.sieve_keys))
    sieve_um[arrays.sieve_index.ravel()] = arrays.aperture_um.ravel()
    of_sieve = np.zeros((len(sieve_um), len(shared)))
    np.add.at(sieve_um, on_sieves["place"], on_sieves["constant"])
    of_sieve[on_sieves["place"], shared.get_indexer(on_sieves["input"])] = on_sieves["part"]
    of_run = dict(iter(entries.groupby("run")))
    return DrawPlan(
        seed=seed,
        runs=tuple(
            _run_plan(row, of_run.get(row, entries.iloc[:0]), shared, streams, table, arrays, curve)
            for row in range(len(arrays.runs))
        ),
        shared=tuple(streams[index] for index in shared),
        sieve_um=sieve_um,
        of_sieve=of_sieve,
        rule=rule,
        coverage=coverage,
    )


def _ranks(table: InputTable) -> Indices:
    """Order of drawing and adding that does not depend on the order of runs, shape (N,)."""
    order = sorted(range(len(table.kind)), key=lambda n: (int(table.source[n]), table.identity[n]))
    rank = np.empty(len(order), dtype=np.intp)
    rank[order] = np.arange(len(order))
    return rank


def _entries(
    table: InputTable, arrays: StudyArrays, *, is_curve: bool
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What a raw draw of each input, and a constant, add to the places of runs and to sieves.

    Levels of one run count as one point: an input that shifts several of them is not shared.
    """
    bare = np.cumsum(arrays.real, axis=1) - 1  # places without padding
    first = np.zeros(len(bare), dtype=np.intp) if is_curve else arrays.real.sum(axis=1)
    mass, ln_size, sieve = table.on_mass, table.on_ln_size, table.on_aperture
    frames = []
    for action, place, point in (
        (mass, bare[mass.run, mass.place], mass.place),
        (ln_size, first[ln_size.run] + ln_size.place, np.full(len(ln_size.run), -1)),
        (sieve, arrays.sieve_index[sieve.run, sieve.place], np.zeros(len(sieve.run))),
    ):
        part, constant = _raw(table, action.input, action.coefficient)
        columns = {"input": action.input, "run": action.run, "place": place, "point": point}
        frames.append(pd.DataFrame({**columns, "part": part, "constant": constant}))
    rank = _ranks(table)
    on_runs, on_sieves = (
        frame.iloc[np.argsort(rank[frame["input"]], kind="stable")]
        for frame in (pd.concat(frames[:2]), frames[2].drop_duplicates(["input", "place"]))
    )
    points = on_runs.drop_duplicates(["input", "run", "point"])
    several = points.loc[points["input"].duplicated(), "input"]
    return on_runs.assign(is_shared=on_runs["input"].isin(several)), on_sieves


def _raw(table: InputTable, index: NDArray[np.int32], coefficient: Array) -> tuple[Array, Array]:
    """Coefficients of the raw draws, and the constants that centre them."""
    kind, root = np.array(table.kind)[index], np.sqrt(table.shape)[index]
    is_uniform, is_gamma = kind == Kind.UNIFORM, kind == Kind.GAMMA
    part = coefficient * np.where(is_uniform, np.sqrt(12), 1.0) / np.where(is_gamma, root, 1.0)
    centre = np.where(is_uniform, np.sqrt(3), np.where(is_gamma, root, 0.0))
    return part, -coefficient * centre


def _run_plan(
    row: int,
    entries: pd.DataFrame,
    shared: pd.Index,
    streams: Sequence[Stream],
    table: InputTable,
    arrays: StudyArrays,
    curve: CurveLaw | None,
) -> RunPlan:
    """One run, the places of a law of the curve or of its masses."""
    net_g = table.net_g[row, arrays.real[row]]
    brackets = find_brackets(undersize_of_masses(net_g[None]), LEVELS)
    upper = np.where(brackets.above, net_g.size - 1, np.where(brackets.below, 0, brackets.upper))
    start = np.zeros(LEVELS.size) if curve is not None else net_g
    base = np.concatenate([start, np.zeros(LEVELS.size)])
    np.add.at(base, entries["place"], entries["constant"])
    slot = shared.get_indexer(pd.Index(entries["input"]))
    of_shared = np.zeros((base.size, len(shared)))
    common, alone = entries[slot >= 0], entries[slot < 0]
    np.add.at(of_shared, (common["place"], slot[slot >= 0]), common["part"])
    column, index = pd.factorize(alone["input"])
    of_own = np.zeros((base.size, len(index)))
    np.add.at(of_own, (alone["place"], column), alone["part"])
    own = [streams[one] for one in index]
    if curve is not None:
        own, of_own = _fewer(own, of_own, arrays.runs[row])
    beside = slice(start.size, None)
    moved = of_shared[beside].any() or of_own[beside].any() or base[beside].any()
    used = slice(None if moved else start.size)
    return RunPlan(
        base=base[used],
        own=tuple(own),
        of_own=of_own[used],
        of_shared=of_shared[used],
        sieve_slot=arrays.sieve_index[row, : net_g.size - 1].copy(),
        upper=tuple(upper[0].tolist()),
        edges_um=(float(arrays.aperture_um[row, 0]), float(arrays.aperture_um[row, -1])),
        curve=None if curve is None else curve.table[row],
    )


def _fewer(streams: Sequence[Stream], of_own: Array, run: str) -> tuple[list[Stream], Array]:
    """Normal inputs of one source of one run, as few as the places on which they act.

    The places take A z of normal z; with Aᵀ = Q R they take Rᵀ z' of fewer, of the same law.
    """
    source = np.array([s.identity[0] if s.kind is Kind.NORMAL else "" for s in streams], object)
    kept, parts = [s for s in streams if s.kind is not Kind.NORMAL], [of_own[:, source == ""]]
    for name in dict.fromkeys(source[source != ""]):
        alike = np.flatnonzero(source == name)
        matrix, some = of_own[:, alike], [streams[one] for one in alike.tolist()]
        used = np.flatnonzero(matrix.any(axis=1))
        if len(alike) > len(used):
            upper = np.linalg.qr(matrix[used].T)[1]
            upper = upper * np.where(np.diag(upper) < 0.0, -1.0, 1.0)[:, None]
            numbers = np.flatnonzero(upper.any(axis=1))
            matrix = np.zeros((len(of_own), len(numbers)))
            matrix[used] = upper[numbers].T
            key = (name, "of one run", run)
            some = [replace(some[0], identity=(*key, str(number))) for number in numbers]
        kept, parts = [*kept, *some], [*parts, matrix]
    return kept, np.hstack(parts)


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


class _Raw:
    """Raw draws of some streams, a chunk at a time; one buffer, used again and again."""

    def __init__(self, streams: Sequence[Stream], plan: DrawPlan, stripe: int, room: Array) -> None:
        self._streams, self._room = streams, room
        self._from = [keyed_generator(plan.seed, *one.identity, stripe) for one in streams]

    def next(self, width: int) -> Array:
        """The next draws of each stream, shape (streams, width)."""
        raw = self._room[: len(self._streams), :width]
        for row, (stream, generator) in enumerate(zip(self._streams, self._from, strict=True)):
            fill(generator, stream.kind, stream.shape, raw[row])
        return raw


def draw_blocks(
    plan: DrawPlan, *, stripe: int, block_draws: int, n_blocks: int = STRIPE_BLOCKS
) -> Iterator[tuple[Array, Array]]:
    """Blocks of joint draws of one stripe, one after another.

    Shapes: gives ln_size (R, 3, block_draws), negative (R,).
    """
    room = np.empty((max(len(run.own) for run in plan.runs), _CHUNK))
    shared = _Raw(plan.shared, plan, stripe, np.empty((len(plan.shared), _CHUNK)))
    own = [_Raw(run.own, plan, stripe, room) for run in plan.runs]
    starts = range(0, len(plan.runs), _TOGETHER)
    moves = [
        np.concatenate([run.of_shared for run in plan.runs[first : first + _TOGETHER]])
        for first in starts
    ]
    for _ in range(n_blocks):
        ln_size = np.empty((len(plan.runs), LEVELS.size, block_draws))
        negative = np.zeros(len(plan.runs))
        for start in range(0, block_draws, _CHUNK):
            part = slice(start, min(start + _CHUNK, block_draws))
            common = shared.next(part.stop - start)
            ln_aperture = _ln_apertures(plan, common)
            for first, of_shared in zip(starts, moves, strict=True):
                moved, end = of_shared @ common, 0
                for row in range(first, min(first + _TOGETHER, len(plan.runs))):
                    run = plan.runs[row]
                    places = run.of_own @ own[row].next(common.shape[1])
                    places += run.base[:, None]
                    places += moved[end : end + len(places)]
                    end += len(places)
                    out = ln_size[row, :, part]
                    negative[row] += _fill_sizes(run, plan.rule, places, ln_aperture, out)
        yield ln_size, negative


def _ln_apertures(plan: DrawPlan, common: Array) -> Array:
    """Drawn ln apertures of all sieves; none with laws of the curves, which hold them."""
    if plan.rule is None:
        return np.empty((0, 0))
    return np.asarray(np.log(plan.of_sieve @ common + plan.sieve_um[:, None]))


def _fill_sizes(
    run: RunPlan, rule: InterpolationRule | None, places: Array, ln_aperture: Array, ln_size: Array
) -> int:
    """Fill ln D of one run; return the draws with a negative net mass."""
    if rule is not None:
        return _fill_by_rule(run, rule, places, ln_aperture[run.sieve_slot], ln_size)
    for level, upper in enumerate(run.upper):
        if upper in (0, run.classes - 1):
            ln_size[level] = -np.inf if upper == 0 else np.inf
        else:
            ln_size[level] = at_scores(np.asarray(run.curve)[level], places[level])
    if len(places) > LEVELS.size:
        ln_size += places[LEVELS.size :]
    for level in range(1, LEVELS.size):  # sizes of one run stand in order
        np.maximum(ln_size[level - 1], ln_size[level], out=ln_size[level])
    return 0


@np.errstate(divide="ignore", invalid="ignore")  # an empty class in a draw that is done again
def _fill_by_rule(
    run: RunPlan, rule: InterpolationRule, places: Array, ln_aperture: Array, ln_size: Array
) -> int:
    """Sizes where the curve first reaches each level; the general rule where brackets are left."""
    cumulative = places[: run.classes]
    negative = cumulative.min(axis=0) < 0.0
    for place in range(1, run.classes):  # several times faster than a cumulative sum over rows
        cumulative[place] += cumulative[place - 1]
    again = np.arange(cumulative.shape[1])
    if rule in _FAST_RULES:
        left = _in_brackets(run, rule, cumulative, ln_aperture, ln_size)
        again = np.flatnonzero(left | negative)
    if again.size:
        total = cumulative[-1, again]
        # a draw without any powder has no size: all of it counts as finer than the finest sieve
        empty = total <= 0.0
        undersize = np.where(empty, 1.0, cumulative[:-1, again] / np.where(empty, 1.0, total))
        ln_size[:, again] = ln_sizes(undersize.T, ln_aperture[:, again].T, LEVELS, rule).T
    if len(places) > run.classes:
        ln_size += places[run.classes :]
    return int(np.count_nonzero(negative))


def _in_brackets(
    run: RunPlan, rule: InterpolationRule, cumulative: Array, ln_aperture: Array, ln_size: Array
) -> Flags:
    """Sizes with the nominal brackets, which is fast; True where a draw has left one of them."""
    left = np.zeros(cumulative.shape[1], dtype=bool)
    is_linear = rule is InterpolationRule.LINEAR
    for level, upper, size in zip(LEVELS, run.upper, ln_size, strict=True):
        target = level * cumulative[-1]
        if upper in (0, run.classes - 1):
            size.fill(-np.inf if upper == 0 else np.inf)
            left |= cumulative[0] <= target if upper == 0 else cumulative[-2] >= target
            continue
        above, rise = target - cumulative[upper - 1], cumulative[upper] - cumulative[upper - 1]
        left |= (above <= 0.0) | (above > rise)
        place, width = above / rise, ln_aperture[upper] - ln_aperture[upper - 1]
        step = np.log1p(place * np.expm1(width)) if is_linear else place * width
        np.add(ln_aperture[upper - 1], step, out=size)
    return left
