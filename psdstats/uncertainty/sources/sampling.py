"""Sampling: the powder put on the stack holds a finite number of particles.

The class masses of a sample are taken as independent sums of particles and then normalised, which
gives, to first order, the compound multinomial covariance
M Cov(w_i, w_k) = δ_ik w_i μ_i - w_i w_k (μ_i + μ_k) + w_i w_k Σ_j w_j μ_j
with the particle mass μ_j = ρ f x_j³ of each class and the sample mass M (P. Gy, Sampling of
Particulate Materials, 1982, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.arrays import StudyArrays, class_sizes_um
from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Source, Weighings

_CM_PER_UM = 1e-4


@dataclass(frozen=True, kw_only=True)
class Sampling(Source):
    """Mass of each class as a counted number of particles of one mass.

    Parameters
    ----------
    density_g_per_cm3 : float
        Particle density.
    shape_factor : float
        Particle volume over the cube of its sieve size.

    Notes
    -----
    The number N = m/μ in a class varies as a count does: Var(m) = m μ.  Monte Carlo draws a gamma
    number with shape N (JCGM 101:2008, 6.4.11, kept at the observed mean).

    Source: finite number of particles: P. Gy, Sampling of Particulate Materials, 1982 (from
    memory).
    """

    density_g_per_cm3: float
    shape_factor: float

    name: ClassVar[str] = "sampling"
    order: ClassVar[int] = 5

    def __post_init__(self) -> None:
        for name in ("density_g_per_cm3", "shape_factor"):
            value = getattr(self, name)
            if not 0 < value < float("inf"):
                raise UncertaintyError(f"{name} is {value!r}; give a number above 0.")

    @classmethod
    def from_study(cls, study: Study) -> Self:
        """Take density and shape factor; the density must be stated."""
        if study.density_g_per_cm3 is None:
            raise UncertaintyError(
                "sampling is on but the study states no density_g_per_cm3; add the particle "
                "density, or set sampling = false."
            )
        return cls(density_g_per_cm3=study.density_g_per_cm3, shape_factor=study.shape_factor)

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """One gamma input for every class that holds powder, each run its own."""
        result = ElementaryInputs(kind=Kind.GAMMA)
        arrays = weighings.arrays
        particle = particle_masses_g(arrays, self.density_g_per_cm3, self.shape_factor)
        for row, run in enumerate(weighings.runs):
            for place in np.flatnonzero(arrays.real[row] & (arrays.net_g[row] > 0)).tolist():
                mass, one = float(arrays.net_g[row, place]), float(particle[row, place])
                index = result.index((run.name, arrays.sieves[row][place]), shape=mass / one)
                result.on_mass.add(index, row, place, sqrt(mass * one))
        return [result]


def particle_masses_g(
    arrays: StudyArrays, density_g_per_cm3: float, shape_factor: float
) -> NDArray[np.float64]:
    """Mass of one particle of each class, ρ f x³ with x as in `class_sizes_um`, (R, K), in g."""
    size_cm = class_sizes_um(arrays.aperture_um) * _CM_PER_UM
    return np.asarray(density_g_per_cm3 * shape_factor * size_cm**3)
