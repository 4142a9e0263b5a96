"""What a fitted distribution is: parameters, intervals, goodness of fit and percentiles (µm)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.distribution.fits_families import Family, form_of
from psdstats.frozen import freeze_arrays

__all__ = ["POOR", "DistributionFit", "FittedSize"]

Array = NDArray[np.float64]

POOR = 0.05  # below this p the points are said not to lie on the curve


@dataclass(frozen=True, kw_only=True)
class FittedSize:
    """One percentile of a fitted distribution.

    Parameters
    ----------
    level : float
        Undersize level, 0.5 for D50.
    size_um, lower_um, upper_um : float
        Size and its interval, µm.
    u_relative : float
        Relative standard uncertainty (standard uncertainty of ln size).
    extrapolated : bool
        Whether the size lies outside the apertures the fit was made from.
    """

    level: float
    size_um: float
    lower_um: float
    upper_um: float
    u_relative: float
    extrapolated: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class DistributionFit:
    """A fitted distribution.

    Parameters
    ----------
    family : Family
        Which distribution.
    parameter_names : tuple of str
        Names of the two parameters.
    parameters, lower, upper : ndarray, shape (2,)
        Values and interval limits.
    theta, theta_covariance : ndarray, shape (2,), (2, 2)
        Free parameters (logarithms) and their covariance.
    chi_squared, df, p : float, int, float
        Goodness of fit without any misfit: weighted sum of squares, degrees of freedom, and
        probability of a larger one if the family is right (NaN without degrees of freedom).
    misfit : float
        SD of the points about the curve beyond their uncertainty, as mass fraction; 0 where none
        was needed or allowed.
    coverage : float
        Coverage probability of the intervals.
    sizes : tuple of FittedSize
        Percentiles of the fitted curve.
    status : str
        "converged", or what went wrong in words.
    """

    family: Family
    parameter_names: tuple[str, str]
    parameters: Array
    lower: Array
    upper: Array
    theta: Array
    theta_covariance: Array
    chi_squared: float
    df: int
    p: float
    misfit: float
    coverage: float
    sizes: tuple[FittedSize, ...]
    status: str

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def undersize(self, size_um: ArrayLike) -> Array:
        """Mass fraction of the fitted curve finer than each size.

        Parameters
        ----------
        size_um : array_like, shape (n,)
            Sizes above 0, µm.

        Returns
        -------
        ndarray, shape (n,)
            Fractions, 0 to 1.
        """
        ln_size = np.log(np.asarray(size_um, dtype=float))
        return form_of(self.family).curve(ln_size, self.theta)[0]

    @property
    def describes(self) -> bool | None:
        """Whether the points lie as near the curve as their uncertainty says; None if untold."""
        return None if np.isnan(self.p) else bool(self.p >= POOR)

    @property
    def sentence(self) -> str:
        """The fit in words."""
        values = ", ".join(
            f"{name} {value:.4g} ({low:.4g} to {high:.4g})"
            for name, value, low, high in zip(
                self.parameter_names, self.parameters, self.lower, self.upper, strict=True
            )
        )
        if self.describes is None:
            found = "two points cannot show whether the family is right"
        elif self.describes:
            found = "the points lie within their uncertainty of the curve"
        else:
            found = "the points lie farther from the curve than their uncertainty allows, "
            found += (
                f"by a misfit of {100 * self.misfit:.2g} points that the intervals include"
                if self.misfit
                else "so the curve is a summary and its intervals are too narrow"
            )
        if not np.isnan(self.p):
            found += f" (χ² = {self.chi_squared:.3g} on {self.df}, p = {self.p:.2g})"
        return f"{form_of(self.family).title}: {values}; {found}; {self.status}"

    def to_frame(self) -> pd.DataFrame:
        """One row a parameter: family, parameter, value, lower, upper, chi_squared, df, p, …."""
        return pd.DataFrame(
            {
                "family": str(self.family),
                "parameter": self.parameter_names,
                "value": self.parameters,
                "lower": self.lower,
                "upper": self.upper,
                "chi_squared": self.chi_squared,
                "df": self.df,
                "p": self.p,
                "misfit_percent": 100 * self.misfit,
                "status": self.status,
            }
        )

    def sizes_frame(self) -> pd.DataFrame:
        """One row a percentile: family, level, size_um, lower_um, upper_um, extrapolated."""
        return pd.DataFrame([{"family": str(self.family), **vars(one)} for one in self.sizes])
