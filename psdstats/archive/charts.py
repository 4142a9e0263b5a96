"""A size over dates: control chart, drift, and the spread among runs alike, pooled over trials.

Everything is of ln size.  A point is the mean of the chosen runs of one trial and day.  Its error
is known in parts: what is its own, and what it shares with other points by name (a sieve, a
balance, the curve between the same sieves).  A part that all points share moves none of them
against the others; it widens the limits of a point only as far as that point has it otherwise.

Control chart: individuals with moving ranges (W. A. Shewhart).  With v the known variance of the
difference of two successive points, sigma between them solves

    mean of |y' - y| / sqrt(2 sigma^2 + v) = sqrt(2/pi),

and the limits of a point are 3 sqrt(sigma^2 + own^2 + other sieves^2) about the weighted mean.
Where all u are equal, or none is known, these are the limits of the textbook: mean ± 3 MR / d2 with
d2 = 2/sqrt(pi) = 1.128 for ranges of two (ISO 7870-2; the constant follows from the normal law, the
standard is quoted from memory).  Limits "within" are those of a chart of means: sigma / sqrt(n)
with sigma from the runs alike within trials, and nothing for what trials differ by.  Nine points in
a row on one side of the mean are a sign as well (ISO 7870-2; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import pi, sqrt

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.special import chdtrc, chdtri

from psdstats.errors import OutputError
from psdstats.frozen import Array, Still
from psdstats.student import critical_t, two_sided_p

D2 = 2.0 / sqrt(pi)
"""Mean range of two values of a normal law, in standard deviations."""

_WIDE = 3.0  # standard deviations between mean and limit
_ONE_SIDE = 9  # points in a row
_FEWEST = 3  # points of a chart, and of a line
_YEAR_DAYS = 365.25


class Limits(StrEnum):
    """What the limits of a chart allow for."""

    BETWEEN = "between"  # what successive points differ by
    WITHIN = "within"  # what runs alike within a trial differ by


@dataclass(frozen=True, kw_only=True, eq=False)
class ControlChart:
    """A size over dates with the limits of each point.

    Parameters
    ----------
    quantity : str
        Such as "D50".
    points : DataFrame
        One row a point in order of date: path, date, runs, size, lower and upper limit of the
        point, u (of ln size, its own), is_outside, is_one_side.
    mean : float
        The middle line.
    sigma : float
        Standard deviation of ln size beyond the measurement: between points, or among runs alike.
    limits : Limits
        Which of them.
    slope, slope_u, slope_df : float
        Change of ln size a year by a straight line, its standard uncertainty and degrees of
        freedom; NaN where all points are of one day.
    """

    quantity: str
    points: pd.DataFrame
    mean: float
    sigma: float
    limits: Limits
    slope: float
    slope_u: float
    slope_df: float

    @property
    def slope_ends(self) -> tuple[float, float]:
        """Interval of the slope, 95 %."""
        reach = float(critical_t(0.05, self.slope_df)) * self.slope_u
        return self.slope - reach, self.slope + reach

    @property
    def slope_p(self) -> float:
        """P of no drift."""
        return float(two_sided_p(self.slope / self.slope_u, self.slope_df))


@dataclass(frozen=True, kw_only=True, eq=False)
class Points(Still):
    """P points in order of date, with what is known of their errors.

    Parameters
    ----------
    frame : DataFrame
        path, date, runs.
    y, own : ndarray, shape (P,)
        ln size and the standard uncertainty that is the point's own.
    shared : ndarray, shape (P, S)
        Its coefficients on errors that points have in common.
    scatter : tuple of float
        Of the runs about their points: degrees of freedom, sum of squares, its expectation by the
        measurement.
    """

    frame: pd.DataFrame
    y: Array
    own: Array
    shared: Array
    scatter: tuple[float, float, float]


def points_of(rows: pd.DataFrame, shared: Sequence[dict[str, float]]) -> Points:
    """Means of the runs of each trial and day; what no other point shares is a point's own.

    Parameters
    ----------
    rows : DataFrame
        One row a run, in order: trial, path, run_date, size, own_u.
    shared : sequence of dict of str to float
        Coefficients of each run on what it shares, by name.
    """
    number = rows.groupby(["run_date", "path"], sort=True).ngroup().to_numpy()
    count = np.bincount(number)
    names, column = np.unique([name for one in shared for name in one], return_inverse=True)
    at = np.repeat(number, [len(one) for one in shared])
    coefficient = np.array([one for each in shared for one in each.values()]) / count[at]
    shape = len(count), len(names)
    whole = sparse.coo_array((coefficient, (at, column)), shape=shape).tocsc()
    points = np.diff(whole.indptr)  # that have an error
    ln_size, own = np.log(rows["size"].to_numpy(float)), rows["own_u"].to_numpy(float) ** 2
    y = np.bincount(number, ln_size) / count
    squares = float(((ln_size - y[number]) ** 2).sum())
    expected = float((own * (1 - 1 / count[number])).sum())
    frame = rows.assign(number=number).groupby("number")[["path", "run_date"]].first()
    return Points(
        frame=frame.rename(columns={"run_date": "date"}).assign(runs=count).reset_index(drop=True),
        y=y,
        own=np.sqrt(
            np.bincount(number, own) / count**2 + whole[:, points == 1].power(2).sum(axis=1)
        ),
        shared=whole[:, points > 1].toarray(),
        scatter=(float(len(rows) - len(count)), squares, expected),
    )


def chart_of(points: Points, quantity: str, limits: Limits | str = Limits.BETWEEN) -> ControlChart:
    """Chart of points in order of date.

    Raises
    ------
    OutputError
        If there are fewer than three points, or no runs alike for limits within trials.
    """
    way, y = Limits(limits), points.y
    if len(y) < _FEWEST:
        raise OutputError(
            f"a chart needs {_FEWEST} dated points or more, and there are {len(y)} of {quantity}; "
            "collect more trials, or choose more runs."
        )
    between = way is Limits.BETWEEN
    sigma = _between(points) if between else _within(points)
    alone = sigma**2 / (1 if between else points.frame["runs"].to_numpy(float)) + points.own**2
    weight = np.full(len(y), 1.0) if not alone.all() else 1.0 / alone
    weight = weight / weight.sum()
    mean = float(weight @ y)
    apart = ((points.shared - weight @ points.shared) ** 2).sum(axis=1)
    half = _WIDE * np.sqrt(alone + apart)
    slope, slope_u = _line(points, alone)
    off = y - mean
    return ControlChart(
        quantity=quantity,
        points=points.frame.assign(
            size=np.exp(y),
            u=points.own,
            lower=np.exp(mean - half),
            upper=np.exp(mean + half),
            is_outside=np.abs(off) > half,
            is_one_side=_one_side(off),
        ),
        mean=float(np.exp(mean)),
        sigma=sigma,
        limits=way,
        slope=slope,
        slope_u=slope_u,
        slope_df=len(y) - 2.0,
    )


def _between(points: Points) -> float:
    """Standard deviation between successive points beyond what is known of them."""
    from scipy.optimize import brentq

    ranges = np.abs(np.diff(points.y))
    known = points.own[1:] ** 2 + points.own[:-1] ** 2
    known = known + (np.diff(points.shared, axis=0) ** 2).sum(axis=1)

    def missing(sigma: float) -> float:
        return float((ranges / np.sqrt(2 * sigma**2 + known)).mean()) - sqrt(2 / pi)

    least, most = 1e-9 * float(ranges.sum()), float(ranges.sum())
    if not most > 0 or missing(least) <= 0:
        return 0.0
    return float(brentq(missing, least, most, xtol=1e-14))


def _within(points: Points) -> float:
    df, squares, expected = points.scatter
    if df < 1:
        raise OutputError(
            "limits within trials need runs alike in one trial, and every trial has one; "
            "leave --limits out."
        )
    return sqrt(max(squares - expected, 0.0) / df)


def _one_side(off: Array) -> Array:
    """Points that end a row of nine on one side of the mean, or go on with it."""
    found, row = np.zeros(len(off), dtype=bool), 0
    for k, side in enumerate(np.sign(off)):
        row = row + 1 if k and side == np.sign(off[k - 1]) else 1
        found[k] = row >= _ONE_SIDE
    return found


def _line(points: Points, alone: Array) -> tuple[float, float]:
    """Slope a year by generalised least squares, its u never less than the residuals say."""
    days = pd.to_datetime(points.frame["date"])
    years = ((days - days.iloc[0]).dt.days / _YEAR_DAYS).to_numpy(float)
    if not years.any():
        return np.nan, np.nan
    v = np.diag(alone) + points.shared @ points.shared.T
    v += 1e-12 * np.eye(len(v)) * max(float(np.trace(v)) / len(v), 1e-12)
    x = np.column_stack([np.ones(len(years)), years - years.mean()])
    solved = np.linalg.solve(v, np.column_stack([x, points.y]))
    normal = x.T @ solved[:, :2]
    beta = np.linalg.solve(normal, x.T @ solved[:, 2])
    left = points.y - x @ beta
    spread = float(left @ np.linalg.solve(v, left)) / (len(years) - 2)
    return float(beta[1]), float(np.sqrt(np.linalg.inv(normal)[1, 1] * max(1.0, spread)))


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Spread of ln size among runs alike beyond the measurement, pooled over trials.

    Parameters
    ----------
    quantity : str
        Such as "D50".
    trials : int
        Trials that hold runs alike.
    runs_df : float
        Degrees of freedom of the scatter.
    percent : float
        Standard deviation, per cent; 0 where the measurement explains all of the scatter.
    df : float
        Degrees of freedom of that standard deviation (Welch and Satterthwaite).
    lower_percent, upper_percent : float
        Its limits at 95 %.
    scatter_percent, measurement_percent : float
        Standard deviation of runs alike with the measurement, and by the measurement alone.
    p_alike : float
        p that all trials have the same (Bartlett); NaN for a single trial, and where the
        measurement explains all.
    """

    quantity: str
    trials: int
    runs_df: float
    percent: float
    df: float
    lower_percent: float
    upper_percent: float
    scatter_percent: float
    measurement_percent: float
    p_alike: float


def pooled(quantity: str, spreads: pd.DataFrame) -> Repeatability:
    """Pool the scatter of trials: df, sum_of_squares, of_measurement, one row a trial.

    Notes
    -----
    Sums of squares, less what the joint covariance of the measurement makes them expected, over
    their degrees of freedom.  The variance s² = MS − m keeps the error of MS, hence
    df (s²/MS)² degrees of freedom.
    """
    df = float(spreads["df"].sum())
    mean_square = float(spreads["sum_of_squares"].sum()) / df
    measured = float(spreads["of_measurement"].sum()) / df
    variance = max(mean_square - measured, 0.0)
    low, high = (
        max(mean_square * df / float(chdtri(df, tail)) - measured, 0.0) for tail in (0.025, 0.975)
    )
    return Repeatability(
        quantity=quantity,
        trials=len(spreads),
        runs_df=df,
        percent=100 * sqrt(variance),
        df=df * (variance / mean_square) ** 2 if mean_square > 0 else 0.0,
        lower_percent=100 * sqrt(low),
        upper_percent=100 * sqrt(high),
        scatter_percent=100 * sqrt(mean_square),
        measurement_percent=100 * sqrt(measured),
        p_alike=_p_alike(spreads, variance),
    )


def _p_alike(spreads: pd.DataFrame, variance: float) -> float:
    """Bartlett's test of equal variances, each trial's over what it is expected to be."""
    df = spreads["df"].to_numpy(float)
    expected = variance + spreads["of_measurement"].to_numpy(float) / df
    if len(df) < 2 or not variance > 0:  # the measurement alone is no law of their scatter
        return np.nan
    ratio = spreads["sum_of_squares"].to_numpy(float) / df / expected
    ratio = np.maximum(ratio, 1e-300)
    whole = float((df * ratio).sum() / df.sum())
    statistic = df.sum() * np.log(whole) - float((df * np.log(ratio)).sum())
    scale = 1 + (float((1 / df).sum()) - 1 / df.sum()) / (3 * (len(df) - 1))
    return float(chdtrc(len(df) - 1.0, statistic / scale))
