"""What a fitted curve says: its parameters, its limit, when to stop milling.

Times in min, sizes in µm.  Each is a `Property` with a profile interval that may be open: "after
31 min or more" where the data do not bound the time from above.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.rate.constraints import AtLimit, Held, Through, WithinMargin
from psdstats.rate.curve_fit import CurveFit
from psdstats.rate.curves import CurveName
from psdstats.rate.profile import Property, Scale

__all__ = ["limit_size", "parameter", "time_to_margin", "time_to_target"]

Array = NDArray[np.float64]
FAR = 100.0  # how many times the longest milling time is searched
LEAST_SHARE = 1e-3  # a limit below a thousandth of the start counts as none


def parameter(fit: CurveFit, name: str) -> Property:
    """One parameter of the curve on its own scale (ln D₀, ln k or s)."""
    position = fit.curve.parameters.index(name)
    estimate = float(fit.beta[position])
    error = fit.spread(np.eye(fit.curve.size)[position])[0]
    ends = {
        "ln_start": (estimate - 30 * error - 1, estimate + 30 * error + 1),
        "ln_rate": (estimate - 8.0, estimate + 8.0),
    }.get(name, fit.curve.shape_range)
    return Property(
        fit=fit,
        constraint=Held(fit.curve, position),
        value=estimate,
        start=estimate,
        ends=ends,
        gradient=lambda _: np.eye(fit.curve.size)[position],
    )


def limit_size(fit: CurveFit) -> Property:
    """Limit D∞ of the size, as ln of µm; open below where the data show no limit.

    Raises
    ------
    ModelError
        If the curve has no limit.
    """
    _require_limit(fit)
    share = max(float(fit.beta[2]), LEAST_SHARE)
    estimate = float(fit.beta[0] + np.log(share))
    return Property(
        fit=fit,
        constraint=AtLimit(fit.curve),
        value=estimate if fit.beta[2] > LEAST_SHARE else None,
        start=estimate,
        ends=(float(fit.beta[0] + np.log(LEAST_SHARE)), float(fit.beta[0]) + 1.0),
        gradient=lambda _: np.array([1.0, 0.0, 1 / share]),
    )


def time_to_target(fit: CurveFit, target_um: float) -> Property:
    """Milling time (min) at which the curve reaches a size.

    The value is None where the fitted curve never gets there, 0 where it starts there.

    Raises
    ------
    ModelError
        If the target is not a size, or the curve does not change.
    """
    if not 0 < target_um < np.inf:
        raise ModelError(f"the target size is {target_um:g} µm; give a size above zero.")
    if fit.curve.name is CurveName.NO_CHANGE:
        raise ModelError("a size that does not change reaches no target; choose another curve.")
    target = float(np.log(target_um))
    far = _far(fit)
    value = _crossing_time(fit, target, far)
    return Property(
        fit=fit,
        constraint=Through(fit.curve, target),
        value=value,
        start=far if value is None else value,
        ends=(0.0, far),
        gradient=lambda time: fit.curve.gradient(np.array([time]), fit.beta)[0],
        scale=_time_scale(fit),
    )


def time_to_margin(fit: CurveFit, margin_percent: float) -> Property:
    """Milling time (min) after which the size is within a margin of its limit.

    `margin_percent` is the remaining change over the limit size; the value is None where the
    fitted limit is zero.

    Raises
    ------
    ModelError
        If the margin is not positive, or the curve has no limit.
    """
    if not 0 < margin_percent < np.inf:
        raise ModelError(f"the margin is {margin_percent:g} %; give one above zero.")
    _require_limit(fit)
    margin, far = margin_percent / 100, _far(fit)
    rate, share = float(np.exp(fit.beta[1])), float(fit.beta[2])
    value = None
    if share > LEAST_SHARE:
        value = max(float(np.log((1 - share) / (share * margin)) / rate), 0.0)
        value = None if value > far else value
    inner = max(share, LEAST_SHARE)
    return Property(
        fit=fit,
        constraint=WithinMargin(fit.curve, margin),
        value=value,
        start=far if value is None else value,
        ends=(0.0, far),
        gradient=lambda time: np.array([0.0, -rate * time, -1 / (inner * (1 - inner))]),
        scale=_time_scale(fit),
    )


def _require_limit(fit: CurveFit) -> None:
    if fit.curve.name is not CurveName.LIMIT:
        raise ModelError(
            f"{fit.curve.phrase} has no limit; fit {str(CurveName.LIMIT)!r} to ask for one."
        )


def _far(fit: CurveFit) -> float:
    return FAR * float(fit.data.time_min.max())


def _crossing_time(fit: CurveFit, target: float, far: float) -> float | None:
    """Time at which the fitted curve, which never rises, reaches ln D = target."""
    ends = fit.log_size(np.array([0.0, far]))
    if ends[0] <= target:
        return 0.0
    if ends[1] > target:
        return None
    low, high = 0.0, far
    for _ in range(200):
        middle = 0.5 * (low + high)
        if fit.log_size(np.array([middle]))[0] > target:
            low = middle
        else:
            high = middle
    return high


def _time_scale(fit: CurveFit) -> Scale:
    """Even steps in ln(1 + t/shortest time)."""
    unit = float(fit.data.times[fit.data.times > 0].min())
    return (lambda t: np.asarray(np.log1p(t / unit)), lambda u: np.asarray(unit * np.expm1(u)))
