"""Rows that can change places without changing what a model knows of them.

Two rows are exchangeable if they agree in X of the hypothesis and swapping them leaves every
covariance matrix as it is.  Groupings are compared by level, not by matrix, so that long frames
take no more than sorting.

Permutation tests of a fixed term where the design makes rows exchangeable.

Under the hypothesis two rows may be exchanged if they agree in everything else the model knows: the
rest of the fixed part, every random grouping, and the known covariance.  The statistic is the F of
the restricted fit, the permutations are made within such blocks of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations, product
from math import factorial, prod
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.bootstrap import restricted_design
from psdstats.models.design_columns import TermSpec
from psdstats.models.design_random import Grouping
from psdstats.models.engine import fit_batch

if TYPE_CHECKING:
    from psdstats.models.mixed_model import MixedModelFit


Order = NDArray[np.intp]

_SAME = 1e-9
"""Share of the largest value below which two values count as the same."""


def exchangeable_blocks(
    design: Array, groupings: Sequence[Grouping], known: Array | None
) -> list[Order]:
    """Blocks of exchangeable rows, each in ascending order.

    Shapes: design (n, p), known (n, n).
    """
    keys = [_clusters(column) for column in design.T]
    for grouping in groupings:
        keys.extend(_grouping_keys(grouping))
    block_of = _combined(keys, len(design))
    rows = np.argsort(block_of, kind="stable")
    ends = np.flatnonzero(np.diff(block_of[rows])) + 1
    blocks = np.split(rows, ends)
    if known is None:
        return blocks
    return [part for block in blocks for part in _split_by(known, block)]


def _combined(keys: Sequence[Order], n: int) -> Order:
    """Number of the block of each row, blocks in the order of their first rows."""
    table = np.stack([np.zeros(n, dtype=np.intp), *keys], axis=1)
    _, first, inverse = np.unique(table, axis=0, return_index=True, return_inverse=True)
    rank = np.argsort(np.argsort(first))
    return rank[inverse.reshape(-1)].astype(np.intp)


def _clusters(values: Array) -> Order:
    """Numbers of values that are the same but for rounding."""
    order = np.argsort(values, kind="stable")
    steps = np.diff(values[order]) > _SAME * np.abs(values).max(initial=0.0)
    number = np.zeros(len(values), dtype=np.intp)
    number[order[1:]] = np.cumsum(steps)
    return number


def _grouping_keys(grouping: Grouping) -> list[Order]:
    """Keys that agree where swapping two rows leaves all matrices of a grouping as they are.

    Such rows share their level and their values, or are each the only row of their level.  For a
    matrix of a slope alone the sign of the value is free where no third row shares the level.
    """
    signed = [_clusters(v) for v in grouping.columns.T]
    if grouping.cross is not None:
        alone = np.bincount(grouping.codes)[grouping.codes] == 1
        level = np.where(alone, -1, grouping.codes)
        return [level, *signed]
    keys = []
    for values in grouping.columns.T:
        there = values != 0
        count = np.bincount(grouping.codes, weights=there)[grouping.codes]
        shared = there & (count > 1)
        level = np.where(shared, grouping.codes, -1)
        free_sign = ~there | (count <= 2)
        keys += [level, _clusters(np.where(free_sign, np.abs(values), values))]
    return keys


def _split_by(known: Array, block: Order) -> list[Order]:
    """Parts of a block whose rows can change places in V_known."""
    size = float(np.abs(known).max(initial=0.0)) * _SAME
    parts: list[list[int]] = []
    for row in block.tolist():
        for part in parts:
            if _swappable(known, part[0], row, size):
                part.append(row)
                break
        else:
            parts.append([row])
    return [np.array(part, dtype=np.intp) for part in parts]


def _swappable(known: Array, one: int, other: int, size: float) -> bool:
    difference = np.abs(known[one] - known[other])
    difference[[one, other]] = 0.0
    diagonal = abs(float(known[one, one] - known[other, other]))
    return bool(max(float(difference.max()), diagonal) <= size)


_CHUNK_NUMBERS = 5_000_000
"""Numbers in the responses arranged at a time."""


@dataclass(frozen=True, kw_only=True)
class PermutationTest:
    """Permutation test of a term.

    Parameters
    ----------
    term : str
        What was tested.
    f : float
        Observed F with the plain covariance of the coefficients.
    p : float
        Share of arrangements with an F at least as large, the observed one included.
    monte_carlo_error : float
        Standard error of ``p``; 0 when every arrangement was tried.
    arrangements : int
        Arrangements tried, the observed one included.
    exhaustive : bool
        Whether these are all there are.
    smallest_p : float
        Smallest p the design allows.
    """

    term: str
    f: float
    p: float
    monte_carlo_error: float
    arrangements: int
    exhaustive: bool
    smallest_p: float


def permutation_test(
    fit: MixedModelFit,
    term: TermSpec,
    *,
    draws: int = 1999,
    seed: int | np.random.Generator = 0,
) -> PermutationTest:
    """Permute responses within blocks of exchangeable rows."""
    contrast = fit.fixed.hypothesis(term)
    label = fit.fixed.term(term).label
    small = restricted_design(fit.fixed.matrix, contrast)
    known, n = fit.random.parts.known, len(small)
    within = None if known is None else known.reshape(n, n)
    blocks = exchangeable_blocks(small, fit.random.groupings, within)
    if not any(len(block) > 1 for block in blocks):
        raise ModelError(
            f"No rows can be exchanged if {label} has no effect: the other terms, the groupings or "
            f"the known covariance tell all of them apart; use the bootstrap test."
        )
    total = prod(factorial(len(block)) for block in blocks)
    exhaustive = total <= draws + 1
    if exhaustive:
        f = _statistics(fit.response[_all_orders(blocks)], fit, contrast)
    else:
        f = _random_statistics(blocks, draws, np.random.default_rng(seed), fit, contrast)
    reached = f >= f[0] * (1 - 1e-9)
    p = float(reached.mean())
    error = 0.0 if exhaustive else float(np.sqrt(p * (1 - p) / len(f)))
    return PermutationTest(
        term=label,
        f=float(f[0]),
        p=p,
        monte_carlo_error=error,
        arrangements=len(f),
        exhaustive=exhaustive,
        smallest_p=1.0 / len(f),
    )


def _all_orders(blocks: list[Order]) -> Order:
    n = sum(len(block) for block in blocks)
    orders = []
    for chosen in product(*(permutations(block.tolist()) for block in blocks)):
        order = np.empty(n, dtype=np.intp)
        for block, mixed in zip(blocks, chosen, strict=True):
            order[block] = mixed
        orders.append(order)
    return np.array(orders)


def _random_orders(blocks: list[Order], draws: int, rng: np.random.Generator) -> Order:
    n = sum(len(block) for block in blocks)
    orders = np.tile(np.arange(n, dtype=np.intp), (draws, 1))
    for block in blocks:
        orders[:, block] = rng.permuted(np.tile(block, (draws, 1)), axis=1)
    return orders


def _random_statistics(
    blocks: list[Order], draws: int, rng: np.random.Generator, fit: MixedModelFit, contrast: Array
) -> Array:
    """F of the rows as they are and of random arrangements, some of these at a time."""
    found = [_statistics(fit.response[None], fit, contrast)]
    chunk = max(1, _CHUNK_NUMBERS // len(fit.response))
    for low in range(0, draws, chunk):
        orders = _random_orders(blocks, min(chunk, draws - low), rng)
        found.append(_statistics(fit.response[orders], fit, contrast))
    return np.concatenate(found)


def _statistics(responses: Array, fit: MixedModelFit, contrast: Array) -> Array:
    refit = fit_batch(
        responses, fit.fixed.matrix, fit.random.parts, free=fit.batch.free, tolerance=1e-7
    )
    difference = refit.beta @ contrast.T
    spread = contrast @ refit.beta_covariance @ contrast.T
    solved = np.linalg.solve(spread, difference[:, :, None])[:, :, 0]
    f: Array = (difference * solved).sum(axis=1) / len(contrast)
    return f
