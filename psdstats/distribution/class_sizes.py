"""The size that stands for all particles of a class, for means, moments and particle masses.

Between two sieves the geometric or the arithmetic mean of the apertures.  The pan has no lower and
the coarsest class no upper aperture: half the finest aperture, and the coarsest times √2, stand in
(common practice, no source).
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.arrays import StudyArrays
from psdstats.errors import SizeError

__all__ = ["ClassMean", "as_class_mean", "class_sizes_um"]


class ClassMean(StrEnum):
    """Mean of the two apertures of a class."""

    GEOMETRIC = "geometric"
    ARITHMETIC = "arithmetic"


def as_class_mean(name: str | ClassMean) -> ClassMean:
    """Return the mean of that name; SizeError lists the names that exist."""
    try:
        return ClassMean(name)
    except ValueError as cause:
        names = " or ".join(repr(str(one)) for one in ClassMean)
        raise SizeError(f"class mean {str(name)!r} is not known; choose {names}.") from cause


def class_sizes_um(
    arrays: StudyArrays, mean: ClassMean = ClassMean.GEOMETRIC
) -> NDArray[np.float64]:
    """Size that stands for each class, shape (R, K), in µm."""
    aperture = arrays.aperture_um
    size = np.empty(arrays.net_g.shape)
    size[:, 0] = aperture[:, 0] / 2
    if mean is ClassMean.GEOMETRIC:
        size[:, 1:-1] = np.sqrt(aperture[:, :-1] * aperture[:, 1:])
    else:
        size[:, 1:-1] = (aperture[:, :-1] + aperture[:, 1:]) / 2
    size[:, -1] = aperture[:, -1] * np.sqrt(2)
    return size
