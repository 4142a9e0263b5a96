"""Rows that can change places without changing what a model knows of them.

Two rows are exchangeable if they agree in X of the hypothesis and swapping them leaves every
covariance matrix as it is.  Groupings are compared by level, not by matrix, so that long frames
take no more than sorting.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from psdstats.models.design_random import Grouping

__all__ = ["exchangeable_blocks"]

Array = NDArray[np.float64]
Order = NDArray[np.intp]

_SAME = 1e-9
"""Share of the largest value below which two values count as the same."""


def exchangeable_blocks(
    design: Array, groupings: Sequence[Grouping], known: Array | None
) -> list[Order]:
    """Blocks of exchangeable rows, each in ascending order.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        X under the hypothesis.
    groupings : sequence of Grouping
        The random part beside the residual.
    known : ndarray, shape (n, n), or None
        V_known.
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
