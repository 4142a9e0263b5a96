"""Tables of contrasts: estimate, standard error, p alone and in the family, intervals that agree.

Works on coefficients and their covariance and knows no study.  Estimates are in the unit of the
response; for a response on the log scale `ContrastResult.as_ratios` gives ratios and per cent.
Which contrasts are asked comes from `contrast_matrices`, how they are adjusted for each other
from `multiplicity`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import freeze_arrays
from psdstats.models.contrast_matrices import ContrastKind
from psdstats.models.multiplicity import Adjustment, Simultaneous, simultaneous
from psdstats.models.student import critical_t

__all__ = ["DEFAULT_ADJUSTMENT", "ContrastResult", "contrast_table"]

DEFAULT_ADJUSTMENT = {
    ContrastKind.AGAINST_FIRST: Adjustment.DUNNETT,
    ContrastKind.ALL_PAIRS: Adjustment.TUKEY,
    ContrastKind.SUCCESSIVE: Adjustment.MULTIVARIATE_T,
    ContrastKind.TREND: Adjustment.MULTIVARIATE_T,
    ContrastKind.INTERACTION: Adjustment.MULTIVARIATE_T,
    ContrastKind.OWN: Adjustment.MULTIVARIATE_T,
}

Floats = NDArray[np.float64]
_ARRAYS = (
    "estimate",
    "standard_error",
    "df",
    "t",
    "p",
    "p_adjusted",
    "lower",
    "upper",
    "lower_single",
    "upper_single",
    "covariance",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class ContrastResult:
    """One family of contrasts, estimated.

    Parameters
    ----------
    labels, high, low : tuple of str, length m
        Each contrast, and what it compares with what ("" where that is no simple difference).
    estimate, standard_error, df, t, p : ndarray, shape (m,)
        Each contrast alone; p is two-sided.
    p_adjusted : ndarray, shape (m,)
        p within the family.
    lower, upper : ndarray, shape (m,)
        Simultaneous interval at `level`.
    lower_single, upper_single : ndarray, shape (m,)
        Interval of the contrast alone at `level`.
    covariance : ndarray, shape (m, m)
        Joint covariance of the estimates.
    simultaneous : Simultaneous
        Rule, method in words, critical values, integration error.
    kind : ContrastKind
        Which family.
    level : float
        Confidence level.
    """

    labels: tuple[str, ...]
    high: tuple[str, ...]
    low: tuple[str, ...]
    estimate: Floats
    standard_error: Floats
    df: Floats
    t: Floats
    p: Floats
    p_adjusted: Floats
    lower: Floats
    upper: Floats
    lower_single: Floats
    upper_single: Floats
    covariance: Floats
    simultaneous: Simultaneous
    kind: ContrastKind
    level: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def method(self) -> str:
        """How the family was adjusted, in words."""
        return self.simultaneous.method

    def to_frame(self) -> pd.DataFrame:
        """One row a contrast, in the unit of the response."""
        names = ("contrast", "high", "low")
        text = dict(zip(names, (self.labels, self.high, self.low), strict=True))
        numbers = {name: getattr(self, name) for name in _ARRAYS if name != "covariance"}
        return pd.DataFrame({**text, **numbers})

    def as_ratios(self) -> pd.DataFrame:
        """One row a contrast as a ratio and in per cent; the response must be a natural log.

        Columns: contrast, high, low, ratio, ratio_lower, ratio_upper (simultaneous),
        ratio_lower_single, ratio_upper_single, change_percent, change_lower_percent,
        change_upper_percent (simultaneous), df, p, p_adjusted.
        """
        frame = pd.DataFrame({"contrast": self.labels, "high": self.high, "low": self.low})
        with np.errstate(over="ignore"):  # far less than one degree of freedom: no upper limit
            frame["ratio"] = np.exp(self.estimate)
            for end in ("lower", "upper", "lower_single", "upper_single"):
                frame[f"ratio_{end}"] = np.exp(getattr(self, end))
            frame["change_percent"] = 100.0 * np.expm1(self.estimate)
            frame["change_lower_percent"] = 100.0 * np.expm1(self.lower)
            frame["change_upper_percent"] = 100.0 * np.expm1(self.upper)
        for name in ("df", "p", "p_adjusted"):
            frame[name] = getattr(self, name)
        return frame


def contrast_table(
    weights: ArrayLike,
    beta: ArrayLike,
    covariance: ArrayLike,
    df: ArrayLike,
    *,
    labels: Sequence[str],
    high: Sequence[str] | None = None,
    low: Sequence[str] | None = None,
    kind: ContrastKind | str = ContrastKind.OWN,
    adjust: Adjustment | str = "default",
    level: float = 0.95,
) -> ContrastResult:
    """Estimate a family of contrasts of coefficients.

    Parameters
    ----------
    weights : array_like, shape (m, p)
        One row a contrast, one column a coefficient.
    beta : array_like, shape (p,)
        Coefficients.
    covariance : array_like, shape (p, p)
        Their covariance (small-sample adjusted, where it is).
    df : array_like, scalar or shape (m,)
        Degrees of freedom of each contrast, above 0; fractions and infinity allowed.
    labels : sequence of str, length m
        Name of each contrast.
    high, low : sequence of str or None, length m
        What is compared with what.
    kind : ContrastKind or str, default="own"
        Which family; it chooses the default adjustment.
    adjust : Adjustment or str, default="default"
        Rule of `simultaneous`, or "default": Dunnett against the first, Tukey for all pairs, the
        multivariate t otherwise.
    level : float, default=0.95
        Confidence level of both kinds of interval.

    Returns
    -------
    ContrastResult
        The family with its joint covariance.

    Raises
    ------
    ModelError
        If shapes do not fit, or a contrast has no positive variance (named).

    Examples
    --------
    >>> found = contrast_table([[0, 1]], [1.0, 0.5], [[0.04, 0], [0, 0.01]], 8, labels=["b - a"])
    >>> found.to_frame()[["contrast", "estimate", "t", "p"]].round(4)
      contrast  estimate    t       p
    0    b - a       0.5  5.0  0.0011
    """
    family = _kind(kind)
    rows, names = np.atleast_2d(np.array(weights, dtype=float)), tuple(map(str, labels))
    estimate, joint = _estimates(rows, beta, covariance, names)
    error = np.sqrt(np.diag(joint))
    correlation = joint / np.outer(error, error)
    np.fill_diagonal(correlation, 1.0)
    rule = DEFAULT_ADJUSTMENT[family] if adjust == "default" else adjust
    together = simultaneous(estimate / error, correlation, df, kind=rule, level=level)
    df_all = np.broadcast_to(np.asarray(df, dtype=float), estimate.shape)
    alone = critical_t(1.0 - level, df_all)
    return ContrastResult(
        labels=names,
        high=_names(high, names),
        low=_names(low, names),
        estimate=estimate,
        standard_error=error,
        df=df_all,
        t=estimate / error,
        p=together.p,
        p_adjusted=together.p_adjusted,
        lower=estimate - together.critical * error,
        upper=estimate + together.critical * error,
        lower_single=estimate - alone * error,
        upper_single=estimate + alone * error,
        covariance=joint,
        simultaneous=together,
        kind=family,
        level=level,
    )


def _kind(kind: ContrastKind | str) -> ContrastKind:
    try:
        return ContrastKind(kind)
    except ValueError as error:
        known = ", ".join(member.value for member in ContrastKind)
        raise ModelError(
            f"No family of contrasts is called {kind!r}; use one of {known}."
        ) from error


def _names(given: Sequence[str] | None, labels: tuple[str, ...]) -> tuple[str, ...]:
    names = ("",) * len(labels) if given is None else tuple(map(str, given))
    if len(names) != len(labels):
        raise ModelError(f"{len(names)} level names are given for {len(labels)} contrasts.")
    return names


def _estimates(
    rows: Floats, beta: ArrayLike, covariance: ArrayLike, names: tuple[str, ...]
) -> tuple[Floats, Floats]:
    coefficients = np.array(beta, dtype=float).reshape(-1)
    between = np.array(covariance, dtype=float)
    m, p = rows.shape
    if coefficients.shape != (p,) or between.shape != (p, p) or len(names) != m:
        raise ModelError(
            f"The weights have shape {rows.shape}, with {len(names)} labels, "
            f"{len(coefficients)} coefficients and a covariance of shape {between.shape}; "
            "give one row a label and one column a coefficient."
        )
    joint = rows @ between @ rows.T
    variance = np.diag(joint)
    size = (np.abs(rows) * np.sqrt(np.abs(np.diag(between)))).sum(axis=1) ** 2
    for name, value, largest in zip(names, variance, size, strict=True):
        if not value > 1e-14 * largest:
            raise ModelError(
                f"The contrast {name!r} has the variance {value:.3g}; a contrast of weights zero, "
                "or of coefficients known exactly, cannot be tested: leave it out."
            )
    return rows @ coefficients, (joint + joint.T) / 2.0
