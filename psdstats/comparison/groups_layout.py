"""Which runs enter the comparison of groups, and with which weights.

A group is compared with the plain mean of the other groups at every condition (milling time and
whatever else was set) where both have results, and the differences are averaged over these
conditions.  A cell (group and condition) with a size that the sieves do not bracket is set aside
whole, because leaving out single runs would favour those that stayed inside the stack.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.errors import ModelError

__all__ = ["GroupLayout", "group_layout"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupLayout:
    """Runs used and their codes.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Rows of the run table that are used.
    groups : tuple of str
        All groups of the study, used or not.
    conditions : DataFrame
        One row a condition.
    group, condition : ndarray of int, shape (n,)
        Codes of the runs used.
    set_aside : tuple of str
        Runs that were set aside.
    """

    rows: NDArray[np.intp]
    groups: tuple[str, ...]
    conditions: pd.DataFrame
    group: NDArray[np.intp]
    condition: NDArray[np.intp]
    set_aside: tuple[str, ...]

    def weights(self, group: int, condition: int) -> Array | None:
        """Weights of one group minus the mean of the others at one condition, (n,).

        None where the group or all others have no result there.
        """
        here = self.condition == condition
        own = here & (self.group == group)
        others = [here & (self.group == one) for one in range(len(self.groups)) if one != group]
        others = [mask for mask in others if mask.any()]
        if not own.any() or not others:
            return None
        weights = own / own.sum()
        for mask in others:
            weights = weights - mask / (mask.sum() * len(others))
        return np.asarray(weights, dtype=np.float64)

    def average_weights(self, group: int) -> tuple[Array | None, int]:
        """Weights averaged over the conditions that can be compared, and their number."""
        found = [self.weights(group, one) for one in range(len(self.conditions))]
        usable = [one for one in found if one is not None]
        return (np.mean(usable, axis=0) if usable else None), len(usable)


def group_layout(
    table: pd.DataFrame, known: NDArray[np.bool_], *, group: str, conditions: Sequence[str]
) -> GroupLayout:
    """Sort the runs into groups and conditions.

    Parameters
    ----------
    table : DataFrame
        Run table, one row a run, with the column ``run``.
    known : ndarray of bool, shape (n_runs,)
        Whether the run has a value.
    group : str
        Column of the groups.
    conditions : sequence of str
        Columns that define a condition.

    Returns
    -------
    GroupLayout
        Codes of the runs used.

    Raises
    ------
    ModelError
        If a column is missing.
    """
    for column in (group, *conditions):
        if column not in table.columns:
            raise ModelError(
                f"There is no column {column!r} in the run table (it has {list(table.columns)})."
            )
    group_codes, groups = pd.factorize(table[group])
    cells = table.groupby(list(conditions), sort=True, dropna=False)
    condition_codes = cells.ngroup().to_numpy()
    named = table[list(conditions)].assign(_code=condition_codes)
    listed = named.drop_duplicates("_code").sort_values("_code").drop(columns="_code")
    bad = set(zip(group_codes[~known], condition_codes[~known], strict=True))
    use = np.array(
        [cell not in bad for cell in zip(group_codes, condition_codes, strict=True)], dtype=bool
    )
    rows = np.flatnonzero(use)
    return GroupLayout(
        rows=rows,
        groups=tuple(str(one) for one in groups),
        conditions=listed.reset_index(drop=True),
        group=group_codes[rows].astype(np.intp),
        condition=condition_codes[rows].astype(np.intp),
        set_aside=tuple(table["run"].to_numpy()[~use]),
    )
