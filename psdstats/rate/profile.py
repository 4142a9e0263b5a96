"""Intervals by profile: values at which the curve, refitted, is not too much worse.

A value is inside where S(value) − S(best) ≤ t²·c, S being the weighted sum of squares with the
variances held at their estimates, t the critical value of Student's distribution with
Kenward–Roger degrees of freedom (with one group that of `critical`), and c the Kenward–Roger
inflation of the variance.  In a linear
model that is exactly the Kenward–Roger interval; in a curved one it follows the curve, and it stays
open where the data do not bound the value.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.rate.constraints import Constraint
from psdstats.rate.curve_fit import CurveFit

__all__ = ["OpenInterval", "Property", "Scale"]

Array = NDArray[np.float64]
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
