"""Which rearrangements of runs a design allows, all of them or a random sample.

Runs are exchanged only within their stratum (group).  Two rearrangements that give every run the
same factor level are the same; when there are few different ones they are enumerated, else drawn at
random, and the observed one always counts.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

__all__ = ["EXACT_LIMIT", "NOISE", "TIE", "arrangement_blocks", "count_arrangements"]

EXACT_LIMIT = 20_000  # up to this many different rearrangements all are looked at
NOISE = 1e-24  # relative sum of squares of floating-point noise
TIE = 1e-9  # relative difference below which two statistics count as equal
_BLOCK = 2_000

Codes = NDArray[np.int64]


def count_arrangements(levels: Codes, strata: Codes) -> int:
    """Number of different assignments of factor levels to runs within strata.

    Parameters
    ----------
    levels, strata : ndarray of int, shape (n,)
        Factor level and stratum of each run, as codes from 0.

    Returns
    -------
    int
        Product over strata of multinomial coefficients.

    Examples
    --------
    >>> count_arrangements(np.array([0, 0, 1, 1, 0, 1]), np.array([0, 0, 0, 0, 1, 1]))
    12
    """
    total = 1
    for stratum in np.unique(strata):
        counts = np.bincount(levels[strata == stratum])
        total *= math.factorial(int(counts.sum()))
        for one in counts:
            total //= math.factorial(int(one))
    return total


def arrangement_blocks(
    levels: Codes, strata: Codes, *, draws: int | None, rng: np.random.Generator
) -> Iterator[Codes]:
    """Blocks of rearrangements of the rows.

    Parameters
    ----------
    levels, strata : ndarray of int, shape (n,)
        Factor level and stratum of each run, as codes from 0.
    draws : int or None
        Number of random rearrangements; None enumerates all different ones, the observed included.
    rng : numpy.random.Generator
        Used for random rearrangements only.

    Yields
    ------
    ndarray of int, shape (block, n)
        Row numbers; row b of the block puts run block[b, i] in the place of run i.
    """
    if draws is None:
        places = [np.flatnonzero(strata == one) for one in np.unique(strata)]
        parts = [_orders(levels[where]) for where in places]
        every = itertools.product(*(range(len(part)) for part in parts))
        while chosen := list(itertools.islice(every, _BLOCK)):
            picks = np.array(chosen)
            block = np.empty((len(picks), len(levels)), dtype=np.int64)
            for column, (where, part) in enumerate(zip(places, parts, strict=True)):
                block[:, where] = where[part[picks[:, column]]]
            yield block
        return
    sorted_rows = np.argsort(strata, kind="stable")
    for start in range(0, draws, _BLOCK):
        size = min(_BLOCK, draws - start)
        keys = strata + rng.random((size, len(strata)))
        block = np.empty((size, len(strata)), dtype=np.int64)
        block[:, sorted_rows] = np.argsort(keys, axis=1)
        yield block


def _orders(levels: Codes) -> Codes:
    """Row orders of one stratum, one for each different assignment of its levels."""
    home = np.argsort(levels, kind="stable")
    orders = []
    for assignment in _assignments(np.bincount(levels).tolist(), len(levels)):
        order = np.empty(len(levels), dtype=np.int64)
        order[home] = np.argsort(np.array(assignment), kind="stable")
        orders.append(order)
    return np.array(orders)


def _assignments(counts: list[int], length: int) -> Iterator[tuple[int, ...]]:
    """Every different sequence with the given number of each code."""
    if length == 0:
        yield ()
        return
    for code, left in enumerate(counts):
        if left:
            counts[code] -= 1
            for rest in _assignments(counts, length - 1):
                yield (code, *rest)
            counts[code] += 1
