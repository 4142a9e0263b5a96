"""The smallest change a contrast would have shown, and the power to show a given one.

Standard errors and changes are on the natural log scale where the response is a log size, and
percentages refer to that case; a power needs no scale.  Uses the noncentral t law with the
contrast's own degrees of freedom; the standard error is taken as it was found, so the result says
what this trial could see, not what another one would.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from psdstats.errors import ModelError
from psdstats.frozen import freeze_arrays
from psdstats.models.student import critical_t, scale_rule

__all__ = ["DetectableChange", "contrast_power", "smallest_detectable"]

Floats = NDArray[np.float64]

_LARGEST_SHIFT, _FEWEST_DF = 1000.0, 0.05  # beyond them a change is too large to be of use


@dataclass(frozen=True, kw_only=True, eq=False)
class DetectableChange:
    """Smallest detectable change of one or several contrasts.

    Parameters
    ----------
    log_change : ndarray, shape (m,)
        Size of the smallest detectable difference, in the unit of the standard error.
    power : float
        Probability with which it would have been shown.
    critical : ndarray, shape (m,)
        Critical value |t| had to exceed.
    """

    log_change: Floats
    power: float
    critical: Floats

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def increase_percent(self) -> Floats:
        """Smallest detectable increase of a size, per cent of the size compared with."""
        with np.errstate(over="ignore"):
            return np.asarray(100.0 * np.expm1(self.log_change), dtype=np.float64)

    @property
    def decrease_percent(self) -> Floats:
        """Smallest detectable decrease of a size, per cent of the size compared with."""
        return np.asarray(-100.0 * np.expm1(-self.log_change), dtype=np.float64)


def contrast_power(
    effect: ArrayLike, standard_error: ArrayLike, df: ArrayLike, *, critical: ArrayLike
) -> Floats:
    """Probability that |t| exceeds its critical value when the true difference is `effect`.

    Parameters
    ----------
    effect, standard_error, df, critical : array_like, broadcast together
        True difference, standard error (same unit), degrees of freedom (above 0, infinity
        allowed) and critical value (0 or above).

    Returns
    -------
    ndarray
        Power, 0 to 1.

    Raises
    ------
    ModelError
        If a standard error, degrees of freedom or critical value is out of range.

    Notes
    -----
    P(|T| > c) for noncentral T with noncentrality δ = effect / standard error is the mean over
    s = sqrt(chi-square(df)/df) of Φ(δ - c s) + Φ(-δ - c s).

    Examples
    --------
    >>> contrast_power(3.0, 1.0, 10.0, critical=2.228139).round(4)
    np.float64(0.7714)
    """
    arrays = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (effect, standard_error, df, critical))
    )
    if not ((arrays[1] > 0.0).all() and (arrays[2] > 0.0).all() and (arrays[3] >= 0.0).all()):
        raise ModelError(
            f"Power needs a standard error and degrees of freedom above 0 and a critical value of "
            f"0 or more; found {standard_error!r}, {df!r} and {critical!r}."
        )
    flat = [array.ravel() for array in arrays]
    power = [_power(float(e / se), float(f), float(c)) for e, se, f, c in zip(*flat, strict=True)]
    return np.array(power).reshape(arrays[0].shape)


def smallest_detectable(
    standard_error: ArrayLike,
    df: ArrayLike,
    *,
    critical: ArrayLike | None = None,
    alpha: float = 0.05,
    power: float = 0.8,
) -> DetectableChange:
    """Smallest true difference that would have been shown with the wanted power.

    Parameters
    ----------
    standard_error : array_like, shape (m,)
        Standard errors of the contrasts, log scale for sizes.
    df : array_like, scalar or shape (m,)
        Degrees of freedom.
    critical : array_like or None
        Critical values of |t|, such as the simultaneous ones of a family; by default those of
        one two-sided test at alpha.
    alpha : float, default=0.05
        Level of the test where no critical value is given.
    power : float, default=0.8
        Wanted power, above alpha and below 1.

    Returns
    -------
    DetectableChange
        One value a contrast; infinite where it is above 1000 standard errors, as it is with far
        less than one degree of freedom.

    Raises
    ------
    ModelError
        If a value is out of its range.

    Examples
    --------
    >>> found = smallest_detectable([0.05], 8)
    >>> found.increase_percent.round(2), found.decrease_percent.round(2)
    (array([17.36]), array([14.79]))
    """
    error = np.atleast_1d(np.array(standard_error, dtype=float))
    df_all = np.broadcast_to(np.asarray(df, dtype=float), error.shape)
    limit = critical_t(alpha, df_all) if critical is None else np.asarray(critical, dtype=float)
    limit = np.broadcast_to(limit, error.shape)
    at_zero = contrast_power(0.0, error, df_all, critical=limit)
    if not (power < 1.0 and (at_zero < power).all()):
        raise ModelError(
            f"The wanted power is {power}; give a number below 1 and above the level of the test."
        )
    shifts = [
        _shift(float(one_df), float(one_limit), power)
        for one_df, one_limit in zip(df_all, limit, strict=True)
    ]
    return DetectableChange(log_change=np.array(shifts) * error, power=power, critical=limit)


def _power(shift: float, df: float, critical: float) -> float:
    s, weight = scale_rule(df, edge=shift)
    beyond = special.ndtr(shift - critical * s) + special.ndtr(-shift - critical * s)
    return min(float(weight @ beyond), 1.0)


def _shift(df: float, critical: float, power: float) -> float:
    from scipy.optimize import brentq

    if df < _FEWEST_DF:
        return float("inf")
    high = 1.0
    while _power(high, df, critical) < power:
        high *= 2.0
        if high > _LARGEST_SHIFT:
            return float("inf")
    return float(brentq(lambda shift: _power(shift, df, critical) - power, 0.0, high, xtol=1e-12))
