"""A budget in a few rows: the typical run, and what a change makes of the typical uncertainty.

Standard uncertainties in per cent; over runs or differences they are combined as root mean squares
(so that variances are averaged), over sources as root sums of squares (sources are independent).
Sizes and differences without a value count in no mean.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from psdstats.uncertainty.budgets import Budget

__all__ = ["combined_percent", "typical_changes", "typical_run", "typical_shares"]

_COLUMNS = ["scope", "quantity", "label", "source", "balance_limited", "u_percent", "share"]


def typical_run(budget: Budget) -> pd.DataFrame:
    """Budget of the typical run: means over all runs that have a value.

    Parameters
    ----------
    budget : Budget
        Of a study.

    Returns
    -------
    DataFrame
        quantity, source, balance_limited, u_percent (root mean square over the runs), share (mean
        over the runs); in the order of the budget.
    """
    known = budget.runs.dropna(subset=["share"])
    grouped = known.groupby(["quantity", "source", "balance_limited"], sort=False, observed=True)
    return grouped.agg(u_percent=("u_percent", _root_mean), share=("share", "mean")).reset_index()


def typical_shares(budget: Budget) -> pd.DataFrame:
    """Budget of the typical run, then of one difference a quantity.

    Parameters
    ----------
    budget : Budget
        Of a study.

    Returns
    -------
    DataFrame
        scope ("run" or "difference"), quantity, label (what it is the budget of, in words), source
        (in words), balance_limited, u_percent, share.  The difference is that of the last level
        that has a budget from the first.
    """
    run = typical_run(budget)
    parts = [run.assign(scope="run", label=run["quantity"].astype(str) + " of one run")]
    unit = " min" if budget.by == "milling_time_min" else ""
    known = budget.differences.dropna(subset=["share"])
    for quantity, own in known.groupby("quantity", sort=False):
        from_first = own[own["versus"] == own["versus"].min()]
        last = from_first[from_first["level"] == from_first["level"].max()]
        level, versus = (_written(last[name].iloc[0]) for name in ("level", "versus"))
        label = f"{quantity}, {level} against {versus}{unit}"
        parts.append(last.assign(scope="difference", label=label))
    frame = pd.concat(
        [part[_COLUMNS] for part in parts if len(part)] or [pd.DataFrame(columns=_COLUMNS)]
    )
    return frame.assign(source=frame["source"].str.replace("_", " ")).reset_index(drop=True)


def _written(level: object) -> str:
    return str(level) if isinstance(level, str) else f"{level:.12g}"


def combined_percent(part: pd.DataFrame) -> pd.Series:
    """Standard uncertainty of each quantity from all its sources.

    Parameters
    ----------
    part : DataFrame
        Rows of a budget, one a source, of one run or one difference (or as `typical_run` gives
        them): quantity, u_percent.

    Returns
    -------
    Series
        Per cent, by quantity, in the order of the rows.
    """
    squares = (part["u_percent"] ** 2).groupby(part["quantity"], sort=False).sum()
    return pd.Series(np.sqrt(squares), name="u_percent")


def typical_changes(budget: Budget) -> pd.DataFrame:
    """What each change makes of the typical uncertainty of a run, and of a difference.

    Parameters
    ----------
    budget : Budget
        Of a study.

    Returns
    -------
    DataFrame
        scope ("run" or "difference"), change, quantity, u_now_percent, u_then_percent: root mean
        squares over the runs or the differences.
    """
    known = budget.what_if[budget.what_if["u_now_percent"].notna()]
    grouped = known.groupby(["scope", "change", "quantity"], sort=False, observed=True)
    columns = ["u_now_percent", "u_then_percent"]
    return grouped[columns].agg(_root_mean).reset_index()


def _root_mean(u_percent: pd.Series) -> float:
    return float(np.sqrt((u_percent**2).mean()))
