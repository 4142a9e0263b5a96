"""Fitted size distributions: parameters with intervals, goodness of fit, extrapolated sizes marked.

Three two-parameter families work on ln x (x in µm) and on two free real parameters, the logarithm
of a size and the logarithm of a width or exponent.  Log-normal as in ISO 9276-5,
Rosin-Rammler-Bennett as in DIN 66145, Gates-Gaudin-Schuhmann as in A. M. Gaudin, "An investigation
of crushing phenomena", Trans. AIME 73 (1926) 253-316 (all from memory).

The points of a cumulative curve share their errors (mass gained by one class is lost by another,
and one sieve's aperture error moves one point), so (Q - Q(θ))ᵀ V⁻¹ (Q - Q(θ)) is minimised with
their full covariance, which the caller gives: that of the undersize fractions plus, where apertures
are uncertain, theirs carried over by the slope of the curve (effective variance).  The slopes are
taken from the curve of the stage before, in three stages: more would not settle where a family
misses its points, and change nothing where it fits.

Weighings are so fine that hardly any family describes them within their uncertainty, and weights
from that uncertainty alone then let the tails pull the curve away from the middle.  So a misfit
variance τ², the same for every point of the undersize, is added to the known covariance and chosen
so that the weighted sum of squares equals its degrees of freedom: R. C. Paule and J. Mandel,
"Consensus values and weighting factors", J. Res. Natl. Bur. Stand. 87 (1982) 377-385 (from memory),
applied to a curve instead of a mean.  A family is never chosen here; a poor fit is said in words.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special
from scipy.special import ndtr, ndtri

from psdstats.columns import signed
from psdstats.distribution import least_squares
from psdstats.errors import SizeError
from psdstats.frozen import Array, Still
from psdstats.limits import LEVEL
from psdstats.present import Shown
from psdstats.student import critical_t


class Family(StrEnum):
    """Families that can be fitted."""

    ROSIN_RAMMLER_BENNETT = "rosin-rammler-bennett"
    LOG_NORMAL = "log-normal"
    GATES_GAUDIN_SCHUHMANN = "gates-gaudin-schuhmann"


@dataclass(frozen=True)
class FamilyForm(ABC):
    """What a fit needs to know of a family; `theta` holds the two free parameters.

    Parameters
    ----------
    title : str
        Name for people.
    parameter_names : tuple of str
        Names of the two parameters as reported.
    """

    title: str
    parameter_names: tuple[str, str]

    @abstractmethod
    def curve(self, ln_size: Array, theta: Array) -> tuple[Array, Array, Array]:
        """Undersize (n,), its derivatives by theta (n, 2) and by ln x (n,)."""

    @abstractmethod
    def quantile(self, level: Array, theta: Array) -> tuple[Array, Array]:
        """Logarithm of the size at each level (n,) and its derivatives by theta (n, 2)."""

    @abstractmethod
    def straight(self, undersize: Array) -> Array:
        """The transformed undersize that is a straight line in ln x."""

    def from_line(self, slope: float, intercept: float) -> Array:
        """Free parameters of the line slope · ln x + intercept; its slope is exp theta_1."""
        return np.array([-intercept / slope, np.log(slope)])

    def parameters(self, theta: Array) -> Array:
        """The two parameters as reported, each rising or falling with its own free parameter."""
        return np.asarray(np.exp(theta))


@dataclass(frozen=True)
class _LogNormal(FamilyForm):
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
class _RosinRammlerBennett(FamilyForm):
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


@dataclass(frozen=True)
class _GatesGaudinSchuhmann(FamilyForm):
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


FORMS: dict[Family, FamilyForm] = {
    Family.LOG_NORMAL: _LogNormal(),
    Family.ROSIN_RAMMLER_BENNETT: _RosinRammlerBennett(),
    Family.GATES_GAUDIN_SCHUHMANN: _GatesGaudinSchuhmann(),
}


_STAGES = 3
_FREE = np.full(2, np.inf)


@dataclass(frozen=True, kw_only=True, eq=False)
class Minimum:
    """Free parameters (2,) where the search ended, their covariance (Jᵀ V⁻¹ J)⁻¹ (2, 2), and χ²."""

    theta: Array
    covariance: Array
    chi_squared: float
    converged: bool


def start_values(form: FamilyForm, ln_size: Array, undersize: Array) -> Array:
    """Free parameters of the straight line through the transformed inner points.

    Shapes: ln_size, undersize (n,); gives (2,).
    """
    inner = (undersize > 1e-6) & (undersize < 1 - 1e-6)
    if np.count_nonzero(inner) < 2:
        raise SizeError(
            f"Only {np.count_nonzero(inner)} of {len(undersize)} apertures have an undersize "
            "between 0 and 100 %; a fit of two parameters needs at least 2 (3 to judge it)."
        )
    share = undersize[inner]
    weight = np.sqrt(share * (1 - share))  # points near the ends say little about the line
    slope, intercept = np.polyfit(ln_size[inner], form.straight(share), 1, w=weight)
    if not slope > 0:
        raise SizeError("The undersize does not rise with the aperture; check its order.")
    return form.from_line(float(slope), float(intercept))


def minimise(
    form: FamilyForm,
    ln_size: Array,
    undersize: Array,
    covariance: Array,
    ln_size_covariance: Array | None,
    *,
    start: Array | None = None,
) -> Minimum:
    """Fit the curve.

    Shapes: ln_size, undersize (n,), covariance (n, n), ln_size_covariance (n, n), start (2,).
    """
    theta = start_values(form, ln_size, undersize) if start is None else start
    for _ in range(_STAGES if start is None and ln_size_covariance is not None else 1):
        total = covariance
        if ln_size_covariance is not None:
            slope = form.curve(ln_size, theta)[2]
            total = covariance + slope[:, None] * ln_size_covariance * slope
        white = _whitener(total)

        def residuals(several: Array, white: Array = white) -> tuple[Array, Array]:
            residual, jacobian = _whitened(form, ln_size, undersize, white, several[0])
            return residual[None, :], -jacobian[None, :, :]

        found = least_squares.minimise(residuals, theta[None, :], -_FREE, _FREE, settled=1e-10)
        theta = found.beta[0]
    residual, jacobian = _whitened(form, ln_size, undersize, white, theta)
    information = jacobian.T @ jacobian
    if not np.linalg.cond(information) < 1e14:
        raise SizeError(
            f"The points do not determine both parameters of the {form.title} distribution; "
            "more apertures between 0 and 100 % undersize are needed."
        )
    return Minimum(
        theta=theta,
        covariance=np.asarray(np.linalg.inv(information), dtype=np.float64),
        chi_squared=float(residual @ residual),
        converged=bool(found.converged[0]),
    )


def _whitener(covariance: Array) -> Array:
    """Inverse of the lower triangular root of a covariance."""
    try:
        root = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError as error:
        raise SizeError(
            "The covariance of the undersize fractions is not positive definite, so the points "
            "cannot be weighed against each other; leave out apertures that every grain passes, "
            "or switch on the balance sources."
        ) from error
    return np.asarray(np.linalg.inv(root), dtype=np.float64)


def _whitened(
    form: FamilyForm, ln_size: Array, undersize: Array, white: Array, theta: Array
) -> tuple[Array, Array]:
    model, slopes, _ = form.curve(ln_size, theta)
    both = np.asarray(white @ np.column_stack([undersize - model, slopes]), dtype=np.float64)
    return both[:, 0], both[:, 1:]


_SMALLEST = 1e-7  # misfit SDs below this change nothing that a balance could show
_LARGEST = 1.0


def allow_misfit(
    fit_with: Callable[[float, Array], Minimum], first: Minimum, df: int
) -> tuple[Minimum, float]:
    """Choose the misfit so that χ² equals its degrees of freedom."""
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


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class DistributionFit(Still, Shown):
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
        "converged" or "not settled".

    Examples
    --------
    >>> import numpy as np
    >>> from psdstats.distribution import fit_distribution
    >>> fit = fit_distribution([63, 125, 250], [0.10, 0.48, 0.90], covariance=1e-5 * np.eye(3))
    >>> fit.status, fit.df
    ('converged', 1)
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

        Examples
        --------
        >>> import numpy as np
        >>> from psdstats.distribution import fit_distribution
        >>> fit = fit_distribution([63, 125, 250], [0.10, 0.48, 0.90], covariance=1e-5 * np.eye(3))
        >>> fit.undersize([63, 125]).round(2)
        array([0.14, 0.45])
        """
        ln_size = np.log(np.asarray(size_um, dtype=float))
        return FORMS[self.family].curve(ln_size, self.theta)[0]

    @property
    def describes(self) -> bool | None:
        """Whether the points lie as near the curve as their uncertainty says; None if untold."""
        return None if np.isnan(self.p) else bool(self.p >= POOR)

    def to_frame(self) -> pd.DataFrame:
        """One row a parameter: family, parameter, value, lower, upper, chi_squared, df, p, ….

        Examples
        --------
        >>> import numpy as np
        >>> from psdstats.distribution import fit_distribution
        >>> fit = fit_distribution([63, 125, 250], [0.10, 0.48, 0.90], covariance=1e-5 * np.eye(3))
        >>> fit.to_frame()[["parameter", "value"]].round(2)
                   parameter   value
        0  characteristic_um  159.32
        1           exponent    2.08
        """
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
        """One row a percentile: family, level, size_um, lower_um, upper_um, extrapolated.

        Examples
        --------
        >>> import numpy as np
        >>> from psdstats.distribution import fit_distribution
        >>> fit = fit_distribution([63, 125, 250], [0.10, 0.48, 0.90], covariance=1e-5 * np.eye(3))
        >>> fit.sizes_frame()[["level", "size_um", "extrapolated"]].round(0)
           level  size_um  extrapolated
        0    0.0     54.0          True
        1    0.0    134.0         False
        2    1.0    238.0         False
        """
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
    LEVEL.require("coverage", coverage, SizeError)
    aperture, finer, noise, ln_noise = _checked(
        aperture_um, undersize, covariance, aperture_covariance_um2
    )
    form = FORMS[Family(family)]
    df = len(aperture) - 2

    def fit_with(variance: float, start: Array | None = None) -> Minimum:
        total = noise + variance * np.eye(df + 2)
        return minimise(form, np.log(aperture), finer, total, ln_noise, start=start)

    first = found = fit_with(0.0)
    p = float(special.chdtrc(df, first.chi_squared)) if df else float("nan")
    extra = 0.0
    if misfit and p < POOR:
        found, extra = allow_misfit(fit_with, first, df)
    k = float(critical_t(1 - coverage, df if extra else np.inf))
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
        status="converged" if found.converged else "not settled",
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
