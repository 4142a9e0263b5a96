"""Three two-parameter size distributions with the derivatives that a fit needs.

All work on ln x (x in µm) and on two free real parameters, the logarithm of a size and the
logarithm of a width or exponent.  Log-normal as in ISO 9276-5, Rosin-Rammler-Bennett as in
DIN 66145, Gates-Gaudin-Schuhmann as in A. M. Gaudin, "An investigation of crushing phenomena",
Trans. AIME 73 (1926) 253-316 (all from memory).

Generalised least squares of a two-parameter curve through correlated points.

Minimises (Q - Q(θ))ᵀ V⁻¹ (Q - Q(θ)) by damped Gauss-Newton steps.  V is the covariance of the
undersize fractions plus, where apertures are uncertain, their covariance carried over by the slope
of the curve (effective variance).  The slopes are taken from the curve of the stage before, in
three stages: more would not settle where a family misses its points, and change nothing where it
fits.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.special import ndtr, ndtri

from psdstats.distribution import least_squares
from psdstats.errors import SizeError
from psdstats.frozen import Array


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


_FORMS: dict[Family, FamilyForm] = {
    Family.LOG_NORMAL: _LogNormal(),
    Family.ROSIN_RAMMLER_BENNETT: _RosinRammlerBennett(),
    Family.GATES_GAUDIN_SCHUHMANN: _GatesGaudinSchuhmann(),
}


def form_of(family: Family | str) -> FamilyForm:
    """Return the form of a family.

    Examples
    --------
    >>> form_of("log-normal").parameters(np.array([np.log(100), np.log(np.log(2))])).round(6)
    array([100.,   2.])
    """
    return _FORMS[Family(family)]


_STAGES = 3
_FREE = np.full(2, np.inf)


@dataclass(frozen=True, kw_only=True, eq=False)
class Minimum:
    """Where the search ended.

    Parameters
    ----------
    theta : ndarray, shape (2,)
        Free parameters.
    covariance : ndarray, shape (2, 2)
        Their covariance, (Jᵀ V⁻¹ J)⁻¹.
    chi_squared : float
        Sum of squares at the minimum.
    converged : bool
        Whether the steps became negligible.
    """

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
