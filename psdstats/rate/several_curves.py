"""One answer from all curves that the data do not rule out: band, time to a target, to a margin.

The interval reaches from the lowest to the highest end of the intervals of the single curves, so
that it holds the truth as often as it says whichever of them is near the truth (simulated:
`tests/calibration/rate_studies.py`).  The first of the fits gives the estimate.  Times in min.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from psdstats.rate.curve_fit import CurveFit
from psdstats.rate.curves import CurveName
from psdstats.rate.profile import OpenInterval
from psdstats.rate.stopping import time_to_margin, time_to_target

__all__ = ["band", "hull", "margin_over", "targets_over"]

Array = NDArray[np.float64]


def band(fits: Sequence[CurveFit], time_min: Array, *, level: float) -> tuple[Array, Array]:
    """Pointwise limits of ln D at the given times, over all curves.

    Parameters
    ----------
    fits : sequence of CurveFit
        The curves.
    time_min : ndarray, shape (n,)
        Times.
    level : float
        Confidence level of each curve.

    Returns
    -------
    lower, upper : ndarray, shape (n,)
    """
    ends = []
    for fit in fits:
        spreads = [fit.spread(row) for row in fit.curve.gradient(time_min, fit.beta)]
        reach = np.array([error * fit.critical(df, level) for error, _, df in spreads])
        middle = fit.log_size(time_min)
        ends.append((middle - reach, middle + reach))
    lower, upper = np.array(ends).transpose(1, 0, 2)
    return lower.min(axis=0), upper.max(axis=0)


def targets_over(
    fits: Sequence[CurveFit], target_um: float, *, level: float
) -> dict[CurveName, OpenInterval]:
    """Time to a target size by every curve; empty where the best curve is no change.

    A size that does not change, where it is not ruled out, never reaches the target.

    Raises
    ------
    ModelError
        If the target is not a size.
    """
    if fits[0].curve.size == 1:
        return {}
    found = {}
    for fit in fits:
        if fit.curve.size > 1:
            found[fit.curve.name] = time_to_target(fit, target_um).interval(level=level)
        else:
            reached = float(fit.beta[0]) <= np.log(target_um)
            found[fit.curve.name] = _at_once(level) if reached else _never(level)
    return found


def hull(intervals: Mapping[CurveName, OpenInterval]) -> OpenInterval:
    """From the lowest to the highest end; open above where one curve never gets there.

    Parameters
    ----------
    intervals : mapping of CurveName to OpenInterval
        Times by curve, the best curve first.
    """
    best, *others = intervals.values()
    reached = [one for one in intervals.values() if not one.never]
    if not others or not reached:
        return best
    return replace(
        best,
        lower=min(one.lower for one in reached),
        upper=max(one.upper for one in reached),
        lower_open=any(one.lower_open for one in reached),
        upper_open=len(reached) < len(intervals) or any(one.upper_open for one in reached),
        excluded=False,
    )


def margin_over(
    fits: Sequence[CurveFit], margin_percent: float, *, level: float
) -> OpenInterval | None:
    """Time to within a margin of the limit; open above where a curve without limit remains.

    None where no curve that remains has a limit; without a value where the best one has none.

    Raises
    ------
    ModelError
        If the margin is not positive.
    """
    limited = [fit for fit in fits if fit.curve.name is CurveName.LIMIT]
    if not limited:
        return None
    found = time_to_margin(limited[0], margin_percent).interval(level=level)
    if len(fits) == 1 or found.excluded:
        return found
    value = found.value if fits[0] is limited[0] else None
    return replace(found, value=value, upper_open=True)


def _at_once(level: float) -> OpenInterval:
    return replace(_never(level), value=0.0, excluded=False)


def _never(level: float) -> OpenInterval:
    return OpenInterval(
        value=None,
        lower=0.0,
        upper=0.0,
        lower_open=False,
        upper_open=False,
        df=np.inf,
        level=level,
        excluded=True,
    )
