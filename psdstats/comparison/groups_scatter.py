"""How much two runs of the same kind differ beyond what the measurement explains.

Works on logarithms of sizes (or on sizes).  The scatter of replicates is used where there are any,
else the scatter about group and condition effects that add up; the part that the known covariance
of the measurement explains is taken off, so nothing is counted twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["RunScatter", "run_scatter"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class RunScatter:
    """Variance between runs of the same kind.

    Parameters
    ----------
    variance : float
        Run-to-run variance beyond the measurement; 0 where the measurement explains all.
    mean_square : float
        Mean square it comes from, with the measurement's part.
    df : int
        Degrees of freedom of the mean square; 0 where there is none.
    source : str
        "replicates", "group by condition table" or "not estimated".
    """

    variance: float
    mean_square: float
    df: int
    source: str

    def effective_df(self, u_squared: float, leverage: float) -> float:
        """Satterthwaite degrees of freedom of u² = known part + variance · leverage.

        Parameters
        ----------
        u_squared : float
            Total variance of a weighted sum of results.
        leverage : float
            Sum of its squared weights.

        Returns
        -------
        float
            Infinite where no scatter was estimated or none matters.
        """
        part = self.mean_square * leverage
        if self.df == 0 or part <= 0:
            return float("inf")
        return self.df * (u_squared / part) ** 2


def run_scatter(
    y: Array, group: NDArray[np.intp], condition: NDArray[np.intp], known: Array
) -> RunScatter:
    """Estimate the run-to-run variance.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Results.
    group, condition : ndarray of int, shape (n,)
        Codes of group and condition (milling time and whatever else was set).
    known : ndarray, shape (n, n)
        Covariance of the results from the measurement.

    Returns
    -------
    RunScatter
        The variance and where it comes from.

    Notes
    -----
    With M the projector on what group and condition leave, ``E yᵀMy = tr(M V) + ν σ²``.
    """
    cells = np.unique(np.column_stack([group, condition]), axis=0, return_inverse=True)[1]
    within = _dummies(cells.ravel())
    additive = np.hstack([_dummies(group), _dummies(condition)])
    for design, source in ((within, "replicates"), (additive, "group by condition table")):
        rank = int(np.linalg.matrix_rank(design))
        df = len(y) - rank
        if df > 0:
            left = np.eye(len(y)) - design @ np.linalg.pinv(design)
            mean_square = float(y @ left @ y) / df
            explained = float(np.sum(left * known)) / df
            return RunScatter(
                variance=max(0.0, mean_square - explained),
                mean_square=mean_square,
                df=df,
                source=source,
            )
    return RunScatter(variance=0.0, mean_square=0.0, df=0, source="not estimated")


def _dummies(codes: NDArray[np.intp]) -> Array:
    return np.asarray(np.equal.outer(codes, np.unique(codes)), dtype=np.float64)
