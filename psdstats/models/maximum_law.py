"""Law of the largest of several correlated |t| values that share one standard deviation.

With Z normal of the given correlations and s = sqrt(chi-square(df)/df) independent of Z, the law
of max |Z_i| / s is the mean over s of P(max |Z_i| > c s).  The inner probability is found by
the structure of the correlations:

- one value: the normal tail;
- independent blocks: the product of the blocks' laws;
- product structure r_ij = a_i a_j (every level against one, balanced or not; C. W. Dunnett,
  J. Amer. Statist. Assoc. 50 (1955) 1096-1121, from memory): one integral over the shared part;
- every pair of k levels whose differences are alike: the range of k normal values (Tukey);
- anything else: a sum over angles (`direction_law`), for t values without the mean over s.

The first four are exact to about ten digits, relative, also far out in the tail; the last is so
where the values depend on two numbers, and states its standard error where on more.
Dimensionless; two-sided only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from psdstats.models.direction_law import direction_law
from psdstats.models.student import critical_t, scale_rule, two_sided_p

__all__ = ["MaximumLaw", "maximum_law", "range_law"]

_ALIKE = 1e-8  # correlations nearer than this count as equal
_MOST_SHARED = 0.999  # above it the shared part leaves too sharp an edge for the integral

Floats = NDArray[np.float64]
Tail = Callable[[Floats], Floats]


@dataclass(frozen=True, kw_only=True)
class MaximumLaw:
    """Law of the largest of m correlated |t| values.

    Parameters
    ----------
    count : int
        How many values m.
    normal_tail : callable
        P(max |Z_i| > w) for an array of w.
    name : str
        How it is computed, in words.
    error : float
        Largest standard error of a tail probability; 0 where it is exact.
    student_tail : callable, optional
        P(max |t_i| > c) from c and df, where it is known without the mean over s.
    """

    count: int
    normal_tail: Tail
    name: str
    error: float = 0.0
    student_tail: Callable[[float, float], float] | None = None

    def tail(self, c: float, df: float) -> float:
        """Probability that the largest |t| exceeds c, with df degrees of freedom.

        Held between the single two-sided p and m times it (Bonferroni), which it must obey.
        """
        single = float(two_sided_p(c, df))
        if self.count == 1:
            return single
        if self.student_tail is not None:
            mean = self.student_tail(c, df)
        else:
            s, weight = scale_rule(df, pull=c)
            mean = float(weight @ self.normal_tail(c * s))
        return min(max(mean, single), self.count * single, 1.0)

    def critical(self, alpha: float, df: float) -> float:
        """Value that the largest |t| exceeds with probability alpha."""
        low, high = (float(critical_t(alpha / divisor, df)) for divisor in (1.0, self.count))
        if high - low < 1e-13:
            return high
        from scipy.optimize import brentq

        def surplus(c: float) -> float:
            return self.tail(c, df) - alpha

        return float(brentq(surplus, low - 1e-9, high + 1e-9, xtol=1e-13, rtol=1e-14))


def maximum_law(correlation: Floats) -> MaximumLaw:
    """Choose and prepare the law for a correlation matrix.

    Parameters
    ----------
    correlation : ndarray, shape (m, m)
        Correlation matrix, possibly singular.

    Returns
    -------
    MaximumLaw
        Remembered for the same matrix, since the general route takes a moment.

    Examples
    --------
    >>> law = maximum_law(np.array([[1.0, 0.5], [0.5, 1.0]]))
    >>> round(law.critical(0.05, 10.0), 4)
    2.5683
    """
    matrix = np.ascontiguousarray(correlation, dtype=float)
    return _law_for(matrix.tobytes(), len(matrix))


def range_law(levels: int) -> MaximumLaw:
    """Law for every pair of k levels whose differences have equal variances (Tukey).

    Notes
    -----
    For k independent standard normal values, P(range > W) =
    k ∫ φ(z) [Φ(z)^(k-1) - (Φ(z) - Φ(z - W))^(k-1)] dz with W = √2 w.
    """

    def tail(w: Floats) -> Floats:
        width = np.sqrt(2.0) * np.asarray(w)[..., None]
        end = 9.0 + 0.5 * float(min(width.max(), 60.0))
        z = np.arange(-9.0, end, 0.2)
        below = special.ndtr(z)
        share = np.minimum(special.ndtr(z - width) / below, 1.0)
        with np.errstate(divide="ignore"):
            lost = -np.expm1((levels - 1) * np.log1p(-share))
        weight = levels * np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) * below ** (levels - 1)
        return np.asarray(0.2 * (lost @ weight), dtype=np.float64)

    count = levels * (levels - 1) // 2
    return MaximumLaw(count=count, normal_tail=tail, name="studentised range, exact")


@lru_cache(maxsize=256)
def _law_for(data: bytes, m: int) -> MaximumLaw:
    correlation = np.frombuffer(data).reshape(m, m)
    blocks = _blocks(correlation)
    if len(blocks) == 1:
        return _connected_law(correlation)
    laws = [_law_for(correlation[np.ix_(block, block)].tobytes(), len(block)) for block in blocks]

    def tail(w: Floats) -> Floats:
        inside = np.zeros(np.shape(w))
        with np.errstate(divide="ignore"):
            for law in laws:
                inside = inside + np.log1p(-np.minimum(law.normal_tail(w), 1.0))
        return np.asarray(-np.expm1(inside), dtype=np.float64)

    names = dict.fromkeys(law.name for law in laws if law.count > 1)
    name = " and ".join(names) or "independent values, exact"
    return MaximumLaw(count=m, normal_tail=tail, name=name, error=sum(law.error for law in laws))


def _blocks(correlation: Floats) -> list[NDArray[np.intp]]:
    """Sets of indices without correlation between the sets."""
    linked = np.abs(correlation) > _ALIKE
    reach = np.linalg.matrix_power(linked.astype(float), len(linked)) > 0.0
    label = reach.argmax(axis=1)
    return [np.flatnonzero(label == first) for first in np.unique(label)]


def _connected_law(correlation: Floats) -> MaximumLaw:
    m = len(correlation)
    if (np.abs(correlation) > 1.0 - _ALIKE).all():  # one value, repeated or with its sign changed
        return MaximumLaw(count=m, normal_tail=_single_tail, name="one value, exact")
    shared = _product_factor(correlation)
    if shared is not None:
        return _product_law(shared)
    levels = round((1.0 + np.sqrt(1.0 + 8.0 * m)) / 2.0)
    if m == levels * (levels - 1) // 2 and np.allclose(
        correlation, _pair_correlation(levels), rtol=0.0, atol=_ALIKE
    ):
        return range_law(levels)
    return _general_law(correlation)


def _single_tail(w: Floats) -> Floats:
    return np.asarray(2.0 * special.ndtr(-np.asarray(w)), dtype=np.float64)


def _pair_correlation(levels: int) -> Floats:
    """Correlations of the differences b - a, a before b, of independent alike values."""
    first, second = np.triu_indices(levels, 1)
    identity = np.eye(levels)
    weights = identity[second] - identity[first]
    return np.asarray(weights @ weights.T / 2.0, dtype=np.float64)


def _product_factor(correlation: Floats) -> Floats | None:
    """Return a with r_ij = a_i a_j off the diagonal, or None where there is none."""
    size = np.abs(correlation - np.diag(np.diag(correlation)))
    j = int(size.sum(axis=1).argmax())
    k = int(size[j].argmax())
    others = [i for i in range(len(size)) if i not in (j, k)]
    square = size[j, k]
    if others:
        i = max(others, key=lambda index: size[j, index] * size[k, index])
        if size[k, i] > _ALIKE:
            square = size[j, i] * size[j, k] / size[k, i]
    if square <= 0.0:
        return None
    a = correlation[j] / np.sqrt(square)
    a[j] = np.sqrt(square)
    rest = correlation - np.outer(a, a)
    np.fill_diagonal(rest, 0.0)
    if np.abs(a).max() > _MOST_SHARED or np.abs(rest).max() > _ALIKE:
        return None
    return np.asarray(a, dtype=np.float64)


def _product_law(a: Floats) -> MaximumLaw:
    """Z_i = a_i U + b_i E_i with U and all E_i independent: integrate over U, even in U."""
    shared = np.abs(a)
    own = np.sqrt(1.0 - shared**2)
    step = 0.35 * float(own.min())

    def tail(w: Floats) -> Floats:
        flat = np.asarray(w, dtype=float).ravel()
        end = min(9.0 + float(shared.max() * flat.max()), 38.0)
        u = np.arange(0.0, end + step, step)
        weight = 2.0 * step * np.exp(-0.5 * u * u) / np.sqrt(2.0 * np.pi)
        weight[0] *= 0.5
        log_inside = np.zeros((len(flat), len(u)))
        with np.errstate(divide="ignore"):
            for share, rest in zip(shared, own, strict=True):
                high = special.ndtr((share * u - flat[:, None]) / rest)
                low = special.ndtr((-share * u - flat[:, None]) / rest)
                log_inside += np.log1p(-np.minimum(high + low, 1.0))
        return np.asarray((-np.expm1(log_inside) @ weight).reshape(np.shape(w)), dtype=np.float64)

    return MaximumLaw(count=len(a), normal_tail=tail, name="shared comparison (Dunnett), exact")


def _general_law(correlation: Floats) -> MaximumLaw:
    law = direction_law(correlation)
    way = "quasi-random integration" if law.error else "exact for two dimensions"
    return MaximumLaw(
        count=len(correlation),
        normal_tail=law.normal_tail,
        name=f"multivariate t, {way}",
        error=law.error,
        student_tail=law.student_tail,
    )
