"""The four verdicts: one rule for times, factors, groups, whole distributions, rate and loss.

A verdict is about the trial as it was; it never calls "no difference" what was only not seen.
Effects are ratios (differences of ln size), changes and margins in per cent.

Equivalence within a margin: two one-sided tests of ratios of sizes.  A margin of δ per cent means
that the ratio lies between 1/(1 + δ/100) and 1 + δ/100, which treats an increase and the decrease
that undoes it alike (D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657, from memory).

The smallest change a contrast would have shown, and the power to show a given one, use the
noncentral t law with the contrast's own degrees of freedom; the standard error is taken as it was
found, so the result says what this trial could see, not what another one would.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Remark, RemarkKind, Verdict
from psdstats.frozen import Array, Still
from psdstats.models.judged import Family, Judged
from psdstats.student import critical_t, scale_rule, two_sided_p


class VerdictRemark(RemarkKind):
    """Reasons of a verdict that all rooms share."""

    NO_ESTIMATE = "no estimate with interval"
    NO_END = "interval without end"
    SHOWS_NOTHING = "would show nothing"
    MARGIN_TOO_SMALL = "margin inside the interval"
    UNDONE = "undone by run-to-run"  # percent: the standard deviation that would undo it
    RUN_TO_RUN_UNKNOWN = "run-to-run not estimated"  # percent: as before
    UNDONE_BY_DRIFT = "undone by drift"  # percent: the drift a step that would undo it
    DRIFT_UNKNOWN = "drift not estimated"  # percent: as before


POWER = 0.8
"""Power of the smallest detectable decrease."""

PLAUSIBLE_RUN_TO_RUN_PERCENT = 5.0
"""Run-to-run standard deviation a milling trial may well have (common practice, no source)."""

PLAUSIBLE_DRIFT_PERCENT = 1.5
"""Drift of groups or of a charge, a step of time, that a trial may well have (own rule)."""

_ANY_CHANGE = 1000.0  # a factor that would be a change whatever is asked (own rule)
_WITH_INTERVAL = (
    FindingKind.LEVELS,
    FindingKind.GROUP,
    FindingKind.FALLEN,
    FindingKind.FACTOR,
    FindingKind.BENCH_RATE,
)


def judge(
    subject: Contrast,
    numbers: Numbers,
    *,
    kind: FindingKind = FindingKind.LEVELS,
    level: float = 0.95,
    margin_percent: float | None = None,
    within_margin: bool | None = None,
    obstacles: Sequence[Remark] = (),
    undone_by_percent: float | None = None,
) -> Finding:
    """Give one of four verdicts.

    Parameters
    ----------
    subject : Contrast
        What is compared with what.
    numbers : Numbers
        Log scale.  Levels and groups need estimate, lower, upper and p_adjusted; the other kinds
        are judged by p_adjusted.
    kind : FindingKind
        What the finding is about.
    level : float
        p counts as small below 1 - level.
    margin_percent : float or None
        Change too small to matter, where one was stated.
    within_margin : bool or None
        Whether the change is shown to be smaller than the margin, by a rule of the caller's own;
        without it ``numbers.equivalence_p`` decides.
    obstacles : sequence of Remark
        Why the comparison cannot be judged at all.
    undone_by_percent : float or None
        Run-to-run standard deviation that would undo a change (`undoing_percent`) where run-to-run
        variation is not part of the numbers; None where it is.

    Notes
    -----
    In this order: *cannot be told* if there is an obstacle or no finite interval; *changed* if
    p < 1 - level (*cannot be told* if a plausible run-to-run variation would undo it);
    *equivalent* if within the margin; *cannot be told* if the interval holds both no change and one
    as large as the margin, or without a margin one by any factor up to 1000; otherwise *not shown*.
    The smallest detectable change decides nothing: it is itself an estimate.  A difference without
    an estimate is a bound where its interval has one end.

    Examples
    --------
    >>> numbers = Numbers(estimate=-0.478, lower=-0.598, upper=-0.357, p_adjusted=0.0004)
    >>> judge(Contrast(high="24", low="0", quantity="D50"), numbers).verdict.value
    'changed'
    """
    alpha = 1.0 - level
    reasons = tuple(obstacles) or _without_interval(kind, numbers)
    within = None if reasons else _within(numbers, alpha, margin_percent, within_margin)
    if reasons:
        answer = Verdict.CANNOT_BE_TOLD
    elif numbers.p_adjusted < alpha:
        answer = Verdict.CHANGED
    elif within:
        answer = Verdict.EQUIVALENT
    else:
        # "not shown" may not be said of what holds no change and all that would matter
        share, reason = _ANY_CHANGE, VerdictRemark.SHOWS_NOTHING
        if margin_percent is not None:
            share, reason = 1.0 + margin_percent / 100.0, VerdictRemark.MARGIN_TOO_SMALL
        is_wide = numbers.lower < 0.0 < numbers.upper
        is_wide = is_wide and max(-numbers.lower, numbers.upper) >= np.log(share)
        reasons = (reason(),) if is_wide and kind in _WITH_INTERVAL else ()
        answer = Verdict.CANNOT_BE_TOLD if reasons else Verdict.NOT_SHOWN
    if undone_by_percent is not None:
        undone = answer is Verdict.CHANGED and undone_by_percent < PLAUSIBLE_RUN_TO_RUN_PERCENT
        unknown = VerdictRemark.UNDONE if undone else VerdictRemark.RUN_TO_RUN_UNKNOWN
        reasons = (*reasons, unknown(percent=undone_by_percent))
        answer = Verdict.CANNOT_BE_TOLD if undone else answer
    return Finding(
        kind=kind,
        subject=subject,
        verdict=answer,
        reasons=reasons,
        numbers=numbers,
        level=level,
        margin_percent=margin_percent,
        within_margin=within,
    )


def _without_interval(kind: FindingKind, numbers: Numbers) -> tuple[Remark, ...]:
    """Why there is nothing to judge by, where the numbers are not finite."""
    ends = (numbers.lower, numbers.upper)
    is_bound = np.isnan(numbers.estimate) and np.isfinite(ends).any() and not np.isnan(ends).any()
    if np.isinf(ends).any() and not is_bound:
        return (VerdictRemark.NO_END(),)
    needed = [numbers.p_adjusted]
    if kind in _WITH_INTERVAL and not is_bound:
        needed += [numbers.estimate, *ends]
    return () if np.isfinite(needed).all() else (VerdictRemark.NO_ESTIMATE(),)


def _within(
    numbers: Numbers, alpha: float, margin_percent: float | None, given: bool | None
) -> bool | None:
    if margin_percent is None or given is not None:
        return given
    if np.isnan(numbers.equivalence_p):
        raise ModelError(
            f"There is a margin of {margin_percent:g} % and no p of its equivalence test; give "
            "both or neither."
        )
    return numbers.equivalence_p < alpha


def undoing_percent(
    estimate: ArrayLike, u: ArrayLike, critical: ArrayLike, *, leverage: ArrayLike = 2.0
) -> Array:
    """SD of what was not estimated at which each interval just reaches "no change", per cent.

    Shapes: estimate, u, critical, leverage (m,); gives (m,).

    Notes
    -----
    Solves ``|estimate| = c sqrt(u² + L s²)`` for s, with the critical value c and the leverage L:
    of run-to-run variation the sum of squared weights of the runs (2 for a difference of two), of
    drift a step a'Ga with the weights a and the covariance G of lines of unit slope.
    """
    room = (np.asarray(estimate) / critical) ** 2 - np.asarray(u) ** 2
    return np.asarray(100.0 * np.sqrt(np.maximum(room, 0.0) / leverage), dtype=np.float64)


_LARGEST_SHIFT, _FEWEST_DF = 1000.0, 0.05  # beyond them a change is too large to be of use


@dataclass(frozen=True, kw_only=True, eq=False)
class DetectableChange(Still):
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

    log_change: Array
    power: float
    critical: Array

    @property
    def increase_percent(self) -> Array:
        """Smallest detectable increase of a size, per cent of the size compared with."""
        with np.errstate(over="ignore"):
            return np.asarray(100.0 * np.expm1(self.log_change), dtype=np.float64)

    @property
    def decrease_percent(self) -> Array:
        """Smallest detectable decrease of a size, per cent of the size compared with."""
        return np.asarray(-100.0 * np.expm1(-self.log_change), dtype=np.float64)


def contrast_power(shift: float, df: float, *, critical: float) -> float:
    """Probability that |t| exceeds its critical value at a true difference of ``shift`` errors.

    Notes
    -----
    P(|T| > c) for noncentral T with noncentrality δ, the true difference over its standard error,
    is the mean over s = sqrt(chi-square(df)/df) of Φ(δ - c s) + Φ(-δ - c s).

    Examples
    --------
    >>> round(contrast_power(3.0, 10.0, critical=2.228139), 4)
    0.7714
    """
    s, weight = scale_rule(df, edge=shift)
    beyond = special.ndtr(shift - critical * s) + special.ndtr(-shift - critical * s)
    return min(float(weight @ beyond), 1.0)


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
    if not ((error > 0.0).all() and (df_all > 0.0).all() and (limit >= 0.0).all()):
        raise ModelError(
            f"Power needs a standard error and degrees of freedom above 0 and a critical value of "
            f"0 or more; found {standard_error!r}, {df!r} and {critical!r}."
        )
    passed = two_sided_p(limit, df_all) >= power  # by chance alone, with far less than one df
    if not power < 1.0 or (passed & (df_all >= 1.0)).any():
        raise ModelError(
            f"The wanted power is {power}; give a number below 1 and above the level of the test."
        )
    shifts = [
        float("inf") if chance else _shift(float(one_df), float(one_limit), power)
        for one_df, one_limit, chance in zip(df_all, limit, passed, strict=True)
    ]
    return DetectableChange(log_change=np.array(shifts) * error, power=power, critical=limit)


def _shift(df: float, critical: float, power: float) -> float:
    from scipy.optimize import brentq

    if df < _FEWEST_DF:
        return float("inf")
    high = 1.0
    while contrast_power(high, df, critical=critical) < power:
        high *= 2.0
        if high > _LARGEST_SHIFT:
            return float("inf")

    return float(
        brentq(lambda s: contrast_power(s, df, critical=critical) - power, 0.0, high, xtol=1e-12)
    )


_RANGE = 0.9  # coverage of the range of what could be detected


def detectable_percent(standard_error: Array, df: Array, half: Array) -> dict[str, Array]:
    """Smallest decrease that would have been shown, per cent, and its range: fields of `Numbers`.

    Shapes: all (m,), half widths of the intervals among them; NaN where there is no standard error.

    Notes
    -----
    The true standard deviation lies with 90 per cent between the estimate times
    sqrt(df / chi-square) at the upper and lower 5 per cent points, and what can be detected is
    proportional to it.
    """
    names = ("detectable_decrease_percent", "detectable_low_percent", "detectable_high_percent")
    found = {name: np.full(np.shape(standard_error), np.nan) for name in names}
    good = np.isfinite(standard_error) & (standard_error > 0.0) & (df > 0.0) & np.isfinite(half)
    if not good.any():
        return found
    error, df = standard_error[good], df[good]
    seen = smallest_detectable(error, df, critical=half[good] / error, power=POWER).log_change
    finite = np.isfinite(df)
    some = np.where(finite, df, 1.0)
    tails = (0.5, 0.5 + 0.5 * _RANGE, 0.5 - 0.5 * _RANGE)
    for name, tail in zip(names, tails, strict=True):
        scale = np.sqrt(some / special.chdtri(some, 1.0 - tail))
        scale = np.where(finite & (name != names[0]), scale, 1.0)
        found[name][good] = -100.0 * np.expm1(-seen * scale)
    return found


def equivalence_of(
    judged: Judged, family: Family, *, margin_percent: float, alpha: float = 0.05
) -> dict[str, Array]:
    """Equivalence within a margin, adjusted in a family: fields of `Numbers`.

    Shapes: arrays (..., members); the interval is of the signed contrasts.

    Notes
    -----
    Two one-sided tests each, at alpha over the number of contrasts (Bonferroni): the chance of any
    false "equivalent" is at most alpha whatever the signs of the true effects, where the law of the
    largest of them gives up to 0.056 at 0.05.  The interval lies within the margin where p < alpha.
    """
    rows, signs = list(family.members), np.array(family.signs, dtype=float)
    bound, count = float(np.log1p(margin_percent / 100.0)), max(len(rows), 1)
    larger = np.maximum(judged.p_below(bound), judged.p_above(-bound))[..., rows]
    half = judged.half_width(2.0 * alpha / count)[..., rows]
    value = judged.estimate[..., rows] * signs
    return {
        "equivalence_p": np.minimum(count * larger, 1.0),
        "equivalence_lower": value - half,
        "equivalence_upper": value + half,
    }
