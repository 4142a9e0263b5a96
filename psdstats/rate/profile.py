"""Intervals by profile: values at which the curve, refitted, is not too much worse.

A value is inside where S(value) − S(best) ≤ t²·c, S being the weighted sum of squares with the
variances held at their estimates, t the critical value of Student's distribution with
Kenward–Roger degrees of freedom (with one group that of `critical`), and c the Kenward–Roger
inflation of the variance.  In a linear
model that is exactly the Kenward–Roger interval; in a curved one it follows the curve, and it stays
open where the data do not bound the value.

What a fitted curve says: its parameters, its limit, when to stop milling.

Times in min, sizes in µm.  Each is a `Property` with a profile interval that may be open: "after
31 min or more" where the data do not bound the time from above.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.rate.curve_fit import CurveFit
from psdstats.rate.curves import AtLimit, Constraint, CurveName, Held, Through, WithinMargin

Scale = tuple[Callable[[Array], Array], Callable[[Array], Array]]
POINTS = 25
ROUNDS = 4


@dataclass(frozen=True, kw_only=True)
class OpenInterval:
    """An estimate with its interval, whose ends may be open.

    Parameters
    ----------
    value : float or None
        Estimate; None where the fitted curve has none.
    lower, upper : float
        Ends of the interval; the ends of the range searched where it is open.
    lower_open, upper_open : bool
        Whether the data leave that end unbounded.
    df : float
        Degrees of freedom of the variance behind the interval.
    level : float
        Confidence level.
    excluded : bool
        Whether no value at all is compatible with the data.
    """

    value: float | None
    lower: float
    upper: float
    lower_open: bool
    upper_open: bool
    df: float
    level: float
    excluded: bool = False

    @property
    def never(self) -> bool:
        """Whether the data rule out that the curve ever gets there."""
        return self.excluded and self.value is None


@dataclass(frozen=True, kw_only=True, eq=False)
class Property:
    """Something a fitted curve says, and how to hold it fixed.

    Parameters
    ----------
    fit : CurveFit
        The fit.
    constraint : Constraint
        Holds the property.
    value : float or None
        Its estimate.
    start : float
        Where to search from: the estimate, or the end of the range nearest to the data's answer.
    ends : tuple of (float, float)
        Range searched; beyond it the interval counts as open.
    gradient : callable
        From a value, the derivatives in β of a function that is zero where the property has that
        value.
    scale : pair of callables
        From the value to an even scale for the search, and back.
    """

    fit: CurveFit
    constraint: Constraint
    value: float | None
    start: float
    ends: tuple[float, float]
    gradient: Callable[[float], Array]
    scale: Scale = (np.asarray, np.asarray)

    def excess(self, values: Array, *, level: float) -> Array:
        """How much worse than allowed the curve is at each value; inside at 0 and below."""
        costs = self.fit.search.best(self.constraint, values)[1]
        gradients, place = np.unique(
            [self.gradient(float(value)) for value in values], axis=0, return_inverse=True
        )
        allowed = np.array([self._allowed(one, level)[0] for one in gradients])
        return np.asarray(costs - self.fit.cost - allowed[place.ravel()])

    def interval(self, *, level: float = 0.95) -> OpenInterval:
        """The values inside, around the estimate."""
        df = self._allowed(self.gradient(self.start), level)[1]
        if self.excess(np.array([self.start]), level=level)[0] > 0:
            return OpenInterval(
                value=self.value,
                lower=self.start,
                upper=self.start,
                lower_open=False,
                upper_open=False,
                df=df,
                level=level,
                excluded=True,
            )
        crossings = [self._crossing(end, level) for end in self.ends]
        lower, upper = (
            end if point is None else point for end, point in zip(self.ends, crossings, strict=True)
        )
        return OpenInterval(
            value=self.value,
            lower=lower,
            upper=upper,
            lower_open=crossings[0] is None,
            upper_open=crossings[1] is None,
            df=df,
            level=level,
        )

    def _allowed(self, gradient: Array, level: float) -> tuple[float, float]:
        """Allowed rise of the sum of squares, and the degrees of freedom behind it."""
        _, inflation, df = self.fit.spread(gradient)
        return self.fit.critical(df, level) ** 2 * inflation, df

    def _crossing(self, end: float, level: float) -> float | None:
        """First value from the start towards an end that is outside; None if none is."""
        forward, back = self.scale
        low, high = (float(u) for u in forward(np.array([self.start, end])))
        if low == high:
            return None
        for _ in range(ROUNDS):
            points = np.linspace(low, high, POINTS)[1:]
            outside = np.flatnonzero(self.excess(back(points), level=level) > 0)
            if outside.size == 0:
                return None
            first = int(outside[0])
            low, high = (low if first == 0 else float(points[first - 1])), float(points[first])
        return float(back(np.array([0.5 * (low + high)]))[0])


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
    """Limit D∞ of the size, as ln of µm; open below where the data show no limit."""
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
