"""The verdict on one group, from its difference and uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

from psdstats.comparison.groups_result import GroupFinding, GroupVerdict
from psdstats.comparison.measurement_only import PLAUSIBLE_RUN_TO_RUN_PERCENT
from psdstats.models.detectable import smallest_detectable
from psdstats.models.verdicts import NO_CHANGE_SEEN_PERCENT
from psdstats.wording import signed

__all__ = ["GroupEvidence", "judge"]


@dataclass(frozen=True, kw_only=True)
class GroupEvidence:
    """What is known of one group's difference from the others.

    Parameters
    ----------
    group, quantity : str
        Group and quantity, for the sentence.
    conditions, runs : int
        Conditions compared, and runs of the group.
    difference, u, u_measurement : float
        Difference of ln size from the others, its standard uncertainty, and the measurement's part.
    leverage : float
        Sum of squared weights of the runs in the difference.
    df, p, p_adjusted, critical : float
        Degrees of freedom, p alone and adjusted, joint critical value.
    estimated : bool
        Whether run-to-run variation is part of u.
    margin_percent : float or None
        Difference that is too small to matter.
    level : float
        Joint confidence level.
    """

    group: str
    quantity: str
    conditions: int
    runs: int
    difference: float
    u: float
    u_measurement: float
    leverage: float
    df: float
    p: float
    p_adjusted: float
    critical: float
    estimated: bool
    margin_percent: float | None
    level: float

    @property
    def half_width(self) -> float:
        """Half width of the joint interval of the difference."""
        return self.critical * self.u

    @property
    def undone_by_runs(self) -> bool:
        """Whether a plausible run-to-run variation that was not estimated would undo it."""
        if self.estimated:
            return False
        run = PLAUSIBLE_RUN_TO_RUN_PERCENT / 100
        plausible = math.sqrt(self.u**2 + self.leverage * run**2)
        return abs(self.difference) < self.critical * plausible

    @property
    def within_margin(self) -> bool:
        """Whether the joint interval lies within a ratio of 1 + margin either way."""
        if self.margin_percent is None:
            return False
        reach = abs(self.difference) + self.half_width
        return reach < math.log1p(self.margin_percent / 100)


def judge(evidence: GroupEvidence) -> GroupFinding:
    """Put one group's comparison into a verdict.

    Parameters
    ----------
    evidence : GroupEvidence
        Difference, uncertainty and what they rest on.

    Returns
    -------
    GroupFinding
        Verdict and sentence.
    """
    verdict, sentence = _verdict(evidence)
    score = evidence.difference / evidence.u if evidence.u > 0 else math.nan
    return GroupFinding(
        group=evidence.group,
        verdict=verdict,
        sentence=sentence,
        conditions=evidence.conditions,
        runs=evidence.runs,
        difference=evidence.difference,
        lower=evidence.difference - evidence.half_width,
        upper=evidence.difference + evidence.half_width,
        u=evidence.u,
        u_measurement=evidence.u_measurement,
        df=evidence.df,
        p=evidence.p,
        p_adjusted=evidence.p_adjusted,
        zeta=score,
        e_n=score / 2,
    )


def _verdict(evidence: GroupEvidence) -> tuple[GroupVerdict, str]:
    group, margin = evidence.group, evidence.margin_percent
    reads = f"{evidence.quantity} {_words(evidence.difference, evidence.half_width)}"
    shown = evidence.p_adjusted < 1 - evidence.level
    if shown and evidence.undone_by_runs:
        return GroupVerdict.UNTOLD, (
            f"{group}: cannot be told: it reads {reads} than the others by the measurement alone, "
            "but run-to-run variation was not estimated, and "
            f"{PLAUSIBLE_RUN_TO_RUN_PERCENT:g} % of it would undo the difference"
        )
    if shown:
        text = f"{group} reads {reads} than the others"
        if evidence.within_margin:
            text += f", which is within the margin of ±{margin:g} %"
        return GroupVerdict.DIFFERS, text
    if evidence.within_margin and evidence.estimated:
        return GroupVerdict.AGREES, (
            f"{group} agrees with the others within ±{margin:g} %: {reads}"
        )
    found = smallest_detectable([evidence.u], evidence.df, critical=[evidence.critical])
    seen = found.decrease_percent.item()
    text = f"{group} is not shown to differ from the others: {reads}; " + (
        f"a {evidence.quantity} {seen:.2g} % below theirs would have been seen with 80 % "
        "probability"
        if seen < NO_CHANGE_SEEN_PERCENT
        else "too little is left to see a difference of any size"
    )
    if margin is not None:
        text += f", and agreement within ±{margin:g} % is not shown either"
    return GroupVerdict.NOT_SHOWN, text


def _words(difference: float, half: float) -> str:
    """The difference with its interval in its own direction: 4.1 % (1.2 to 7.0 %) higher."""
    sign = -1.0 if difference < 0 else 1.0
    ends = sorted(sign * 100 * math.expm1(one) for one in (difference - half, difference + half))
    centre = sign * 100 * math.expm1(difference)
    spread = (ends[1] - ends[0]) / 2
    decimals = 2 if spread <= 0 else min(6, max(0, 1 - math.floor(math.log10(spread))))
    numbers = [signed(one, f".{decimals}f") for one in (centre, *ends)]
    direction = "lower" if sign < 0 else "higher"
    return f"{numbers[0]} % ({numbers[1]} to {numbers[2]} %) {direction}"
