"""Fitted size distributions: parameters with intervals, goodness of fit, extrapolated sizes marked.

Sizes in µm, undersize as mass fraction.  The points of a cumulative curve share their errors (mass
gained by one class is lost by another, and one sieve's aperture error moves one point), so the fit
is weighted by their full covariance, which the caller gives.  A family is never chosen here; a poor
fit is said in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from psdstats.distribution.fits_families import Family, form_of
from psdstats.distribution.fits_least_squares import minimise
from psdstats.errors import SizeError

__all__ = ["DistributionFit", "Family", "FittedSize", "fit_distribution"]

Array = NDArray[np.float64]

_POOR = 0.05


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
        Free parameters (logarithms) and their covariance, enlarged if `enlarged`.
    chi_squared, df, p : float, int, float
        Goodness of fit: weighted sum of squares, degrees of freedom, and probability of a larger
        one if the family is right (NaN without degrees of freedom).
    enlarged : float
        Factor on the standard uncertainties for misfit; 1 when none was applied.
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
    enlarged: float
    coverage: float
    sizes: tuple[FittedSize, ...]
    status: str

    def __post_init__(self) -> None:
        for name in ("parameters", "lower", "upper", "theta", "theta_covariance"):
            own = np.array(getattr(self, name), dtype=float)
            own.setflags(write=False)
            object.__setattr__(self, name, own)

    def undersize(self, size_um: ArrayLike) -> Array:
        """Mass fraction of the fitted curve finer than each size."""
        ln_size = np.log(np.asarray(size_um, dtype=float))
        return form_of(self.family).curve(ln_size, self.theta)[0]

    @property
    def describes(self) -> bool | None:
        """Whether the points lie as near the curve as their uncertainty says; None if untold."""
        return None if np.isnan(self.p) else bool(self.p >= _POOR)

    @property
    def sentence(self) -> str:
        """The fit in words."""
        values = ", ".join(
            f"{name} {value:.4g} ({low:.4g} to {high:.4g})"
            for name, value, low, high in zip(
                self.parameter_names, self.parameters, self.lower, self.upper, strict=True
            )
        )
        found = {
            None: "two points cannot show whether the family is right",
            True: "the points lie within their uncertainty of the curve",
            False: "the points lie farther from the curve than their uncertainty allows, so the "
            "curve is a summary and its intervals are too narrow",
        }[self.describes]
        if self.describes is False and self.enlarged > 1:
            found = (
                "the points lie farther from the curve than their uncertainty allows; the "
                f"uncertainties are enlarged {self.enlarged:.3g} times for it"
            )
        test = (
            ""
            if np.isnan(self.p)
            else f" (χ² = {self.chi_squared:.3g} on {self.df}, p = {self.p:.2g})"
        )
        return f"{form_of(self.family).title}: {values}; {found}{test}; {self.status}"

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
                "enlarged": self.enlarged,
                "status": self.status,
            }
        )

    def sizes_frame(self) -> pd.DataFrame:
        """One row a percentile: family, level, size_um, lower_um, upper_um, extrapolated."""
        return pd.DataFrame([{"family": str(self.family), **vars(one)} for one in self.sizes])


def fit_distribution(
    aperture_um: ArrayLike,
    undersize: ArrayLike,
    *,
    covariance: ArrayLike,
    family: Family | str = Family.ROSIN_RAMMLER_BENNETT,
    aperture_covariance_um2: ArrayLike | None = None,
    levels: Sequence[float] = (0.1, 0.5, 0.9),
    coverage: float = 0.95,
    enlarge: bool = False,
) -> DistributionFit:
    """Fit a two-parameter distribution to a cumulative curve with correlated errors.

    Parameters
    ----------
    aperture_um, undersize : array_like, shape (n,)
        Apertures in µm, ascending, pan left out; mass fractions finer (0 to 1).
    covariance : array_like, shape (n, n)
        Covariance of the undersize fractions.
    family : {"rosin-rammler-bennett", "log-normal", "gates-gaudin-schuhmann"}
        Distribution to be fitted.
    aperture_covariance_um2 : array_like, shape (n, n) or None, default=None
        Covariance of the apertures; None where they are taken as exact.
    levels : sequence of float, default=(0.1, 0.5, 0.9)
        Percentiles wanted from the fitted curve.
    coverage : float, default=0.95
        Coverage probability of the intervals.
    enlarge : bool, default=False
        Enlarge standard uncertainties by √(χ²/df) where that exceeds 1, and use Student's t.

    Returns
    -------
    DistributionFit
        Parameters, goodness of fit and percentiles.

    Raises
    ------
    SizeError
        If shapes do not match, the curve is not one, the covariance is not positive definite, or
        too few points lie between 0 and 1.

    Notes
    -----
    Intervals are symmetrical for the logarithms of the parameters and sizes.  They hold if the
    family is right and the covariance complete; `p` tells of the first.

    Examples
    --------
    >>> x = np.array([45.0, 90, 180, 355])
    >>> finer = -np.expm1(-((x / 150) ** 1.2))
    >>> fit = fit_distribution(x, finer, covariance=1e-6 * np.eye(4))
    >>> fit.parameters.round(6)
    array([150. ,   1.2])
    >>> [one.extrapolated for one in fit.sizes]
    [True, False, False]
    """
    aperture, finer, noise, ln_noise = _checked(
        aperture_um, undersize, covariance, aperture_covariance_um2
    )
    form = form_of(family)
    found = minimise(form, np.log(aperture), finer, noise, ln_noise)
    df = len(aperture) - 2
    ratio = found.chi_squared / df if df else 1.0
    factor = np.sqrt(max(1.0, ratio)) if enlarge else 1.0
    tail = (1 + coverage) / 2
    k = special.stdtrit(df, tail) if enlarge and df else special.ndtri(tail)
    spread = found.covariance * factor**2
    reach = k * np.sqrt(np.diag(spread))
    level = np.asarray(levels, dtype=np.float64)
    ln_size, gradient = form.quantile(level, found.theta)
    u = np.sqrt(np.einsum("ni,ij,nj->n", gradient, spread, gradient))
    ends = np.sort(
        [form.parameters(found.theta - reach), form.parameters(found.theta + reach)], axis=0
    )
    inside = (ln_size >= np.log(aperture[0])) & (ln_size <= np.log(aperture[-1]))
    return DistributionFit(
        family=Family(family),
        parameter_names=form.parameter_names,
        parameters=form.parameters(found.theta),
        lower=ends[0],
        upper=ends[1],
        theta=found.theta,
        theta_covariance=spread,
        chi_squared=found.chi_squared,
        df=df,
        p=float(special.chdtrc(df, found.chi_squared)) if df else float("nan"),
        enlarged=float(factor),
        coverage=coverage,
        sizes=tuple(
            FittedSize(
                level=float(level[i]),
                size_um=float(np.exp(ln_size[i])),
                lower_um=float(np.exp(ln_size[i] - k * u[i])),
                upper_um=float(np.exp(ln_size[i] + k * u[i])),
                u_relative=float(u[i]),
                extrapolated=not bool(inside[i]),
            )
            for i in range(len(level))
        ),
        status="converged" if found.converged else "the search did not settle; do not use the fit",
    )


def _checked(
    aperture_um: ArrayLike,
    undersize: ArrayLike,
    covariance: ArrayLike,
    aperture_covariance_um2: ArrayLike | None,
) -> tuple[Array, Array, Array, Array | None]:
    aperture = np.asarray(aperture_um, dtype=np.float64)
    finer = np.asarray(undersize, dtype=np.float64)
    noise = np.asarray(covariance, dtype=np.float64)
    n = len(aperture)
    if finer.shape != (n,) or noise.shape != (n, n):
        raise SizeError(
            f"There are {n} apertures but undersize has shape {finer.shape} and covariance "
            f"{noise.shape}; give ({n},) and ({n}, {n})."
        )
    steps = np.diff(aperture)
    if n < 2 or aperture[0] <= 0 or (steps <= 0).any():
        raise SizeError(
            f"The apertures {aperture.tolist()} are not two or more ascending positive sizes; sort "
            "them and leave the pan out."
        )
    out = np.flatnonzero((finer < -0.05) | (finer > 1.05) | np.isnan(finer))
    if len(out):
        raise SizeError(
            f"The undersize at {aperture[out[0]]:g} µm is {finer[out[0]]:g}; give fractions from 0 "
            "to 1 (not per cent)."
        )
    if aperture_covariance_um2 is None:
        return aperture, finer, noise, None
    spread = np.asarray(aperture_covariance_um2, dtype=np.float64)
    if spread.shape != (n, n):
        raise SizeError(f"The aperture covariance has shape {spread.shape}; give ({n}, {n}).")
    return aperture, finer, noise, spread / np.outer(aperture, aperture)
