"""Equivalence within a margin: two one-sided tests of ratios of sizes.

Everything is on the natural log of the size: effects are ratios, margins are in per cent.  A
margin of δ per cent means that the ratio lies between 1/(1 + δ/100) and 1 + δ/100, which treats
an increase and the decrease that undoes it alike.

D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import freeze_arrays
from psdstats.models.multiplicity import Adjustment, adjust_p
from psdstats.models.student import critical_t, upper_tail

__all__ = ["EquivalenceResult", "equivalence_test"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class EquivalenceResult:
    """Two one-sided tests of one or several ratios against a margin.

    Parameters
    ----------
    margin_percent, alpha : float
        Margin, and level of each one-sided test.
    ratio, ratio_lower, ratio_upper : ndarray, shape (m,)
        Ratio and its 1 - 2 alpha interval, each contrast alone.
    p_too_low, p_too_high : ndarray, shape (m,)
        p against "the ratio is 1/(1 + margin) or less" and "… 1 + margin or more".
    p, p_adjusted : ndarray, shape (m,)
        The larger of the two, and the same adjusted within the family.
    """

    margin_percent: float
    alpha: float
    ratio: Floats
    ratio_lower: Floats
    ratio_upper: Floats
    p_too_low: Floats
    p_too_high: Floats
    p: Floats
    p_adjusted: Floats

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @staticmethod
    def _arrays() -> tuple[str, ...]:
        ends = ("ratio", "ratio_lower", "ratio_upper")
        return (*ends, "p_too_low", "p_too_high", "p", "p_adjusted")

    @property
    def equivalent(self) -> NDArray[np.bool_]:
        """Whether each contrast is shown to lie within the margin."""
        return np.asarray(self.p_adjusted < self.alpha)

    def to_frame(self) -> pd.DataFrame:
        """One row a contrast; `margin_percent` in per cent, ratios without unit."""
        numbers = {name: getattr(self, name) for name in self._arrays()}
        return pd.DataFrame(
            {"margin_percent": self.margin_percent, **numbers, "equivalent": self.equivalent}
        )


def equivalence_test(
    log_ratio: ArrayLike,
    standard_error: ArrayLike,
    df: ArrayLike,
    *,
    margin_percent: float,
    alpha: float = 0.05,
    adjust: Adjustment | str = Adjustment.NONE,
) -> EquivalenceResult:
    """Test whether ratios of sizes lie within a margin around 1.

    Parameters
    ----------
    log_ratio : array_like, shape (m,)
        Differences of ln size.
    standard_error, df : array_like, scalar or shape (m,)
        Standard errors (ln scale) and degrees of freedom (fractions and infinity allowed).
    margin_percent : float
        Margin δ above 0: equivalent means a ratio between 1/(1 + δ/100) and 1 + δ/100.
    alpha : float, default=0.05
        Level of each one-sided test, 0 to 0.5.
    adjust : Adjustment or str, default="none"
        "holm" or "bonferroni" where all statements of a family must hold together.

    Returns
    -------
    EquivalenceResult
        p-values and the 1 - 2 alpha interval, which lies within the margin exactly where
        p < alpha.

    Raises
    ------
    ModelError
        If the margin, alpha, a standard error or the degrees of freedom are out of range.

    Examples
    --------
    >>> found = equivalence_test([0.01], [0.02], 12, margin_percent=10)
    >>> found.p.round(4), found.equivalent
    (array([0.0005]), array([ True]))
    """
    if not margin_percent > 0.0:
        raise ModelError(f"The margin is {margin_percent} per cent; give a number above 0.")
    if not 0.0 < alpha < 0.5:
        raise ModelError(f"The level of the equivalence test is {alpha}; give 0 to 0.5.")
    estimate = np.atleast_1d(np.array(log_ratio, dtype=float))
    error = np.broadcast_to(np.asarray(standard_error, dtype=float), estimate.shape)
    df_all = np.broadcast_to(np.asarray(df, dtype=float), estimate.shape)
    if not (np.isfinite(estimate).all() and (error > 0.0).all() and (df_all > 0.0).all()):
        raise ModelError(
            "An equivalence test needs finite ratios, and standard errors and degrees of freedom "
            f"above 0; found {estimate.tolist()}, {error.tolist()} and {df_all.tolist()}."
        )
    bound = np.log1p(margin_percent / 100.0)
    too_low = upper_tail((estimate + bound) / error, df_all)
    too_high = upper_tail((bound - estimate) / error, df_all)
    p = np.maximum(too_low, too_high)
    half = critical_t(2.0 * alpha, df_all) * error
    with np.errstate(over="ignore"):  # next to no degrees of freedom: no upper limit
        ratio_upper = np.exp(estimate + half)
    return EquivalenceResult(
        margin_percent=margin_percent,
        alpha=alpha,
        ratio=np.exp(estimate),
        ratio_lower=np.exp(estimate - half),
        ratio_upper=ratio_upper,
        p_too_low=too_low,
        p_too_high=too_high,
        p=p,
        p_adjusted=adjust_p(p, kind=adjust),
    )
