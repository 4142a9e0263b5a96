"""The result of a propagation: sizes of all runs with their joint uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.columns import QUANTITIES, QUANTITY_UNITS, TIME
from psdstats.distribution.percentiles import bound_text
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array, freeze_arrays
from psdstats.uncertainty.linear import coverage_factor


class Method(StrEnum):
    """How uncertainty is propagated: JCGM 101 draws or the JCGM 100 linear law."""

    MONTE_CARLO = "monte carlo"
    LINEAR = "linear"


@dataclass(frozen=True, kw_only=True, eq=False)
class Draws:
    """What only draws can tell of the sizes of R runs; arrays have shape (R, 4) unless stated.

    Attributes
    ----------
    draws : int
        Number of draws.
    settled : bool
        Whether the results have settled to their tolerance.
    shortest_lower, shortest_upper : ndarray
        Shortest coverage interval.
    mean : ndarray
        Averages of the draws.
    tolerance : ndarray
        Numerical tolerance of u and of the ends.
    share_unbracketed : ndarray
        Share of draws without a value.
    share_negative : ndarray, shape (R,)
        Share of draws with a net mass below zero.
    """

    draws: int
    settled: bool
    shortest_lower: Array
    shortest_upper: Array
    mean: Array
    tolerance: Array
    share_unbracketed: Array
    share_negative: Array

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def rows(self, order: NDArray[np.intp]) -> Draws:
        """The same with the runs in another order."""
        return Draws(
            draws=self.draws,
            settled=self.settled,
            shortest_lower=self.shortest_lower[order],
            shortest_upper=self.shortest_upper[order],
            mean=self.mean[order],
            tolerance=self.tolerance[order],
            share_unbracketed=self.share_unbracketed[order],
            share_negative=self.share_negative[order],
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Propagation:
    """Sizes of R runs with joint uncertainty; arrays have shape (R, 4) unless stated.

    What only draws can tell (`draws`, `settled`, `share_unbracketed`, `shortest_lower`, …) may be
    asked of the result itself: NaN, 0 draws and settled in the linear law.

    Attributes
    ----------
    runs, quantities : tuple of str
        Run names; D10, D50, D90, span.
    groups : tuple of str
        Group of each run.
    milling_time_min : ndarray, shape (R,)
        Milling time of each run.
    value : ndarray
        Sizes in µm and span at the best estimates of all inputs; NaN where not bracketed.
    u : ndarray
        Standard uncertainties; NaN where there is no value.  In Monte Carlo, of the draws that
        have a value.
    lower, upper : ndarray
        Coverage interval: value ± k u (linear), or with equal probability outside (Monte Carlo).
        An end beyond the sieves is open: 0, or inf.  Where the size has no value the linear
        interval is the open interval it lies in.
    coverage : float
        Coverage probability.
    effective_df : ndarray
        Welch-Satterthwaite degrees of freedom of the linear law.
    balance_share : ndarray
        Share of the linear variance that comes from the balance.
    source_share : ndarray, shape (R, 4, n_sources)
        Share of the linear variance of each source.
    covariance_matrix, log_covariance_matrix : ndarray, shape (4 R, 4 R)
        Joint covariance of values and of their logarithms; row 4 r + q is quantity q of run r.
    status : tuple of tuple of str
        "bracketed", "below the finest sieve" or "above the coarsest sieve".
    bound_lower, bound_upper : ndarray
        The value, or the open interval that holds it.
    linear_valid : tuple of tuple of (bool or None)
        Whether the linear interval passes the comparison of JCGM 101, clause 8 (one digit of u),
        with its ends and u within 10 % of the Monte Carlo ones; None where no comparison was made.
        False in the linear method means a reason to doubt it is known.
    method : Method
        How it was done.
    seed : int
        Seed of the draws.
    sources, sources_left_out : tuple of str
        What was counted and what was not.
    rule : str
        Interpolation rule.
    notes : tuple of str
        Assumptions and doubts, as sentences.
    monte_carlo : Draws or None
        What only draws can tell; None in the linear law.
    """

    runs: tuple[str, ...]
    groups: tuple[str, ...]
    milling_time_min: Array
    quantities: tuple[str, ...] = QUANTITIES
    value: Array
    u: Array
    lower: Array
    upper: Array
    coverage: float
    effective_df: Array
    balance_share: Array
    source_share: Array
    covariance_matrix: Array
    log_covariance_matrix: Array
    status: tuple[tuple[str, ...], ...]
    bound_lower: Array
    bound_upper: Array
    linear_valid: tuple[tuple[bool | None, ...], ...]
    method: Method
    seed: int
    sources: tuple[str, ...]
    sources_left_out: tuple[str, ...]
    rule: str
    notes: tuple[str, ...]
    monte_carlo: Draws | None = None

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def draws(self) -> int:
        """Number of draws; 0 in the linear law."""
        return 0 if self.monte_carlo is None else self.monte_carlo.draws

    @property
    def settled(self) -> bool:
        """Whether the draws reached their tolerance; True in the linear law."""
        return self.monte_carlo is None or self.monte_carlo.settled

    @property
    def k(self) -> Array:
        """Coverage factors of the linear law; NaN in Monte Carlo, which needs none."""
        if self.monte_carlo is not None:
            return np.full(self.value.shape, np.nan)
        return coverage_factor(self.coverage, self.effective_df)

    @property
    def shortest_lower(self) -> Array:
        """Lower end of the shortest coverage interval; NaN in the linear law."""
        return self._drawn("shortest_lower")

    @property
    def shortest_upper(self) -> Array:
        """Upper end of the shortest coverage interval; NaN in the linear law."""
        return self._drawn("shortest_upper")

    @property
    def mean(self) -> Array:
        """Averages of the draws; NaN in the linear law."""
        return self._drawn("mean")

    @property
    def tolerance(self) -> Array:
        """Numerical tolerance of the draws; NaN in the linear law."""
        return self._drawn("tolerance")

    @property
    def share_unbracketed(self) -> Array:
        """Share of draws without a value; NaN in the linear law."""
        return self._drawn("share_unbracketed")

    @property
    def share_negative(self) -> Array:
        """Share of draws with a net mass below zero, shape (R,); NaN in the linear law."""
        return self._drawn("share_negative")

    def _drawn(self, name: str) -> Array:
        if self.monte_carlo is not None:
            return np.asarray(getattr(self.monte_carlo, name))
        return np.full(self.value.shape[: 1 if name == "share_negative" else 2], np.nan)

    def covariance(self, quantity: str, *, log: bool = False) -> pd.DataFrame:
        """Covariance of one quantity over all runs, labelled by run.

        Parameters
        ----------
        quantity : {"D10", "D50", "D90", "span"}
            Which quantity.
        log : bool, default=False
            Covariance of its logarithm, as a mixed model on ln D takes it.

        Returns
        -------
        DataFrame, shape (R, R)
            In µm² (1 for span), or without unit; NaN for runs without a value.

        Raises
        ------
        UncertaintyError
            Naming the quantities there are.
        """
        if quantity not in self.quantities:
            raise UncertaintyError(
                f"quantity {quantity!r} is not known; choose from {', '.join(self.quantities)}."
            )
        first = self.quantities.index(quantity)
        matrix = self.log_covariance_matrix if log else self.covariance_matrix
        step = len(self.quantities)
        labels = pd.Index(self.runs, name="run")
        return pd.DataFrame(matrix[first::step, first::step], index=labels, columns=labels)

    def to_frame(self) -> pd.DataFrame:
        """One row a run and quantity.

        Returns
        -------
        DataFrame
            run, group, milling_time_min, quantity, unit, value, u, u_percent, lower, upper,
            coverage, k, effective_df, balance_share, status, bound_lower, bound_upper,
            share_unbracketed, linear_valid, text.  Sizes and their u are in µm, shares are
            fractions; text is the value ± u (linear law) or the value with its interval (Monte
            Carlo).
        """
        n_runs, n_quantities = self.value.shape
        return pd.DataFrame(
            {
                "run": np.repeat(np.array(self.runs, dtype=object), n_quantities),
                "group": np.repeat(np.array(self.groups, dtype=object), n_quantities),
                TIME: np.repeat(self.milling_time_min, n_quantities),
                "quantity": list(self.quantities) * n_runs,
                "unit": list(QUANTITY_UNITS) * n_runs,
                "value": self.value.ravel(),
                "u": self.u.ravel(),
                "u_percent": (100 * self.u / self.value).ravel(),
                "lower": self.lower.ravel(),
                "upper": self.upper.ravel(),
                "coverage": self.coverage,
                "k": self.k.ravel(),
                "effective_df": self.effective_df.ravel(),
                "balance_share": self.balance_share.ravel(),
                "status": [one for row in self.status for one in row],
                "bound_lower": self.bound_lower.ravel(),
                "bound_upper": self.bound_upper.ravel(),
                "share_unbracketed": self.share_unbracketed.ravel(),
                "linear_valid": pd.array(
                    [one for row in self.linear_valid for one in row], dtype="boolean"
                ),
                "text": self._texts(),
            }
        )

    def _texts(self) -> list[str]:
        columns = (self.value, self.u, self.lower, self.upper, self.bound_lower, self.bound_upper)
        rows = zip(*(column.ravel() for column in columns), strict=True)
        return [_text(*row, is_linear=self.method is Method.LINEAR) for row in rows]


def _text(
    value: float,
    u: float,
    lower: float,
    upper: float,
    bound_lower: float,
    bound_upper: float,
    *,
    is_linear: bool,
) -> str:
    """One result in words, rounded to two significant digits of u (JCGM 100:2008, 7.2.6)."""
    if np.isnan(value):
        return bound_text(value, bound_lower, bound_upper)
    if not u > 0:
        return f"{value:.4g}"
    decimals = 1 - int(np.floor(np.log10(u)))
    shown = {"value": value, "lower": lower, "upper": upper, "u": u}
    written = {
        name: f"{round(number, decimals):.{max(decimals, 0)}f}"
        for name, number in shown.items()
        if np.isfinite(number)
    }
    if is_linear:
        return f"{written['value']} ± {written['u']}"
    if np.isfinite(upper) and lower > 0:
        return f"{written['value']} ({written['lower']} to {written['upper']})"
    if np.isfinite(upper):
        return f"{written['value']} (below {written['upper']})"
    above = f"above {written['lower']}" if lower > 0 else "not bounded"
    return f"{written['value']} ({above})"
