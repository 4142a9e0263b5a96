"""Ways to hold one property of a curve fixed while the rest is fitted, for profile intervals.

Each constraint eliminates one parameter, so the fit under it is an ordinary one with one parameter
fewer.  Parameters are (ln D₀, ln k, s); times in min, sizes in µm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from psdstats.rate.curves import Curve

__all__ = ["AllFree", "AtLimit", "Constraint", "Held", "Through", "WithinMargin"]

Array = NDArray[np.float64]


class Constraint(Protocol):
    """From the value held (B,) and the free parameters (B, r) to all parameters."""

    @property
    def free(self) -> tuple[int, ...]:
        """Positions of the free parameters."""
        ...

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """All parameters (B, p) and their derivatives (B, p, r) in the free ones."""
        ...


def _scatter(free: tuple[int, ...], size: int, reduced: Array) -> tuple[Array, Array]:
    beta = np.zeros((len(reduced), size))
    beta[:, free] = reduced
    slope = np.zeros((len(reduced), size, len(free)))
    slope[:, free, range(len(free))] = 1.0
    return beta, slope


@dataclass(frozen=True)
class AllFree:
    """Nothing is held."""

    curve: Curve

    @property
    def free(self) -> tuple[int, ...]:
        """Every parameter."""
        return tuple(range(self.curve.size))

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """The parameters themselves; `value` is not used."""
        del value
        return _scatter(self.free, self.curve.size, reduced)


@dataclass(frozen=True)
class Held:
    """One parameter is held at the value."""

    curve: Curve
    position: int

    @property
    def free(self) -> tuple[int, ...]:
        """All but the one held."""
        return tuple(one for one in range(self.curve.size) if one != self.position)

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """All parameters with the held one put in."""
        beta, slope = _scatter(self.free, self.curve.size, reduced)
        beta[:, self.position] = value
        return beta, slope


@dataclass(frozen=True)
class Through:
    """The curve passes ln D = `log_size` at the time given as value; ln D₀ follows."""

    curve: Curve
    log_size: float

    @property
    def free(self) -> tuple[int, ...]:
        """Rate and shape."""
        return tuple(range(1, self.curve.size))

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """All parameters, with ln D₀ = ln D − φ(T)."""
        beta, slope = _scatter(self.free, self.curve.size, reduced)
        at = value[:, None]
        beta[:, 0] = self.log_size - self.curve.fall(at, beta)[:, 0]
        slope[:, 0, :] = -self.curve.gradient(at, beta)[:, 0, 1:]
        return beta, slope


@dataclass(frozen=True)
class AtLimit:
    """The limit ln D∞ is the value; ln D₀ = ln D∞ − ln s follows."""

    curve: Curve
    free: tuple[int, ...] = (1, 2)

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """All parameters, with s kept off zero."""
        beta, slope = _scatter(self.free, self.curve.size, reduced)
        s = np.maximum(beta[:, 2], 1e-9)
        beta[:, 2] = s
        beta[:, 0] = value - np.log(s)
        slope[:, 0, 1] = -1 / s
        return beta, slope


@dataclass(frozen=True)
class WithinMargin:
    """The size is above its limit by the ratio `margin` at the time given as value.

    (1 − s) exp(−k T)/s = margin, so s = 1/(1 + margin · exp(k T)).
    """

    curve: Curve
    margin: float
    free: tuple[int, ...] = (0, 1)

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """All parameters, with s put in."""
        beta, slope = _scatter(self.free, self.curve.size, reduced)
        grown = np.exp(beta[:, 1]) * value
        s = 1 / (1 + self.margin * np.exp(np.minimum(grown, 500.0)))
        beta[:, 2] = s
        slope[:, 2, 1] = -s * (1 - s) * grown
        return beta, slope
