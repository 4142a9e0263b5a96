"""The result of `ratio_intervals`: ratios of sizes between runs with their intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.errors import UncertaintyError
from psdstats.frozen import freeze_arrays
from psdstats.uncertainty.propagation import Method

__all__ = ["RatioIntervals"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class RatioIntervals:
    """Ratios of P pairs in C quantities; arrays have shape (P, C) unless stated.

    Attributes
    ----------
    high, low : tuple of tuple of str
        Runs of each side of each pair; the ratio is the geometric mean over the runs of `high` over
        that of `low`.
    quantities : tuple of str
        Which of D10, D50, D90, span.
    ratio : ndarray
        At the best estimates of all inputs; NaN where a run is not bracketed.
    bound_lower, bound_upper : ndarray
        The ratio, or the open interval that the sieves leave for it.
    u_log : ndarray
        Standard uncertainty of ln ratio; NaN where there is no ratio.  In Monte Carlo, draws in
        which a side has no value stand at the mean of that side.
    lower, upper : ndarray
        Coverage interval: ratio · exp(± k u_log) (linear), or with equal probability outside (Monte
        Carlo).  A draw in which a run is open counts with the least and the most its ratio can be,
        so an end may be open: 0, or inf.
    shortest_lower, shortest_upper : ndarray
        Shortest coverage interval of the ratio (Monte Carlo; NaN in linear).
    coverage : float
        Coverage probability of each interval by itself.
    k, effective_df : ndarray
        Coverage factors and Welch-Satterthwaite degrees of freedom (linear; NaN in Monte Carlo).
    share_unbracketed : ndarray
        Share of draws in which a run of the pair has no value (NaN in linear).
    log_covariance : ndarray, shape (C, P, P)
        Joint covariance of ln ratio over the pairs, for each quantity.
    method : Method
        How it was done.
    seed, draws : int
        Seed and number of draws (0 draws in linear).
    tolerance : ndarray
        Numerical tolerance of u_log and of the logarithms of the ends (NaN in linear).
    settled : bool
        Whether the draws reached that tolerance; True in linear.
    sources, sources_left_out : tuple of str
        What was counted and what was not.
    rule : str
        Interpolation rule.
    notes : tuple of str
        Assumptions and doubts, as sentences.
    """

    high: tuple[tuple[str, ...], ...]
    low: tuple[tuple[str, ...], ...]
    quantities: tuple[str, ...]
    ratio: Array
    bound_lower: Array
    bound_upper: Array
    u_log: Array
    lower: Array
    upper: Array
    shortest_lower: Array
    shortest_upper: Array
    coverage: float
    k: Array
    effective_df: Array
    share_unbracketed: Array
    log_covariance: Array
    method: Method
    seed: int
    draws: int
    tolerance: Array
    settled: bool
    sources: tuple[str, ...]
    sources_left_out: tuple[str, ...]
    rule: str
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def covariance(self, quantity: str) -> pd.DataFrame:
        """Covariance of ln ratio of one quantity over all pairs, labelled by pair.

        Parameters
        ----------
        quantity : {"D10", "D50", "D90", "span"}
            Which quantity.

        Returns
        -------
        DataFrame, shape (P, P)
            NaN for pairs without a ratio.

        Raises
        ------
        UncertaintyError
            Naming the quantities there are.
        """
        if quantity not in self.quantities:
            raise UncertaintyError(
                f"quantity {quantity!r} is not here; choose from {', '.join(self.quantities)}."
            )
        names = [(_side(high), _side(low)) for high, low in zip(self.high, self.low, strict=True)]
        labels = pd.MultiIndex.from_tuples(names, names=["high", "low"])
        matrix = self.log_covariance[self.quantities.index(quantity)]
        return pd.DataFrame(matrix, index=labels, columns=labels)

    def to_frame(self) -> pd.DataFrame:
        """One row a pair and quantity, in the order asked for.

        Returns
        -------
        DataFrame
            high, low (run names joined by commas), n_high, n_low, quantity, ratio, u_log, lower,
            upper, shortest_lower, shortest_upper, coverage, k, effective_df, bound_lower,
            bound_upper, share_unbracketed.  Ratios and shares are fractions of one.
        """
        n_pairs, n_quantities = self.ratio.shape
        sides = {
            name: [value for value in values for _ in range(n_quantities)]
            for name, values in (
                ("high", [_side(runs) for runs in self.high]),
                ("low", [_side(runs) for runs in self.low]),
                ("n_high", [len(runs) for runs in self.high]),
                ("n_low", [len(runs) for runs in self.low]),
            )
        }
        columns = ("ratio", "u_log", "lower", "upper", "shortest_lower", "shortest_upper")
        frame = pd.DataFrame(
            {
                **sides,
                "quantity": list(self.quantities) * n_pairs,
                **{name: getattr(self, name).ravel() for name in columns},
                "coverage": self.coverage,
            }
        )
        more = ("k", "effective_df", "bound_lower", "bound_upper", "share_unbracketed")
        return frame.assign(**{name: getattr(self, name).ravel() for name in more})


def _side(runs: tuple[str, ...]) -> str:
    return ", ".join(runs)
