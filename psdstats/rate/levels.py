"""Divide the runs of a trial by the levels of one column of the run table."""

from __future__ import annotations

import pandas as pd

from psdstats.errors import ModelError
from psdstats.models.design_columns import level_text
from psdstats.wording import without_value

__all__ = ["by_level", "runs_without_level"]


def by_level(frame: pd.DataFrame, by: str | None) -> list[tuple[str, pd.DataFrame]]:
    """Rows of each level with a label, numbers by size and texts by alphabet.

    Runs without a value are in none of them; `runs_without_level` says so.

    Parameters
    ----------
    frame : DataFrame
        Run table, one row a run, with a column run.
    by : str or None
        Column; None keeps all rows together under an empty label.

    Returns
    -------
    list of (str, DataFrame)
        Label such as "ball_ratio 5" and the rows, with the index of the frame.

    Raises
    ------
    ModelError
        If there is no such column, or no run has a value in it.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": ["a", "b"], "ball_ratio": [10.0, 5.0]})
    >>> [label for label, _ in by_level(runs, "ball_ratio")]
    ['ball_ratio 5', 'ball_ratio 10']
    """
    if by is None:
        return [("", frame)]
    if by not in frame.columns:
        known = ", ".join(name for name in frame.columns if name != "run")
        raise ModelError(f"The run table has no column {by!r}. Name one of: {known}.")
    if frame[by].isna().all():
        raise ModelError(
            f"Column {by!r} has no value for any run; fill it in, or do not divide the runs by it."
        )
    return [(f"{by} {level_text(value)}", part) for value, part in frame.groupby(by, sort=True)]


def runs_without_level(frame: pd.DataFrame, by: str | None) -> tuple[str, ...]:
    """A note on the runs that have no value in a column, or none where all have one.

    Parameters
    ----------
    frame : DataFrame
        Run table, one row a run, with a column run.
    by : str or None
        Column that divides the runs; None divides nothing.
    """
    lost = [] if by is None else frame.loc[frame[by].isna(), "run"].tolist()
    return (without_value(lost, str(by)),) if lost else ()
