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

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from psdstats.frozen import Array

SMALL = 1e-5
LEAST_LEVEL = 1e-100  # keeps the logarithm of a size that has faded away finite


class CurveName(StrEnum):
    """The curves on offer.

    Examples
    --------
    >>> from psdstats.rate import CurveName
    >>> [str(name) for name in CurveName]
    ['no change', 'constant rate', 'approach to a limit', 'power law']
    """

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


@dataclass(frozen=True, kw_only=True)
class Constraint:
    """From the value held (B,) and the free parameters (B, r) to all parameters.

    Parameters
    ----------
    size : int
        Number of all parameters p.
    free : tuple of int
        Positions of the free ones.
    put : callable
        Puts the others and their derivatives into parameters (B, p) and derivatives (B, p, r),
        given the value (B,).
    """

    size: int
    free: tuple[int, ...]
    put: Callable[[Array, Array, Array], None]

    def expand(self, value: Array, reduced: Array) -> tuple[Array, Array]:
        """All parameters (B, p) and their derivatives (B, p, r) in the free ones."""
        beta = np.zeros((len(reduced), self.size))
        beta[:, self.free] = reduced
        slope = np.zeros((len(reduced), self.size, len(self.free)))
        slope[:, self.free, range(len(self.free))] = 1.0
        self.put(beta, slope, value)
        return beta, slope


def all_free(curve: Curve) -> Constraint:
    """Nothing is held; the value is not used."""
    return Constraint(size=curve.size, free=tuple(range(curve.size)), put=lambda *_: None)


def held(curve: Curve, position: int) -> Constraint:
    """One parameter is held at the value."""

    def put(beta: Array, _: Array, value: Array) -> None:
        beta[:, position] = value

    free = tuple(one for one in range(curve.size) if one != position)
    return Constraint(size=curve.size, free=free, put=put)


def through(curve: Curve, log_size: float) -> Constraint:
    """The curve passes ln D = `log_size` at the time given as value; ln D₀ = ln D − φ(T)."""

    def put(beta: Array, slope: Array, value: Array) -> None:
        at = value[:, None]
        beta[:, 0] = log_size - curve.fall(at, beta)[:, 0]
        slope[:, 0, :] = -curve.gradient(at, beta)[:, 0, 1:]

    return Constraint(size=curve.size, free=tuple(range(1, curve.size)), put=put)


def at_limit(curve: Curve) -> Constraint:
    """The limit ln D∞ is the value; ln D₀ = ln D∞ − ln s follows, s kept off zero."""

    def put(beta: Array, slope: Array, value: Array) -> None:
        s = np.maximum(beta[:, 2], 1e-9)
        beta[:, 2] = s
        beta[:, 0] = value - np.log(s)
        slope[:, 0, 1] = -1 / s

    return Constraint(size=curve.size, free=(1, 2), put=put)


def within_margin(curve: Curve, margin: float) -> Constraint:
    """The size is above its limit by the ratio `margin` at the time given as value.

    (1 − s) exp(−k T)/s = margin, so s = 1/(1 + margin · exp(k T)).
    """

    def put(beta: Array, slope: Array, value: Array) -> None:
        grown = np.exp(beta[:, 1]) * value
        s = 1 / (1 + margin * np.exp(np.minimum(grown, 500.0)))
        beta[:, 2] = s
        slope[:, 2, 1] = -s * (1 - s) * grown

    return Constraint(size=curve.size, free=(0, 1), put=put)
