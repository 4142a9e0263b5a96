"""Three two-parameter size distributions with the derivatives that a fit needs.

All work on ln x (x in µm) and on two free real parameters, the logarithm of a size and the
logarithm of a width or exponent.  Log-normal as in ISO 9276-5, Rosin-Rammler-Bennett as in
DIN 66145, Gates-Gaudin-Schuhmann as in A. M. Gaudin, "An investigation of crushing phenomena",
Trans. AIME 73 (1926) 253-316 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

__all__ = ["Family", "FamilyForm", "form_of"]

Array = NDArray[np.float64]


class Family(StrEnum):
    """Families that can be fitted."""

    ROSIN_RAMMLER_BENNETT = "rosin-rammler-bennett"
    LOG_NORMAL = "log-normal"
    GATES_GAUDIN_SCHUHMANN = "gates-gaudin-schuhmann"


class FamilyForm(Protocol):
    """What a fit needs to know of a family; `theta` holds the two free parameters."""

    @property
    def title(self) -> str:
        """Name for people."""
        ...

    @property
    def parameter_names(self) -> tuple[str, str]:
        """Names of the two parameters as reported."""
        ...

    def curve(self, ln_size: Array, theta: Array) -> tuple[Array, Array, Array]:
        """Undersize (n,), its derivatives by theta (n, 2) and by ln x (n,)."""
        ...

    def quantile(self, level: Array, theta: Array) -> tuple[Array, Array]:
        """Logarithm of the size at each level (n,) and its derivatives by theta (n, 2)."""
        ...

    def straight(self, undersize: Array) -> Array:
        """The transformed undersize that is a straight line in ln x."""
        ...

    def from_line(self, slope: float, intercept: float) -> Array:
        """Free parameters of the straight line slope · ln x + intercept."""
        ...

    def parameters(self, theta: Array) -> Array:
        """The two parameters as reported, each rising or falling with its own free parameter."""
        ...


@dataclass(frozen=True)
class _LogNormal:
    """`Q = Φ((ln x - ln D50) / ln s_g)`; theta = (ln D50, ln ln s_g)."""

    title: str = "log-normal"
    parameter_names: tuple[str, str] = ("median_um", "geometric_sd")

    def curve(self, ln_size: Array, theta: Array) -> tuple[Array, Array, Array]:
        width = np.exp(theta[1])
        z = (ln_size - theta[0]) / width
        density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
        slope = density / width
        return np.asarray(ndtr(z)), np.column_stack([-slope, -density * z]), slope

    def quantile(self, level: Array, theta: Array) -> tuple[Array, Array]:
        reach = ndtri(level) * np.exp(theta[1])
        return theta[0] + reach, np.column_stack([np.ones_like(reach), reach])

    def straight(self, undersize: Array) -> Array:
        return np.asarray(ndtri(undersize))

    def from_line(self, slope: float, intercept: float) -> Array:
        return np.array([-intercept / slope, -np.log(slope)])

    def parameters(self, theta: Array) -> Array:
        return np.array([np.exp(theta[0]), np.exp(np.exp(theta[1]))])


@dataclass(frozen=True)
class _RosinRammlerBennett:
    """`Q = 1 - exp(-(x/d')^n)`; theta = (ln d', ln n)."""

    title: str = "Rosin-Rammler-Bennett"
    parameter_names: tuple[str, str] = ("characteristic_um", "exponent")

    def curve(self, ln_size: Array, theta: Array) -> tuple[Array, Array, Array]:
        exponent = np.exp(theta[1])
        line = exponent * (ln_size - theta[0])
        power = np.exp(np.minimum(line, 7.0))  # e^7: nothing is left above that
        steep = power * np.exp(-power)
        slope = exponent * steep
        return -np.expm1(-power), np.column_stack([-slope, line * steep]), slope

    def quantile(self, level: Array, theta: Array) -> tuple[Array, Array]:
        reach = np.log(-np.log1p(-level)) / np.exp(theta[1])
        return theta[0] + reach, np.column_stack([np.ones_like(reach), -reach])

    def straight(self, undersize: Array) -> Array:
        return np.asarray(np.log(-np.log1p(-undersize)))

    def from_line(self, slope: float, intercept: float) -> Array:
        return np.array([-intercept / slope, np.log(slope)])

    def parameters(self, theta: Array) -> Array:
        return np.asarray(np.exp(theta))


@dataclass(frozen=True)
class _GatesGaudinSchuhmann:
    """`Q = (x/k)^m` up to the top size k, then 1; theta = (ln k, ln m)."""

    title: str = "Gates-Gaudin-Schuhmann"
    parameter_names: tuple[str, str] = ("top_size_um", "exponent")

    def curve(self, ln_size: Array, theta: Array) -> tuple[Array, Array, Array]:
        exponent = np.exp(theta[1])
        line = np.minimum(exponent * (ln_size - theta[0]), 0.0)
        undersize = np.exp(line)
        steep = np.where(line < 0, undersize, 0.0)
        slope = exponent * steep
        return undersize, np.column_stack([-slope, line * steep]), slope

    def quantile(self, level: Array, theta: Array) -> tuple[Array, Array]:
        reach = np.log(level) / np.exp(theta[1])
        return theta[0] + reach, np.column_stack([np.ones_like(reach), -reach])

    def straight(self, undersize: Array) -> Array:
        return np.asarray(np.log(undersize))

    def from_line(self, slope: float, intercept: float) -> Array:
        return np.array([-intercept / slope, np.log(slope)])

    def parameters(self, theta: Array) -> Array:
        return np.asarray(np.exp(theta))


_FORMS: dict[Family, FamilyForm] = {
    Family.LOG_NORMAL: _LogNormal(),
    Family.ROSIN_RAMMLER_BENNETT: _RosinRammlerBennett(),
    Family.GATES_GAUDIN_SCHUHMANN: _GatesGaudinSchuhmann(),
}


def form_of(family: Family | str) -> FamilyForm:
    """Return the form of a family.

    Parameters
    ----------
    family : {"rosin-rammler-bennett", "log-normal", "gates-gaudin-schuhmann"}
        Name of the family.

    Returns
    -------
    FamilyForm
        Curve, quantile and parameters.

    Examples
    --------
    >>> form_of("log-normal").parameters(np.array([np.log(100), np.log(np.log(2))])).round(6)
    array([100.,   2.])
    """
    return _FORMS[Family(family)]
