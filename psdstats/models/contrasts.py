"""Weights on the means of a factor's levels: which comparisons are asked.

A contrast is a row of weights that add to zero.  With a response on the log scale the difference
"b - a" is the logarithm of the ratio b / a.  Weights are in the unit of the means, except for
trends, which are per power of the score's unit.  Nothing is estimated here.

Tables of contrasts: estimate, standard error, p alone and in the family, intervals that agree.

Works on coefficients and their covariance and knows no study.  Estimates are in the unit of the
response; for a response on the log scale `ContrastResult.as_ratios` gives ratios and per cent.
Which contrasts are asked comes from `contrast_matrices`, how they are adjusted for each other
from `multiplicity`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.findings import ContrastKind
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.multiplicity import Adjustment, Simultaneous, simultaneous
from psdstats.student import critical_t


@dataclass(frozen=True, kw_only=True, eq=False)
class ContrastMatrix:
    """A family of contrasts between means.

    Parameters
    ----------
    kind : ContrastKind
        Which family.
    weights : ndarray, shape (m, k)
        One row a contrast, one column a level (or a cell); rows add to zero.
    labels : tuple of str, length m
        "b - a" and the like.
    high, low : tuple of str, length m
        What is compared with what; empty text where a contrast is no simple difference.
    """

    kind: ContrastKind
    weights: Array
    labels: tuple[str, ...]
    high: tuple[str, ...]
    low: tuple[str, ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)


def _differences(
    kind: ContrastKind, levels: Sequence[str], pairs: Sequence[tuple[int, int]]
) -> ContrastMatrix:
    names = [str(level) for level in levels]
    if len(names) < 2:
        raise ModelError(f"The factor has the levels {names}; a contrast needs at least two.")
    if len(set(names)) < len(names):
        raise ModelError(f"The levels {names} repeat a name; name each level once.")
    identity = np.eye(len(names))
    return ContrastMatrix(
        kind=kind,
        weights=np.array([identity[b] - identity[a] for a, b in pairs]),
        labels=tuple(f"{names[b]} - {names[a]}" for a, b in pairs),
        high=tuple(names[b] for _, b in pairs),
        low=tuple(names[a] for a, _ in pairs),
    )


def against_first(levels: Sequence[str]) -> ContrastMatrix:
    """Compare each level with the first one.

    Examples
    --------
    >>> against_first(["0", "6", "12"]).labels
    ('6 - 0', '12 - 0')
    """
    return _differences(ContrastKind.AGAINST_FIRST, levels, [(0, b) for b in range(1, len(levels))])


def all_pairs(levels: Sequence[str]) -> ContrastMatrix:
    """Every level against every one before it; arguments as in `against_first`.

    Examples
    --------
    >>> all_pairs(["0", "6", "12"]).labels
    ('6 - 0', '12 - 0', '12 - 6')
    """
    return _differences(ContrastKind.ALL_PAIRS, levels, list(combinations(range(len(levels)), 2)))


def successive(levels: Sequence[str]) -> ContrastMatrix:
    """Each level against the one before it; arguments as in `against_first`.

    Examples
    --------
    >>> successive(["0", "6", "12"]).labels
    ('6 - 0', '12 - 6')
    """
    return _differences(
        ContrastKind.SUCCESSIVE, levels, [(b - 1, b) for b in range(1, len(levels))]
    )


def contrast_matrix(levels: Sequence[str], kind: ContrastKind | str) -> ContrastMatrix:
    """Choose the family of differences by its name; see the function of that name."""
    makers: dict[str, Callable[[Sequence[str]], ContrastMatrix]] = {
        ContrastKind.AGAINST_FIRST: against_first,
        ContrastKind.ALL_PAIRS: all_pairs,
        ContrastKind.SUCCESSIVE: successive,
    }
    if kind not in makers:
        known = ", ".join(repr(str(name)) for name in makers)
        raise ModelError(f"No family of differences is called {kind!r}; use one of {known}.")
    return makers[kind](levels)


def polynomial_trend(scores: ArrayLike, *, degree: int = 1) -> ContrastMatrix:
    """Orthogonal polynomial contrasts over levels with numeric scores, equally spaced or not.

    Shapes: scores (k,).

    Examples
    --------
    >>> (polynomial_trend([1, 2, 3], degree=2).weights * 2).round(12)
    array([[-1.,  0.,  1.],
           [ 1., -2.,  1.]])
    """
    x = np.array(scores, dtype=float).reshape(-1)
    if not np.isfinite(x).all() or len(np.unique(x)) < len(x):
        raise ModelError(f"The scores {x.tolist()} must be finite and all different.")
    if not 1 <= degree < len(x):
        raise ModelError(
            f"A trend of degree {degree} needs at least {degree + 1} levels and degree 1 or more; "
            f"there are {len(x)} levels."
        )
    centred = x - x.mean()
    scale = np.abs(centred).max()
    rows, basis = [], np.ones((len(x), 1)) / np.sqrt(len(x))
    for power in range(1, degree + 1):
        column = (centred / scale) ** power
        for _ in range(2):  # twice is enough for orthogonality to rounding
            column = column - basis @ (basis.T @ column)
        rows.append(column / (column @ column) / scale**power)
        basis = np.column_stack([basis, column / np.linalg.norm(column)])
    names = ["linear", "quadratic", "cubic"] + [f"degree {d}" for d in range(4, degree + 1)]
    nothing = ("",) * degree
    return ContrastMatrix(
        kind=ContrastKind.TREND,
        weights=np.array(rows, dtype=float),
        labels=tuple(f"{name} trend" for name in names[:degree]),
        high=nothing,
        low=nothing,
    )


def interaction(first: ContrastMatrix, second: ContrastMatrix) -> ContrastMatrix:
    """Differences of differences: how a contrast of one factor changes with another factor.

    Examples
    --------
    >>> both = interaction(against_first(["0", "6"]), against_first(["5:1", "10:1"]))
    >>> both.labels, both.weights
    (('(6 - 0) by (10:1 - 5:1)',), array([[ 1., -1., -1.,  1.]]))
    """
    pairs = [(a, b) for a in first.labels for b in second.labels]
    at_high = [f"{a}, {level}" for a in first.labels for level in second.high]
    at_low = [f"{a}, {level}" for a in first.labels for level in second.low]
    simple = all(second.high)
    nothing = ("",) * len(pairs)
    return ContrastMatrix(
        kind=ContrastKind.INTERACTION,
        weights=np.kron(first.weights, second.weights).astype(np.float64),
        labels=tuple(f"({a}) by ({b})" for a, b in pairs),
        high=tuple(at_high) if simple else nothing,
        low=tuple(at_low) if simple else nothing,
    )


def within_each(matrix: ContrastMatrix, levels: Sequence[str]) -> ContrastMatrix:
    """The same contrasts within each level of another factor, as one family.

    Examples
    --------
    >>> within_each(successive(["0", "6"]), ["5:1", "10:1"]).labels
    ('6 - 0 at 5:1', '6 - 0 at 10:1')
    """

    def at(names: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(f"{name} at {level}" if name else "" for level in levels for name in names)

    return ContrastMatrix(
        kind=matrix.kind,
        weights=np.kron(np.eye(len(levels)), matrix.weights).astype(np.float64),
        labels=at(matrix.labels),
        high=at(matrix.high),
        low=at(matrix.low),
    )


DEFAULT_ADJUSTMENT = {
    ContrastKind.AGAINST_FIRST: Adjustment.DUNNETT,
    ContrastKind.ALL_PAIRS: Adjustment.TUKEY,
    ContrastKind.SUCCESSIVE: Adjustment.MULTIVARIATE_T,
    ContrastKind.TREND: Adjustment.MULTIVARIATE_T,
    ContrastKind.INTERACTION: Adjustment.MULTIVARIATE_T,
    ContrastKind.OWN: Adjustment.MULTIVARIATE_T,
}
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
    estimate: Array
    standard_error: Array
    df: Array
    t: Array
    p: Array
    p_adjusted: Array
    lower: Array
    upper: Array
    lower_single: Array
    upper_single: Array
    covariance: Array
    simultaneous: Simultaneous
    kind: ContrastKind
    level: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

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

    Shapes: weights (m, p), beta (p,), covariance (p, p), df (m,).

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
    rows: Array, beta: ArrayLike, covariance: ArrayLike, names: tuple[str, ...]
) -> tuple[Array, Array]:
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
