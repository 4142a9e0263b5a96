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
    MARGIN_TOO_SMALL = "margin below detectable"
    UNDONE = "undone by run-to-run"  # percent: the standard deviation that would undo it
    RUN_TO_RUN_UNKNOWN = "run-to-run not estimated"  # percent: as before


POWER = 0.8
"""Power of the smallest detectable decrease."""

PLAUSIBLE_RUN_TO_RUN_PERCENT = 5.0
"""Run-to-run standard deviation a milling trial may well have (common practice, no source)."""

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
    detectable_decides: bool = True,
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
    detectable_decides : bool
        Whether the smallest detectable decrease can turn "not shown" into "cannot be told".

    Notes
    -----
    In this order: *cannot be told* if there is an obstacle or no finite interval; *changed* if
    p < 1 - level (*cannot be told* if a plausible run-to-run variation would undo it);
    *equivalent* if within the margin; *cannot be told* if no change of any size would have been
    shown, or the margin is below the smallest detectable change, because a change as large as the
    margin could easily have been missed (both as decreases: a margin of m per cent is one of
    m/(1 + m/100)); otherwise *not shown*.

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
        reasons = _too_little(numbers, margin_percent) if detectable_decides else ()
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
    if np.isinf([numbers.lower, numbers.upper]).any():
        return (VerdictRemark.NO_END(),)
    ends = (numbers.estimate, numbers.lower, numbers.upper) if kind in _WITH_INTERVAL else ()
    return () if np.isfinite([*ends, numbers.p_adjusted]).all() else (VerdictRemark.NO_ESTIMATE(),)


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


def _too_little(numbers: Numbers, margin_percent: float | None) -> tuple[Remark, ...]:
    """What forbids to say "not shown": no change, or none as small as the margin, could be seen."""
    detectable = numbers.detectable_decrease_percent
    if detectable >= NO_CHANGE_SEEN_PERCENT:
        return (VerdictRemark.SHOWS_NOTHING(),)
    if margin_percent is not None and detectable > decrease_of(margin_percent):
        return (VerdictRemark.MARGIN_TOO_SMALL(),)
    return ()


def decrease_of(margin_percent: float) -> float:
    """The decrease that undoes an increase of the margin, per cent."""
    return 100.0 * margin_percent / (100.0 + margin_percent)


def undoing_percent(
    estimate: ArrayLike, u: ArrayLike, critical: ArrayLike, *, leverage: ArrayLike = 2.0
) -> Array:
    """Run-to-run SD at which each interval would just reach "no change", per cent.

    Shapes: estimate, u, critical, leverage (m,); gives (m,).

    Notes
    -----
    Solves ``|estimate| = c sqrt(u² + L s²)`` for s, with the critical value c and the leverage L,
    the sum of squared weights of the runs (2 for a difference of two).
    """
    room = (np.asarray(estimate) / critical) ** 2 - np.asarray(u) ** 2
    return np.asarray(100.0 * np.sqrt(np.maximum(room, 0.0) / leverage), dtype=np.float64)
