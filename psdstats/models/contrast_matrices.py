"""Weights on the means of a factor's levels: which comparisons are asked.

A contrast is a row of weights that add to zero.  With a response on the log scale the difference
"b - a" is the logarithm of the ratio b / a.  Weights are in the unit of the means, except for
trends, which are per power of the score's unit.  Nothing is estimated here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import freeze_arrays

__all__ = [
    "ContrastKind",
    "ContrastMatrix",
    "against_first",
    "all_pairs",
    "contrast_matrix",
    "interaction",
    "polynomial_trend",
    "successive",
    "within_each",
]

Floats = NDArray[np.float64]


class ContrastKind(StrEnum):
    """The families of contrasts a factor's levels allow."""

    AGAINST_FIRST = "against first"
    ALL_PAIRS = "all pairs"
    SUCCESSIVE = "successive"
    TREND = "trend"
    INTERACTION = "interaction"
    OWN = "own"


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
    weights: Floats
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

    Parameters
    ----------
    levels : sequence of str, length k
        Level names in their order, k at least 2.

    Returns
    -------
    ContrastMatrix
        k - 1 contrasts.

    Raises
    ------
    ModelError
        If there are fewer than two levels or a name repeats.

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
    """Choose the family of differences by its name; see the function of that name.

    Parameters
    ----------
    levels : sequence of str
        Levels of the factor, in order.
    kind : {"against first", "all pairs", "successive"}
        Which family.

    Returns
    -------
    ContrastMatrix

    Raises
    ------
    ModelError
        If there is no such family, or fewer than two levels.
    """
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

    Parameters
    ----------
    scores : array_like, shape (k,)
        Score of each level (a time, its root, …), all different.
    degree : int, default=1
        Highest power, 1 to k - 1.

    Returns
    -------
    ContrastMatrix
        One contrast a power.  Row d gives the coefficient of score^d in the polynomial of degree
        d fitted by unweighted least squares to the means: a slope for d = 1.

    Raises
    ------
    ModelError
        If scores repeat or are not finite, or the degree does not fit.

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

    Parameters
    ----------
    first, second : ContrastMatrix
        Contrasts of the two factors, with k and l levels.

    Returns
    -------
    ContrastMatrix
        Weights on the k × l cell means, the second factor varying fastest.

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

    Parameters
    ----------
    matrix : ContrastMatrix
        Contrasts of the compared factor, with k levels.
    levels : sequence of str, length l
        Levels of the other factor.

    Returns
    -------
    ContrastMatrix
        Weights on the l × k cell means, the compared factor varying fastest.

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
