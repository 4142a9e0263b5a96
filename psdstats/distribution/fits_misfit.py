"""A fit that allows for a family that does not quite describe the powder.

Weighings are so fine that hardly any family describes them within their uncertainty, and weights
from that uncertainty alone then let the tails pull the curve away from the middle.  So a misfit
variance τ², the same for every point of the undersize, is added to the known covariance and chosen
so that the weighted sum of squares equals its degrees of freedom: R. C. Paule and J. Mandel,
"Consensus values and weighting factors", J. Res. Natl. Bur. Stand. 87 (1982) 377-385 (from memory),
applied to a curve instead of a mean.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.fits_least_squares import Minimum

__all__ = ["allow_misfit"]

Array = NDArray[np.float64]

_SMALLEST = 1e-7  # misfit SDs below this change nothing that a balance could show
_LARGEST = 1.0


def allow_misfit(
    fit_with: Callable[[float, Array], Minimum], first: Minimum, df: int
) -> tuple[Minimum, float]:
    """Choose the misfit so that χ² equals its degrees of freedom.

    Parameters
    ----------
    fit_with : callable
        Takes a misfit variance and a starting point and returns the minimum.
    first : Minimum
        The fit without misfit.
    df : int
        Degrees of freedom, at least 1.

    Returns
    -------
    tuple of (Minimum, float)
        The fit, and the misfit SD τ as a mass fraction.
    """
    from scipy.optimize import brentq

    last = [first]

    def excess(ln_sd: float) -> float:
        last.append(fit_with(float(np.exp(2 * ln_sd)), last[-1].theta))
        return float(np.log(max(last[-1].chi_squared, 1e-300) / df))

    low, high = np.log(_SMALLEST), np.log(_LARGEST)
    if excess(low) <= 0:
        return first, 0.0
    sd = float(np.exp(brentq(excess, low, high, xtol=1e-3)))
    return fit_with(sd**2, last[-1].theta), sd
