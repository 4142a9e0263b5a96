"""Means and joint scatter of draws, kept so that blocks can be merged.

Merging follows T. F. Chan, G. H. Golub and R. J. LeVeque, Amer. Statist. 37 (1983) 242-247 (from
memory).  Draws without a value are left out quantity by quantity; the joint scatter then takes
them at the mean, which keeps every covariance matrix positive semi-definite.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

__all__ = ["JointMoments"]

Array = NDArray[np.float64]

# below this share of the variances a variance of a difference is round-off
_ROUND_OFF = 1e-13


@dataclass(frozen=True, kw_only=True, eq=False)
class JointMoments:
    """First and second moments of Q quantities.

    Attributes
    ----------
    count : ndarray, shape (Q,)
        Draws with a value.
    mean : ndarray, shape (Q,)
        Their mean; NaN where there is none.
    scatter : ndarray, shape (Q, Q)
        Sum of products of deviations from the mean.
    """

    count: Array
    mean: Array
    scatter: Array

    @classmethod
    def of(cls, values: Array, valid: NDArray[np.bool_] | None = None) -> Self:
        """Moments of joint draws, shape (Q, M); `values` is overwritten by its deviations."""
        if valid is None:
            count = np.full(len(values), float(values.shape[1]))
            mean = values.mean(axis=1)
            values -= mean[:, None]
        else:
            count = valid.sum(axis=1).astype(float)
            np.copyto(values, 0.0, where=~valid)
            with np.errstate(invalid="ignore", divide="ignore"):
                mean = values.sum(axis=1) / count
            values -= np.nan_to_num(mean)[:, None]
            np.copyto(values, 0.0, where=~valid)
        return cls(count=count, mean=mean, scatter=values @ values.T)

    def merge(self, other: Self) -> Self:
        """Moments of both sets of draws together."""
        count = self.count + other.count
        some = np.maximum(count, 1.0)
        mine, theirs = np.nan_to_num(self.mean), np.nan_to_num(other.mean)
        step = np.where((self.count > 0) & (other.count > 0), theirs - mine, 0.0)
        mean = np.where(self.count > 0, mine, theirs) + step * other.count / some
        weight = np.sqrt(self.count * other.count / some)
        between = np.outer(step * weight, step * weight)
        return type(self)(
            count=count,
            mean=np.where(count > 0, mean, np.nan),
            scatter=self.scatter + other.scatter + between,
        )

    @property
    def covariance(self) -> Array:
        """Joint covariance, shape (Q, Q); NaN with fewer than two values."""
        freedom = np.where(self.count > 1, self.count - 1.0, np.nan)
        return np.asarray(self.scatter / np.sqrt(np.outer(freedom, freedom)))

    @property
    def u(self) -> Array:
        """Standard deviations, shape (Q,)."""
        freedom = np.where(self.count > 1, self.count - 1.0, np.nan)
        return np.asarray(np.sqrt(np.diag(self.scatter) / freedom))

    def differences(self, first: NDArray[np.intp], second: NDArray[np.intp]) -> tuple[Array, Array]:
        """Means and standard deviations of the differences of pairs of quantities."""
        joint = self.covariance
        variance = np.diag(joint)
        both = variance[first] + variance[second]
        of_difference = both - 2 * joint[first, second]
        of_difference = np.where(of_difference < _ROUND_OFF * both, 0.0, of_difference)
        return self.mean[first] - self.mean[second], np.asarray(np.sqrt(of_difference))
