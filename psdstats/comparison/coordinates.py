"""Isometric log-ratio coordinates of mass fractions, and the rule for empty classes.

Fractions of a whole carry only ratios, so they are moved to K - 1 real coordinates that keep the
distances between compositions: J. J. Egozcue, V. Pawlowsky-Glahn, G. Mateu-Figueras and
C. Barceló-Vidal, "Isometric logratio transformations for compositional data analysis",
Mathematical Geology 35 (2003) 279-300.  The basis follows size: coordinate j sets the geometric
mean of the j finest classes against the next coarser class.  An empty class has no logarithm; it is
replaced by a small stated fraction and the others are scaled down together, so that their ratios
stay (multiplicative replacement; J. A. Martín-Fernández, C. Barceló-Vidal and V. Pawlowsky-Glahn,
Mathematical Geology 35 (2003) 253-278).  Both formulas from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.wording import signed

__all__ = ["log_ratio_coordinates", "replace_zeros", "sequential_basis"]


def sequential_basis(classes: int) -> NDArray[np.float64]:
    """Orthonormal log-contrasts along size.

    Parameters
    ----------
    classes : int
        Number of classes K, at least 2, finest first.

    Returns
    -------
    ndarray, shape (classes - 1, classes)
        Row j (from 1) weighs the j finest classes with √(1/(j(j+1))) each and the next coarser one
        with -√(j/(j+1)); rows are orthonormal and sum to zero.

    Raises
    ------
    ModelError
        If there are fewer than two classes.

    Examples
    --------
    >>> sequential_basis(3).round(3)
    array([[ 0.707, -0.707,  0.   ],
           [ 0.408,  0.408, -0.816]])
    """
    if classes < 2:
        raise ModelError(
            f"A distribution of {classes} class has nothing to compare; at least 2 are needed."
        )
    j = np.arange(1, classes)[:, None]
    column = np.arange(classes)[None, :]
    return np.where(
        column < j, np.sqrt(1 / (j * (j + 1))), np.where(column == j, -np.sqrt(j / (j + 1)), 0.0)
    )


def log_ratio_coordinates(fractions: ArrayLike) -> NDArray[np.float64]:
    """Isometric log-ratio coordinates of compositions.

    Parameters
    ----------
    fractions : array_like, shape (n, K)
        Positive parts, finest class first; only their ratios matter.

    Returns
    -------
    ndarray, shape (n, K - 1)
        Coordinates in the basis of `sequential_basis`.

    Raises
    ------
    ModelError
        If a part is not positive; names its row and class.

    Examples
    --------
    >>> log_ratio_coordinates([[0.5, 0.25, 0.25]]).round(3)
    array([[0.49 , 0.283]])
    """
    parts = np.asarray(fractions, dtype=np.float64)
    bad = np.argwhere(~(parts > 0))
    if len(bad):
        row, column = bad[0]
        raise ModelError(
            f"Row {row}, class {column} holds {float(parts[row, column])!r}, which has no "
            "logarithm; replace empty classes first (replace_zeros)."
        )
    return np.asarray(np.log(parts) @ sequential_basis(parts.shape[1]).T, dtype=np.float64)


def replace_zeros(fractions: ArrayLike, delta: ArrayLike) -> NDArray[np.float64]:
    """Multiplicative replacement of empty classes.

    Parameters
    ----------
    fractions : array_like, shape (n, K)
        Mass fractions; each row is divided by its sum after negative parts (a net mass just below
        zero) are set to zero.
    delta : float or array_like, shape (n,)
        Fraction put in place of each empty class.

    Returns
    -------
    ndarray, shape (n, K)
        Positive fractions that sum to 1; ratios among the classes that were not empty are kept.

    Raises
    ------
    ModelError
        If delta is not positive, or its total over the empty classes of a row leaves nothing.

    Examples
    --------
    >>> replace_zeros([[0.5, 0.5, 0.0]], 0.01).round(3)
    array([[0.495, 0.495, 0.01 ]])
    """
    parts = np.clip(np.asarray(fractions, dtype=np.float64), 0.0, None)
    total = parts.sum(axis=1, keepdims=True)
    if not (total > 0).all():
        row = int(np.argmin(total))
        raise ModelError(f"Row {row} has no mass in any class; leave that run out.")
    parts = parts / total
    small = np.broadcast_to(np.asarray(delta, dtype=np.float64), parts.shape[:1])[:, None]
    empty = parts == 0
    taken = small * empty.sum(axis=1, keepdims=True)
    if not ((small > 0) & (taken < 1)).all():
        raise ModelError(
            f"A replacement of {signed(small.max())} (smallest {signed(small.min())}) for empty "
            "classes is not possible: it must be positive and leave room for the other classes."
        )
    return np.where(empty, small, parts * (1 - taken))
