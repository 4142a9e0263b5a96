"""Durations of steps at the bench, day after day: log-normal about what was planned.

Times in min.  Each step of each day varies for itself; a person who is slow all day long is not
modelled.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from psdstats.errors import SizeError
from psdstats.frozen import Array


def simulate_durations(
    planned_min: ArrayLike,
    *,
    spread_percent: ArrayLike,
    days: int,
    seed: int | np.random.SeedSequence | np.random.Generator,
) -> Array:
    """Draw how long each step takes on each of many days.

    Shapes: planned_min (steps,), spread_percent (steps,); gives (days, steps).

    Notes
    -----
    With c the spread as a fraction, ln(duration/mean) is normal with variance ln(1 + c²) and mean
    −½ ln(1 + c²), so that mean and standard deviation are those stated.

    Examples
    --------
    >>> drawn = simulate_durations([10.0, 10.0], spread_percent=[15.0, 0.0], days=10_000, seed=1)
    >>> drawn.mean(axis=0).round(1), drawn.std(axis=0).round(1)
    (array([10., 10.]), array([1.5, 0. ]))
    """
    mean = np.asarray(planned_min, dtype=float)
    spread = np.broadcast_to(np.asarray(spread_percent, dtype=float) / 100, mean.shape)
    for name, values in (("duration", mean), ("spread", 100 * spread)):
        wrong = values[~(np.isfinite(values) & (values >= 0))]
        if wrong.size:
            raise SizeError(f"A {name} is {wrong[0]:g}; give finite numbers of 0 or more.")
    if days < 1:
        raise SizeError(f"simulate_durations was asked for {days} days; ask for 1 or more.")
    variance = np.log1p(spread**2)
    noise = np.random.default_rng(seed).standard_normal((days, *mean.shape))
    return np.asarray(mean * np.exp(np.sqrt(variance) * noise - variance / 2))
