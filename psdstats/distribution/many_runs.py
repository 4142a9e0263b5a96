"""The shape between the sieves borrowed in a trial of very many runs, without a matrix over all.

The formulas are those of `borrowing`; what the curves leave open between the sieves is a factor of
its covariance: columns shared by all runs, from the covariance with a few runs spread over rows and
benches (the core: a Nyström approximation), and columns of small blocks of runs of one row and
bench, which hold whatever is left inside them.  Variances and covariances inside a block are those
of `borrowing`; between blocks as much as the core tells.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from psdstats.distribution.borrowing import (
    COMMON,
    Moved,
    Written,
    as_open,
    functionals,
    of_rows,
    through,
)
from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import CurveLaw
from psdstats.distribution.trial_curves import TrialRuns, merged_many, trials
from psdstats.frozen import Array, Indices

CORE = 256  # runs by which blocks move together
BLOCK = 12  # runs in a block at most
_AT_ONCE = 32  # runs whose correlations with others are found at a time
LEAST_SHARED = 0.005  # of the largest eigenvalue of the core: the smallest that is kept
LEAST_OWN = 1e-3  # of the largest variance of a block
L = LEVELS.size


class Noise:
    """Covariance of ln D by apertures and readings, linear in weights (R, L, n) of each."""

    def __init__(self, runs: TrialRuns, by_t: Array, by_q: Array) -> None:
        R, n = runs.undersize.shape
        by_t, by_q = np.nan_to_num(by_t), np.nan_to_num(by_q)
        of_sieve = by_t * (runs.u_ln_aperture * runs.real)[:, None]
        column = np.broadcast_to(runs.sieve[:, None], of_sieve.shape)
        row = np.broadcast_to(np.arange(R * L).reshape(R, L, 1), of_sieve.shape)
        shape = R * L, int(runs.sieve.max()) + 1
        found = (of_sieve.ravel(), (row.ravel(), column.ravel()))
        self.of_sieve = sparse.coo_array(found, shape=shape).tocsr()
        self.by_reading = by_q.reshape(R * L, n)
        self.with_reading = np.einsum("rln,rnm->rlm", by_q, runs.covariance).reshape(R * L, n)

    def variance(self) -> Array:
        """Of every size, (R L,)."""
        squares = self.of_sieve.multiply(self.of_sieve).sum(axis=1)
        return np.asarray(squares + (self.with_reading * self.by_reading).sum(1))

    def covariance(self, i: Indices, j: Indices, *, readings: bool) -> Array:
        """Of sizes i with sizes j, with or without what one run's readings share."""
        joint = (self.of_sieve[i] @ self.of_sieve[j].T).toarray()
        if readings:
            joint += self.of_readings(i, j)
        return np.asarray(joint)

    def of_readings(self, i: Indices, j: Indices) -> Array:
        """By readings alone, which one run's sizes share."""
        same = (i // L)[:, None] == j // L
        return np.asarray(same * (self.with_reading[i] @ self.by_reading[j].T))


class Kernel:
    """Correlation of what the curves do between their sieves, as `between_correlation`."""

    def __init__(self, law: CurveLaw, case: Indices) -> None:
        b, z = functionals(law)
        n = b.shape[1] - 1
        weight, place = b.reshape(-1, L, n + 1), z.reshape(-1, L, n + 1)
        self.z = np.hstack([place[:, 0, :n], place[:, :, n]])  # (R, n + L)
        self.b = np.zeros((len(weight), L, n + L))
        self.b[:, :, :n] = weight[:, :, :n]
        self.b[:, range(L), range(n, n + L)] = weight[:, :, n]
        self.case = case
        gap = np.abs(self.z[:, :, None] - self.z[:, None]) ** 3 / 12
        own = np.einsum("rlz,rzy,rly->rl", self.b, gap, self.b)
        self.silent = ~(np.abs(weight).max(-1) > 0) | (own < 1e-12)
        self.b = self.b / np.sqrt(np.where(self.silent, np.inf, own))[..., None]

    def between(self, i: Indices, j: Indices) -> Array:
        """Of the sizes i with sizes j."""
        (runs, a), (others, c) = (np.unique(one // L, return_inverse=True) for one in (i, j))
        joint = np.vstack([self._of_runs(some, others) for some in _pieces(runs)])
        joint = joint[np.ix_(a * L + i % L, c * L + j % L)]
        same = self.case[i // L][:, None] == self.case[j // L]
        quiet = self.silent.ravel()
        alone = quiet[i][:, None] & quiet[j] & same & ((i % L)[:, None] == j % L)
        return np.asarray((joint + alone) * np.where(same, 1.0, COMMON))

    def _of_runs(self, some: Indices, others: Indices) -> Array:
        """Of all sizes of some runs with all of others, as if all sizes were under one case."""
        step = self.z[some].ravel()[:, None] - self.z[others].ravel()
        cube = np.abs(step) * step**2 / 12
        half = np.matmul(self.b[some], cube.reshape(len(some), self.z.shape[1], -1))
        half = half.reshape(len(some) * L, len(others), -1)
        return np.asarray(np.einsum("iom,olm->iol", half, self.b[others]).reshape(len(half), -1))


def _pieces(runs: Indices) -> list[Indices]:
    """Runs a few at a time, so that what is worked on stays small."""
    return np.array_split(runs, -(-len(runs) // _AT_ONCE))


class _Many(Moved):
    """The sizes of one trial, with their covariance some by some."""

    def prepare(self, single: Noise, kernel: Kernel) -> None:
        """What the formulas of the covariance need, linear in the number of runs."""
        rows, law, p, runs = self.rows, self.law, self.place, self.runs
        self.single_noise, self.kernel, n = single, kernel, runs.undersize.shape[1]
        rest = np.stack([law.by_ln_aperture, law.by_undersize])  # (2, P, K, n)
        by_errors = of_rows(law, rows)
        some, first = np.unique(p, return_index=True)
        rest[:, some, self.places.row[some]] -= self.by_own[:, first]  # the run's own instead
        weights = np.zeros((2, *self.single.table.shape[:2], n))
        weights[:, self.run, self.level] = self.by_own
        self.own_noise = Noise(runs, *weights)
        mine = np.concatenate(rows.runs)
        used = np.unique(runs.sieve[mine][runs.real[mine]])
        self.of_sieve = self.own_noise.of_sieve[self.at][:, used].toarray()
        self.of_sieve += through(rest[0], rows.of_aperture[..., : len(used)])[p]
        reading = through(rest[1], rows.of_undersize)
        self.base = law.covariance - by_errors @ by_errors.T + reading @ reading.T
        self.rest = rest[1]
        many = np.array([len(same) for same in rows.runs])[self.row]
        self.met = self.own_noise.with_reading[self.at] / many[:, None]

    def variances(self) -> tuple[Array, Array]:
        """Of the sizes moved, and mixed with the law of each run alone."""
        p, at, share = self.place, self.at, self.shares
        moved = np.diag(self.base)[p] + (self.of_sieve**2).sum(1) + self.departure**2
        moved += 2 * (self.rest[p, self.row] * self.met).sum(1)
        moved += (self.own_noise.with_reading[at] * self.own_noise.by_reading[at]).sum(1)
        alone = self.single_noise.variance()[at] + self.between**2
        return moved, share[0] * moved + share[1] * alone + share[0] * share[1] * self.apart**2

    def covariance(self, i: Indices, j: Indices, *, readings: bool) -> Array:
        """Of some sizes of the trial with others, by their positions in it."""
        p, own, share = self.place, (self.at[i], self.at[j]), self.shares
        alike = self.kernel.between(*own)
        moved = self.base[np.ix_(p[i], p[j])] + self.of_sieve[i] @ self.of_sieve[j].T
        moved += self._met(i, j) + self._met(j, i).T
        bench = self.runs.bench[self.run]
        same = (self.row[i][:, None] == self.row[j]) & (bench[i][:, None] == bench[j])
        moved += np.outer(self.departure[i], self.departure[j]) * same * alike
        if readings:
            moved += self.own_noise.of_readings(*own)
        alone = self.single_noise.covariance(*own, readings=readings)
        alone += alike * np.outer(self.between[i], self.between[j])
        apart = share[0] * share[1] * np.outer(self.apart[i], self.apart[j])
        return np.asarray(share[0] * moved + share[1] * alone + apart)

    def _met(self, i: Indices, j: Indices) -> Array:
        """Of the readings of sizes i with the means of rows that hold them."""
        joint = np.empty((len(i), len(j)))
        for row in np.unique(self.row[i]):
            here = self.row[i] == row
            joint[here] = self.met[i[here]] @ self.rest[self.place[j], row].T
        return joint


def borrow_many(
    runs: TrialRuns, single: CurveLaw, case: Indices, *, alone: bool
) -> tuple[CurveLaw, sparse.csr_array]:
    """Law of the sizes of very many runs, and a factor of what it leaves open between the sieves.

    Parameters
    ----------
    runs : TrialRuns
        R runs.
    single : CurveLaw
        Law of each run by itself.
    case : ndarray of int, shape (R,)
        Runs of one number are one condition on one stack.
    alone : bool
        Whether every run keeps its own law.

    Returns
    -------
    CurveLaw, sparse array of shape (R L, M)
    """
    kernel, written, parts = Kernel(single, case), Written.of(single), []
    noise = Noise(runs, single.by_ln_aperture, single.by_undersize)
    for own in [] if alone else trials(runs, single.ln_size[:, L // 2]):
        rows = merged_many(runs, own)
        part = _Many(runs, rows, single, noise.variance())
        if len(rows.undersize) < 2 or not len(part.run):
            continue
        part.take(part.laws()[0])
        part.prepare(noise, kernel)
        part.write(part.variances()[0], written)
        parts.append(part)
    law = written.law(single)
    left = _Open(runs, law, kernel, parts)
    factor = left.factor()
    if not parts:
        return law, factor
    law, share = as_open(law, left.noise.variance(), factor.power(2).sum(axis=1))
    return law, sparse.csr_array(factor.multiply(share[:, None]))


class _Open:
    """Covariance of what is left open between the sieves, and its factor."""

    def __init__(self, runs: TrialRuns, law: CurveLaw, kernel: Kernel, parts: list[_Many]) -> None:
        self.runs, self.kernel, self.parts = runs, kernel, parts
        self.noise = Noise(runs, law.by_ln_aperture, law.by_undersize)
        u = np.nan_to_num(law.u).reshape(-1)
        self.left = np.sqrt(np.maximum(u**2 - self.noise.variance(), 0))
        self.known = u > 0
        self.part, self.position = np.full((2, u.size), -1)
        self.scale = np.ones(u.size)
        row = np.zeros(len(runs.undersize), dtype=np.intp)
        for k, part in enumerate(parts):
            self.part[part.at], self.position[part.at] = k, np.arange(len(part.at))
            self.scale[part.at] = u[part.at] / np.sqrt(np.maximum(part.variances()[1], 1e-12))
            row[part.run] = part.row
        trial = self.part.reshape(-1, L).max(1)
        kinds = np.column_stack([trial, row, runs.bench])
        self.kind = np.unique(kinds, axis=0, return_inverse=True)[1]

    def covariance(self, i: Indices, j: Indices, *, readings: bool) -> Array:
        """Of some sizes with others, with or without what one run's readings share."""
        joint = self.kernel.between(i, j) * np.outer(self.left[i], self.left[j])
        for k, part in enumerate(self.parts):
            a, b = np.flatnonzero(self.part[i] == k), np.flatnonzero(self.part[j] == k)
            if a.size and b.size:
                one, two = i[a], j[b]
                own = part.covariance(
                    self.position[one], self.position[two], readings=readings
                ) * np.outer(self.scale[one], self.scale[two])
                own -= self.noise.covariance(one, two, readings=readings)
                joint[np.ix_(a, b)] = own
        return np.asarray(joint)

    def factor(self) -> sparse.csr_array:
        """Columns shared by all, then those of every block."""
        blocks = self._blocks()
        core = self._core(blocks)
        within = self.covariance(core, core, readings=False)
        values, vectors = np.linalg.eigh(within)
        kept = values > LEAST_SHARED * values[-1]
        to_shared = vectors[:, kept] / np.sqrt(values[kept])
        entries, columns = [], int(kept.sum())
        for block in blocks:
            shared = self.covariance(block, core, readings=False) @ to_shared
            own = self.covariance(block, block, readings=True)
            values, vectors = np.linalg.eigh(own - shared @ shared.T)
            some = values > LEAST_OWN * np.diag(own).max(initial=0.0)
            left = vectors[:, some] * np.sqrt(values[some])
            entries.append(_entries(block, shared, 0))
            entries.append(_entries(block, left, columns))
            columns += int(some.sum())
        row, column, value = (np.concatenate(one) for one in zip(*entries, strict=True))
        shape = self.known.size, columns
        return sparse.coo_array((value, (row, column)), shape=shape).tocsr()

    def _blocks(self) -> list[Indices]:
        """Sizes of a few runs of one trial, row and bench."""
        order = np.argsort(self.kind, kind="stable")
        ends = np.flatnonzero(np.diff(self.kind[order])) + 1
        found = []
        for same in np.split(order, ends):
            for some in np.array_split(same, -(-len(same) // BLOCK)):
                sizes = (L * some[:, None] + np.arange(L)).ravel()
                found.append(sizes[self.known[sizes]])
        return [one for one in found if len(one)]

    def _core(self, blocks: list[Indices]) -> Indices:
        """Sizes of runs spread evenly over the blocks, one of each block where there is room."""
        runs = np.concatenate([np.unique(one // L) for one in blocks])
        first = np.array([one[0] // L for one in blocks])
        chosen = first if len(first) >= CORE // 2 else runs
        some = chosen[np.linspace(0, len(chosen) - 1, min(CORE, len(chosen))).astype(int)]
        sizes = (L * some[:, None] + np.arange(L)).ravel()
        return np.asarray(sizes[self.known[sizes]])


def _entries(rows: Indices, block: Array, first: int) -> tuple[NDArray[Any], ...]:
    """Rows, columns and values of a block whose columns start there."""
    row = np.repeat(rows.astype(np.int32), block.shape[1])
    column = np.tile(first + np.arange(block.shape[1], dtype=np.int32), len(rows))
    return row, column, block.ravel()
