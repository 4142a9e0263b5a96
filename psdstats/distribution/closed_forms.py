"""Two size distributions in closed form: log-normal and Rosin-Rammler-Bennett.

Sizes in µm, undersize as mass fraction.  They serve simulation and checks; fitting is elsewhere.
Log-normal as in ISO 9276-5; Rosin-Rammler-Bennett as in DIN 66145 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, ndtri

from psdstats.errors import SizeError
from psdstats.frozen import Array


def _need_positive(name: str, value: float, remedy: str) -> None:
    if not (np.isfinite(value) and value > 0):
        raise SizeError(f"{name} is {value!r}; {remedy}.")


@dataclass(frozen=True, kw_only=True)
class LogNormal:
    """Log-normal mass distribution, `Q3(x) = Φ(ln(x / median) / ln s_g)`.

    Parameters
    ----------
    median_um : float
        D50, µm.
    geometric_sd : float
        Geometric standard deviation s_g, above 1.

    Examples
    --------
    >>> LogNormal(median_um=100, geometric_sd=2).size_um([0.5]).round(6)
    array([100.])
    """

    median_um: float
    geometric_sd: float

    def __post_init__(self) -> None:
        _need_positive("median_um", self.median_um, "give a size above 0 in µm")
        if not (np.isfinite(self.geometric_sd) and self.geometric_sd > 1):
            raise SizeError(f"geometric_sd is {self.geometric_sd!r}; give a ratio above 1.")

    def undersize(self, size_um: ArrayLike) -> Array:
        """Mass fraction finer than each size."""
        with np.errstate(divide="ignore"):
            ln_ratio = np.log(np.asarray(size_um, dtype=float) / self.median_um)
        finer: Array = ndtr(ln_ratio / np.log(self.geometric_sd))
        return finer

    def size_um(self, level: ArrayLike) -> Array:
        """Size at each undersize level."""
        spread = ndtri(np.asarray(level, dtype=float)) * np.log(self.geometric_sd)
        return np.asarray(self.median_um * np.exp(spread))


@dataclass(frozen=True, kw_only=True)
class RosinRammlerBennett:
    """Rosin-Rammler-Bennett mass distribution, `Q3(x) = 1 - exp(-(x / d')^n)`.

    Parameters
    ----------
    characteristic_um : float
        Size d' with 36.79 % of the mass coarser, µm.
    exponent : float
        Uniformity exponent n, above 0.

    Examples
    --------
    >>> curve = RosinRammlerBennett(characteristic_um=1, exponent=1)
    >>> curve.size_um([0.1, 0.5, 0.9]).round(5)
    array([0.10536, 0.69315, 2.30259])
    """

    characteristic_um: float
    exponent: float

    def __post_init__(self) -> None:
        _need_positive("characteristic_um", self.characteristic_um, "give a size above 0 in µm")
        _need_positive("exponent", self.exponent, "give a number above 0")

    def undersize(self, size_um: ArrayLike) -> Array:
        """Mass fraction finer than each size."""
        ratio = np.asarray(size_um, dtype=float) / self.characteristic_um
        return np.asarray(-np.expm1(-(ratio**self.exponent)))

    def size_um(self, level: ArrayLike) -> Array:
        """Size at each undersize level."""
        depth = -np.log1p(-np.asarray(level, dtype=float))
        return np.asarray(self.characteristic_um * depth ** (1.0 / self.exponent))
