"""Equivalence within a margin, and the four verdicts on one comparison of sizes.

Everything is on the natural log of the size: effects are ratios, margins are in per cent.  A
margin of δ per cent means that the ratio lies between 1/(1 + δ/100) and 1 + δ/100, which treats
an increase and the decrease that undoes it alike.

Two one-sided tests: D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657 (from memory).
A verdict is about the trial as it was; it never calls "no difference" what was only not seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import freeze_arrays
from psdstats.models.multiplicity import Adjustment, adjust_p
from psdstats.models.student import critical_t, upper_tail
from psdstats.models.wording import word_effect, word_p

__all__ = [
    "EquivalenceResult",
    "Evidence",
    "Finding",
    "Verdict",
    "equivalence_test",
    "verdict",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class EquivalenceResult:
    """Two one-sided tests of one or several ratios against a margin.

    Parameters
    ----------
    margin_percent, alpha : float
        Margin, and level of each one-sided test.
    ratio, ratio_lower, ratio_upper : ndarray, shape (m,)
        Ratio and its 1 - 2 alpha interval, each contrast alone.
    p_too_low, p_too_high : ndarray, shape (m,)
        p against "the ratio is 1/(1 + margin) or less" and "… 1 + margin or more".
    p, p_adjusted : ndarray, shape (m,)
        The larger of the two, and the same adjusted within the family.
    """

    margin_percent: float
    alpha: float
    ratio: Floats
    ratio_lower: Floats
    ratio_upper: Floats
    p_too_low: Floats
    p_too_high: Floats
    p: Floats
    p_adjusted: Floats

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @staticmethod
    def _arrays() -> tuple[str, ...]:
        ends = ("ratio", "ratio_lower", "ratio_upper")
        return (*ends, "p_too_low", "p_too_high", "p", "p_adjusted")

    @property
    def equivalent(self) -> NDArray[np.bool_]:
        """Whether each contrast is shown to lie within the margin."""
        return np.asarray(self.p_adjusted < self.alpha)

    def to_frame(self) -> pd.DataFrame:
        """One row a contrast; `margin_percent` in per cent, ratios without unit."""
        numbers = {name: getattr(self, name) for name in self._arrays()}
        return pd.DataFrame(
            {"margin_percent": self.margin_percent, **numbers, "equivalent": self.equivalent}
        )


def equivalence_test(
    log_ratio: ArrayLike,
    standard_error: ArrayLike,
    df: ArrayLike,
    *,
    margin_percent: float,
    alpha: float = 0.05,
    adjust: Adjustment | str = Adjustment.NONE,
) -> EquivalenceResult:
    """Test whether ratios of sizes lie within a margin around 1.

    Parameters
    ----------
    log_ratio : array_like, shape (m,)
        Differences of ln size.
    standard_error, df : array_like, scalar or shape (m,)
        Standard errors (ln scale) and degrees of freedom (fractions and infinity allowed).
    margin_percent : float
        Margin δ above 0: equivalent means a ratio between 1/(1 + δ/100) and 1 + δ/100.
    alpha : float, default=0.05
        Level of each one-sided test, 0 to 0.5.
    adjust : Adjustment or str, default="none"
        "holm" or "bonferroni" where all statements of a family must hold together.

    Returns
    -------
    EquivalenceResult
        p-values and the 1 - 2 alpha interval, which lies within the margin exactly where
        p < alpha.

    Raises
    ------
    ModelError
        If the margin, alpha, a standard error or the degrees of freedom are out of range.

    Examples
    --------
    >>> found = equivalence_test([0.01], [0.02], 12, margin_percent=10)
    >>> found.p.round(4), found.equivalent
    (array([0.0005]), array([ True]))
    """
    if not margin_percent > 0.0:
        raise ModelError(f"The margin is {margin_percent} per cent; give a number above 0.")
    if not 0.0 < alpha < 0.5:
        raise ModelError(f"The level of the equivalence test is {alpha}; give 0 to 0.5.")
    estimate = np.atleast_1d(np.array(log_ratio, dtype=float))
    error = np.broadcast_to(np.asarray(standard_error, dtype=float), estimate.shape)
    df_all = np.broadcast_to(np.asarray(df, dtype=float), estimate.shape)
    if not (np.isfinite(estimate).all() and (error > 0.0).all() and (df_all > 0.0).all()):
        raise ModelError(
            "An equivalence test needs finite ratios, and standard errors and degrees of freedom "
            f"above 0; found {estimate.tolist()}, {error.tolist()} and {df_all.tolist()}."
        )
    bound = np.log1p(margin_percent / 100.0)
    too_low = upper_tail((estimate + bound) / error, df_all)
    too_high = upper_tail((bound - estimate) / error, df_all)
    p = np.maximum(too_low, too_high)
    half = critical_t(2.0 * alpha, df_all) * error
    with np.errstate(over="ignore"):  # next to no degrees of freedom: no upper limit
        ratio_upper = np.exp(estimate + half)
    return EquivalenceResult(
        margin_percent=margin_percent,
        alpha=alpha,
        ratio=np.exp(estimate),
        ratio_lower=np.exp(estimate - half),
        ratio_upper=ratio_upper,
        p_too_low=too_low,
        p_too_high=too_high,
        p=p,
        p_adjusted=adjust_p(p, kind=adjust),
    )


class Verdict(StrEnum):
    """What can be said of one comparison."""

    CHANGED = "changed"
    EQUIVALENT = "equivalent within the margin"
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
    smallest_detectable_percent : float or None
        Smallest increase this trial would have shown with the stated power, per cent.
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
    smallest_detectable_percent: float | None = None
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
    detectable change, because a change as large as the margin could easily have been missed;
    otherwise *not shown*.

    Examples
    --------
    >>> verdict(Evidence(subject="D50 at 24 min against 0 min", log_ratio=-0.478, lower=-0.598,
    ...                  upper=-0.357, p_adjusted=0.0004)).sentence
    'D50 at 24 min against 0 min: changed, ratio 0.620 (95 % interval 0.550 to 0.700), \
a decrease of 38.0 % (30.0 % to 45.0 %), p = 0.0004.'
    """
    alpha = 1.0 - evidence.level
    margin, p_equivalent = evidence.margin_percent, evidence.equivalence_p
    within = None if margin is None or p_equivalent is None else p_equivalent < alpha
    numbers = (evidence.log_ratio, evidence.lower, evidence.upper, evidence.p_adjusted)
    obstacles = evidence.obstacles
    if not obstacles and not np.isfinite(numbers).all():
        endless = np.isinf([evidence.lower, evidence.upper]).any()
        obstacles = (
            "too little is left to judge it by, so its interval has no end"
            if endless
            else "there is no estimate with an interval",
        )
    detectable = evidence.smallest_detectable_percent
    if obstacles:
        reason = "because " + " and ".join(obstacles)
        return _finding(Verdict.CANNOT_BE_TOLD, evidence, reason, None)
    if (margin is None) != (p_equivalent is None):
        raise ModelError(
            f"{evidence.subject}: the margin is {margin} and the p of its equivalence test "
            f"{p_equivalent}; give both or neither."
        )
    effect = word_effect(*numbers[:3], p=evidence.p_adjusted, level=evidence.level)
    if evidence.p_adjusted < alpha:
        small = f", and within the margin of {margin:g} %" if within else ""
        return _finding(Verdict.CHANGED, evidence, effect + small, within)
    if within:
        reason = f"margin {margin:g} %, {word_p(p_equivalent or 0.0)}; {effect}"
        return _finding(Verdict.EQUIVALENT, evidence, reason, within)
    reason = effect
    if detectable is not None and not np.isfinite(detectable):
        reason += "; this trial has too little to go by to show any change"
        return _finding(Verdict.CANNOT_BE_TOLD, evidence, reason, within)
    if detectable is not None:
        places = 1 if detectable < 10.0 else 0
        reason += (
            f"; the smallest change this trial would show with {100 * evidence.power:.3g} % power "
            f"is {detectable:.{places}f} %"
        )
    if margin is not None and detectable is not None and detectable > margin:
        reason += f", more than the margin of {margin:g} %"
        return _finding(Verdict.CANNOT_BE_TOLD, evidence, reason, within)
    return _finding(Verdict.NOT_SHOWN, evidence, reason, within)


def _finding(answer: Verdict, evidence: Evidence, reason: str, within: bool | None) -> Finding:
    sentence = f"{evidence.subject}: {answer.value}, {reason}."
    return Finding(verdict=answer, sentence=sentence, within_margin=within)
