"""One run at each time: the spread between runs, from how smoothly the sizes follow each other.

Three courses with three parameters each, a parabola in sqrt(t), a parabola in ln(1 + t/t1) and an
exponential approach to a limit, leave residual variances on n - 3 degrees of freedom; the mean of
the two smallest is used.  Contrasts are judged from the raw values: lack of fit makes intervals
wide, never narrow.  Error that drifts from run to run (one charge sampled again and again, wear)
looks like course and is not covered.

Own work; error rates in ``tests/calibration/results/ordered_findings.md``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from psdstats.comparison.courses import OrderedRemark
from psdstats.findings import Course, Ending, Stop
from psdstats.frozen import Array

PARAMETERS = 3  # of each course
FEWEST_TIMES = PARAMETERS + 1
_RATES = np.geomspace(0.1, 40.0, 60)  # of the approach, over the longest time


def smooth_spread(times: Sequence[Array], ln_sizes: Sequence[Array]) -> tuple[float, float] | None:
    """Standard deviation of ln size about smooth courses, and its degrees of freedom.

    Shapes: one array (n,) a course, times in minutes; a course is one level of the further factors
    in one block.  Courses of fewer than four times say nothing; None where none is longer.

    Examples
    --------
    >>> times = np.array([0.0, 5.0, 10.0, 20.0, 40.0])
    >>> sd, df = smooth_spread([times], [6.0 - 0.1 * np.sqrt(times) + [0, 0.02, -0.02, 0.02, 0]])
    >>> round(sd, 3), df
    (0.026, 2.0)
    """
    squares = df = 0.0
    for t, y in zip(times, ln_sizes, strict=True):
        if len(np.unique(t)) >= FEWEST_TIMES:
            squares += float(residual_squares(np.asarray(t, float), np.asarray(y, float)))
            df += len(t) - PARAMETERS
    return (float(np.sqrt(squares / df)), df) if df else None


def residual_squares(t: Array, y: Array) -> Array:
    """Mean (...,) of the two smallest residual sums of squares of three courses; y (..., n)."""
    ones, root = np.ones_like(t), np.sqrt(t)
    log = np.log1p(t / t[t > 0.0].min())
    approach = np.exp(-np.multiply.outer(_RATES / t.max(), t))
    sums = [
        _squares(np.column_stack([ones, root, t]), y),
        _squares(np.column_stack([ones, log, log**2]), y),
        np.min([_squares(np.column_stack([ones, one]), y) for one in approach], axis=0),
    ]
    return np.asarray(np.sort(sums, axis=0)[:2].mean(axis=0))


def _squares(basis: Array, y: Array) -> Array:
    """Residual sums of squares (...,) of y (..., n)."""
    flat = y.reshape(-1, y.shape[-1]).T
    residual = flat - basis @ np.linalg.lstsq(basis, flat, rcond=None)[0]
    return np.asarray(np.square(residual).sum(axis=0).reshape(y.shape[:-1]))


def of_single_runs(course: Course, runs: int) -> Course:
    """What single runs can say with the spread about smooth courses, or one declared.

    Four times leave one degree of freedom: "fallen by the end" and nothing else.  Where the end
    cannot be told, more runs at the last two times would tell.

    Parameters
    ----------
    course : Course
        Judged with the spread about smooth courses.
    runs : int
        Times of the longest of the courses that the spread is pooled over.
    """
    stop = course.stop
    if runs > FEWEST_TIMES:
        if stop is None or stop.ending is not Ending.CANNOT_BE_TOLD:
            return course
        return replace(course, stop=replace(stop, reasons=(OrderedRemark.SINGLE_RUNS(),)))
    ended = course.shown[-1]
    before = len(course.shown) - 1
    return replace(
        course,
        shown=(*(False,) * before, ended),
        at_least=(*(np.nan,) * before, course.at_least[-1]),
        since=course.times[-1] if ended else None,
        stop=None if stop is None else _untold(stop, runs),
    )


def _untold(stop: Stop, runs: int) -> Stop:
    return replace(
        stop,
        ending=Ending.CANNOT_BE_TOLD,
        since=None,
        gain_at_least=np.nan,
        gain_at_most=np.nan,
        coarser_after=(),
        stayed_within=None,
        reasons=(OrderedRemark.FEW_SINGLE_RUNS(runs=runs),),
    )
