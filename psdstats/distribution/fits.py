"""Fitted size distributions: parameters with intervals, goodness of fit, extrapolated sizes marked.

Sizes in µm, undersize as mass fraction.  The points of a cumulative curve share their errors (mass
gained by one class is lost by another, and one sieve's aperture error moves one point), so the fit
is weighted by their full covariance, which the caller gives.  A family is never chosen here; a poor
fit is said in words.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from psdstats.distribution.fits_families import Family, FamilyForm, form_of
from psdstats.distribution.fits_least_squares import Minimum, minimise
from psdstats.distribution.fits_misfit import allow_misfit
from psdstats.distribution.fits_result import POOR, DistributionFit, FittedSize
from psdstats.errors import SizeError
from psdstats.wording import signed

__all__ = ["DistributionFit", "Family", "FittedSize", "fit_distribution"]

Array = NDArray[np.float64]


def fit_distribution(
    aperture_um: ArrayLike,
    undersize: ArrayLike,
    *,
    covariance: ArrayLike,
    family: Family | str = Family.ROSIN_RAMMLER_BENNETT,
    aperture_covariance_um2: ArrayLike | None = None,
    levels: Sequence[float] = (0.1, 0.5, 0.9),
    coverage: float = 0.95,
    misfit: bool = True,
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
    misfit : bool, default=True
        Where p is below 0.05, allow the points a misfit about the curve (`fits_misfit`) and use
        Student's t for the intervals.

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
    Intervals are symmetrical for the logarithms of the parameters and sizes.  Without misfit they
    hold if the family is right and the covariance complete; `p` tells of the first.

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
    df = len(aperture) - 2

    def fit_with(variance: float, start: Array | None = None) -> Minimum:
        total = noise + variance * np.eye(df + 2)
        return minimise(form, np.log(aperture), finer, total, ln_noise, start=start)

    first = found = fit_with(0.0)
    p = float(special.chdtrc(df, first.chi_squared)) if df else float("nan")
    extra = 0.0
    if misfit and p < POOR:
        found, extra = allow_misfit(fit_with, first, df)
    tail = (1 + coverage) / 2
    k = float(special.stdtrit(df, tail) if extra else special.ndtri(tail))
    reach = k * np.sqrt(np.diag(found.covariance))
    ends = np.sort(
        [form.parameters(found.theta - reach), form.parameters(found.theta + reach)], axis=0
    )
    return DistributionFit(
        family=Family(family),
        parameter_names=form.parameter_names,
        parameters=form.parameters(found.theta),
        lower=ends[0],
        upper=ends[1],
        theta=found.theta,
        theta_covariance=found.covariance,
        chi_squared=first.chi_squared,
        df=df,
        p=p,
        misfit=extra,
        coverage=coverage,
        sizes=_sizes(form, found, levels, k, (aperture[0], aperture[-1])),
        status="converged" if found.converged else "the search did not settle; do not use the fit",
    )


def _sizes(
    form: FamilyForm,
    found: Minimum,
    levels: Sequence[float],
    k: float,
    seen_um: tuple[float, float],
) -> tuple[FittedSize, ...]:
    ln_size, gradient = form.quantile(np.asarray(levels, dtype=np.float64), found.theta)
    u = np.sqrt(np.einsum("ni,ij,nj->n", gradient, found.covariance, gradient))
    return tuple(
        FittedSize(
            level=float(level),
            size_um=float(np.exp(centre)),
            lower_um=float(np.exp(centre - k * spread)),
            upper_um=float(np.exp(centre + k * spread)),
            u_relative=float(spread),
            extrapolated=not seen_um[0] <= np.exp(centre) <= seen_um[1],
        )
        for level, centre, spread in zip(levels, ln_size, u, strict=True)
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
            f"The undersize at {aperture[out[0]]:g} µm is {signed(finer[out[0]])}; give fractions "
            "from 0 to 1 (not per cent)."
        )
    if aperture_covariance_um2 is None:
        return aperture, finer, noise, None
    spread = np.asarray(aperture_covariance_um2, dtype=np.float64)
    if spread.shape != (n, n):
        raise SizeError(f"The aperture covariance has shape {spread.shape}; give ({n}, {n}).")
    return aperture, finer, noise, spread / np.outer(aperture, aperture)
