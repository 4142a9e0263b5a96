"""Adjusted p-values and simultaneous critical values for a family of contrasts.

Dimensionless: t values, their correlations and their degrees of freedom go in.  Intervals made
with the critical values agree with the adjusted p-values: one excludes zero where the other is
below 1 - level (for Holm's rule see `simultaneous`).  Two-sided only.

Sources: C. W. Dunnett, J. Amer. Statist. Assoc. 50 (1955) 1096; S. Holm, Scand. J. Statist. 6
(1979) 65; the studentised range is Tukey's (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from psdstats.errors import ModelError
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.maximum_law import MAX_DIMENSION, MaximumLaw, maximum_law
from psdstats.student import critical_t, two_sided_p

_SAME_DF = 1e-9  # degrees of freedom nearer than this are equal but for rounding
_SLACK = 1e-6  # by how much a matrix may miss being a correlation matrix


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


@dataclass(frozen=True, kw_only=True, eq=False)
class Simultaneous:
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

    def __post_init__(self) -> None:
        freeze_arrays(self)


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
    rule = Adjustment(kind)
    t_all, matrix, df_all = _checked(t, correlation, df)
    if not 0.0 < level < 1.0:
        raise ModelError(f"The confidence level is {level}; give a number between 0 and 1.")
    single = two_sided_p(t_all, df_all)
    m, alpha = len(t_all), 1.0 - level
    if rule in (Adjustment.DUNNETT, Adjustment.TUKEY, Adjustment.MULTIVARIATE_T):
        if m <= MAX_DIMENSION:
            return _joint(rule, t_all, single, df_all, maximum_law(matrix), level)
        rule = Adjustment.BONFERRONI
    return Simultaneous(
        adjustment=rule,
        law="",
        level=level,
        p=single,
        p_adjusted=adjust_p(single, kind=rule),
        critical=critical_t(alpha if rule is Adjustment.NONE else alpha / m, df_all),
        integration_error=0.0,
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
    if rule is Adjustment.BONFERRONI:
        return np.asarray(np.minimum(len(values) * values, 1.0))
    order = np.argsort(values)
    adjusted = np.empty_like(values)
    adjusted[order] = np.maximum.accumulate(np.arange(len(values), 0, -1) * values[order])
    return np.asarray(np.minimum(adjusted, 1.0))


def _joint(
    rule: Adjustment, t: Array, single: Array, df: Array, law: MaximumLaw, level: float
) -> Simultaneous:
    common = float(df.max())
    equal = bool(np.isclose(df, common, rtol=_SAME_DF, atol=0.0).all())
    # a p too small to be written as a number cannot be carried over: |t| stands for itself
    size = np.abs(t) if equal else np.where(single > 0.0, critical_t(single, common), np.abs(t))
    adjusted = np.array([law.tail(float(c), common) for c in size])
    critical = law.critical(1.0 - level, common)
    own = np.full(len(df), critical)
    if not equal:
        own = np.where(df == common, own, critical_t(two_sided_p(critical, common), df))
    return Simultaneous(
        adjustment=rule,
        law=law.name,
        level=level,
        p=single,
        p_adjusted=np.clip(adjusted, single, 1.0),
        critical=own,
        integration_error=law.error,
    )


def _checked(t: ArrayLike, correlation: ArrayLike, df: ArrayLike) -> tuple[Array, Array, Array]:
    t_all = np.array(t, dtype=float).reshape(-1)
    matrix = np.array(correlation, dtype=float)
    m = len(t_all)
    df_all = np.array(np.broadcast_to(np.asarray(df, dtype=float), (m,)))
    if m == 0:
        raise ModelError("A family of 0 contrasts cannot be adjusted; give one or more.")
    if matrix.shape != (m, m):
        raise ModelError(
            f"The correlations have shape {matrix.shape} for {m} contrasts; give {(m, m)}."
        )
    if not (np.isfinite(t_all).all() and np.isfinite(matrix).all()):
        raise ModelError("A t value or a correlation is not a number; leave that contrast out.")
    if not (df_all > 0.0).all():
        raise ModelError(f"The degrees of freedom {df_all.tolist()} must all be above 0.")
    symmetric = np.abs(matrix - matrix.T).max() <= _SLACK
    unit = np.abs(np.diag(matrix) - 1.0).max() <= _SLACK
    if not (symmetric and unit and np.linalg.eigvalsh(matrix).min() > -_SLACK):
        raise ModelError(
            "The matrix given is no correlation matrix (symmetric, ones on its diagonal, "
            "no negative eigenvalue)."
        )
    return t_all, (matrix + matrix.T) / 2.0, df_all
