"""The inner loop of the study Monte Carlo: joint draws of ln D10, ln D50, ln D90 of all runs.

Work is done in chunks laid out (variate, draw) that fit in the processor's cache.  Each raw draw is
made in place and added to its class.  A draw stays on the fast path while its percentiles stay in
their nominal brackets and no net mass is negative; the others go through the general rule
(`psdstats.distribution.inverse`), so both give the size where the curve first reaches the level.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.inverse import ln_sizes
from psdstats.distribution.rules import InterpolationRule
from psdstats.distribution.sizes import LEVELS
from psdstats.uncertainty.plan import DrawPlan, RunPlan, Stream
from psdstats.uncertainty.streams import fill, keyed_generator

__all__ = ["STRIPE_BLOCKS", "draw_blocks"]

Array = NDArray[np.float64]

STRIPE_BLOCKS = 10
"""Blocks that one set of streams serves; fixed, because results depend on it."""

_FAST_RULES = (InterpolationRule.SEMILOG, InterpolationRule.LINEAR)


def draw_blocks(
    plan: DrawPlan, *, stripe: int, block_draws: int, n_blocks: int = STRIPE_BLOCKS
) -> Iterator[tuple[Array, Array]]:
    """Blocks of joint draws of one stripe, one after another.

    Parameters
    ----------
    plan : DrawPlan
        What to draw.
    stripe : int
        Number of the stripe, from 0.
    block_draws : int
        Draws in a block.
    n_blocks : int, default=10
        Blocks wanted of this stripe.

    Yields
    ------
    ln_size : ndarray, shape (R, 3, block_draws)
        ln D; -inf below the finest sieve, +inf above the coarsest.
    negative : ndarray, shape (R,)
        Draws with a net mass below zero.
    """
    shared = [keyed_generator(plan.seed, *one.identity, stripe) for one in plan.shared]
    own = [
        [keyed_generator(plan.seed, *one.identity, stripe) for one in run.own] for run in plan.runs
    ]
    work = _Workspace(plan)
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
        return ln_sizes(undersize, ln_aperture, LEVELS, self.plan.rule).T


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
