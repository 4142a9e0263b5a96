"""Families of contrasts: which comparisons are asked, and their table.

A contrast is a row of weights that add to zero.  With a response on the log scale the difference
"b - a" is the logarithm of the ratio b / a.  Weights are in the unit of the means, except for
trends, which are per power of the score's unit.  What a contrast compares is a record with fields.

The table has estimate, standard error, p alone and in the family, intervals that agree; it works
on coefficients and their covariance and knows no study.  Estimates are in the unit of the response;
`ContrastResult.as_ratios` gives ratios and per cent.  How contrasts are adjusted for each other
comes from `multiplicity`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.findings import Contrast, ContrastKind
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.multiplicity import Adjustment, Simultaneous, simultaneous
from psdstats.present import Shown
from psdstats.student import critical_t


@dataclass(frozen=True, kw_only=True, eq=False)
class ContrastMatrix:
    """A family of contrasts between means.

    Parameters
    ----------
    weights : ndarray, shape (m, k)
        One row a contrast, one column a level (or a cell, or a coefficient).
    contrasts : tuple of Contrast, length m
        What each compares with what; all of one family.
    """

    weights: Array
    contrasts: tuple[Contrast, ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)


Asked = tuple[Array, list[Contrast]]  # weights (m, k), and what each compares


def _differences(levels: Sequence[str], pairs: Sequence[tuple[int, int]]) -> Asked:
    """Weights and contrasts of "b against a", for pairs (a, b) of places."""
    identity = np.eye(len(levels))
    return (
        np.array([identity[b] - identity[a] for a, b in pairs]),
        [Contrast(high=levels[b], low=levels[a]) for a, b in pairs],
    )


def _against_first(levels: Sequence[str]) -> Asked:
    return _differences(levels, [(0, b) for b in range(1, len(levels))])


def _all_pairs(levels: Sequence[str]) -> Asked:
    return _differences(levels, list(combinations(range(len(levels)), 2)))


def _successive(levels: Sequence[str]) -> Asked:
    return _differences(levels, [(b - 1, b) for b in range(1, len(levels))])


FAMILIES: dict[ContrastKind, tuple[Callable[[Sequence[str]], Asked], Adjustment]] = {
    ContrastKind.AGAINST_FIRST: (_against_first, Adjustment.DUNNETT),
    ContrastKind.ALL_PAIRS: (_all_pairs, Adjustment.TUKEY),
    ContrastKind.SUCCESSIVE: (_successive, Adjustment.MULTIVARIATE_T),
}
"""Families of a factor's levels: what makes one, and how it is adjusted by default.

A further family is a kind in `psdstats.findings`, a line here and its words in
`psdstats.words.comparison`.
"""


def contrast_matrix(levels: Sequence[str], kind: ContrastKind | str) -> ContrastMatrix:
    """A family of contrasts of a factor's levels, by its name in `FAMILIES`.

    Examples
    --------
    >>> [one.label for one in contrast_matrix(["0", "6", "12"], "all pairs").contrasts]
    ['6 - 0', '12 - 0', '12 - 6']
    """
    family = next((one for one in FAMILIES if one == kind), None)
    if family is None:
        known = ", ".join(repr(one.value) for one in FAMILIES)
        raise ModelError(f"No family of contrasts is called {str(kind)!r}; use one of {known}.")
    names = [str(level) for level in levels]
    if len(names) < 2:
        raise ModelError(f"The factor has the levels {names}; a contrast needs at least two.")
    if len(set(names)) < len(names):
        raise ModelError(f"The levels {names} repeat a name; name each level once.")
    weights, contrasts = FAMILIES[family][0](names)
    named = tuple(replace(one, family=family) for one in contrasts)
    return ContrastMatrix(weights=weights, contrasts=named)


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
    return ContrastMatrix(
        weights=np.array(rows, dtype=float),
        contrasts=tuple(
            Contrast(high=f"{name} trend", family=ContrastKind.TREND) for name in names[:degree]
        ),
    )


def interaction(first: ContrastMatrix, second: ContrastMatrix) -> ContrastMatrix:
    """Differences of differences: how a contrast of one factor changes with another factor.

    Examples
    --------
    >>> by_time = contrast_matrix(["0", "6"], "against first")
    >>> both = interaction(by_time, contrast_matrix(["5:1", "10:1"], "against first"))
    >>> both.contrasts[0].label, both.weights
    ('(6 - 0) by (10:1 - 5:1)', array([[ 1., -1., -1.,  1.]]))
    """
    return ContrastMatrix(
        weights=np.kron(first.weights, second.weights).astype(np.float64),
        contrasts=tuple(
            Contrast(high=f"({a.label}) by ({b.label})", family=ContrastKind.INTERACTION)
            for a in first.contrasts
            for b in second.contrasts
        ),
    )


def within_each(matrix: ContrastMatrix, levels: Sequence[str]) -> ContrastMatrix:
    """The same contrasts within each level of another factor, as one family.

    Examples
    --------
    >>> steps = contrast_matrix(["0", "6"], "successive")
    >>> [one.where for one in within_each(steps, ["5:1", "10:1"]).contrasts]
    ['5:1', '10:1']
    """
    return ContrastMatrix(
        weights=np.kron(np.eye(len(levels)), matrix.weights).astype(np.float64),
        contrasts=tuple(
            replace(one, where=str(level)) for level in levels for one in matrix.contrasts
        ),
    )


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class ContrastResult(Shown):
    """One family of contrasts, estimated, in the unit of the response.

    Parameters
    ----------
    contrasts : tuple of Contrast, length m
        What each compares with what.
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
    level : float
        Confidence level.

    Examples
    --------
    >>> import pandas as pd
    >>> from psdstats.models import MixedModel
    >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
    >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
    >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
    >>> fit.contrasts("time", kind="successive")
    ContrastResult
      5 - 0: −0.400 (−0.670 to −0.130), p = 0.014.
      9 - 5: −0.300 (−0.570 to −0.030), p = 0.036.
    """

    contrasts: tuple[Contrast, ...]
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
    level: float

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a contrast, in the unit of the response.

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
        >>> fit.contrasts("time").to_frame()[["contrast", "estimate", "p_adjusted"]].round(3)
          contrast  estimate  p_adjusted
        0    5 - 0      -0.4       0.018
        1    9 - 0      -0.7       0.002
        2    9 - 5      -0.3       0.045
        """
        alone = {name: getattr(self, name) for name in ("estimate", "standard_error", "df", "t")}
        ends = ("p", "p_adjusted", "lower", "upper", "lower_single", "upper_single")
        return self._named().assign(**alone, **{name: getattr(self, name) for name in ends})

    def as_ratios(self) -> pd.DataFrame:
        """One row a contrast as a ratio and in per cent; the response must be a natural log.

        Columns: contrast, high, low, where, ratio, ratio_lower, ratio_upper (simultaneous),
        ratio_lower_single, ratio_upper_single, change_percent, change_lower_percent,
        change_upper_percent (simultaneous), df, p, p_adjusted.

        Examples
        --------
        >>> import pandas as pd
        >>> from psdstats.models import MixedModel
        >>> trial = pd.DataFrame({"time": ["0", "5", "9"] * 3, "group": list("aaabbbccc")})
        >>> trial["ln_D50"] = [5.9, 5.5, 5.2, 6.0, 5.4, 5.3, 5.8, 5.6, 5.1]
        >>> fit = MixedModel(trial, response="ln_D50", fixed=["time"], random=["group"]).fit()
        >>> fit.contrasts("time").as_ratios()[["contrast", "ratio"]].round(2)
          contrast  ratio
        0    5 - 0   0.67
        1    9 - 0   0.50
        2    9 - 5   0.74
        """
        names = ("lower", "upper", "lower_single", "upper_single")
        ends = {name: getattr(self, name) for name in names}
        ratios = ratio_columns(estimate=self.estimate, **ends)
        return self._named().assign(**ratios, df=self.df, p=self.p, p_adjusted=self.p_adjusted)

    def _named(self) -> pd.DataFrame:
        rows = [(one.label, one.high, one.low, one.where) for one in self.contrasts]
        return pd.DataFrame(rows, columns=["contrast", "high", "low", "where"])


def ratio_columns(*, estimate: Array, **ends: Array) -> dict[str, Array]:
    """Logarithms as ratios, and as changes in per cent; ``lower`` and the like are named so."""
    with np.errstate(over="ignore"):  # far less than one degree of freedom: no upper limit
        return {
            "ratio": np.exp(estimate),
            **{f"ratio_{name}": np.exp(end) for name, end in ends.items()},
            "change_percent": 100.0 * np.expm1(estimate),
            "change_lower_percent": 100.0 * np.expm1(ends["lower"]),
            "change_upper_percent": 100.0 * np.expm1(ends["upper"]),
        }


def contrast_table(
    asked: ContrastMatrix,
    beta: ArrayLike,
    covariance: ArrayLike,
    df: ArrayLike,
    *,
    adjust: Adjustment | str = "default",
    level: float = 0.95,
) -> ContrastResult:
    """Estimate a family of contrasts of coefficients.

    Shapes: beta (k,), covariance (k, k), df (m,).

    Examples
    --------
    >>> asked = ContrastMatrix(weights=[[0, 1]], contrasts=(Contrast(high="b", low="a"),))
    >>> found = contrast_table(asked, [1.0, 0.5], [[0.04, 0], [0, 0.01]], 8)
    >>> found.to_frame()[["contrast", "estimate", "t", "p"]].round(4)
      contrast  estimate    t       p
    0    b - a       0.5  5.0  0.0011
    """
    estimate, joint = _estimates(asked, beta, covariance)
    error = np.sqrt(np.diag(joint))
    correlation = joint / np.outer(error, error)
    np.fill_diagonal(correlation, 1.0)
    family = FAMILIES.get(asked.contrasts[0].family)
    usual = Adjustment.MULTIVARIATE_T if family is None else family[1]
    rule = usual if adjust == "default" else adjust
    together = simultaneous(estimate / error, correlation, df, kind=rule, level=level)
    df_all = np.broadcast_to(np.asarray(df, dtype=float), estimate.shape)
    alone = critical_t(1.0 - level, df_all)
    return ContrastResult(
        contrasts=asked.contrasts,
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
        level=level,
    )


def _estimates(
    asked: ContrastMatrix, beta: ArrayLike, covariance: ArrayLike
) -> tuple[Array, Array]:
    """Estimates (m,) of the contrasts and their joint covariance (m, m)."""
    rows = np.atleast_2d(np.array(asked.weights, dtype=float))
    coefficients = np.array(beta, dtype=float).reshape(-1)
    between = np.array(covariance, dtype=float)
    m, k = rows.shape
    if coefficients.shape != (k,) or between.shape != (k, k) or len(asked.contrasts) != m:
        raise ModelError(
            f"The weights have shape {rows.shape}, with {len(asked.contrasts)} contrasts, "
            f"{len(coefficients)} coefficients and a covariance of shape {between.shape}; "
            "give one row a contrast and one column a coefficient."
        )
    joint = rows @ between @ rows.T
    variance = np.diag(joint)
    size = (np.abs(rows) * np.sqrt(np.abs(np.diag(between)))).sum(axis=1) ** 2
    for contrast, value, largest in zip(asked.contrasts, variance, size, strict=True):
        if not value > 1e-14 * largest:
            raise ModelError(
                f"The contrast {contrast.label!r} has the variance {value:.3g}; a contrast of "
                "weights zero, or of coefficients known exactly, cannot be tested: leave it out."
            )
    return rows @ coefficients, (joint + joint.T) / 2.0
