"""How a cumulative undersize curve runs between two sieves: the four interpolation rules.

Sizes are handled as ln x (x in µm), undersize as a mass fraction.  Linear interpolation in ln x is
common practice (no source); probit against ln x is the log-normal paper of ISO 9276-5 (from
memory); the monotone rule is the cubic of F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal.
17 (1980) 238-246 (from memory), with the harmonic slopes SciPy uses.  Nothing is extrapolated here.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from psdstats.distribution.hermite import invert_monotone
from psdstats.errors import SizeError

__all__ = ["InterpolationRule", "as_rule", "interpolate_ln_size"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class InterpolationRule(StrEnum):
    """Shape of the undersize curve between neighbouring apertures.

    SEMILOG: undersize linear in ln x.  LINEAR: undersize linear in x.  LOGPROBIT: probit of the
    undersize linear in ln x (a segment that starts at 0 or ends at 1 is taken semilog, because the
    probit is infinite there).  MONOTONE: a monotone cubic in ln x through all the points.
    """

    SEMILOG = "semilog"
    LINEAR = "linear"
    LOGPROBIT = "logprobit"
    MONOTONE = "monotone"


def as_rule(rule: str | InterpolationRule) -> InterpolationRule:
    """Return the rule of that name; SizeError lists the names that exist."""
    try:
        return InterpolationRule(rule)
    except ValueError as cause:
        names = ", ".join(repr(str(known)) for known in InterpolationRule)
        raise SizeError(f"rule {str(rule)!r} is not known; choose one of {names}.") from cause


def interpolate_ln_size(
    undersize: Array,
    ln_aperture: Array,
    levels: Array,
    upper: Index,
    rule: InterpolationRule,
) -> Array:
    """Size at each level inside its bracket (upper - 1, upper).

    Parameters
    ----------
    undersize, ln_aperture : ndarray, shape (n_curves, n_apertures)
        Curves by increasing aperture.
    levels : ndarray, shape (n_levels,)
        Wanted undersize.
    upper : ndarray of int, shape (n_curves, n_levels)
        Index of the aperture at which the level is first reached, at least 1.
    rule : InterpolationRule
        Shape of the curve in between.

    Returns
    -------
    ndarray, shape (n_curves, n_levels)
        ln x.
    """
    if rule is InterpolationRule.MONOTONE:
        return invert_monotone(undersize, ln_aperture, levels, upper)
    ends = (
        np.take_along_axis(undersize, upper - 1, axis=1),
        np.take_along_axis(undersize, upper, axis=1),
        np.take_along_axis(ln_aperture, upper - 1, axis=1),
        np.take_along_axis(ln_aperture, upper, axis=1),
    )
    return _SEGMENT[rule](*ends, levels[None, :])


def _position(low: Array, high: Array, level: Array) -> Array:
    """Fraction of the way up; 0 without a rise, for then the start is already at the level."""
    rise = high - low
    rising = rise > 0.0
    position = np.where(rising, (level - low) / np.where(rising, rise, 1.0), 0.0)
    return np.clip(position, 0.0, 1.0)


def _semilog(low: Array, high: Array, ln_low: Array, ln_high: Array, level: Array) -> Array:
    return ln_low + _position(low, high, level) * (ln_high - ln_low)


def _linear(low: Array, high: Array, ln_low: Array, ln_high: Array, level: Array) -> Array:
    # ln(x_low + t (x_high - x_low)) without leaving the log scale
    return ln_low + np.log1p(_position(low, high, level) * np.expm1(ln_high - ln_low))


def _logprobit(low: Array, high: Array, ln_low: Array, ln_high: Array, level: Array) -> Array:
    finite = (low > 0.0) & (high < 1.0) & (high > low)
    probit_low = ndtri(np.where(finite, low, 0.25))
    probit_high = ndtri(np.where(finite, high, 0.75))
    position = np.clip((ndtri(level) - probit_low) / (probit_high - probit_low), 0.0, 1.0)
    curved: Array = ln_low + position * (ln_high - ln_low)
    return np.where(finite, curved, _semilog(low, high, ln_low, ln_high, level))


_SEGMENT: dict[InterpolationRule, Callable[[Array, Array, Array, Array, Array], Array]] = {
    InterpolationRule.SEMILOG: _semilog,
    InterpolationRule.LINEAR: _linear,
    InterpolationRule.LOGPROBIT: _logprobit,
}
