"""The arrays of one response: what its runs can tell, and what varies.

A column a condition (a level of the factor at a level of the further factors) stands beside further
factors and blocks; what variances multiply are cells of block and condition, lines of blocks in the
order of the levels, and single runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from psdstats.comparison.plan import ComparisonPlan, SpreadRule, columns_of
from psdstats.comparison.response import cell_texts
from psdstats.comparison.spread import level_order
from psdstats.frozen import Array
from psdstats.models.engine import squares_of

_UNTOLD = 1e-8  # what rounding leaves of a combination that the runs tell
_FEWEST = 3  # blocks that hold as many levels, from which their drift is estimated


@dataclass(frozen=True, kw_only=True, eq=False)
class AnalysisDesign:
    """The arrays of one response.

    Parameters
    ----------
    cells : tuple of (str, str)
        Conditions: level of the factor, level of the further factors.
    x : ndarray, shape (n, p)
        A column a condition, then further factors and blocks; not of full rank.
    columns : tuple of ndarray, each of shape (n, r)
        Z of each Z Zᵀ that a variance multiplies; the residual has none.
    part_names : tuple of str
        "cell", "drift", "run".
    """

    cells: tuple[tuple[str, str], ...]
    x: Array
    columns: tuple[Array, ...]
    part_names: tuple[str, ...]

    @cached_property
    def parts(self) -> Array:
        """What variances multiply, the residual last, shape (k, n, n)."""
        return squares_of(self.columns, len(self.x))

    @property
    def left(self) -> int:
        """Degrees of freedom beside the fixed part."""
        return len(self.x) - int(np.linalg.matrix_rank(self.x))

    @cached_property
    def row_space(self) -> Array:
        """Projector on the combinations of columns of x that the runs can tell, shape (p, p)."""
        return np.asarray(np.linalg.pinv(self.x, rcond=1e-10) @ self.x, dtype=np.float64)

    def is_told(self, row: Array) -> bool:
        """Whether the runs can tell a combination of the columns of x."""
        return bool(np.abs(row @ self.row_space - row).max() < _UNTOLD)

    @cached_property
    def unlinked(self) -> tuple[tuple[str, str], ...]:
        """Conditions that blocks or further factors keep apart from most of their level."""
        # columns differ by what the runs tell where what they leave untold is the same
        untold = (np.eye(len(self.row_space)) - self.row_space)[:, : len(self.cells)]
        found = []
        for where in dict.fromkeys(where for _, where in self.cells):
            own = [k for k, cell in enumerate(self.cells) if cell[1] == where]
            mate = [
                next(j for j in own if np.abs(untold[:, j] - untold[:, k]).max() < _UNTOLD)
                for k in own
            ]
            largest = Counter(mate).most_common(1)[0][0]
            found += [self.cells[k] for k, one in zip(own, mate, strict=True) if one != largest]
        return tuple(found)

    def mean_row(self, level: str, where: str = "") -> Array:
        """Weights of a condition on the columns of x, for differences between conditions."""
        row = np.zeros(self.x.shape[1])
        row[self.cells.index((level, where))] = 1.0
        return row


def trial_design(frame: pd.DataFrame, plan: ComparisonPlan) -> AnalysisDesign:
    """The design of the runs of a frame."""
    texts = cell_texts(frame, plan)
    order = frame.reset_index(drop=True).sort_values([*where_columns(plan), plan.by])
    cells = tuple(dict.fromkeys(texts[row] for row in order.index))
    held = [[one == cell for cell in cells] for one in texts]
    columns = [np.array(held, dtype=float).reshape(len(texts), len(cells))]
    columns += [indicators(frame, (name,)) for name in plan.also]
    columns += [indicators(frame, columns_of(one)) for one in plan.blocks]
    varying, names = [], []
    for one in plan.cells:
        own = indicators(frame, columns_of(one))
        if 1.0 < own.sum(axis=0).max(initial=0.0) < len(frame):
            varying.append(own)
            names.append("cell")
    drifting = drifting_blocks(frame, plan)
    if drifting is not None and plan.drift is None:
        varying.append(drift_lines(frame, plan, drifting))
        names.append("drift")
    return AnalysisDesign(
        cells=cells,
        x=np.hstack(columns),
        columns=tuple(varying),
        part_names=(*names, "run"),
    )


def where_columns(plan: ComparisonPlan) -> list[str]:
    """Column of the levels answered by themselves, where there is one."""
    return [] if plan.where is None else [plan.where]


def indicators(frame: pd.DataFrame, columns: Sequence[str]) -> Array:
    """A column a combination of levels, one for all without columns; what is missing is a level."""
    if not columns:
        return np.ones((len(frame), 1))
    groups = frame.groupby(list(columns), sort=True, observed=True, dropna=False)
    number = groups.ngroup().to_numpy()
    return np.asarray(np.equal.outer(number, np.unique(number)), dtype=np.float64)


def same_level(frame: pd.DataFrame, columns: Sequence[str]) -> Array:
    """One where two runs share a combination of levels, else zero, shape (n, n)."""
    own = indicators(frame, columns)
    return np.asarray(own @ own.T, dtype=np.float64)


def drifting_blocks(frame: pd.DataFrame, plan: ComparisonPlan) -> tuple[str, ...] | None:
    """Columns of the blocks that may drift apart in the order of the levels; None where none may.

    They are the first that hold the levels: groups, or charges.
    """
    if plan.spread is not SpreadRule.DRIFTING or level_order(frame[plan.by]) is None:
        return None
    for one in map(columns_of, plan.blocks):
        held = frame.groupby(list(one), observed=True, dropna=False)[plan.by].nunique()
        if int((held >= _FEWEST).sum()) >= _FEWEST:
            return one
    return None


def drift_lines(frame: pd.DataFrame, plan: ComparisonPlan, columns: Sequence[str]) -> Array:
    """Lines of unit slope that blocks have in the order of the levels, (n, blocks)."""
    place = level_order(frame[plan.by])
    if place is None or frame.empty:  # no run has the size
        return np.zeros((len(frame), 1))
    order = place.to_numpy(dtype=float)
    return np.asarray(indicators(frame, columns) * (order - order.mean())[:, None])
