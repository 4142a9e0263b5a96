"""Curves of size against milling time, on the scale of ln D, with analytic derivatives.

Time t in min, size D in µm, rates in 1/min.  Every curve is ln D(t) = ln D₀ + φ(t; ln k, s), so
that any of them can be made to pass through a given point by eliminating ln D₀:

| curve | D(t)/D₀ | shape s |
|---|---|---|
| no change | 1 | none |
| constant rate | exp(−k t) | none |
| approach to a limit | s + (1 − s) exp(−k t) | D∞/D₀, the limit over the start |
| power law | (1 + s k t)^(−1/s) | 1/n with D ~ t^(−n) in the long run |

The power law solves dE = −C dD/D^m with energy proportional to time (general law of Walker, Lewis,
McAdams and Gilliland 1937, from memory): s = 0, ½ and 1 are the laws of Kick, Bond and Rittinger
for the size taken.  Both three-parameter curves become the constant rate at s = 0.

None of them describes growth of the particles by agglomeration.

Ways to hold one property of a curve fixed while the rest is fitted, for profile intervals.

Each constraint eliminates one parameter, so the fit under it is an ordinary one with one parameter
fewer.  Parameters are (ln D₀, ln k, s); times in min, sizes in µm.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array

SMALL = 1e-5
LEAST_LEVEL = 1e-100  # keeps the logarithm of a size that has faded away finite


class CurveName(StrEnum):
    """The curves on offer."""

    NO_CHANGE = "no change"
    CONSTANT = "constant rate"
    LIMIT = "approach to a limit"
    POWER = "power law"


@dataclass(frozen=True, kw_only=True)
class Curve:
    """One curve; parameters are (ln D₀, ln k, s), as many of them as it has.

    Parameters
    ----------
    name : CurveName
        Which one.
    parameters : tuple of str
        Names of the parameters, in order.
    shape_range : tuple of (float, float)
        Range of s, both ends included.
    """

    name: CurveName
    parameters: tuple[str, ...]
    shape_range: tuple[float, float] = (0.0, 0.0)

    @property
    def phrase(self) -> str:
        """The curve in the middle of a sentence."""
        if self.name is CurveName.NO_CHANGE:
            return "a size that does not change"
        return f"{'an' if self.name is CurveName.LIMIT else 'a'} {self.name!s}"

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.parameters)

    def log_size(self, time_min: Array, beta: Array) -> Array:
        """Values of ln D.

        Shapes: time_min (..., n), beta (..., p); gives (..., n).
        """
        return np.asarray(beta[..., :1] + self.fall(time_min, beta))

    def fall(self, time_min: Array, beta: Array) -> Array:
        """Values of φ = ln D/D₀.

        Shapes: time_min (..., n), beta (..., p); gives (..., n).
        """
        if self.size == 1:
            return np.zeros(np.broadcast_shapes(np.shape(time_min), beta[..., :1].shape))
        x = np.exp(beta[..., 1:2]) * time_min
        if self.size == 2:
            return -x
        s = beta[..., 2:3]
        if self.name is CurveName.LIMIT:
            return np.asarray(np.log(np.maximum(s + (1 - s) * np.exp(-x), LEAST_LEVEL)))
        flat, safe = _flat(s * x, s)
        return np.where(flat, -x + s * x**2 / 2 - s**2 * x**3 / 3, -np.log1p(safe * x) / safe)

    def gradient(self, time_min: Array, beta: Array) -> Array:
        """Derivatives of ln D in the parameters.

        Shapes: time_min (..., n), beta (..., p); gives (..., n, p).
        """
        x = np.exp(beta[..., 1:2]) * time_min if self.size > 1 else time_min
        columns = [np.ones(np.broadcast_shapes(np.shape(x), beta[..., :1].shape))]
        if self.size == 2:
            columns.append(-x)
        elif self.size == 3:
            columns += self._slopes(x, beta[..., 2:3])
        return np.stack(columns, axis=-1)

    def _slopes(self, x: Array, s: Array) -> list[Array]:
        """Derivatives of φ in ln k and in s; x = k t."""
        if self.name is CurveName.LIMIT:
            fading = np.exp(-x)
            level = np.maximum(s + (1 - s) * fading, LEAST_LEVEL)
            return [-(1 - s) * x * fading / level, (1 - fading) / level]
        flat, safe = _flat(s * x, s)
        bend = np.log1p(safe * x) / safe**2 - x / (safe * (1 + safe * x))
        return [-x / (1 + s * x), np.where(flat, x**2 / 2 - 2 * s * x**3 / 3, bend)]


def _flat(product: Array, s: Array) -> tuple[NDArray[np.bool_], Array]:
    """Where s k t is so small that a series is exact, and an s safe to divide by elsewhere."""
    flat = product < SMALL
    return flat, np.where(flat, 1.0, s)


CURVES: dict[CurveName, Curve] = {
    CurveName.NO_CHANGE: Curve(name=CurveName.NO_CHANGE, parameters=("ln_start",)),
    CurveName.CONSTANT: Curve(name=CurveName.CONSTANT, parameters=("ln_start", "ln_rate")),
    CurveName.LIMIT: Curve(
        name=CurveName.LIMIT,
        parameters=("ln_start", "ln_rate", "limit_share"),
        shape_range=(0.0, 1.0 - 1e-6),
    ),
    CurveName.POWER: Curve(
        name=CurveName.POWER,
        parameters=("ln_start", "ln_rate", "power_shape"),
        shape_range=(0.0, 50.0),
    ),
}
"""Every curve by name."""


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
