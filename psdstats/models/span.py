"""The directions of a long response that a design can tell apart.

With V = σ²I + Σ θ_k Z_k Z_kᵀ everything but σ² acts within the span of X and the Z_k.  With Q an
orthonormal basis of that span (n × m), the m coordinates Qᵀy and the sum of squares left outside
hold all a response has to say, so a fit of many thousand rows needs m × m matrices only.  The
columns of the largest grouping are orthonormal level by level and are kept by level; the rest of
the basis is dense.  Exact: no approximation is made.  Units: the basis has none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array

Codes = NDArray[np.intp]

_NOTHING_LEFT = 1e-11
"""Share of a column's length below which it lies in the span of the columns before it."""

_CHUNK_NUMBERS = 4_000_000


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelColumns:
    """Columns of a grouping: the level of each row (n,), and what varies by level (n, effects)."""

    codes: Codes
    n_levels: int
    values: Array

    @property
    def width(self) -> int:
        """Number of columns of Z."""
        return self.n_levels * int(self.values.shape[1])

    def constant_within(self, other: LevelColumns) -> bool:
        """Whether this is a mere intercept whose level the level of ``other`` determines."""
        first = np.zeros(other.n_levels, dtype=np.intp)
        first[other.codes] = np.arange(len(other.codes))
        same = bool(np.all(self.codes == self.codes[first[other.codes]]))
        intercepts = bool(np.all(self.values == 1.0) and np.all(other.values[:, 0] == 1.0))
        return same and intercepts and self.values.shape[1] == 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Span:
    """Orthonormal basis Q, shape (n, m).

    Parameters
    ----------
    codes : ndarray of int, shape (n,)
        Level of each row in the grouping whose columns are kept by level.
    order, starts : ndarray of int, shapes (n,) and (n_levels,)
        Rows sorted by level, and where each level starts.
    local : ndarray, shape (n, effects)
        Columns orthonormal within each level.
    position : ndarray of int, shape (n_levels, effects)
        Column of Q each of them is, -1 where the level has no such direction.
    rest : ndarray, shape (n, k)
        The last k columns of Q.
    """

    codes: Codes
    order: Codes
    starts: Codes
    local: Array
    position: Codes
    rest: Array

    @property
    def n_rows(self) -> int:
        """Rows of the responses, n."""
        return len(self.codes)

    @property
    def size(self) -> int:
        """Directions in the span, m."""
        return int((self.position >= 0).sum()) + int(self.rest.shape[1])

    @property
    def n_outside(self) -> int:
        """Directions outside the span."""
        return self.n_rows - self.size

    def coordinates(self, rows: Array) -> Array:
        """Qᵀ times each row: (B, n) to (B, m)."""
        return np.hstack([self._by_level(rows), rows @ self.rest])

    def _by_level(self, rows: Array) -> Array:
        sums = np.empty((len(rows), *self.position.shape))
        for effect, column in enumerate(self.local.T):
            products = (rows * column)[:, self.order]
            sums[:, :, effect] = np.add.reduceat(products, self.starts, axis=1)
        found: Array = sums[:, self.position >= 0]
        return found

    def expand(self, coordinates: Array) -> Array:
        """Q times each row of coordinates: (B, m) to (B, n)."""
        inside = self.position >= 0
        split = int(inside.sum())
        levels = np.zeros((len(coordinates), *self.position.shape))
        levels[:, inside] = coordinates[:, :split]
        rows: Array = coordinates[:, split:] @ self.rest.T
        for effect, column in enumerate(self.local.T):
            rows = rows + levels[:, self.codes, effect] * column
        return rows

    def squares_outside(self, rows: Array, coordinates: Array) -> Array:
        """Sum of squares of what each row has outside the span, shape (B,)."""
        left = rows - self.expand(coordinates)
        squares: Array = (left**2).sum(axis=1)
        return squares

    def of_levels(self, codes: Codes, n_levels: int, values: Array) -> Array:
        """Qᵀ times the level indicators multiplied by values (n,), shape (m, n_levels)."""
        n_main, effects = self.position.shape
        cell = self.codes * n_levels + codes
        top = np.zeros((n_main, effects, n_levels))
        for effect, column in enumerate(self.local.T):
            sums = np.bincount(cell, weights=column * values, minlength=n_main * n_levels)
            top[:, effect] = sums.reshape(n_main, n_levels)
        bottom = [np.bincount(codes, column * values, n_levels) for column in self.rest.T]
        below = np.array(bottom).reshape(len(bottom), n_levels)
        return np.vstack([top[self.position >= 0], below])

    def row_forms(self, matrix: Array) -> Array:
        """Diagonal of Q M Qᵀ for M (m, m), shape (n,)."""
        step = max(1, _CHUNK_NUMBERS // max(self.size, 1))
        pieces = []
        for low in range(0, self.n_rows, step):
            rows = self._rows(slice(low, low + step))
            pieces.append(((rows @ matrix) * rows).sum(axis=1))
        return np.concatenate(pieces)

    def _rows(self, chosen: slice) -> Array:
        place, local = self.position[self.codes[chosen]], self.local[chosen]
        rows = np.zeros((len(local), self.size))
        rows[:, self.size - self.rest.shape[1] :] = self.rest[chosen]
        for effect in range(place.shape[1]):
            there = np.flatnonzero(place[:, effect] >= 0)
            rows[there, place[there, effect]] = local[there, effect]
        return rows


def columns_outside(design: Array, groupings: Sequence[LevelColumns]) -> int:
    """Dense columns a basis of the span is made from: all but the largest grouping's."""
    return int(design.shape[1]) + sum(g.width for g in _others(groupings, _largest(groupings)))


def build_span(design: Array, groupings: Sequence[LevelColumns]) -> Span:
    """Orthonormal basis of the span of X and the columns of all groupings.

    Shapes: design (n, p).

    Notes
    -----
    A basis of more than the span would do as well, so directions are dropped only if nothing but
    rounding is left of them.
    """
    main = _largest(groupings)
    if main is None:
        none = np.zeros(len(design), dtype=np.intp)
        main = LevelColumns(codes=none, n_levels=1, values=np.zeros((len(design), 0)))
    empty = Span(
        codes=main.codes,
        order=np.argsort(main.codes, kind="stable"),
        starts=np.searchsorted(np.sort(main.codes), np.arange(main.n_levels)),
        local=np.zeros((len(design), 0)),
        position=np.zeros((main.n_levels, 0), dtype=np.intp),
        rest=np.zeros((len(design), 0)),
    )
    by_level = _orthonormal_levels(empty, main.values)
    dense = [design] + [
        np.eye(g.n_levels)[g.codes] * v[:, None]
        for g in _others(groupings, main)
        for v in g.values.T
    ]
    return _with_rest(by_level, np.hstack(dense))


def _largest(groupings: Sequence[LevelColumns]) -> LevelColumns | None:
    return max(groupings, key=lambda g: g.width, default=None)


def _others(groupings: Sequence[LevelColumns], main: LevelColumns | None) -> list[LevelColumns]:
    """Groupings that can add directions to those of the largest."""
    if main is None:
        return []
    return [g for g in groupings if g is not main and not g.constant_within(main)]


def _orthonormal_levels(span: Span, values: Array) -> Span:
    """Gram-Schmidt within each level, every column freed twice of the ones before it."""
    local: list[Array] = []
    found: list[NDArray[np.bool_]] = []
    for column in values.T:
        before = np.sqrt(np.add.reduceat((column**2)[span.order], span.starts))
        left = column
        for _ in range(2):
            for other in local:
                sums = np.add.reduceat((left * other)[span.order], span.starts)
                left = left - other * sums[span.codes]
        after = np.sqrt(np.add.reduceat((left**2)[span.order], span.starts))
        kept = after > _NOTHING_LEFT * np.where(before > 0, before, 1.0)
        length = np.where(kept, after, 1.0)
        local.append(np.where(kept[span.codes], left / length[span.codes], 0.0))
        found.append(kept)
    inside = np.array(found, dtype=bool).reshape(len(found), len(span.starts)).T
    position = np.full(inside.shape, -1, dtype=np.intp)
    position[inside] = np.arange(int(inside.sum()))
    columns = np.array(local).reshape(len(local), span.n_rows).T
    return replace(span, local=columns, position=position)


def _with_rest(span: Span, dense: Array) -> Span:
    """Add what dense columns have beyond the columns kept by level."""
    length = np.sqrt((dense**2).sum(axis=0))
    left = dense / np.where(length > 0, length, 1.0)
    left = _freed(span, _freed(span, left))
    basis, triangle = np.linalg.qr(left)
    directions, size, _ = np.linalg.svd(triangle)
    kept = np.zeros(directions.shape[1], dtype=bool)
    kept[: len(size)] = size > _NOTHING_LEFT
    return replace(span, rest=np.linalg.qr(_freed(span, basis @ directions[:, kept]))[0])


def _freed(span: Span, columns: Array) -> Array:
    rows = columns.T
    freed: Array = (rows - span.expand(span.coordinates(rows))).T
    return freed
