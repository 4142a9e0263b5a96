"""Divide the runs of a trial by the levels of one column of the run table."""

from __future__ import annotations

import pandas as pd

from psdstats.errors import ModelError
from psdstats.models.design_columns import level_text

__all__ = ["by_level"]


def by_level(frame: pd.DataFrame, by: str | None) -> list[tuple[str, pd.DataFrame]]:
    """Rows of each level with a label, numbers by size and texts by alphabet.

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
        If there is no such column, or a run has no value in it.

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
    gaps = frame.loc[frame[by].isna(), "run"]
    if len(gaps):
        some = ", ".join(gaps[:5]) + (" and others" if len(gaps) > 5 else "")
        raise ModelError(
            f"Column {by!r} has no value for {some}; fill it in, or do not divide the runs by it."
        )
    return [(f"{by} {level_text(value)}", part) for value, part in frame.groupby(by, sort=True)]
