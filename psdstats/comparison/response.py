"""One quantity of the runs that can enter a comparison, and what a reader must know of it.

A percentile that the sieves do not bracket is an open interval and cannot enter a mean.  Leaving
out only the runs at fault would favour the runs that happened to stay inside the stack, so the
whole cell they belong to (group and condition) is set aside; its bounds are kept for the ordered
findings, which they can decide.

The arrays of one response: what its runs can tell, and what varies.

A column a condition (a level of the factor at a level of the further factors) stands beside further
factors and blocks; what variances multiply are cells of block and condition, lines of blocks in the
order of the levels, and single runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES, RUN
from psdstats.comparison.plan import ComparisonPlan, SpreadRule, columns_of
from psdstats.covariance import Covariance
from psdstats.findings import ContrastKind, Remark, RemarkKind
from psdstats.frozen import Array
from psdstats.models.contrasts import ContrastMatrix, contrast_matrix, within_each
from psdstats.models.design_columns import level_text
from psdstats.models.engine import squares_of

_MOST_SET_ASIDE = 0.5  # of the runs of a level (own rule, no source)


class ComparisonRemark(RemarkKind):
    """What a comparison rests on, what was set aside, and why something cannot be judged."""

    BY_MODEL = "by the model"
    BY_MEASUREMENT = "by the measurement"
    BY_SINGLE_RUNS = "by single runs"  # basis, percent, df
    BY_OWN_SPREAD = "by their own spread"  # paired
    NOT_FITTED = "nothing fitted"  # reason
    NOT_BRACKETED = "level not bracketed"  # quantity, column, level, count, runs
    FEW_LEVELS = "few levels bracketed"  # quantity, column
    ONE_GROUP = "one group bracketed"  # quantity, columns
    NOT_LINKED = "not linked"  # columns
    NO_RUN_LEFT = "no run left"
    FEW_UNITS = "few units left"  # paired
    NO_SPREAD = "no spread"
    SET_ASIDE = "runs set aside"  # runs
    DRIFT_ALLOWED = "drift allowed"
    MISFIT = "spread does not fit"  # p, column, first, last, first_percent, last_percent


def families_for(levels: Sequence[object]) -> tuple[ContrastKind, ...]:
    """Families that make sense: ordered numbers also step by step, names only pair by pair."""
    numbers = all(isinstance(level, (int, float, np.number)) for level in levels)
    if numbers and len(levels) > 2:
        return (ContrastKind.AGAINST_FIRST, ContrastKind.SUCCESSIVE, ContrastKind.ALL_PAIRS)
    return (ContrastKind.ALL_PAIRS,)


@dataclass(frozen=True, kw_only=True, eq=False)
class Response:
    """One quantity of all runs that can enter the comparison, and what is asked of it.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    plan : ComparisonPlan
        What is compared with what.
    level : float
        Confidence level of a family.
    frame : DataFrame
        The run table of the runs used, with the column ``ln_value``.
    known : ndarray, shape (n, n)
        Covariance of ``ln_value`` from the measurement, with the sensitivities of the mean curve of
        runs alike.
    balance : ndarray, shape (n, n), or None
        The part of it that a perfect balance would take away.
    own : callable
        Gives the same with the sensitivities of each run's own curve; it may have to be drawn.
    placed : DataFrame
        The run table of all runs with a place in the design, with ``ln_lower`` and ``ln_upper``:
        the value twice, or the open interval that holds it.
    placed_known : ndarray, shape (m, m)
        Their covariance, as ``known``.
    set_aside : tuple of str
        Runs left out because their cell holds an open percentile.
    levels, at_levels : tuple of str
        All levels of the factor and of the further factors, in order.
    obstacles : mapping of (str, str) to Remark
        For each lost level of the factor, at a level of the further factors, why it cannot be
        judged.
    """

    quantity: str
    plan: ComparisonPlan
    level: float
    frame: pd.DataFrame
    known: Covariance
    balance: Covariance | None
    own: Callable[[], Covariance]
    placed: pd.DataFrame
    placed_known: Covariance
    set_aside: tuple[str, ...]
    levels: tuple[str, ...]
    at_levels: tuple[str, ...]
    obstacles: Mapping[tuple[str, str], Remark]

    @property
    def open_um(self) -> tuple[float, float]:
        """Finest size that a run without a value lies below, and coarsest that one lies above.

        NaN where there is none, no sieve would tell, or other sizes say it (span).
        """
        if self.plan.in_hand or self.quantity not in QUANTITIES[:3]:
            return np.nan, np.nan
        lower, upper = self.placed["ln_lower"], self.placed["ln_upper"]
        is_open = lower != upper
        below, above = upper[is_open & np.isfinite(upper)], lower[is_open & ~np.isfinite(upper)]
        return float(np.exp(below.min())), float(np.exp(above.max()))

    def asked(self, family: ContrastKind) -> ContrastMatrix:
        """The contrasts of one family over all levels."""
        matrix = contrast_matrix(self.levels, family)
        return matrix if self.plan.where is None else within_each(matrix, self.at_levels)


def in_open_cell(
    runs: pd.DataFrame, is_open: NDArray[np.bool_], cell: Sequence[str]
) -> NDArray[np.bool_]:
    """Which runs belong to a cell that holds an open value.

    Such a value is an interval and cannot enter a mean.  Leaving out only the runs at fault would
    favour those that happened to stay inside the stack, so the whole cell (such as group and
    milling time) is set aside.

    Shapes: is_open (n,); gives (n,).

    Examples
    --------
    >>> runs = pd.DataFrame({"group": ["a", "a", "b"], "milling_time_min": [6.0, 6.0, 6.0]})
    >>> in_open_cell(runs, np.array([True, False, False]), ["group", "milling_time_min"])
    array([ True,  True, False])
    """
    keys = [runs[name].reset_index(drop=True) for name in cell]
    found = pd.Series(is_open).groupby(keys, dropna=False, observed=True).transform("any")
    return np.asarray(found, dtype=np.bool_)


def build_response(
    runs: pd.DataFrame,
    value: Array,
    plan: ComparisonPlan,
    quantity: str,
    known: Covariance,
    *,
    bounds: Array | None = None,
    balance: Covariance | None = None,
    own: Callable[[], Array],
    level: float = 0.95,
) -> Response:
    """Take what can enter of one quantity, cell by cell.

    Shapes: value (R,), known, balance, gives of own (R, R), bounds (R, 2): the open interval of a
    size, anything above zero where none is given.
    """
    is_open = ~np.isfinite(value)
    first = [one for one in plan.within[:1] if isinstance(one, str)]
    aside = in_open_cell(runs, is_open, [*first, *plan.factors])
    placed = plan.placed(runs)
    texts = pd.Series(cell_texts(runs, plan), index=runs.index)
    share = pd.Series(aside, index=runs.index)[placed].groupby(texts[placed]).mean()
    lost = [cell for cell in share.index if share[cell] > _MOST_SET_ASIDE]
    here = {cell: placed & texts.isin([cell]).to_numpy() for cell in lost}
    why = partial(ComparisonRemark.NOT_BRACKETED, quantity=quantity, column=plan.by)
    obstacles = {
        cell: why(level=cell[0], count=int((is_open & own).sum()), runs=int(own.sum()))
        for cell, own in here.items()
    }
    levels = [
        () if name is None else tuple(map(level_text, sorted(runs[name][placed].unique())))
        for name in (plan.by, plan.where)
    ]
    kept = placed & ~aside & ~texts.isin(lost).to_numpy()
    both = np.ix_(kept, kept)
    open_ends = (0.0, np.inf) if bounds is None else bounds
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.log(np.where(is_open[:, None], open_ends, value[:, None]))
        log_value = np.log(value)
    return Response(
        quantity=quantity,
        plan=plan,
        level=level,
        frame=runs.loc[kept].assign(ln_value=log_value[kept]).reset_index(drop=True),
        known=known[both],
        balance=None if balance is None else balance[both],
        own=lambda: own()[both],
        placed=runs.loc[placed]
        .assign(ln_lower=ends[placed, 0], ln_upper=ends[placed, 1])
        .reset_index(drop=True),
        placed_known=known[np.ix_(placed, placed)],
        set_aside=tuple(runs[RUN][placed & ~kept]),
        levels=levels[0],
        at_levels=levels[1],
        obstacles=obstacles,
    )


def level_order(column: pd.Series) -> pd.Series | None:
    """Place of each run's level among the levels, from 0; None unless levels are numbers."""
    levels = sorted(column.unique().tolist())
    if not all(isinstance(one, (int, float)) for one in levels):
        return None
    return column.map({level: float(place) for place, level in enumerate(levels)})


def cell_texts(runs: pd.DataFrame, plan: ComparisonPlan) -> list[tuple[str, str]]:
    """Level of the factor and of the further factors of each run, as text."""
    levels = runs[plan.by].map(level_text)
    where = [""] * len(runs) if plan.where is None else runs[plan.where].map(level_text)
    return list(zip(levels, where, strict=True))


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
    x, varying = np.hstack(columns), list[tuple[str, Array]]()
    for one in plan.cells:
        own = indicators(frame, columns_of(one))
        if 1.0 < own.sum(axis=0).max(initial=0.0) < len(frame):
            varying.append(("cell", own))
    drifting = drifting_blocks(frame, plan)
    if drifting is not None and plan.drift is None:
        varying.append(("drift", drift_lines(frame, plan, drifting)))
    # of groups whose conditions are their own, the conditions leave nothing to vary
    rank = np.linalg.matrix_rank
    seen = [one for one in varying if rank(np.hstack([x, one[1]])) > rank(x)]
    return AnalysisDesign(
        cells=cells,
        x=x,
        columns=tuple(own for _, own in seen),
        part_names=(*(name for name, _ in seen), "run"),
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


def drift_lines(
    frame: pd.DataFrame, plan: ComparisonPlan, columns: Sequence[str], *, from_first: bool = False
) -> Array:
    """Lines of unit slope that blocks have in the order of the levels, (n, blocks).

    They turn about the middle of the order, or about the first level: where blocks are fixed,
    differences of levels do not see which, but the mean of the blocks is surest where they turn.
    """
    place = level_order(frame[plan.by])
    if place is None or frame.empty:  # no run has the size
        return np.zeros((len(frame), 1))
    order = place.to_numpy(dtype=float)
    turn = 0.0 if from_first else order.mean()
    return np.asarray(indicators(frame, columns) * (order - turn)[:, None])
