"""Evenly spread directions: points on the unit sphere of any dimension.

Quasi-random means over directions converge faster than with random ones.  The points are those
of a rank-1 lattice with random shifts of a fixed seed (deterministic; the scatter between shifts
shows the error), carried to the sphere without loss: the sphere of d dimensions takes d - 1
coordinates.  A point on the sphere of two dimensions fewer and one on the circle are joined with
the shares f and 1 - f of the squared length, f being Beta((d - 2) / 2, 1) distributed, so that
f = u^(2 / (d - 2)) for u uniform; the odd dimensions start from a single number, whose sign is
left to the caller.  Dimensionless.

The lattice is Korobov's (coordinates a^j n / N modulo 1, from memory); N is prime, and a has the
smallest mean square error P2 among all a < N / 2, taken over the first 2, 3, 4, 6, 9 and 24
coordinates together.  Shares are folded by the tent map, which makes them periodic.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

__all__ = ["POINTS", "shifted_directions"]

POINTS = 4093
_MULTIPLIER = 1515
_SEED = 20_070

Floats = NDArray[np.float64]


def shifted_directions(dimension: int) -> Iterator[Floats]:
    """Sets of directions, each from its own shift of the lattice; endless.

    Parameters
    ----------
    dimension : int
        Dimension d of the space, 2 or above.

    Yields
    ------
    ndarray, shape (d, POINTS)
        Unit vectors as columns; in odd dimensions half of the sphere, to be used with both signs.
    """
    generators = [pow(_MULTIPLIER, j, POINTS) for j in range(dimension - 1)]
    lattice = np.outer(generators, np.arange(POINTS)) % POINTS / POINTS
    rng = np.random.default_rng(_SEED)
    while True:
        yield _on_sphere((lattice + rng.random((dimension - 1, 1))) % 1.0)


def _on_sphere(u: Floats) -> Floats:
    """Directions of len(u) + 1 dimensions from uniform coordinates."""
    odd = len(u) % 2 == 0
    direction = np.ones((1, u.shape[1])) if odd else _on_circle(u[0])
    rest = u if odd else u[1:]
    for share, turn in zip(rest[::2], rest[1::2], strict=True):
        squared = (1.0 - np.abs(2.0 * share - 1.0)) ** (2.0 / len(direction))
        parts = np.sqrt(squared) * direction, np.sqrt(1.0 - squared) * _on_circle(turn)
        direction = np.concatenate(parts)
    return direction


def _on_circle(turn: Floats) -> Floats:
    return np.stack([np.cos(2.0 * np.pi * turn), np.sin(2.0 * np.pi * turn)])
