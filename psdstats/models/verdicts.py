"""The four verdicts: one rule for times, factors, groups, whole distributions, rate and loss.

A verdict is about the trial as it was; it never calls "no difference" what was only not seen.
Effects are ratios (differences of ln size), changes and margins in per cent.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.findings import Contrast, Finding, FindingKind, Numbers, Remark, RemarkKind, Verdict
from psdstats.frozen import Array

NO_CHANGE_SEEN_PERCENT = 99.9
"""A smallest detectable decrease of as much says that no change would have been shown."""


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
        reasons = _too_wide(numbers, margin_percent) if kind in _WITH_INTERVAL else ()
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


def _too_wide(numbers: Numbers, margin_percent: float | None) -> tuple[Remark, ...]:
    """What forbids to say "not shown": the interval holds no change and all that would matter."""
    share, reason = _ANY_CHANGE, VerdictRemark.SHOWS_NOTHING
    if margin_percent is not None:
        share, reason = 1.0 + margin_percent / 100.0, VerdictRemark.MARGIN_TOO_SMALL
    reach = max(-numbers.lower, numbers.upper)
    return (reason(),) if numbers.lower < 0.0 < numbers.upper and reach >= np.log(share) else ()


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
