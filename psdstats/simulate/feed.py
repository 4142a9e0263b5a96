"""Undersize of a feed: log-normal by median and spread, or a curve through three percentiles.

Sizes in µm, undersize as a mass fraction.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from psdstats.simulate.design import Powder

__all__ = ["coarsest_um", "feed_undersize", "undersize_through"]

LEVELS = (0.1, 0.5, 0.9)
ALL_BELOW = 4.5  # normal deviate beyond which nothing is left: 3 particles in a million by mass


def undersize_through(
    percentiles_um: tuple[float, float, float], size_um: ArrayLike
) -> NDArray[np.float64]:
    """Mass fraction finer than each size on the curve through D10, D50 and D90.

    Parameters
    ----------
    percentiles_um : tuple of float
        D10, D50 and D90, µm, increasing.
    size_um : array_like
        Sizes, µm, above 0.

    Returns
    -------
    ndarray
        Fractions, 0 to 1.

    Notes
    -----
    Probit of the undersize linear in ln x through the three points; the end pieces go on.  Equal
    ratios D90/D50 and D50/D10 make a log-normal powder.

    Examples
    --------
    >>> undersize_through((70, 150, 300), [70, 150, 300]).round(6)
    array([0.1, 0.5, 0.9])
    """
    below, above = _slopes(percentiles_um)
    x = np.log(np.asarray(size_um, dtype=float) / percentiles_um[1])
    return np.asarray(ndtr(np.where(x < 0, below, above) * x))


def feed_undersize(powder: Powder, size_um: ArrayLike) -> NDArray[np.float64]:
    """Mass fraction of the feed finer than each size."""
    if powder.feed_percentiles_um is not None:
        return undersize_through(powder.feed_percentiles_um, size_um)
    x = np.log(np.asarray(size_um, dtype=float) / powder.feed_d50_um)
    return np.asarray(ndtr(x / np.log(powder.feed_gsd)))


def coarsest_um(powder: Powder, *, per_octave: int) -> float:
    """Size above which next to nothing of the feed lies, µm.

    A curve through three percentiles has a kink at its median; the size is then a whole number of
    grid steps above it, so that the kink lies on an edge.
    """
    if powder.feed_percentiles_um is None:
        return float(powder.feed_d50_um * np.exp(ALL_BELOW * np.log(powder.feed_gsd)))
    octaves = ALL_BELOW / _slopes(powder.feed_percentiles_um)[1] / np.log(2.0)
    return float(
        powder.feed_percentiles_um[1] * 2.0 ** (np.ceil(octaves * per_octave) / per_octave)
    )


def _slopes(percentiles_um: tuple[float, float, float]) -> tuple[float, float]:
    """Slopes of the probit against ln x below and above the median."""
    slopes = np.diff(ndtri(LEVELS)) / np.diff(np.log(percentiles_um))
    return float(slopes[0]), float(slopes[1])
