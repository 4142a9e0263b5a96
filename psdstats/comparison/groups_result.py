"""How much two runs of the same kind differ beyond what the measurement explains.

Works on logarithms of sizes (or on sizes).  The scatter of replicates is used where there are any,
else the scatter about group and condition effects that add up; the part that the known covariance
of the measurement explains is taken off, so nothing is counted twice.

What is found about groups: one finding a group, and the differences behind it.

The verdict on one group, from its difference and uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import signed
from psdstats.comparison.effects import PLAUSIBLE_RUN_TO_RUN_PERCENT
from psdstats.frozen import Array
from psdstats.models.equivalence import smallest_detectable
from psdstats.models.verdicts import NO_CHANGE_SEEN_PERCENT


@dataclass(frozen=True, kw_only=True)
class RunScatter:
    """Variance between runs of the same kind.

    Parameters
    ----------
    variance : float
        Run-to-run variance beyond the measurement; 0 where the measurement explains all.
    mean_square : float
        Mean square it comes from, with the measurement's part.
    df : int
        Degrees of freedom of the mean square; 0 where there is none.
    source : str
        "replicates", "group by condition table" or "not estimated".
    """

    variance: float
    mean_square: float
    df: int
    source: str

    def effective_df(self, u_squared: float, leverage: float) -> float:
        """Satterthwaite degrees of freedom of u² = known part + variance · leverage."""
        part = self.mean_square * leverage
        if self.df == 0 or part <= 0:
            return float("inf")
        return self.df * (u_squared / part) ** 2


def run_scatter(
    y: Array, group: NDArray[np.intp], condition: NDArray[np.intp], known: Array
) -> RunScatter:
    """Estimate the run-to-run variance.

    Shapes: y (n,), group, condition (n,), known (n, n).

    Notes
    -----
    With M the projector on what group and condition leave, ``E yᵀMy = tr(M V) + ν σ²``.
    """
    cells = np.unique(np.column_stack([group, condition]), axis=0, return_inverse=True)[1]
    within = _dummies(cells.ravel())
    additive = np.hstack([_dummies(group), _dummies(condition)])
    for design, source in ((within, "replicates"), (additive, "group by condition table")):
        rank = int(np.linalg.matrix_rank(design))
        df = len(y) - rank
        if df > 0:
            left = np.eye(len(y)) - design @ np.linalg.pinv(design)
            mean_square = float(y @ left @ y) / df
            explained = float(np.sum(left * known)) / df
            return RunScatter(
                variance=max(0.0, mean_square - explained),
                mean_square=mean_square,
                df=df,
                source=source,
            )
    return RunScatter(variance=0.0, mean_square=0.0, df=0, source="not estimated")


def _dummies(codes: NDArray[np.intp]) -> Array:
    return np.asarray(np.equal.outer(codes, np.unique(codes)), dtype=np.float64)


class GroupVerdict(StrEnum):
    """The four answers about one group."""

    DIFFERS = "differs"
    AGREES = "agrees within the margin"
    NOT_SHOWN = "no difference shown"
    UNTOLD = "cannot be told"


@dataclass(frozen=True, kw_only=True)
class GroupFinding:
    """How one group compares with the others.

    Parameters
    ----------
    group : str
        The group.
    verdict : GroupVerdict
        The answer.
    sentence : str
        The answer in words, with its numbers.
    conditions, runs : int
        Conditions compared, and runs of the group in them.
    difference, lower, upper : float
        Difference of ln size from the mean of the other groups, with its joint interval.
    u, u_measurement : float
        Standard uncertainty, and the part of the measurement alone.
    df, p, p_adjusted : float
        Degrees of freedom, p alone, p adjusted for all groups.
    zeta, e_n : float
        Difference over u and over 2 u.
    """

    group: str
    verdict: GroupVerdict
    sentence: str
    conditions: int = 0
    runs: int = 0
    difference: float = math.nan
    lower: float = math.nan
    upper: float = math.nan
    u: float = math.nan
    u_measurement: float = math.nan
    df: float = math.nan
    p: float = math.nan
    p_adjusted: float = math.nan
    zeta: float = math.nan
    e_n: float = math.nan

    @classmethod
    def untold(cls, group: str, reason: str) -> GroupFinding:
        """Make the finding of a group that cannot be compared at all."""
        return cls(
            group=group,
            verdict=GroupVerdict.UNTOLD,
            sentence=f"{group}: cannot be told: {reason}",
        )


@dataclass(frozen=True, kw_only=True)
class GroupAgreement:
    """Agreement of all groups in one quantity.

    Parameters
    ----------
    quantity : str
        What was compared.
    time_min : float or None
        The one milling time, or None for all.
    findings : tuple of GroupFinding
        One a group, in the order of the study.
    by_condition : DataFrame
        Condition columns, group column, difference_percent, u_percent, zeta, e_n, finding.
    scatter : RunScatter
        Run-to-run variance used.
    level : float
        Confidence level, joint over the groups.
    margin_percent : float or None
        Difference that is too small to matter.
    set_aside : tuple of str
        Runs of cells with a size that is not bracketed.
    """

    quantity: str
    time_min: float | None
    findings: tuple[GroupFinding, ...]
    by_condition: pd.DataFrame
    scatter: RunScatter
    level: float
    margin_percent: float | None
    set_aside: tuple[str, ...]

    def sentences(self) -> tuple[str, ...]:
        """One sentence a group, then what the uncertainty rests on."""
        run_percent = 100 * math.sqrt(self.scatter.variance)
        rests = {
            "replicates": f"Run-to-run variation {run_percent:.2g} %, from replicates.",
            "group by condition table": f"Run-to-run variation {run_percent:.2g} %, from the "
            "scatter about group and condition effects, as there are no replicates.",
            "not estimated": "Run-to-run variation was not estimated: there are neither "
            "replicates nor two conditions under which the same groups have results.",
        }[self.scatter.source]
        aside: tuple[str, ...] = ()
        if self.set_aside:
            aside = (
                f"Set aside, because a size of their cell is not bracketed by the sieves: "
                f"{', '.join(self.set_aside)}.",
            )
        return (*(one.sentence for one in self.findings), rests, *aside)

    def to_frame(self) -> pd.DataFrame:
        """One row a group: verdict, difference as ratio and per cent, uncertainty, scores."""
        rows = []
        for one in self.findings:
            ends = 100 * np.expm1([one.difference, one.lower, one.upper])
            rows.append(
                {
                    "group": one.group,
                    "quantity": self.quantity,
                    "conditions": one.conditions,
                    "runs": one.runs,
                    "ratio": math.exp(one.difference),
                    "ratio_lower": math.exp(one.lower),
                    "ratio_upper": math.exp(one.upper),
                    "difference_percent": ends[0],
                    "lower_percent": ends[1],
                    "upper_percent": ends[2],
                    "u_percent": 100 * one.u,
                    "u_measurement_percent": 100 * one.u_measurement,
                    "df": one.df,
                    "p": one.p,
                    "p_adjusted": one.p_adjusted,
                    "zeta": one.zeta,
                    "e_n": one.e_n,
                    "verdict": str(one.verdict),
                    "sentence": one.sentence,
                }
            )
        return pd.DataFrame(rows)


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
    """Put one group's comparison into a verdict."""
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
