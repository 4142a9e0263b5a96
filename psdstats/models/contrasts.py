"""Families of contrasts: which comparisons are asked, how they are adjusted, and their table.

A contrast is a row of weights that add to zero.  With a response on the log scale the difference
"b - a" is the logarithm of the ratio b / a.  Weights are in the unit of the means, except for
trends, which are per power of the score's unit.  What a contrast compares is a record with fields.

The table has estimate, standard error, p alone and in the family, intervals that agree; it works
on coefficients and their covariance and knows no study.  Estimates are in the unit of the response;
`ContrastResult.as_ratios` gives ratios and per cent.

Simultaneous intervals agree with the adjusted p-values: one excludes zero where the other is below
1 - level (for Holm's rule see `simultaneous`).  Two-sided only.  Sources: C. W. Dunnett, J. Amer.
Statist. Assoc. 50 (1955) 1096; S. Holm, Scand. J. Statist. 6 (1979) 65; the studentised range is
Tukey's (all from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import combinations, pairwise

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.findings import Contrast, ContrastKind
from psdstats.frozen import Array, Still
from psdstats.models.judged import Family, StudentJudged
from psdstats.models.maximum_law import MAX_DIMENSION, maximum_law
from psdstats.present import Shown
from psdstats.student import critical_t, two_sided_p


class Adjustment(StrEnum):
    """How p-values and intervals allow for several contrasts being looked at together."""

    DUNNETT = "dunnett"
    TUKEY = "tukey"
    MULTIVARIATE_T = "mvt"
    HOLM = "holm"
    BONFERRONI = "bonferroni"
    NONE = "none"

    @classmethod
    def _missing_(cls, value: object) -> Adjustment:
        known = ", ".join(cls)
        raise ModelError(f"No adjustment is called {value!r}; use one of {known}.")


_JOINTLY = (Adjustment.DUNNETT, Adjustment.TUKEY, Adjustment.MULTIVARIATE_T)


@dataclass(frozen=True, kw_only=True, eq=False)
class Simultaneous(Still):
    """Result of `simultaneous`.

    Parameters
    ----------
    adjustment : Adjustment
        The rule used: the one asked for, or Bonferroni's where a family is too large.
    law : str
        Name of the joint law behind it; empty for rules without one.
    level : float
        Joint confidence level.
    p, p_adjusted : ndarray, shape (m,)
        Two-sided p of each contrast alone, and within its family.
    critical : ndarray, shape (m,)
        Factors of the standard errors that make the simultaneous intervals.
    integration_error : float
        Standard error of the adjusted p from numerical integration; 0 where it is exact.
    """

    adjustment: Adjustment
    law: str
    level: float
    p: Array
    p_adjusted: Array
    critical: Array
    integration_error: float


def simultaneous(
    t: ArrayLike,
    correlation: ArrayLike,
    df: ArrayLike,
    *,
    kind: Adjustment | str = Adjustment.MULTIVARIATE_T,
    level: float = 0.95,
) -> Simultaneous:
    """Adjust a family of t values for each other.

    Shapes: t (m,), correlation (m, m), df (m,).

    Notes
    -----
    Where the degrees of freedom differ, no exact law exists.  Each |t_i| is then carried to the
    largest of them, ν, keeping its own two-sided p; the family is adjusted at ν, and the critical
    value is carried back to each df_i.  Single p-values stay as they are, and with equal degrees
    of freedom the result is exact.  The largest ν lets the standard deviations depend on each
    other least, which errs towards larger p.

    Holm's step-down rule has no intervals of its own that are of use: Bonferroni's are given,
    which may include zero where Holm's p is just below 1 - level.

    Families of more than `MAX_DIMENSION` contrasts are adjusted by Bonferroni's rule, whatever is
    asked.

    Examples
    --------
    >>> found = simultaneous([2.8, 1.1], [[1.0, 0.5], [0.5, 1.0]], 10, kind="dunnett")
    >>> found.p_adjusted.round(4), found.critical.round(4)
    (array([0.0339, 0.4659]), array([2.5683, 2.5683]))
    """
    rule, t_all = Adjustment(kind), np.array(t, dtype=float).reshape(-1)
    matrix, m, alpha = np.array(correlation, dtype=float), len(t_all), 1.0 - level
    if not 0.0 < level < 1.0:
        raise ModelError(f"The confidence level is {level}; give a number between 0 and 1.")
    own = np.asarray(df, dtype=float)
    one = StudentJudged(estimate=t_all, se=np.ones(m), df=own, correlation=matrix)
    single, law, error = two_sided_p(t_all, one.df), "", 0.0
    if rule in _JOINTLY and m <= MAX_DIMENSION:
        family = Family(members=tuple(range(m)), signs=(1,) * m)
        adjusted, critical = one.family_p(family), one.family_half_width(family, alpha)
        law, error = maximum_law(matrix).name, maximum_law(matrix).error
    else:
        rule = Adjustment.BONFERRONI if rule in _JOINTLY else rule
        adjusted = adjust_p(single, kind=rule)
        critical = critical_t(alpha if rule is Adjustment.NONE else alpha / m, one.df)
    return Simultaneous(
        adjustment=rule,
        law=law,
        level=level,
        p=single,
        p_adjusted=adjusted,
        critical=critical,
        integration_error=error,
    )


def adjust_p(p: ArrayLike, *, kind: Adjustment | str = Adjustment.HOLM) -> Array:
    """Adjust p-values without knowing their correlations.

    Shapes: p (m,); gives (m,).

    Examples
    --------
    >>> adjust_p([0.01, 0.04, 0.03])
    array([0.03, 0.06, 0.06])
    """
    rule = Adjustment(kind)
    values = np.array(p, dtype=float).reshape(-1)
    if not ((values >= 0.0) & (values <= 1.0)).all():
        raise ModelError(f"The p-values {values.tolist()} must lie between 0 and 1.")
    if rule is Adjustment.NONE:
        return values
    if rule not in (Adjustment.HOLM, Adjustment.BONFERRONI):
        raise ModelError(
            f"The rule {rule.value!r} needs the correlations of the contrasts; "
            "use simultaneous(), or holm, bonferroni or none here."
        )
    from statsmodels.stats.multitest import multipletests

    return np.asarray(multipletests(values, method=rule.value)[1], dtype=np.float64)


@dataclass(frozen=True, kw_only=True, eq=False)
class ContrastMatrix(Still):
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


Asked = tuple[Array, list[Contrast]]  # weights (m, k), and what each compares


def _differences(levels: Sequence[str], pairs: Iterable[tuple[int, int]]) -> Asked:
    """Weights and contrasts of "b against a", for pairs (a, b) of places."""
    identity, chosen = np.eye(len(levels)), list(pairs)
    return (
        np.array([identity[b] - identity[a] for a, b in chosen]),
        [Contrast(high=levels[b], low=levels[a]) for a, b in chosen],
    )


FAMILIES: dict[ContrastKind, tuple[Callable[[Sequence[str]], Asked], Adjustment]] = {
    ContrastKind.AGAINST_FIRST: (
        lambda levels: _differences(levels, ((0, b) for b in range(1, len(levels)))),
        Adjustment.DUNNETT,
    ),
    ContrastKind.ALL_PAIRS: (
        lambda levels: _differences(levels, combinations(range(len(levels)), 2)),
        Adjustment.TUKEY,
    ),
    ContrastKind.SUCCESSIVE: (
        lambda levels: _differences(levels, pairwise(range(len(levels)))),
        Adjustment.MULTIVARIATE_T,
    ),
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
    >>> (polynomial_trend([1, 2, 3], degree=2).weights * 2).round(12) + 0.0
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
    basis, triangle = np.linalg.qr(np.vander(centred / scale, degree + 1, increasing=True))
    rows = (basis / (np.diag(triangle) * scale ** np.arange(degree + 1))).T
    names = ["linear", "quadratic", "cubic"] + [f"degree {d}" for d in range(4, degree + 1)]
    return ContrastMatrix(
        weights=rows[1:],
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
class ContrastResult(Shown, Still):
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
        Rule, joint law, critical values, integration error.
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
    >>> asked = ContrastMatrix(weights=np.eye(2)[1:], contrasts=(Contrast(high="b", low="a"),))
    >>> found = contrast_table(asked, [1.0, 0.5], [[0.04, 0], [0, 0.01]], 8)
    >>> found.to_frame()[["contrast", "estimate", "t", "p"]].round(4)
      contrast  estimate    t       p
    0    b - a       0.5  5.0  0.0011
    """
    estimate = asked.weights @ np.asarray(beta, dtype=float)
    joint = asked.weights @ np.asarray(covariance, dtype=float) @ asked.weights.T
    joint = (joint + joint.T) / 2.0
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
