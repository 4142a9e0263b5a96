"""Designs that cannot be fitted: empty cells, aliased terms, groupings without information."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.design_columns import FactorColumn

__all__ = ["refuse_aliased", "refuse_empty_cells", "refuse_inseparable"]

Array = NDArray[np.float64]

_RANK_TOLERANCE = 1e-9


def refuse_empty_cells(factors: Sequence[FactorColumn]) -> None:
    """Raise if a combination of the levels of these factors has no row.

    Raises
    ------
    ModelError
        Naming the empty combinations.
    """
    if len(factors) < 2:
        return
    seen = set(zip(*(f.codes.tolist() for f in factors), strict=True))
    empty = [
        " and ".join(f"{f.label} = {f.levels[j]}" for f, j in zip(factors, cell, strict=True))
        for cell in product(*(range(len(f.levels)) for f in factors))
        if cell not in seen
    ]
    if empty:
        more = "" if len(empty) <= 3 else f" and {len(empty) - 3} more"
        raise ModelError(
            f"The interaction {':'.join(f.label for f in factors)} has no row with "
            f"{'; nor with '.join(empty[:3])}{more}; leave the interaction out, or the levels that "
            f"are not crossed."
        )


def refuse_aliased(matrix: Array, names: Sequence[str]) -> None:
    """Raise if a column of X is a combination of the columns before it.

    Raises
    ------
    ModelError
        Naming the coefficients at fault.
    """
    size = np.sqrt((matrix**2).sum(axis=0))
    scaled = matrix / np.where(size > 0, size, 1.0)
    if np.linalg.matrix_rank(scaled, tol=_RANK_TOLERANCE) == matrix.shape[1]:
        return
    kept: list[int] = []
    aliased: list[str] = []
    for j, name in enumerate(names):
        if np.linalg.matrix_rank(scaled[:, [*kept, j]], tol=_RANK_TOLERANCE) > len(kept):
            kept.append(j)
        else:
            aliased.append(name)
    raise ModelError(
        f"The coefficients {', '.join(aliased)} cannot be told from the terms before them (the "
        f"rows do not cross the levels); leave one of the terms out."
    )


def refuse_inseparable(inner: Array, names: Sequence[str]) -> None:
    """Raise if a variance component has no information of its own.

    Parameters
    ----------
    inner : ndarray, shape (q, ...)
        The elements of each G_k in the space orthogonal to X.
    names : sequence of str
        Names of the components.

    Raises
    ------
    ModelError
        Naming the component, and what it is confounded with.
    """
    flat = inner.reshape(len(inner), -1)
    size = np.sqrt((flat**2).sum(axis=1))
    for name, one in zip(names, size, strict=True):
        if one <= 1e-9:
            raise ModelError(
                f"The variance of {name!r} cannot be estimated because the fixed effects take up "
                f"all differences between its levels; make it fixed or random, not both."
            )
    scaled = flat / size[:, None]
    for k in range(1, len(names)):
        weights, *_ = np.linalg.lstsq(scaled[:k].T, scaled[k], rcond=None)
        left = scaled[k] - weights @ scaled[:k]
        if np.sqrt((left**2).sum()) <= 1e-8:
            mates = [names[j] for j in range(k) if abs(weights[j]) > 1e-6]
            raise ModelError(
                f"The variances of {names[k]!r} and {' and '.join(repr(m) for m in mates)} cannot "
                f"be told apart in this design; replicates are missing, or one of them must go."
            )
