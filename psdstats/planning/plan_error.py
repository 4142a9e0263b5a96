"""The error a plan raises when it cannot be made as asked."""

from __future__ import annotations

from psdstats.errors import PsdstatsError


class PlanError(PsdstatsError, ValueError):
    """A plan (charge, stack, power, precision, timeline) that is not possible as asked."""


def require_positive(name: str, value: float) -> float:
    """The value itself where it is a finite number above zero; a `PlanError` naming it otherwise.

    Examples
    --------
    >>> require_positive("powder mass", 20.0)
    20.0
    """
    if not 0 < value < float("inf"):
        raise PlanError(f"{name} is {value:g}; give a number above zero.")
    return float(value)


def require_share(name: str, value: float) -> float:
    """The value itself where it lies strictly between 0 and 1; a `PlanError` otherwise.

    Examples
    --------
    >>> require_share("ball fill", 0.35)
    0.35
    """
    if not 0 < value < 1:
        raise PlanError(f"{name} is {value:g}; give a fraction between 0 and 1.")
    return float(value)
