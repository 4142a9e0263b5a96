"""What a comparison can still be told from, where open percentiles set runs aside.

A further factor with one level left has nothing to set apart and leaves the model; a grouping or
``at_each`` with one level left leaves no answer.
"""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from psdstats.comparison.plan import ComparisonPlan, level_in_words
from psdstats.models.design_columns import level_text
from psdstats.wording import column_words

__all__ = ["obstacle_left", "plan_left"]


def plan_left(frame: pd.DataFrame, plan: ComparisonPlan) -> tuple[ComparisonPlan, tuple[str, ...]]:
    """The plan without further factors that have one level left, and what is said of it.

    Parameters
    ----------
    frame : DataFrame
        The run table of the runs left, one at least.
    plan : ComparisonPlan
        What was to be compared with what.

    Returns
    -------
    plan : ComparisonPlan
        The plan for these runs.
    notes : tuple of str
        One sentence a factor left out.
    """
    constant = [name for name in plan.also if frame[name].nunique() < 2]
    notes = tuple(
        f"Compared at {level_in_words(name, level_text(frame[name].iloc[0]))} only, since no run "
        f"of another {column_words(name)} is left; {column_words(name)} left the model."
        for name in constant
    )
    return replace(plan, also=tuple(one for one in plan.also if one not in constant)), notes


def obstacle_left(frame: pd.DataFrame, plan: ComparisonPlan, quantity: str) -> str | None:
    """Why the runs left cannot be compared by a model, as a clause; None where they can.

    Parameters
    ----------
    frame : DataFrame
        The run table of the runs left.
    plan : ComparisonPlan
        What is compared with what, as `plan_left` gives it.
    quantity : str
        Name of the quantity.

    Returns
    -------
    str or None
    """
    bracketed = f"{quantity} is bracketed by the sieves"
    if plan.at_each is not None and frame[plan.at_each].nunique() < 2:
        return f"{bracketed} at fewer than two levels of {column_words(plan.at_each)}"
    for grouping in plan.within:
        columns = [grouping] if isinstance(grouping, str) else list(grouping)
        if frame.groupby(columns, observed=True).ngroups < 2:
            name = " and ".join(column_words(one) for one in columns)
            return f"{bracketed} in one {name} only, so how they differ cannot be seen"
    return None
