"""Powders a trial is expected to meet, and how much of one a sieve may hold.

Apertures in µm, masses in g.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.planning.plan_error import PlanError
from psdstats.sieves.rules import practice_rule
from psdstats.simulate.feed import undersize_through

__all__ = ["ExpectedPowder", "expected_curves", "load_limit_g"]

Array = NDArray[np.float64]
G_PER_KG, MM2_PER_M2 = 1e3, 1e6


@dataclass(frozen=True, kw_only=True)
class ExpectedPowder:
    """A powder the trial is expected to meet, by three percentiles.

    Parameters
    ----------
    name : str
        For example "unmilled" or "after 48 min".
    d10_um, d50_um, d90_um : float
        Sizes that 10, 50 and 90 % of the mass pass, µm; increasing.
    """

    name: str
    d10_um: float
    d50_um: float
    d90_um: float

    def __post_init__(self) -> None:
        if not 0 < self.d10_um < self.d50_um < self.d90_um < float("inf"):
            raise PlanError(
                f"the expected sizes of {self.name!r} are D10 {self.d10_um:g}, D50 "
                f"{self.d50_um:g} and D90 {self.d90_um:g} µm; give increasing sizes above zero."
            )

    def undersize(self, aperture_um: Array) -> Array:
        """Expected mass fraction finer than each aperture.

        Parameters
        ----------
        aperture_um : ndarray, shape (n,)
            Apertures, µm, above 0.

        Returns
        -------
        ndarray, shape (n,)
            0 to 1.

        Notes
        -----
        Probit of the undersize linear in ln x through the three points; the end pieces go on.
        """
        return undersize_through(self.percentiles_um, aperture_um)

    @property
    def percentiles_um(self) -> tuple[float, float, float]:
        """D10, D50 and D90, µm."""
        return self.d10_um, self.d50_um, self.d90_um


def expected_curves(
    powders: Sequence[ExpectedPowder],
    size_um: Sequence[float] | None = None,
    *,
    stack_um: Sequence[float] = (),
) -> pd.DataFrame:
    """Expected undersize of each powder at each size.

    Parameters
    ----------
    powders : sequence of ExpectedPowder
        The powders.
    size_um : sequence of float, optional
        Sizes, µm, above 0; by default 161, even in ln x, from well below the smallest D10 or sieve
        to well above the largest D90 or sieve.
    stack_um : sequence of float, default=()
        Sieves of a stack, µm.

    Returns
    -------
    DataFrame
        One row a powder and size: powder, size_um, undersize (0 to 1).
    """
    ends = [*stack_um, *(size for one in powders for size in (one.d10_um, one.d90_um))]
    sizes = np.geomspace(min(ends) / 1.5, max(ends) * 1.5, 161)
    if size_um is not None:
        sizes = np.asarray(size_um, dtype=float)
    rows = [
        pd.DataFrame({"powder": one.name, "size_um": sizes, "undersize": one.undersize(sizes)})
        for one in powders
    ]
    return pd.concat(rows, ignore_index=True)


def load_limit_g(aperture_um: float, frame_diameter_mm: float = 200.0) -> float:
    """Largest mass a sieve may hold at the end of sieving, g.

    Parameters
    ----------
    aperture_um : float
        Aperture of the sieve, µm.
    frame_diameter_mm : float, default=200
        Diameter of its frame, mm.

    Returns
    -------
    float
        Mass, g.

    Notes
    -----
    ASTM C136/C136M-19, 8.3: 7 kg/m² below 4.75 mm; 2.5 × aperture in mm × area in m² (kg) above.

    Examples
    --------
    >>> round(load_limit_g(250))
    220
    """
    area_m2 = pi / 4 * frame_diameter_mm**2 / MM2_PER_M2
    if aperture_um < practice_rule("coarse_from").value:
        return G_PER_KG * practice_rule("load_limit").value * area_m2
    return G_PER_KG * practice_rule("load_limit_coarse").value * aperture_um / 1000 * area_m2
