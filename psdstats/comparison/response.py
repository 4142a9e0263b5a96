"""The response of a comparison: ln of a percentile or of span, with its joint covariance.

A percentile that the sieves do not bracket is an open interval and cannot enter a mean.  Leaving
out only the runs at fault would favour the runs that happened to stay inside the stack, so the
whole cell they belong to (group and level) is set aside, and said so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.comparison.plan import ComparisonPlan
from psdstats.uncertainty import Propagation

__all__ = ["Response", "build_response"]


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
        Known covariance of ``ln_value`` from the measurement.
    open_runs : mapping of level to number of runs
        Levels of the factor with runs whose percentile the sieves do not bracket.
    set_aside : tuple of str
        Runs left out because their cell holds an open percentile.
    lost_levels : tuple
        Levels of the factor with no run left.
    bounds : tuple of str
        The open intervals found, as text such as "< 45 µm".
    """

    quantity: str
    frame: pd.DataFrame
    covariance: NDArray[np.float64]
    open_runs: dict[object, int]
    set_aside: tuple[str, ...]
    lost_levels: tuple[object, ...]
    bounds: tuple[str, ...]


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
    column = propagation.quantities.index(quantity)
    value = propagation.value[:, column]
    is_open = ~np.isfinite(value)
    cells = [tuple(row) for row in runs[plan.cell].itertuples(index=False)]
    open_cells = {cell for cell, flag in zip(cells, is_open, strict=True) if flag}
    kept = np.array([cell not in open_cells for cell in cells], dtype=bool)
    frame = runs.loc[kept].reset_index(drop=True)
    frame = frame.assign(ln_value=np.log(value[kept]))
    covariance = propagation.covariance(quantity, log=True).to_numpy()[np.ix_(kept, kept)]
    levels = runs[plan.by]
    lost = [level for level in _ordered(levels) if not kept[(levels == level).to_numpy()].any()]
    return Response(
        quantity=quantity,
        frame=frame,
        covariance=covariance,
        open_runs={level: int(n) for level, n in levels[is_open].value_counts().items()},
        set_aside=tuple(runs["run"][~kept]),
        lost_levels=tuple(lost),
        bounds=tuple(dict.fromkeys(_open_texts(propagation, quantity, is_open))),
    )


def _ordered(levels: pd.Series) -> list[object]:
    return sorted(levels.unique().tolist())


def _open_texts(
    propagation: Propagation, quantity: str, is_open: NDArray[np.bool_]
) -> list[str]:
    if not is_open.any():
        return []
    frame = propagation.to_frame()
    text = frame.loc[frame["quantity"] == quantity, "text"].to_numpy()
    return [str(item) for item in text[is_open]]
