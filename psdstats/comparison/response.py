"""One quantity of the runs that can enter a comparison, and what a reader must know of it.

A percentile that the sieves do not bracket is an open interval and cannot enter a mean.  Leaving
out only the runs at fault would favour the runs that happened to stay inside the stack, so the
whole cell they belong to (group and condition) is set aside; its bounds are kept for the ordered
findings, which they can decide.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.columns import RUN
from psdstats.comparison.plan import ComparisonPlan
from psdstats.covariance import Covariance
from psdstats.findings import ContrastKind, Remark, RemarkKind
from psdstats.frozen import Array
from psdstats.models.contrasts import ContrastMatrix, contrast_matrix, within_each
from psdstats.models.design_columns import level_text
from psdstats.uncertainty.propagation import in_open_cell

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
        """Finest size that a run without a value lies below, and coarsest that one lies above."""
        lower, upper = self.placed["ln_lower"], self.placed["ln_upper"]
        is_open = lower != upper
        below, above = upper[is_open & np.isfinite(upper)], lower[is_open & ~np.isfinite(upper)]
        return float(np.exp(below.min())), float(np.exp(above.max()))

    def asked(self, family: ContrastKind) -> ContrastMatrix:
        """The contrasts of one family over all levels."""
        matrix = contrast_matrix(self.levels, family)
        return matrix if self.plan.where is None else within_each(matrix, self.at_levels)


def _levels(runs: pd.DataFrame, column: str | None) -> tuple[str, ...]:
    return () if column is None else tuple(map(level_text, sorted(runs[column].unique())))


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
    size.
    """
    is_open = ~np.isfinite(value)
    first = [one for one in plan.within[:1] if isinstance(one, str)]
    aside = in_open_cell(runs, is_open, [*first, *plan.factors])
    placed = plan.placed(runs)
    texts = pd.Series(cell_texts(runs, plan), index=runs.index)
    share = pd.Series(aside, index=runs.index)[placed].groupby(texts[placed]).mean()
    lost = [cell for cell in share.index if share[cell] > _MOST_SET_ASIDE]
    gone = placed & texts.isin(lost).to_numpy()
    obstacles = {}
    for cell in lost:
        here = placed & texts.isin([cell]).to_numpy()
        obstacles[cell] = ComparisonRemark.NOT_BRACKETED(
            quantity=quantity,
            column=plan.by,
            level=cell[0],
            count=int((is_open & here).sum()),
            runs=int(here.sum()),
        )
    kept = placed & ~aside & ~gone
    both = np.ix_(kept, kept)
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.log(np.where(is_open[:, None], _bounds(bounds, value), value[:, None]))
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
        levels=_levels(runs[placed], plan.by),
        at_levels=_levels(runs[placed], plan.where),
        obstacles=obstacles,
    )


def _bounds(bounds: Array | None, value: Array) -> Array:
    """Open intervals of the sizes; anything above zero where none is given."""
    return np.tile([0.0, np.inf], (len(value), 1)) if bounds is None else bounds


def cell_texts(runs: pd.DataFrame, plan: ComparisonPlan) -> list[tuple[str, str]]:
    """Level of the factor and of the further factors of each run, as text."""
    levels = runs[plan.by].map(level_text)
    where = [""] * len(runs) if plan.where is None else runs[plan.where].map(level_text)
    return list(zip(levels, where, strict=True))
