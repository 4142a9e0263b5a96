"""Where undersize curves reach given levels: the batched core under every percentile.

Sizes are ln x (x in µm).  The general rule: the size is where the curve *first* reaches the level,
going up from the finest aperture, also where the curve has flat steps (empty classes) or falls (a
net mass below zero).  A level already passed at the finest aperture gives -inf ("finer than"), one
not reached at the coarsest gives +inf; nothing is extrapolated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.rules import InterpolationRule, interpolate_ln_size

__all__ = ["Brackets", "find_brackets", "ln_sizes", "undersize_of_masses"]

Array = NDArray[np.float64]

# undersize is a sum of a few fractions: a level met within this counts as met
_ROUNDING = 1e-12


@dataclass(frozen=True, kw_only=True, eq=False)
class Brackets:
    """Which two apertures hold each level of each curve.

    Attributes
    ----------
    upper : ndarray of int, shape (n_curves, n_levels)
        Index of the aperture where the level is first reached; at least 1 so that upper - 1 exists.
    below, above : ndarray of bool, shape (n_curves, n_levels)
        Level passed before the finest aperture; level not reached at the coarsest.
    """

    upper: NDArray[np.intp]
    below: NDArray[np.bool_]
    above: NDArray[np.bool_]

    @property
    def open(self) -> NDArray[np.bool_]:
        """Levels that no two apertures bracket."""
        return self.below | self.above


def undersize_of_masses(net_g: Array) -> Array:
    """Cumulative undersize at each aperture, shape (n_runs, n_classes - 1).

    Parameters
    ----------
    net_g : ndarray, shape (n_runs, n_classes)
        Net masses, pan first, then by increasing aperture; each row sums to more than zero.
    """
    cumulative = np.cumsum(net_g, axis=1)
    return cumulative[:, :-1] / cumulative[:, -1:]


def find_brackets(undersize: Array, levels: Array) -> Brackets:
    """Find, for each curve and level, the aperture where the level is first reached."""
    least = levels - _ROUNDING
    n_apertures = undersize.shape[1]
    reached = undersize[:, None, :] >= least[None, :, None]
    first = reached.argmax(axis=2)
    above: NDArray[np.bool_] = ~reached[:, :, n_apertures - 1]
    if above.any():  # a falling curve may have reached the level earlier
        above = np.logical_not(reached.any(axis=2))
    below: NDArray[np.bool_] = (first == 0) & (undersize[:, :1] > levels + _ROUNDING)
    if n_apertures == 1:  # a single sieve brackets nothing but its own undersize
        return Brackets(upper=first, below=below, above=above)
    return Brackets(upper=np.maximum(first, 1), below=below, above=above)


def ln_sizes(undersize: Array, ln_aperture: Array, levels: Array, rule: InterpolationRule) -> Array:
    """Ln x at which each curve first reaches each level, shape (n_curves, n_levels).

    Parameters
    ----------
    undersize, ln_aperture : ndarray, shape (n_curves, n_apertures)
        Curves by increasing aperture.  A curve with fewer apertures repeats its last one.
    levels : ndarray, shape (n_levels,)
        Wanted undersize, 0 < level < 1.
    rule : InterpolationRule
        Shape of the curve between apertures.

    Returns
    -------
    ndarray
        -inf where the level is passed before the finest aperture, +inf where it is not reached.
    """
    brackets = find_brackets(undersize, levels)
    if undersize.shape[1] == 1:
        size = np.repeat(ln_aperture, levels.size, axis=1)
    else:
        size = interpolate_ln_size(undersize, ln_aperture, levels, brackets.upper, rule)
    size[brackets.below] = -np.inf
    size[brackets.above] = np.inf
    return size
