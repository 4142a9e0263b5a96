"""The response of a comparison: ln of a percentile or of span, with its joint covariance.

A percentile that the sieves do not bracket is an open interval and cannot enter a mean.  Leaving
out only the runs at fault would favour the runs that happened to stay inside the stack, so the
whole cell they belong to (group and level) is set aside, and said so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.plan import ComparisonPlan, level_in_words
from psdstats.models.design_columns import level_text
from psdstats.uncertainty import Propagation

__all__ = ["Response", "build_response"]

_LISTED = 4  # runs named before "and … more"
_MOST_SET_ASIDE = 0.5  # of the runs of a level (own rule, no source)


@dataclass(frozen=True, kw_only=True, eq=False)
class Response:
    """One quantity of all runs that can enter the comparison.

    Parameters
    ----------
    quantity : str
        "D10", "D50", "D90" or "span".
    frame : DataFrame
        The run table of the runs used, with the column ``ln_value``.
    covariance : ndarray, shape (n, n)
        Known covariance of ``ln_value`` from the measurement, as the propagation gives it.
    kept : ndarray of bool, shape (R,)
        Which runs of the study these are.
    set_aside : tuple of str
        Runs left out because their cell holds an open percentile.
    levels : tuple of str
        All levels of the factor, in order, as text.
    lost_column : str
        The column whose levels are lost where too many runs are open: the factor or ``at_each``.
    obstacles : mapping of str to str
        For each lost level of that column why it cannot be judged, as a clause.
    """

    quantity: str
    frame: pd.DataFrame
    covariance: NDArray[np.float64]
    kept: NDArray[np.bool_]
    set_aside: tuple[str, ...]
    levels: tuple[str, ...]
    lost_column: str
    obstacles: Mapping[str, str]

    @property
    def remarks(self) -> tuple[str, ...]:
        """What was set aside and why, as a sentence; empty where nothing was."""
        count = len(self.set_aside)
        if count == 0:
            return ()
        runs = ", ".join(self.set_aside[:_LISTED])
        more = f" and {count - _LISTED} more" if count > _LISTED else ""
        return (
            f"{count} {'run' if count == 1 else 'runs'} set aside, because the sieves do not "
            f"bracket {self.quantity} in every run of their cell: {runs}{more}.",
        )


def build_response(
    runs: pd.DataFrame, propagation: Propagation, plan: ComparisonPlan, quantity: str
) -> Response:
    """Take one quantity out of a propagation, cell by cell.

    Parameters
    ----------
    runs : DataFrame
        The run table, one row a run, in the order of ``propagation.runs``.
    propagation : Propagation
        Joint result without the run-to-run source (the model estimates that part itself).
    plan : ComparisonPlan
        Gives the factor and the cells.
    quantity : str
        Name of the quantity.

    Returns
    -------
    Response
    """
    value = propagation.value[:, propagation.quantities.index(quantity)]
    is_open = pd.Series(~np.isfinite(value), index=runs.index)
    in_open_cell = is_open.groupby([runs[name] for name in plan.cell], observed=True).transform(
        "any"
    )
    placed = plan.placed(runs)
    column, lost = _lost_levels(runs[placed], in_open_cell[placed].astype(bool), plan)
    stays = (in_open_cell == 0) & ~runs[column].isin(lost)
    kept = placed & stays.to_numpy(dtype=bool)
    frame = runs.loc[kept].assign(ln_value=np.log(value[kept])).reset_index(drop=True)
    return Response(
        quantity=quantity,
        frame=frame,
        covariance=propagation.covariance(quantity, log=True).to_numpy()[np.ix_(kept, kept)],
        kept=kept,
        set_aside=tuple(runs["run"][placed & ~kept]),
        levels=tuple(level_text(level) for level in sorted(runs[placed][plan.by].unique())),
        lost_column=column,
        obstacles={
            level_text(level): _obstacle(quantity, column, level, is_open[runs[column] == level])
            for level in lost
        },
    )


def _lost_levels(
    runs: pd.DataFrame, in_open_cell: pd.Series, plan: ComparisonPlan
) -> tuple[str, list[object]]:
    """Levels that lose more than half of their runs, and the column they belong to.

    With ``at_each`` a combination may be lost: then its level of the factor goes, or its level of
    ``at_each``, whichever leaves more runs.
    """
    columns = [plan.by] + ([] if plan.at_each is None else [plan.at_each])
    share = in_open_cell.groupby([runs[name] for name in columns], observed=True).mean()
    lost = share[share > _MOST_SET_ASIDE].index
    choices = {name: list(dict.fromkeys(lost.get_level_values(name))) for name in columns}
    best = min(columns, key=lambda name: np.count_nonzero(runs[name].isin(choices[name])))
    return best, choices[best]


def _obstacle(quantity: str, column: str, level: object, is_open: pd.Series) -> str:
    place = level_in_words(column, level_text(level))
    share = f"{np.count_nonzero(is_open)} of {len(is_open)} runs"
    return f"{quantity} at {place} is not bracketed by the sieves in {share}"
