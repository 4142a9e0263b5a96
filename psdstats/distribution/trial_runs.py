"""The runs of a trial, and what of them shows one shape: rows, one a milling time and stack.

Numbers only.  Sizes are ln aperture, undersizes mass fractions.  Replicates, and benches on equal
nominal stacks whose level agrees, show one shape between the sieves; they are averaged to one row,
with the errors of the physical sieves and of the readings that the average keeps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array, freeze_arrays

Indices = NDArray[np.intp]
Flags = NDArray[np.bool_]
FARTHEST = 0.12  # ln size: benches farther apart than this show shapes of their own


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialRuns:
    """Readings of R runs on n sieves at most; a run with fewer repeats its last aperture.

    Attributes
    ----------
    undersize, ln_aperture, u_ln_aperture : ndarray, shape (R, n)
        Mass fractions finer, ln of the apertures and their standard uncertainties.
    real : ndarray of bool, shape (R, n)
        Where a sieve stands; the columns after it are padding.
    sieve : ndarray of int, shape (R, n)
        Which physical sieve it is: one aperture error for all runs that used it.
    covariance : ndarray, shape (R, n, n)
        Covariance of the undersize by weighing and sampling, independent between runs.
    smallest : ndarray, shape (R,)
        Undersize or oversize below which nothing can be told.
    bench, condition : ndarray of int, shape (R,)
        Bench, and combination of all factors but bench and time.
    minutes : ndarray, shape (R,)
        Milling time.
    """

    undersize: Array
    ln_aperture: Array
    u_ln_aperture: Array
    real: Flags
    sieve: Indices
    covariance: Array
    smallest: Array
    bench: Indices
    condition: Indices
    minutes: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)


def elementary_errors(runs: TrialRuns) -> tuple[Array, Array]:
    """What G unit errors do to ln apertures and to undersizes, shape (R, n, G) each.

    One error a physical sieve, and n of each run's readings by the root of their covariance.
    """
    R, n = runs.undersize.shape
    sieves = np.unique(runs.sieve[runs.real])
    stands = (runs.sieve[..., None] == sieves) & runs.real[..., None]
    of_sieve = stands * runs.u_ln_aperture[..., None]
    if not runs.covariance.any():
        return of_sieve, np.zeros_like(of_sieve)
    values, vectors = np.linalg.eigh(runs.covariance)
    each, blocks = np.arange(R), np.zeros((R, n, R, n))
    blocks[each, :, each] = vectors * np.sqrt(np.maximum(values, 0))[:, None]
    of_reading = blocks.reshape(R, n, R * n)
    return (
        np.concatenate([of_sieve, np.zeros_like(of_reading)], -1),
        np.concatenate([np.zeros_like(of_sieve), of_reading], -1),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Rows:
    """K rows of one trial: the readings that its laws are fitted to, and how runs made them.

    Attributes
    ----------
    undersize, ln_aperture : ndarray, shape (K, n)
    real : ndarray of bool, shape (K, n)
    of_aperture, of_undersize : ndarray, shape (K, n, G)
        What the elementary errors do to them.
    smallest : ndarray, shape (K,)
    time, stack : ndarray of int, shape (K,)
        Index into `minutes`; nominal stack.
    minutes : ndarray, shape (T,)
    runs : list of ndarray
        Positions of the runs behind each row.
    """

    undersize: Array
    ln_aperture: Array
    real: Flags
    of_aperture: Array
    of_undersize: Array
    smallest: Array
    time: Indices
    stack: Indices
    minutes: Array
    runs: list[Indices]

    @property
    def informative(self) -> Flags:
        """Sieves that some but not all passes, shape (K, n)."""
        small = self.smallest[:, None]
        return np.asarray(self.real & (self.undersize > small) & (self.undersize < 1 - small))

    @property
    def u_ln_aperture(self) -> Array:
        """Standard uncertainty of each ln aperture, a mean over physical sieves, shape (K, n)."""
        return np.asarray(np.sqrt((self.of_aperture**2).sum(-1)))


def trials(runs: TrialRuns, ln_median: Array) -> list[Indices]:
    """Positions of the runs of each trial: one condition, benches of about one level."""
    found = []
    for condition in np.unique(runs.condition):
        here = np.flatnonzero(runs.condition == condition)
        level = np.full(len(here), np.nan)
        for minute in np.unique(runs.minutes[here]):
            at = runs.minutes[here] == minute
            known = ln_median[here[at]]
            if np.isfinite(known).any():
                level[at] = known - np.nanmedian(known)
        benches = np.unique(runs.bench[here])
        offset = np.array([_mean(level[runs.bench[here] == bench]) for bench in benches])
        order = np.argsort(offset, kind="stable")
        part = np.cumsum(np.append(0, np.diff(offset[order]) > FARTHEST))
        for k in range(part[-1] + 1):
            own = here[np.isin(runs.bench[here], benches[order[part == k]])]
            tie = np.round(runs.undersize[own].T, 12)
            found.append(own[np.lexsort((*tie, runs.bench[own], runs.minutes[own]))])
    return found


def _mean(values: Array) -> float:
    """Mean of what is known, 0 where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0


def nominal_stacks(runs: TrialRuns) -> Indices:
    """Number of each run's nominal stack, shape (R,); numbered by their apertures, not by order."""
    rounded = np.where(runs.real, np.round(runs.ln_aperture, 6), np.inf)
    return np.unique(rounded, axis=0, return_inverse=True)[1].reshape(-1)


def merged(runs: TrialRuns, own: Indices, errors: tuple[Array, Array]) -> Rows:
    """Rows of one trial from the runs `own`: means over one time and nominal stack."""
    kinds, alike = _alike(runs, own)
    of_aperture, of_undersize = (
        np.stack([each[same].mean(0) for same in alike]) for each in errors
    )
    return _rows(runs, own, kinds, alike, of_aperture, of_undersize)


def merged_many(runs: TrialRuns, own: Indices) -> Rows:
    """The same with as few errors as serve: the sieves of these runs, then n of each row's mean."""
    kinds, alike = _alike(runs, own)
    K, n = len(alike), runs.undersize.shape[1]
    sieves = np.unique(runs.sieve[own][runs.real[own]])
    of_aperture, of_undersize = np.zeros((2, K, n, len(sieves) + K * n))
    for k, same in enumerate(alike):
        run, place = np.nonzero(runs.real[same])
        column = np.searchsorted(sieves, runs.sieve[same][run, place])
        u = runs.u_ln_aperture[same][run, place] / len(same)
        np.add.at(of_aperture[k], (place, column), u)
        values, vectors = np.linalg.eigh(runs.covariance[same].sum(0) / len(same) ** 2)
        first = len(sieves) + k * n
        of_undersize[k, :, first : first + n] = vectors * np.sqrt(np.maximum(values, 0))
    return _rows(runs, own, kinds, alike, of_aperture, of_undersize)


def _alike(runs: TrialRuns, own: Indices) -> tuple[Indices, list[Indices]]:
    """Stack and time of each row, and the runs behind it."""
    time = np.unique(runs.minutes[own], return_inverse=True)[1]
    stack = nominal_stacks(runs)[own]
    kinds = np.unique(np.column_stack([stack, time]), axis=0)
    return kinds, [own[(stack == s) & (time == c)] for s, c in kinds]


def _rows(
    runs: TrialRuns,
    own: Indices,
    kinds: Indices,
    alike: list[Indices],
    of_aperture: Array,
    of_undersize: Array,
) -> Rows:
    first = [same[0] for same in alike]
    return Rows(
        undersize=np.stack([runs.undersize[same].mean(0) for same in alike]),
        ln_aperture=runs.ln_aperture[first],
        real=runs.real[first],
        of_aperture=of_aperture,
        of_undersize=of_undersize,
        smallest=np.array([runs.smallest[same].max() for same in alike]),
        time=kinds[:, 1],
        stack=kinds[:, 0],
        minutes=np.unique(runs.minutes[own]),
        runs=alike,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Brackets:
    """Sizes that two sieves bracket: P places, their row (or run), level, and the sieves around."""

    row: Indices
    level: Indices
    lower: Indices
    upper: Indices
    left: Array
    right: Array


def brackets(
    undersize: Array, ln_aperture: Array, u: Array, real: Flags, levels: Array
) -> Brackets:
    """Where every level lies between two sieves, with four standard uncertainties on both sides."""
    below = real[:, None] & (undersize[:, None] < levels[:, None])  # (K, L, n)
    above = real[:, None] & (undersize[:, None] > levels[:, None])
    count = real.sum(1)[:, None]
    lower = np.clip(below.sum(-1) - 1, 0, np.maximum(count - 2, 0))
    upper = np.clip(count - above.sum(-1), lower + 1, np.maximum(count - 1, 1))
    equal = real[:, None] & (undersize[:, None] == levels[:, None])
    found = ((below | equal).any(-1) & (above | equal).any(-1)) & (count > 1)
    row, level = np.nonzero(found)
    i, j = lower[row, level], upper[row, level]
    left = ln_aperture[row, i] - 4 * u[row, i]
    right = ln_aperture[row, j] + 4 * u[row, j]
    return Brackets(row=row, level=level, lower=i, upper=j, left=left, right=right)
