"""Intraclass correlation between groups, by pingouin, where every group has every level.

How much of the variation of single group results at given milling times is common to all groups.
Times that differ much make it large whatever the groups do, so it is weak evidence of agreement by
itself; the difference between consistency and absolute agreement shows whether groups are offset.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from psdstats.comparison.precision_cells import Scale, cells_at_levels

__all__ = ["Intraclass", "intraclass_correlation"]

_KINDS = {
    "ICC(1,1)": "groups interchangeable",
    "ICC(A,1)": "absolute agreement",
    "ICC(C,1)": "consistency",
}


@dataclass(frozen=True, kw_only=True)
class Intraclass:
    """Intraclass correlations of one group's result.

    Parameters
    ----------
    table : DataFrame
        kind, icc, lower, upper (95 %), f, df_1, df_2, p; empty where it is not possible.
    status : str
        "computed", or why not.
    """

    table: pd.DataFrame
    status: str

    def to_frame(self) -> pd.DataFrame:
        """A copy of the table."""
        return self.table.copy()


def intraclass_correlation(
    frame: pd.DataFrame,
    *,
    value: str,
    group: str,
    level: str | Sequence[str],
    scale: Scale | str = Scale.LOG,
) -> Intraclass:
    """Intraclass correlations of group means, with levels as targets and groups as raters.

    Parameters
    ----------
    frame : DataFrame
        One row a result; replicates are averaged.
    value, group : str
        Column of the results; column of the groups.
    level : str or sequence of str
        Column or columns that define a level.
    scale : {"log", "raw"}, default="log"
        Whether logarithms are taken.

    Returns
    -------
    Intraclass
        The table, or an empty one and the reason.

    Raises
    ------
    ModelError
        If a column is missing or a value has no logarithm.

    References
    ----------
    K. O. McGraw and S. P. Wong, "Forming inferences about some intraclass correlation
    coefficients", Psychological Methods 1 (1996) 30-46 (from memory).
    """
    cells = cells_at_levels(frame, value=value, group=group, level=level, scale=scale)
    tidy = pd.DataFrame(
        [
            {"target": number, "rater": name, "rating": mean}
            for number, one in enumerate(cells)
            for name, mean in zip(one.groups, one.mean, strict=True)
        ]
    )
    groups = tidy["rater"].nunique()
    if groups < 2 or len(cells) < 2:
        return _none(f"needs two groups and two levels; there are {groups} and {len(cells)}")
    if len(tidy) < groups * len(cells):
        missing = groups * len(cells) - len(tidy)
        return _none(f"needs every group at every level; {missing} are missing or not bracketed")
    if len(tidy) < 5:
        return _none(f"needs at least 5 results; there are {len(tidy)}")
    import pingouin

    with warnings.catch_warnings():  # pingouin calls pandas in a way that pandas will give up
        warnings.simplefilter("ignore", DeprecationWarning)
        found = pingouin.intraclass_corr(tidy, targets="target", raters="rater", ratings="rating")
    mine = found[found["Type"].isin(_KINDS)]
    limits = mine["CI95"].tolist()
    table = pd.DataFrame(
        {
            "kind": [_KINDS[one] for one in mine["Type"]],
            "icc": mine["ICC"].to_numpy(),
            "lower": [float(pair[0]) for pair in limits],
            "upper": [float(pair[1]) for pair in limits],
            "f": mine["F"].to_numpy(),
            "df_1": mine["df1"].to_numpy(),
            "df_2": mine["df2"].to_numpy(),
            "p": mine["pval"].to_numpy(),
        }
    )
    return Intraclass(table=table, status="computed")


def _none(reason: str) -> Intraclass:
    columns = ["kind", "icc", "lower", "upper", "f", "df_1", "df_2", "p"]
    return Intraclass(table=pd.DataFrame(columns=columns), status=f"not computed: {reason}")
