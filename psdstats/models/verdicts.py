"""The four verdicts on one comparison of sizes, in words.

A verdict is about the trial as it was; it never calls "no difference" what was only not seen.
Effects are ratios (differences of ln size), changes and margins in per cent.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from psdstats.errors import ModelError
from psdstats.models.wording import word_effect, word_p

NO_CHANGE_SEEN_PERCENT = 99.9
"""A smallest detectable decrease of as much says that no change would have been shown."""


class Verdict(StrEnum):
    """What can be said of one comparison."""

    CHANGED = "changed"
    EQUIVALENT = "equivalent"
    NOT_SHOWN = "not shown"
    CANNOT_BE_TOLD = "cannot be told"


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What is known of one comparison of sizes, high against low.

    Parameters
    ----------
    subject : str
        What is compared, such as "D50 at 24 min against 0 min".
    log_ratio, lower, upper : float
        Difference of ln size and its (simultaneous) interval; not finite where there is none.
    p_adjusted : float
        p of "no change", which belongs to that interval.
    level : float, default=0.95
        Confidence level of the interval; p counts as small below 1 - level.
    margin_percent : float or None
        Margin of equivalence, where the user gave one.
    equivalence_p : float or None
        p of the equivalence test at that margin.
    detectable_decrease_percent : float or None
        Smallest decrease this trial would have shown with the stated power, per cent of the size
        compared with; 100 where it would have shown none.
    power : float, default=0.8
        That power.
    obstacles : tuple of str
        Reasons, each a clause, why the comparison cannot be judged at all.
    """

    subject: str
    log_ratio: float = float("nan")
    lower: float = float("nan")
    upper: float = float("nan")
    p_adjusted: float = float("nan")
    level: float = 0.95
    margin_percent: float | None = None
    equivalence_p: float | None = None
    detectable_decrease_percent: float | None = None
    power: float = 0.8
    obstacles: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Finding:
    """A verdict with its reason.

    Parameters
    ----------
    verdict : Verdict
        One of four.
    sentence : str
        The verdict in plain words with ratio, interval and per cent.
    within_margin : bool or None
        Whether the equivalence test succeeded; None without a margin.  A comparison may be both
        changed and within the margin: a real change, too small to matter.
    """

    verdict: Verdict
    sentence: str
    within_margin: bool | None


def verdict(evidence: Evidence) -> Finding:
    """Give one of four verdicts on a comparison.

    Parameters
    ----------
    evidence : Evidence
        What is known of it.

    Returns
    -------
    Finding
        Verdict and sentence.

    Raises
    ------
    ModelError
        If a margin comes without the p of its equivalence test, or the other way round.

    Notes
    -----
    In this order: *cannot be told* if there is an obstacle or no finite interval; *changed* if
    p < 1 - level; *equivalent* if the equivalence test succeeds at 1 - level; *cannot be told* if
    no change of any size would have been shown, or a margin is given that is below the smallest
    detectable change, because a change as large as the margin could easily have been missed (both
    as decreases: a margin of m per cent is one of m/(1 + m/100)); otherwise *not shown*.

    Examples
    --------
    >>> verdict(Evidence(subject="D50 at 24 min against 0 min", log_ratio=-0.478, lower=-0.598,
    ...                  upper=-0.357, p_adjusted=0.0004)).sentence
    'D50 at 24 min against 0 min: changed, ratio 0.620 (95 % interval 0.550 to 0.700), \
a decrease of 38.0 % (30.0 % to 45.0 %), p = 0.00040.'
    """
    alpha = 1.0 - evidence.level
    margin, p_equivalent = evidence.margin_percent, evidence.equivalence_p
    within = None if margin is None or p_equivalent is None else p_equivalent < alpha
    obstacles = evidence.obstacles or _without_end(evidence)
    if obstacles:
        reason = "because " + " and ".join(obstacles)
        return _finding(Verdict.CANNOT_BE_TOLD, evidence, reason, None)
    if (margin is None) != (p_equivalent is None):
        raise ModelError(
            f"{evidence.subject}: the margin is {margin} and the p of its equivalence test "
            f"{p_equivalent}; give both or neither."
        )
    ends = (evidence.log_ratio, evidence.lower, evidence.upper)
    effect = word_effect(*ends, p=evidence.p_adjusted, level=evidence.level)
    if evidence.p_adjusted < alpha:
        small = f", and within the margin of {margin:g} %" if within else ""
        return _finding(Verdict.CHANGED, evidence, effect + small, within)
    if within:
        return _equivalent(evidence, word_effect(*ends, p=None, level=evidence.level))
    return _not_shown(evidence, effect, within)


def _without_end(evidence: Evidence) -> tuple[str, ...]:
    """Why there is nothing to judge by, where the numbers are not finite."""
    if np.isinf([evidence.lower, evidence.upper]).any():
        return ("too little is left to judge it by, so its interval has no end",)
    numbers = (evidence.log_ratio, evidence.lower, evidence.upper, evidence.p_adjusted)
    return () if np.isfinite(numbers).all() else ("there is no estimate with an interval",)


def _equivalent(evidence: Evidence, effect: str) -> Finding:
    """The margin and the p of its own test once; that nothing changed was not asked."""
    sentence = (
        f"{evidence.subject}: equivalent within the margin of {evidence.margin_percent:g} % "
        f"({word_p(evidence.equivalence_p or 0.0)} of the equivalence test), {effect}."
    )
    return Finding(verdict=Verdict.EQUIVALENT, sentence=sentence, within_margin=True)


def _not_shown(evidence: Evidence, effect: str, within: bool | None) -> Finding:
    """Neither changed nor equivalent: what could have been seen decides what can be said."""
    detectable, margin = evidence.detectable_decrease_percent, evidence.margin_percent
    if detectable is None:
        return _finding(Verdict.NOT_SHOWN, evidence, effect, within)
    if not detectable < NO_CHANGE_SEEN_PERCENT:
        reason = f"{effect}; this trial has too little to go by to show any change"
        return _finding(Verdict.CANNOT_BE_TOLD, evidence, reason, within)
    places = 1 if detectable < 10.0 else 0
    reason = (
        f"{effect}; the smallest decrease this trial would show with {100 * evidence.power:.3g} % "
        f"power is {detectable:.{places}f} %"
    )
    if margin is not None and detectable > (down := 100.0 * margin / (100.0 + margin)):
        reason += f", more than the margin of {margin:g} % ({down:.2g} % downwards)"
        return _finding(Verdict.CANNOT_BE_TOLD, evidence, reason, within)
    return _finding(Verdict.NOT_SHOWN, evidence, reason, within)


def _finding(answer: Verdict, evidence: Evidence, reason: str, within: bool | None) -> Finding:
    sentence = f"{evidence.subject}: {answer.value}, {reason}."
    return Finding(verdict=answer, sentence=sentence, within_margin=within)
