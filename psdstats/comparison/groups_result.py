"""What is found about groups: one finding a group, and the differences behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from psdstats.comparison.groups_scatter import RunScatter

__all__ = ["GroupAgreement", "GroupFinding", "GroupVerdict"]


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
        """Make the finding of a group that cannot be compared at all.

        Parameters
        ----------
        group : str
            The group.
        reason : str
            Why not, as a clause.

        Returns
        -------
        GroupFinding
        """
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
