"""Covariance of very many runs as what it is made of: errors of each run alone, errors shared."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array, Still

_NOTHING = 1e-10  # of the largest direction of what runs share


@dataclass(frozen=True, eq=False)
class SharedErrors(Still):
    """Covariance diag(own) + shared sharedᵀ, in products and sums like the matrix it stands for.

    Parameters
    ----------
    own : ndarray, shape (n,)
        Variance of each run alone; NaN for a run without a value.
    shared : ndarray, shape (n, m)
        What a standard deviation of each of m shared errors adds to each run.
    """

    own: Array
    shared: Array

    __array_ufunc__ = None

    @classmethod
    def of(cls, own: Array, shared: Array) -> SharedErrors:
        """The same with as few shared errors as there are directions of them."""
        turned, size, _ = np.linalg.svd(shared, full_matrices=False)
        kept = size > _NOTHING * size.max(initial=0.0)
        return cls(own, turned[:, kept] * size[kept])

    @classmethod
    def told_apart(cls, covariance: Array) -> Covariance:
        """A matrix as it is, unless each run has errors of its own alone."""
        own = np.diagonal(covariance)
        if np.count_nonzero(covariance) > np.count_nonzero(own):
            return covariance
        return cls(own, np.zeros((len(own), 0)))

    @property
    def shape(self) -> tuple[int, int]:
        """That of the matrix."""
        return len(self.own), len(self.own)

    def __len__(self) -> int:
        return len(self.own)

    def __array__(self, dtype: object = None, copy: bool | None = None) -> Array:
        return np.asarray(np.diag(self.own) + self.shared @ self.shared.T, dtype=np.float64)

    def __getitem__(self, both: tuple[NDArray[Any], ...]) -> SharedErrors:
        """Some of the runs, as ``np.ix_(rows, rows)`` names them."""
        rows = both[0].ravel()
        return SharedErrors(self.own[rows], self.shared[rows])

    def __matmul__(self, other: Array) -> Array:
        return np.asarray((self.own * other.T).T + self.shared @ (self.shared.T @ other))

    def __rmatmul__(self, other: Array) -> Array:
        return np.asarray(self @ other.T).T

    def __add__(self, other: Array) -> Array:
        return np.asarray(np.asarray(self) + other)

    __radd__ = __add__

    def __sub__(self, other: Covariance) -> Array:
        return np.asarray(np.asarray(self) - np.asarray(other))

    def __rsub__(self, other: Array) -> Array:
        return np.asarray(other - np.asarray(self))

    def plus(self, columns: Array) -> SharedErrors:
        """With further shared errors, a column each."""
        return SharedErrors(self.own, np.hstack([self.shared, columns]))

    def averaged(self, means: Array) -> SharedErrors:
        """Of means of runs, each run in one of them; weights (m, n)."""
        return SharedErrors(np.square(means) @ self.own, means @ self.shared)

    def less(self, variance: float) -> SharedErrors:
        """Without a variance that every run has by itself."""
        return SharedErrors(self.own - variance, self.shared)

    def least(self) -> float:
        """Least eigenvalue, by counting those below (Haynsworth's inertia of a bordered matrix)."""
        low, high = float(self.own.min()), float(self.own.max() + np.square(self.shared).sum())
        for _ in range(60):
            middle = 0.5 * (low + high)
            left = self.own - middle
            inner = self.shared.T @ (self.shared / np.where(left == 0.0, 1e-300, left)[:, None])
            turned = np.linalg.eigvalsh(np.eye(len(inner)) + inner) < 0
            below = int((left < 0).sum()) - int(turned.sum())
            low, high = (low, middle) if below > 0 else (middle, high)
        return low


Covariance = Array | SharedErrors


def weighed(known: Covariance, own: float, shared: Array, x: Array) -> Array:
    """Columns times the inverse of a covariance with a further variance of each run, and shared."""
    if not isinstance(known, SharedErrors):
        least = 1e-9 * float(np.trace(known)) / len(x) + 1e-18
        v = known + (own + least) * np.eye(len(x)) + shared @ shared.T
        return np.asarray(np.linalg.solve(v, x), dtype=np.float64)
    whole = known.less(-own).plus(shared)
    u, precision = whole.shared, 1.0 / whole.own[:, None]
    core = np.linalg.solve(np.eye(u.shape[1]) + u.T @ (precision * u), u.T @ (precision * x))
    return np.asarray(precision * (x - u @ core))
