"""Permutation test for a difference between whole distributions, by exchange of runs in strata.

Runs are exchanged only within their stratum (group).  Two rearrangements that give every run the
same factor level are the same; when there are few different ones they are enumerated, else drawn at
random, and the observed one always counts.

The pseudo-F of M. J. Anderson, "A new method for non-parametric multivariate analysis of variance",
Austral Ecology 26 (2001) 32-46, on Euclidean coordinates, with strata (groups) as blocks: their
mean differences are removed first and runs are exchanged only within them, so that the test has
exact size whatever the distribution of the coordinates, empty classes and unequal numbers included.
The test answers to a difference in scatter as well as in position.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import Array

EXACT_LIMIT = 20_000  # up to this many different rearrangements all are looked at
NOISE = 1e-24  # relative sum of squares of floating-point noise
TIE = 1e-9  # relative difference below which two statistics count as equal
_BLOCK = 2_000

Codes = NDArray[np.int64]


def count_arrangements(levels: Codes, strata: Codes) -> int:
    """Number of different assignments of factor levels to runs within strata.

    Shapes: levels, strata (n,).

    Examples
    --------
    >>> count_arrangements(np.array([0, 0, 1, 1, 0, 1]), np.array([0, 0, 0, 0, 1, 1]))
    12
    """
    total = 1
    for stratum in np.unique(strata):
        counts = np.bincount(levels[strata == stratum]).tolist()
        total *= math.factorial(sum(counts)) // math.prod(map(math.factorial, counts))
    return total


def arrangement_blocks(
    levels: Codes, strata: Codes, *, draws: int | None, rng: np.random.Generator
) -> Iterator[Codes]:
    """Blocks of rearrangements of the rows.

    Shapes: levels, strata (n,); gives (block, n).
    """
    if draws is None:
        places = [np.flatnonzero(strata == one) for one in np.unique(strata)]
        parts = []
        for own in (levels[where] for where in places):  # each different assignment of one stratum
            made = np.array(list(_assignments(np.bincount(own).tolist(), len(own))))
            order = np.empty_like(made)
            order[:, np.argsort(own, kind="stable")] = np.argsort(made, axis=1, kind="stable")
            parts.append(order)
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
        keys = strata + rng.random((min(_BLOCK, draws - start), len(strata)))
        block = np.empty(keys.shape, dtype=np.int64)
        block[:, sorted_rows] = np.argsort(keys, axis=1)
        yield block


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """A one-factor design with strata, ready for sums of squares.

    Parameters
    ----------
    levels, strata : ndarray of int, shape (n,)
        Codes of factor level and stratum.
    basis : ndarray, shape (n, df_factor)
        Orthonormal basis of the factor after strata.
    block_basis : ndarray, shape (n, n_strata)
        Orthonormal basis of the strata (of the mean, without strata).
    df_residual : int
        Degrees of freedom left after strata and factor.
    arrangements : int
        Different assignments of levels to runs within strata.
    exact : bool
        Whether all different rearrangements are looked at.
    """

    levels: Codes
    strata: Codes
    basis: Array
    block_basis: Array
    df_residual: int
    arrangements: int
    exact: bool

    def blocks(self, permutations: int, seed: int) -> Iterator[Codes]:
        """Blocks of rearrangements of the rows, all or a random sample of them, (block, n)."""
        draws = None if self.exact else permutations
        rng = np.random.default_rng(seed)
        return arrangement_blocks(self.levels, self.strata, draws=draws, rng=rng)

    def without_strata_means(self, values: Array) -> Array:
        """Rows of `values` with the stratum means taken off."""
        taken = self.block_basis @ (self.block_basis.T @ values)
        return np.asarray(values - taken, dtype=np.float64)


def layout_of(factor: ArrayLike, strata: ArrayLike | None = None) -> Layout:
    """Build the layout of a one-factor design.

    Shapes: factor (n,), strata (n,).
    """
    levels, names = pd.factorize(np.asarray(factor), sort=True)
    blocks = pd.factorize(
        np.zeros(len(levels)) if strata is None else np.asarray(strata), sort=True
    )[0]
    if len(blocks) != len(levels):
        raise ModelError(f"There are {len(levels)} factor values but {len(blocks)} strata values.")
    dummies = np.equal.outer(blocks, np.unique(blocks)).astype(float)
    block_basis = dummies / np.sqrt(dummies.sum(axis=0))
    factor_dummies = np.equal.outer(levels, np.arange(len(names))).astype(float)
    rest = factor_dummies - block_basis @ (block_basis.T @ factor_dummies)
    turned, size, _ = np.linalg.svd(rest, full_matrices=False)
    basis = turned[:, size > 1e-9 * max(1.0, float(size.max()))]
    if basis.shape[1] == 0:
        raise ModelError(
            "No group holds runs at two different levels, so exchanging runs within groups shows "
            "nothing; compare with strata=None or another factor."
        )
    left = len(levels) - block_basis.shape[1] - basis.shape[1]
    if left < 1:
        raise ModelError(
            f"{len(levels)} runs leave nothing to judge the difference by (residual degrees of "
            f"freedom {left}); replicates or more groups are needed."
        )
    arrangements = count_arrangements(levels, blocks)
    return Layout(
        levels=levels.astype(np.int64),
        strata=blocks.astype(np.int64),
        basis=basis,
        block_basis=block_basis,
        df_residual=left,
        arrangements=arrangements,
        exact=arrangements <= EXACT_LIMIT,
    )


@dataclass(frozen=True, kw_only=True)
class PermutationManova:
    """Result of the permutation test.

    Parameters
    ----------
    pseudo_f : float
        Ratio of mean squares, factor over residual.
    df_factor, df_residual : int
        Degrees of freedom.
    r_squared : float
        Share of the variation within strata that goes with the factor.
    p : float
        Share of rearrangements with a pseudo-F at least as large, the observed one included.
    used, arrangements : int
        Rearrangements looked at; different ones the design allows.
    exact : bool
        Whether all different ones were looked at.
    """

    pseudo_f: float
    df_factor: int
    df_residual: int
    r_squared: float
    p: float
    used: int
    arrangements: int
    exact: bool

    @property
    def smallest_p(self) -> float:
        """The smallest p this design and number of rearrangements can give."""
        return 1 / self.used


def permutation_manova(
    coordinates: ArrayLike,
    factor: ArrayLike,
    *,
    strata: ArrayLike | None = None,
    permutations: int = 9_999,
    seed: int = 0,
) -> PermutationManova:
    """Test whether compositions differ between the levels of a factor.

    Shapes: coordinates (n, q), factor (n,), strata (n,).

    Notes
    -----
    With strata this is the sequential pseudo-F of the factor after the strata.  p from random
    rearrangements counts the observed one: p = (1 + b)/(1 + permutations).

    Examples
    --------
    >>> permutation_manova([[0.0], [1.0], [5.0], [6.0]], ["a", "a", "b", "b"]).p.__round__(4)
    0.3333
    """
    design = layout_of(factor, strata)
    points = np.asarray(coordinates, dtype=np.float64).reshape(len(design.levels), -1)
    centred = design.without_strata_means(points)
    total = float(np.sum(centred**2))
    if total <= NOISE * float(np.sum(points**2)):
        centred, total = np.zeros_like(centred), 0.0  # nothing but rounding errors is left
    observed = float(np.sum((design.basis.T @ centred) ** 2))
    looked, reached = (0, 0) if design.exact else (1, 1)
    for block in design.blocks(permutations, seed):
        moved = np.einsum("nd,bnq->bdq", design.basis, centred[block], optimize=True)
        sums = np.sum(moved**2, axis=(1, 2))
        reached += int(np.count_nonzero(sums >= observed - TIE * total))
        looked += len(block)
    residual, df_factor = total - observed, design.basis.shape[1]
    pseudo_f = float("inf") if total > 0 else float("nan")
    if residual > TIE * total:
        pseudo_f = (observed / df_factor) / (residual / design.df_residual)
    return PermutationManova(
        pseudo_f=pseudo_f,
        df_factor=df_factor,
        df_residual=design.df_residual,
        r_squared=observed / total if total > 0 else float("nan"),
        p=reached / looked,
        used=looked,
        arrangements=design.arrangements,
        exact=design.exact,
    )
