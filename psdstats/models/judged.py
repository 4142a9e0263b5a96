"""Estimated contrasts and the law that judges them: what every procedure on effects asks.

A procedure (fallen since when, when to stop, families) takes a `Judged` and knows no model.  Two
routes give one: `models.level` (the calibrated level) and Student's t (`StudentJudged`).  Arrays
may carry leading axes, one a data set of the same design; contrasts stand on the last axis.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, lru_cache, partial
from itertools import islice

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from psdstats.frozen import Array, Still, freeze_arrays
from psdstats.models.maximum_law import (
    MAX_DIMENSION,
    MaximumLaw,
    lower_factor,
    maximum_law,
    shifted_directions,
)
from psdstats.student import critical_t, two_sided_p, upper_tail


class Side(StrEnum):
    """Which departure a family looks for."""

    BOTH = "both"
    BELOW = "below"


@dataclass(frozen=True)
class Family:
    """Contrasts judged together by the smallest p among them.

    Parameters
    ----------
    members : tuple of int
        Rows of the question.
    signs : tuple of int
        1 or -1: the row, or its opposite.
    side : Side
        Both sides, or that the signed contrasts lie below zero.
    """

    members: tuple[int, ...]
    signs: tuple[int, ...]
    side: Side = Side.BOTH


@dataclass(frozen=True, kw_only=True, eq=False)
class Question(Still):
    """All that is asked of one response, at once.

    Parameters
    ----------
    contrasts : ndarray, shape (q, p)
        Rows on the coefficients.
    families : tuple of Family
        Families of signed rows.
    jointly : tuple of tuple of int
        Sets of independent rows, each tested at once.
    """

    contrasts: Array
    families: tuple[Family, ...] = ()
    jointly: tuple[tuple[int, ...], ...] = ()


class Judged(ABC):
    """Estimates of contrasts (..., q) with tests and limits that hold their level.

    Attributes
    ----------
    estimate, se, df : ndarray, shape (..., q)
        Estimates, the scale of the t ratio, its degrees of freedom.
    """

    estimate: Array
    se: Array
    df: Array

    @abstractmethod
    def p_below(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or more"; small: it lies below."""

    @abstractmethod
    def p_above(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or less"; small: it lies above."""

    @abstractmethod
    def half_width(self, alpha: float) -> Array:
        """Half width (..., q) of the two-sided interval of each contrast alone."""

    @abstractmethod
    def family_p(self, family: Family) -> Array:
        """Adjusted p (..., members) of the signed contrasts of a family."""

    @abstractmethod
    def family_half_width(self, family: Family, alpha: float) -> Array:
        """Half widths (..., members) of limits that hold together.

        Two-sided: signed estimate plus and minus; one side: signed estimate plus is the upper
        limit of each.
        """

    @abstractmethod
    def joint_p(self, number: int) -> Array:
        """Test of one of the sets of ``Question.jointly`` at once: its p (...,)."""

    def upper(self, alpha: float) -> Array:
        """One-sided upper limits (..., q), each alone at alpha."""
        return np.asarray(self.estimate + self.half_width(2.0 * alpha))

    def lower(self, alpha: float) -> Array:
        """One-sided lower limits (..., q), each alone at alpha."""
        return np.asarray(self.estimate - self.half_width(2.0 * alpha))

    def family_upper(self, family: Family, alpha: float) -> Array:
        """Upper limits (..., members) of the signed contrasts that hold together."""
        signed = self.estimate[..., list(family.members)] * np.array(family.signs, dtype=float)
        return np.asarray(signed + self.family_half_width(family, alpha))


_ANGLES = 24  # bins of the angle on either side, two nodes each
_SHIFTS = 8  # of the evenly spread directions
_DF_NODES = 48  # more degrees of freedom than these are interpolated between


@dataclass(frozen=True, kw_only=True, eq=False)
class OneSidedLaw:
    """Law of the largest of m correlated t values with one standard deviation, signs kept.

    Its tail holds to 3e-4 at 5 per cent.

    Parameters
    ----------
    count, rank : int
        How many values, and on how many independent ones they depend.
    reach, weight : ndarray, shape (n_nodes,)
        Largest inner product m of a direction with a line, from -1 to 1, and its probability.

    Notes
    -----
    max Z_i = |y| m(v), y being independent standard normal values and v their direction, so that
    the tail is the mean over v of the tail of |y| beyond c / m(v): chi-square, or F where the
    standard deviation is estimated.  Directions are evenly spread and gathered by their angle.
    """

    count: int
    rank: int
    reach: Array
    weight: Array

    def tail(self, c: Array, df: Array) -> Array:
        """P(max t_i > c), for c and df that broadcast; infinite df allowed."""
        c, df = np.broadcast_arrays(np.asarray(c, dtype=float), np.asarray(df, dtype=float))
        single = upper_tail(c, df)
        if self.count == 1:
            return single
        mean = np.empty(c.size)
        for part in np.array_split(np.arange(c.size), c.size // 4096 + 1):
            mean[part] = self._mean(c.ravel()[part], df.ravel()[part])
        return np.clip(mean.reshape(c.shape), single, np.minimum(self.count * single, 1.0))

    def _mean(self, c: Array, df: Array) -> Array:
        found = np.full(len(c), np.nan)
        for positive in (True, False):
            side = (self.reach > 0.0) == positive
            stretch, weight = 1.0 / self.reach[side] ** 2, self.weight[side]
            for finite in (True, False):
                here = ((c > 0.0) == positive) & (np.isfinite(df) == finite)
                squared = c[here, None] ** 2 * stretch
                if finite:
                    far = special.fdtrc(self.rank, df[here, None], squared / self.rank)
                else:
                    far = special.chdtrc(self.rank, squared)
                found[here] = far @ weight if positive else 1.0 - far @ weight
        return found

    def critical(self, alpha: float, df: Array) -> Array:
        """Value that the largest t exceeds with probability alpha, for df of any shape."""
        asked = np.asarray(df, dtype=float)
        known = np.unique(asked[~np.isnan(asked)])
        few = known.size <= _DF_NODES
        if not few:
            known = 1.0 / np.linspace(1.0 / known[0], 1.0 / known[-1], _DF_NODES)
        high = _critical_for(self, alpha, tuple(known.tolist()))
        if not few:
            return np.interp(-1.0 / asked, -1.0 / known, high)
        place = np.searchsorted(known, asked).clip(max=max(known.size - 1, 0))
        return np.where(np.isnan(asked), np.nan, high[place] if known.size else np.nan)


@lru_cache(maxsize=4096)
def _critical_for(law: OneSidedLaw, alpha: float, df: tuple[float, ...]) -> Array:
    """Solve for the critical values once: data sets of one design ask for the same again."""
    known = np.array(df)
    low, high = (critical_t(2.0 * alpha / divisor, known) for divisor in (1.0, law.count))
    for _ in range(52 if law.count > 1 else 0):
        middle = 0.5 * (low + high)
        above = law.tail(middle, known) > alpha
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    high.flags.writeable = False
    return np.asarray(high)


def one_sided_law(correlation: Array) -> OneSidedLaw:
    """Prepare the law of the largest of several correlated t values.

    Shapes: correlation (m, m).

    Examples
    --------
    >>> law = one_sided_law(np.array([[1.0, 0.5], [0.5, 1.0]]))
    >>> law.critical(0.05, np.array([10.0, np.inf])).round(3)  # Dunnett's 2.15 and 1.92
    array([2.151, 1.916])
    """
    matrix = np.ascontiguousarray(correlation, dtype=float)
    return _one_sided_for(matrix.tobytes(), len(matrix))


@lru_cache(maxsize=1024)
def _one_sided_for(data: bytes, m: int) -> OneSidedLaw:
    rows = lower_factor(np.frombuffer(data).reshape(m, m))
    rows /= np.sqrt(np.square(rows).sum(axis=1))[:, None]
    rank = rows.shape[1]
    half = islice(shifted_directions(rank), _SHIFTS)
    reach = np.concatenate([(rows @ way).max(axis=0) for one in half for way in (one, -one)])
    angle = np.arccos(np.clip(reach, -1.0, 1.0))
    place = np.minimum((angle / np.pi * 2 * _ANGLES).astype(np.intp), 2 * _ANGLES - 1)
    mass = np.bincount(place, minlength=2 * _ANGLES)
    used = mass > 0
    total = mass[used]
    centre = np.bincount(place, reach, 2 * _ANGLES)[used] / total
    square = np.bincount(place, reach**2, 2 * _ANGLES)[used] / total
    spread = np.sqrt(np.maximum(square - centre**2, 0.0))
    return OneSidedLaw(
        count=m,
        rank=rank,
        reach=np.concatenate([centre - spread, centre + spread]),
        weight=np.tile(total / (2.0 * len(angle)), 2),
    )


def f_tail(f: ArrayLike, df_num: float, df_den: ArrayLike) -> Array:
    """Upper tail of F; chi-squared over its degrees of freedom where the denominator is infinite.

    Examples
    --------
    >>> f_tail([4.0, 4.0], 1, [10.0, float("inf")]).round(4)
    array([0.0734, 0.0455])
    """
    f, df_den = np.broadcast_arrays(np.asarray(f, dtype=float), np.asarray(df_den, dtype=float))
    finite = np.isfinite(df_den)
    exact = special.fdtrc(df_num, np.where(finite, df_den, 1.0), np.maximum(f, 0.0))
    limit = special.chdtrc(df_num, df_num * np.maximum(f, 0.0))
    tail: Array = np.where(finite, exact, limit)
    return tail


def _ratio(difference: Array, se: Array) -> Array:
    """T ratios; zero where values without any scatter, such as equal bounds, do not differ."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where((difference == 0.0) & (se == 0.0), 0.0, difference / se)


@dataclass(frozen=True, kw_only=True, eq=False)
class StudentJudged(Judged):
    """Contrasts judged by Student's t with standard errors and degrees of freedom of a fit.

    Parameters
    ----------
    estimate, se : ndarray, shape (..., q)
        Estimates and standard errors.
    df : ndarray, shape (..., q)
        Degrees of freedom, fractions and infinity allowed; one number stands for all.
    correlation : ndarray, shape (q, q)
        Of the estimates, the same for all data sets.
    jointly : tuple of tuple of int
        Sets of independent rows, each tested at once.

    Notes
    -----
    A family whose degrees of freedom differ is adjusted at the largest of them, each contrast
    keeping its own p, as `psdstats.models.contrasts.simultaneous` does; a set tested at once
    takes the least.  More than `MAX_DIMENSION` contrasts are adjusted by Bonferroni's rule.
    """

    estimate: Array
    se: Array
    df: Array
    correlation: Array
    jointly: tuple[tuple[int, ...], ...] = ()

    def __post_init__(self) -> None:
        df = np.broadcast_to(np.asarray(self.df, dtype=float), np.shape(self.estimate))
        object.__setattr__(self, "df", df)
        freeze_arrays(self)

    def p_below(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or more"."""
        return upper_tail(_ratio(limit - self.estimate, self.se), self.df)

    def p_above(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or less"."""
        return upper_tail(_ratio(self.estimate - limit, self.se), self.df)

    def half_width(self, alpha: float) -> Array:
        """Half width (..., q) of the two-sided interval of each contrast alone."""
        return critical_t(alpha, self.df) * self.se

    def family_p(self, family: Family) -> Array:
        """Adjusted p (..., members) of the signed contrasts of a family."""
        rows = list(family.members)
        t, df = _ratio(self.estimate[..., rows], self.se[..., rows]), self.df[..., rows]
        if family.side is Side.BOTH:
            single, value = two_sided_p(t, df), np.abs(t)
        else:
            value = -t * np.array(family.signs)
            single = upper_tail(value, df)
        if len(rows) > MAX_DIMENSION:
            return np.minimum(len(rows) * single, 1.0)
        common = np.broadcast_to(df.max(axis=-1, keepdims=True), df.shape)
        both = 1.0 if family.side is Side.BOTH else 2.0
        with np.errstate(invalid="ignore"):
            carried = critical_t(both * single, common)
        # a p too small to be written as a number cannot be carried over: t stands for itself
        value = np.where((df == common) | ~(single > 0.0), value, carried)
        return np.clip(self._law(family).tail(value, common), single, 1.0)

    def family_half_width(self, family: Family, alpha: float) -> Array:
        """Half widths (..., members) of limits that hold together."""
        rows = list(family.members)
        df, both = self.df[..., rows], 1.0 if family.side is Side.BOTH else 2.0
        if len(rows) > MAX_DIMENSION:
            return critical_t(both * alpha / len(rows), df) * self.se[..., rows]
        common = df.max(axis=-1)
        critical = np.asarray(self._law(family).critical(alpha, common))[..., None]
        alone = two_sided_p(critical, common[..., None])
        own = np.where(df == common[..., None], critical, critical_t(alone, df))
        return np.asarray(own * self.se[..., rows], dtype=np.float64)

    def joint_p(self, number: int) -> Array:
        """Test of one of the sets of rows at once, by F or chi-square: its p (...,)."""
        return f_tail(*self.joint_f(number))

    def joint_f(self, number: int) -> tuple[Array, int, Array]:
        """F (...,) of that test, with its degrees of freedom; infinite where it is chi-square."""
        rows = list(self.jointly[number])
        t = _ratio(self.estimate[..., rows], self.se[..., rows])
        inverse = np.linalg.inv(self.correlation[np.ix_(rows, rows)])
        square = np.einsum("...i,ij,...j->...", t, inverse, t)
        return square / len(rows), len(rows), self.df[..., rows].min(axis=-1)

    def _law(self, family: Family) -> OneSidedLaw | _TwoSidedLaw:
        rows, signs = list(family.members), np.array(family.signs, dtype=float)
        correlation = self.correlation[np.ix_(rows, rows)]
        if family.side is Side.BOTH:
            return _TwoSidedLaw(maximum_law(correlation))
        return one_sided_law(correlation * np.outer(signs, signs))


@dataclass(frozen=True)
class _TwoSidedLaw:
    """The law of the largest |t| for arrays: each value by itself, equal ones once."""

    law: MaximumLaw

    def tail(self, c: Array, df: Array) -> Array:
        return _each(self.law.tail, c, df)

    def critical(self, alpha: float, df: Array) -> Array:
        return _each(partial(self.law.critical, alpha), df)


def _each(function: Callable[..., float], *given: Array) -> Array:
    """A function of numbers for arrays, NaN where one of them is."""
    known = cache(lambda *one: np.nan if np.isnan(one).any() else function(*one))
    return np.asarray(np.vectorize(known, otypes=[float])(*given))
