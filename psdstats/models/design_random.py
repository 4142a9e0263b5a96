"""The random part of a model: groupings and slopes as covariance matrices G_k.

Components are named after their grouping: ``group``; ``batch:cask`` for a combination of columns;
``Subject[Days]`` for a slope and ``Subject[(Intercept), Days]`` for its covariance with the
intercept; ``residual`` comes last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.models.design_columns import column, factor_column
from psdstats.models.design_terms import RandomSlope
from psdstats.models.engine import CovarianceParts

__all__ = ["Grouping", "RandomDesign", "RandomSpec", "build_random"]

Array = NDArray[np.float64]
_MOST_ROWS = 4000
RandomSpec = str | tuple[str, ...] | RandomSlope


@dataclass(frozen=True, kw_only=True, eq=False)
class Grouping:
    """One grouping: its levels, the level of each row, and what varies between them.

    ``columns`` holds what is multiplied with the level indicators: ones for an intercept, the
    covariate for a slope.  ``components`` are positions of their variances, ``cross`` that of the
    covariance, if there is one.
    """

    label: str
    levels: tuple[str, ...]
    codes: NDArray[np.intp]
    columns: Array
    column_names: tuple[str, ...]
    components: tuple[int, ...]
    cross: int | None

    def indicators(self) -> Array:
        """Z of an intercept, shape (n, n_levels)."""
        return np.eye(len(self.levels))[self.codes]


@dataclass(frozen=True, kw_only=True, eq=False)
class RandomDesign:
    """Groupings, component names and the covariance matrices of the random part."""

    groupings: tuple[Grouping, ...]
    names: tuple[str, ...]
    parts: CovarianceParts


def build_random(
    frame: pd.DataFrame,
    random: Sequence[RandomSpec],
    *,
    residual: bool = True,
    known: ArrayLike | pd.DataFrame | None = None,
) -> RandomDesign:
    """Covariance matrices for a list of groupings and slopes.

    Parameters
    ----------
    frame : DataFrame
        One row an observation.
    random : sequence of str, tuple of str, or RandomSlope
        Groupings with an intercept, or with an intercept and a slope.
    residual : bool
        Whether rows have an error of their own with unknown variance.
    known : array_like or DataFrame, shape (n, n) or (B, n, n), or None
        V_known, in the order of the rows.

    Raises
    ------
    ModelError
        For unknown columns, a grouping of one level, a known covariance of the wrong shape, or
        more rows than covariance matrices are kept for.
    """
    if len(frame) > _MOST_ROWS:
        raise ModelError(
            f"The frame has {len(frame)} rows, but covariance matrices are kept whole and only up "
            f"to {_MOST_ROWS} rows; fit means of replicates instead."
        )
    n, slopes, order = len(frame), *_gather(random)
    parts = _Parts([], [], [], [])
    groupings = [_grouping(frame, columns, slopes.get(columns, []), parts) for columns in order]
    if residual:
        parts.add(np.eye(n), "residual")
    covariance = CovarianceParts(
        matrices=np.array(parts.matrices) if parts.matrices else np.zeros((0, n, n)),
        is_variance=np.array(parts.variance, dtype=bool),
        blocks=tuple(parts.blocks),
        known=known_covariance(known, n),
    )
    return RandomDesign(groupings=tuple(groupings), names=tuple(parts.names), parts=covariance)


@dataclass
class _Parts:
    """Covariance matrices as they are gathered."""

    matrices: list[Array]
    names: list[str]
    variance: list[bool]
    blocks: list[tuple[int, int, int]]

    def add(self, matrix: Array, name: str, *, variance: bool = True) -> int:
        """Append one matrix; returns its position."""
        self.matrices.append(matrix)
        self.names.append(name)
        self.variance.append(variance)
        return len(self.matrices) - 1


def _grouping(
    frame: pd.DataFrame, columns: tuple[str, ...], slopes: Sequence[RandomSlope], parts: _Parts
) -> Grouping:
    """One grouping with its slopes; its matrices are added to ``parts``."""
    label, levels, codes = _levels(frame, columns)
    values = [np.ones(len(frame))] + [_slope_values(frame, s.by) for s in slopes]
    names = [label] + [f"{label}[{s.by}]" for s in slopes]
    same = (codes[:, None] == codes[None, :]).astype(float)
    places = [parts.add(np.outer(v, v) * same, m) for v, m in zip(values, names, strict=True)]
    cross = None
    if slopes and slopes[0].correlated:
        both = np.outer(values[0], values[1])
        name = f"{label}[(Intercept), {slopes[0].by}]"
        cross = parts.add((both + both.T) * same, name, variance=False)
        parts.blocks.append((places[0], places[1], cross))
    return Grouping(
        label=label,
        levels=levels,
        codes=codes,
        columns=np.stack(values, axis=1),
        column_names=("(Intercept)", *(s.by for s in slopes)),
        components=tuple(places),
        cross=cross,
    )


def _gather(
    random: Sequence[RandomSpec],
) -> tuple[dict[tuple[str, ...], list[RandomSlope]], list[tuple[str, ...]]]:
    """Slopes by grouping, and groupings in the order they were named."""
    slopes: dict[tuple[str, ...], list[RandomSlope]] = {}
    order: list[tuple[str, ...]] = []
    for spec in random:
        group = spec.group if isinstance(spec, RandomSlope) else spec
        columns = (group,) if isinstance(group, str) else tuple(group)
        if columns not in order:
            order.append(columns)
        if isinstance(spec, RandomSlope):
            slopes.setdefault(columns, []).append(spec)
    for columns, own in slopes.items():
        if len(own) > 1 and any(s.correlated for s in own):
            raise ModelError(
                f"Grouping {':'.join(columns)!r} has several slopes of which one is correlated; "
                f"use correlated=False for all of them."
            )
    return slopes, order


def _levels(
    frame: pd.DataFrame, columns: tuple[str, ...]
) -> tuple[str, tuple[str, ...], NDArray[np.intp]]:
    label = ":".join(columns)
    factors = [factor_column(frame, name) for name in columns]
    cells = np.stack([f.codes for f in factors], axis=1)
    unique, codes = np.unique(cells, axis=0, return_inverse=True)
    levels = tuple(
        ":".join(f.levels[j] for f, j in zip(factors, cell, strict=True)) for cell in unique
    )
    if len(levels) < 2:
        raise ModelError(
            f"The random grouping {label!r} has one level only ({levels[0]}), so its variance "
            f"cannot be estimated; leave it out."
        )
    return label, levels, codes.reshape(-1).astype(np.intp)


def _slope_values(frame: pd.DataFrame, name: str) -> Array:
    series = column(frame, name)
    if not pd.api.types.is_numeric_dtype(series.dtype):
        raise ModelError(
            f"The random slope needs numbers but column {name!r} holds {series.iloc[0]!r}; for a "
            f"factor use the combination of grouping and factor as a grouping of its own."
        )
    return series.to_numpy(dtype=float)


def known_covariance(known: ArrayLike | pd.DataFrame | None, n: int) -> Array | None:
    """V_known as an array, checked.

    Raises
    ------
    ModelError
        If its shape does not fit, it is not symmetric, or it has a negative eigenvalue.
    """
    if known is None:
        return None
    matrix = np.asarray(known, dtype=float)
    if matrix.ndim not in (2, 3) or matrix.shape[-2:] != (n, n):
        raise ModelError(
            f"The known covariance has shape {matrix.shape}, but the frame has {n} rows; give one "
            f"row and one column for each of them, in their order."
        )
    if not np.isfinite(matrix).all():
        raise ModelError("The known covariance holds values that are not finite numbers.")
    size = float(np.abs(matrix).max(initial=0.0))
    if not np.allclose(matrix, np.swapaxes(matrix, -1, -2), rtol=0, atol=1e-9 * size):
        raise ModelError("The known covariance is not symmetric; check the order of its rows.")
    even: Array = 0.5 * (matrix + np.swapaxes(matrix, -1, -2))
    smallest = float(np.linalg.eigvalsh(even)[..., 0].min())
    if smallest < -1e-8 * size:
        raise ModelError(
            f"The known covariance has the negative eigenvalue {smallest:.3g}, so it is no "
            f"covariance; check how it was made."
        )
    return even
