"""Sizes as arrays for the rate models, with the spread that they show themselves.

In a trial the spread comes from its analysis; here what groups and times leave gives it, or, of
single runs, their distance from smooth courses.
"""

import numpy as np

from psdstats.comparison.benches import indicators
from psdstats.comparison.spread import smooth_spread
from psdstats.models.engine import CovarianceParts
from psdstats.models.posterior import freed, left_over, stated_posterior, variance_posterior
from psdstats.rate.run_sizes import LEAST_FOR_DRIFT, RunSizes, effects


def run_sizes(time_min, size_um, *, group=None, known_covariance=None, spread=None):
    """Gather times and sizes (n,), groups (n,), a known covariance (n, n) and its posterior.

    Groups of one run each count as one.
    """
    time, y = np.array(time_min, dtype=float), np.log(np.array(size_um, dtype=float))
    n, parts, about_courses = len(time), np.eye(len(time))[None], False
    known = np.zeros((n, n)) if known_covariance is None else np.asarray(known_covariance)
    codes = np.unique(np.zeros(n) if group is None else group, return_inverse=True)[1].ravel()
    if len(np.unique(codes)) == n:
        codes = np.zeros(n, dtype=np.intp)
    place = np.unique(time, return_inverse=True)[1].ravel()
    design = np.hstack([indicators(place), indicators(codes)[:, 1:]])
    if spread is None and left_over(design).shape[1] > 1:
        lines = drift_part(place.astype(float), codes)
        parts = parts if lines is None else np.array([lines, *parts])
        known = np.asarray(freed(known))
        whole = CovarianceParts(
            matrices=parts, is_variance=np.ones(len(parts), dtype=bool), known=known
        )
        spread = variance_posterior(y, design, whole)
    elif spread is None:
        sd, df = smooth_spread([time], [y])
        spread, about_courses = stated_posterior(sd**2, df), True
    return RunSizes(
        time_min=time,
        ln_size=y,
        blocks=effects([indicators(codes)]),
        known=known,
        parts=parts,
        spread=spread,
        about_courses=about_courses,
    )


def drift_part(place, group):
    """Lines of the groups in the order of the times, (n, n); None below three groups and times."""
    held = [len(np.unique(place[group == one])) for one in np.unique(group)]
    if sum(one >= LEAST_FOR_DRIFT for one in held) < LEAST_FOR_DRIFT:
        return None
    centred = place - 0.5 * (place.min() + place.max())
    return np.equal.outer(group, group) * np.outer(centred, centred)
