"""Class masses of runs on one set of classes: do whole distributions differ, which classes moved.

Only apertures that every run has remain as class limits; the masses (g) between them are added up.
Nothing is interpolated or extrapolated.  Sieves of one nominal aperture count as the same limit;
what their true apertures differ by is an aperture uncertainty and not corrected here.

Fractions of a whole carry only ratios, so they are moved to K - 1 real coordinates that keep the
distances between compositions: J. J. Egozcue, V. Pawlowsky-Glahn, G. Mateu-Figueras and
C. Barceló-Vidal, "Isometric logratio transformations for compositional data analysis",
Mathematical Geology 35 (2003) 279-300.  The basis follows size: coordinate j sets the geometric
mean of the j finest classes against the next coarser class.  An empty class has no logarithm; it is
replaced by a small stated fraction and the others are scaled down together, so that their ratios
stay (multiplicative replacement; J. A. Martín-Fernández, C. Barceló-Vidal and V. Pawlowsky-Glahn,
Mathematical Geology 35 (2003) 253-278).  Both formulas from memory.

Changes of classes are in percentage points of the total mass.  All classes are judged together by
the largest |t| over classes under exchange of runs within strata (single-step maximum;
P. H. Westfall and S. S. Young, "Resampling-Based Multiple Testing", Wiley 1993), so the chance of
naming any class that did not move is at most the stated level, correlation between classes
included.  Fractions sum to one: where one class gains, others must lose.

Runs are exchanged only within their stratum (group).  Two rearrangements that give every run the
same factor level are the same; when there are few different ones they are enumerated, else drawn at
random, and the observed one always counts.

The pseudo-F of M. J. Anderson, "A new method for non-parametric multivariate analysis of variance",
Austral Ecology 26 (2001) 32-46, on Euclidean coordinates, with strata (groups) as blocks: their
mean differences are removed first and runs are exchanged only within them, so that the test has
exact size whatever the distribution of the coordinates, empty classes and unequal numbers included.
The test answers to a difference in scatter as well as in position.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.columns import signed
from psdstats.errors import ModelError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, Flags
from psdstats.models.design_columns import level_text
from psdstats.study.records import Run, Study

EXACT_LIMIT = 20_000  # up to this many different rearrangements all are looked at
NOISE = 1e-24  # relative sum of squares of floating-point noise
TIE = 1e-9  # relative difference below which two statistics count as equal
_BLOCK = 2_000

Codes = NDArray[np.int64]


def arrangement_blocks(
    levels: Codes, strata: Codes, *, draws: int | None, rng: np.random.Generator
) -> Iterator[Codes]:
    """Blocks of rearrangements of the rows.

    Shapes: levels, strata (n,); gives (block, n).
    """
    if draws is None:
        places = [np.flatnonzero(strata == one) for one in np.unique(strata)]
        parts = []
        for own in (levels[where] for where in places):  # each different assignment of one stratum
            made = np.array(list(_assignments(np.bincount(own).tolist(), len(own))))
            order = np.empty_like(made)
            order[:, np.argsort(own, kind="stable")] = np.argsort(made, axis=1, kind="stable")
            parts.append(order)
        every = itertools.product(*(range(len(part)) for part in parts))
        while chosen := list(itertools.islice(every, _BLOCK)):
            picks = np.array(chosen)
            block = np.empty((len(picks), len(levels)), dtype=np.int64)
            for column, (where, part) in enumerate(zip(places, parts, strict=True)):
                block[:, where] = where[part[picks[:, column]]]
            yield block
        return
    sorted_rows = np.argsort(strata, kind="stable")
    for start in range(0, draws, _BLOCK):
        keys = strata + rng.random((min(_BLOCK, draws - start), len(strata)))
        block = np.empty(keys.shape, dtype=np.int64)
        block[:, sorted_rows] = np.argsort(keys, axis=1)
        yield block


def _assignments(counts: list[int], length: int) -> Iterator[tuple[int, ...]]:
    """Every different sequence with the given number of each code."""
    if length == 0:
        yield ()
        return
    for code, left in enumerate(counts):
        if left:
            counts[code] -= 1
            for rest in _assignments(counts, length - 1):
                yield (code, *rest)
            counts[code] += 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """A one-factor design with strata, ready for sums of squares.

    Parameters
    ----------
    levels, strata : ndarray of int, shape (n,)
        Codes of factor level and stratum.
    basis : ndarray, shape (n, df_factor)
        Orthonormal basis of the factor after strata.
    block_basis : ndarray, shape (n, n_strata)
        Orthonormal basis of the strata (of the mean, without strata).
    df_residual : int
        Degrees of freedom left after strata and factor.
    arrangements : int
        Different assignments of levels to runs within strata.
    exact : bool
        Whether all different rearrangements are looked at.
    """

    levels: Codes
    strata: Codes
    basis: Array
    block_basis: Array
    df_residual: int
    arrangements: int
    exact: bool

    def over(self, statistic: Callable[[Codes], Array], permutations: int, seed: int) -> Array:
        """A statistic of rows (b, n) at all rearrangements, or at the observed and random ones."""
        draws, rng = None if self.exact else permutations, np.random.default_rng(seed)
        observed = [] if self.exact else [np.arange(len(self.levels))[None]]
        blocks = arrangement_blocks(self.levels, self.strata, draws=draws, rng=rng)
        return np.concatenate([statistic(one) for one in (*observed, *blocks)])

    def without_strata_means(self, values: Array) -> Array:
        """Rows of `values` with the stratum means taken off."""
        taken = self.block_basis @ (self.block_basis.T @ values)
        return np.asarray(values - taken, dtype=np.float64)


def layout_of(factor: ArrayLike, strata: ArrayLike | None = None) -> Layout:
    """Build the layout of a one-factor design.

    Shapes: factor (n,), strata (n,).
    """
    levels, names = pd.factorize(np.asarray(factor), sort=True)
    blocks = pd.factorize(
        np.zeros(len(levels)) if strata is None else np.asarray(strata), sort=True
    )[0]
    if len(blocks) != len(levels):
        raise ModelError(f"There are {len(levels)} factor values but {len(blocks)} strata values.")
    dummies = np.equal.outer(blocks, np.unique(blocks)).astype(float)
    block_basis = dummies / np.sqrt(dummies.sum(axis=0))
    factor_dummies = np.equal.outer(levels, np.arange(len(names))).astype(float)
    rest = factor_dummies - block_basis @ (block_basis.T @ factor_dummies)
    turned, size, _ = np.linalg.svd(rest, full_matrices=False)
    basis = turned[:, size > 1e-9 * max(1.0, float(size.max()))]
    if basis.shape[1] == 0:
        raise ModelError(
            "No group holds runs at two different levels, so exchanging runs within groups shows "
            "nothing; compare with strata=None or another factor."
        )
    left = len(levels) - block_basis.shape[1] - basis.shape[1]
    if left < 1:
        raise ModelError(
            f"{len(levels)} runs leave nothing to judge the difference by (residual degrees of "
            f"freedom {left}); replicates or more groups are needed."
        )
    arrangements = 1
    for one in np.unique(blocks):
        counts = np.bincount(levels[blocks == one]).tolist()
        arrangements *= math.factorial(sum(counts)) // math.prod(map(math.factorial, counts))
    return Layout(
        levels=levels.astype(np.int64),
        strata=blocks.astype(np.int64),
        basis=basis,
        block_basis=block_basis,
        df_residual=left,
        arrangements=arrangements,
        exact=arrangements <= EXACT_LIMIT,
    )


@dataclass(frozen=True, kw_only=True)
class PermutationManova:
    """Result of the permutation test.

    Parameters
    ----------
    pseudo_f : float
        Ratio of mean squares, factor over residual.
    df_factor, df_residual : int
        Degrees of freedom.
    r_squared : float
        Share of the variation within strata that goes with the factor.
    p : float
        Share of rearrangements with a pseudo-F at least as large, the observed one included.
    used, arrangements : int
        Rearrangements looked at; different ones the design allows.
    exact : bool
        Whether all different ones were looked at.
    """

    pseudo_f: float
    df_factor: int
    df_residual: int
    r_squared: float
    p: float
    used: int
    arrangements: int
    exact: bool

    @property
    def smallest_p(self) -> float:
        """The smallest p this design and number of rearrangements can give."""
        return 1 / self.used


def permutation_manova(
    coordinates: ArrayLike,
    factor: ArrayLike,
    *,
    strata: ArrayLike | None = None,
    permutations: int = 9_999,
    seed: int = 0,
) -> PermutationManova:
    """Test whether compositions differ between the levels of a factor.

    Shapes: coordinates (n, q), factor (n,), strata (n,).

    Notes
    -----
    With strata this is the sequential pseudo-F of the factor after the strata.  p from random
    rearrangements counts the observed one: p = (1 + b)/(1 + permutations).

    Examples
    --------
    >>> permutation_manova([[0.0], [1.0], [5.0], [6.0]], ["a", "a", "b", "b"]).p.__round__(4)
    0.3333
    """
    design = layout_of(factor, strata)
    points = np.asarray(coordinates, dtype=np.float64).reshape(len(design.levels), -1)
    centred = design.without_strata_means(points)
    total = float(np.sum(centred**2))
    if total <= NOISE * float(np.sum(points**2)):
        centred, total = np.zeros_like(centred), 0.0  # nothing but rounding errors is left
    observed = float(np.sum((design.basis.T @ centred) ** 2))

    def along_factor(rows: Codes) -> Array:
        moved = np.einsum("nd,bnq->bdq", design.basis, centred[rows], optimize=True)
        return np.asarray(np.sum(moved**2, axis=(1, 2)))

    sums = design.over(along_factor, permutations, seed)
    residual, df_factor = total - observed, design.basis.shape[1]
    pseudo_f = float("inf") if total > 0 else float("nan")
    if residual > TIE * total:
        pseudo_f = (observed / df_factor) / (residual / design.df_residual)
    return PermutationManova(
        pseudo_f=pseudo_f,
        df_factor=df_factor,
        df_residual=design.df_residual,
        r_squared=observed / total if total > 0 else float("nan"),
        p=float(np.mean(sums >= observed - TIE * total)),
        used=len(sums),
        arrangements=design.arrangements,
        exact=design.exact,
    )


Level = str | float


class DistributionRemark(RemarkKind):
    """What must be known of whole distributions and their classes."""

    MERGED_AWAY = "apertures not shared"
    LIMITS_DROPPED = "empty classes joined"
    WITHOUT_LEVEL = "runs without a level"
    STACKS_APART = "stacks kept apart"
    EMPTY_CLASSES = "empty classes replaced"
    PAIR_REFUSED = "pair not judged"
    NOT_TESTED = "design not tested"
    TOO_FEW_REARRANGEMENTS = "too few rearrangements"
    EMPTY_CLASSES_DECIDE = "empty classes decide"


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonClasses:
    """Class masses of runs on common limits.

    Parameters
    ----------
    runs : tuple of str
        Runs in the order of the study.
    limits_um : ndarray, shape (K - 1,)
        Apertures that separate the classes, ascending.
    mass_g : ndarray, shape (n_runs, K)
        Mass in each class, finest (through the finest common sieve) first.
    remarks : tuple of Remark
        What was merged.
    """

    runs: tuple[str, ...]
    limits_um: Array
    mass_g: Array
    remarks: tuple[Remark, ...]

    @property
    def fractions(self) -> Array:
        """Mass fractions, shape (n_runs, K); a net mass below zero counts as zero."""
        held = np.clip(self.mass_g, 0.0, None)
        return np.asarray(held / held.sum(axis=1, keepdims=True), dtype=np.float64)


def _apertures(run: Run) -> frozenset[float]:
    return frozenset(r.aperture_um for r in run.readings if r.aperture_um > 0)


def stack_families(study: Study) -> list[list[Run]]:
    """Sort runs into families whose distributions can share classes without losing the curve."""
    sets = [_apertures(run) for run in study.runs]
    if 2 * len(frozenset.intersection(*sets)) >= min(map(len, sets)):
        return [list(study.runs)]
    families: dict[frozenset[float], list[Run]] = {}
    for run, stack in zip(study.runs, sets, strict=True):
        families.setdefault(stack, []).append(run)
    return list(families.values())


def common_classes(runs: Sequence[Run]) -> CommonClasses:
    """Bring the class masses of runs to the apertures they share."""
    apertures = [_apertures(run) for run in runs]
    shared = frozenset.intersection(*apertures)
    every = frozenset.union(*apertures)
    if not shared:
        raise ModelError(
            "The runs have no aperture in common, so their distributions cannot be compared "
            "without guessing between sieves; compare percentiles instead."
        )
    limits = np.array(sorted(shared))
    mass = np.zeros((len(runs), len(limits) + 1))
    for row, run in zip(mass, runs, strict=True):
        for reading in run.readings:
            row[np.searchsorted(limits, reading.aperture_um, side="right")] += reading.net_g
        if row.sum() <= 0:
            raise ModelError(f"Run {run.name} has no mass on its sieves; leave it out.")
    remarks = []
    if away := tuple(sorted(every - shared)):
        remarks.append(DistributionRemark.MERGED_AWAY(apertures=away, classes=len(limits) + 1))
    # each class empty in every run joins its finer neighbour, the finest its coarser one
    held = np.any(mass > 0, axis=0)
    keep = np.array(held[1:])  # limit j separates class j from class j + 1
    if not held[0] and keep.any():
        keep[int(np.argmax(keep))] = False
    if not keep.all():
        dropped = tuple(limits[~keep].tolist())
        remarks.append(DistributionRemark.LIMITS_DROPPED(apertures=dropped))
    first = np.flatnonzero(np.concatenate([[True], keep]))
    return CommonClasses(
        runs=tuple(run.name for run in runs),
        limits_um=limits[keep],
        mass_g=np.add.reduceat(mass, first, axis=1),
        remarks=tuple(remarks),
    )


def class_names(limits_um: Array, write: Callable[[float], str] = "{:g}".format) -> tuple[str, ...]:
    """Name of each class, its limits written as asked: "< 45 µm", "45 to 90 µm", "≥ 90 µm"."""
    limits = [write(float(one)) for one in limits_um]
    if not limits:
        return ("all",)
    between = [f"{low} to {high} µm" for low, high in itertools.pairwise(limits)]
    return (f"< {limits[0]} µm", *between, f"≥ {limits[-1]} µm")


def sequential_basis(classes: int) -> Array:
    """Orthonormal log-contrasts along size.

    Shapes: gives (classes - 1, classes).

    Examples
    --------
    >>> sequential_basis(3).round(3)
    array([[ 0.707, -0.707,  0.   ],
           [ 0.408,  0.408, -0.816]])
    """
    if classes < 2:
        raise ModelError(
            f"A distribution of {classes} class has nothing to compare; at least 2 are needed."
        )
    j = np.arange(1, classes)[:, None]
    column = np.arange(classes)[None, :]
    return np.where(
        column < j, np.sqrt(1 / (j * (j + 1))), np.where(column == j, -np.sqrt(j / (j + 1)), 0.0)
    )


def log_ratio_coordinates(fractions: ArrayLike) -> Array:
    """Isometric log-ratio coordinates of compositions.

    Shapes: fractions (n, K); gives (n, K - 1).

    Examples
    --------
    >>> log_ratio_coordinates([[0.5, 0.25, 0.25]]).round(3)
    array([[0.49 , 0.283]])
    """
    parts = np.asarray(fractions, dtype=np.float64)
    bad = np.argwhere(~(parts > 0))
    if len(bad):
        row, column = bad[0]
        raise ModelError(
            f"Row {row}, class {column} holds {float(parts[row, column])!r}, which has no "
            "logarithm; replace empty classes first (replace_zeros)."
        )
    return np.asarray(np.log(parts) @ sequential_basis(parts.shape[1]).T, dtype=np.float64)


def replace_zeros(fractions: ArrayLike, delta: ArrayLike) -> Array:
    """Multiplicative replacement of empty classes.

    Shapes: fractions (n, K), delta (n,); gives (n, K).

    Examples
    --------
    >>> replace_zeros([[0.5, 0.5, 0.0]], 0.01).round(3)
    array([[0.495, 0.495, 0.01 ]])
    """
    parts = np.clip(np.asarray(fractions, dtype=np.float64), 0.0, None)
    total = parts.sum(axis=1, keepdims=True)
    if not (total > 0).all():
        row = int(np.argmin(total))
        raise ModelError(f"Row {row} has no mass in any class; leave that run out.")
    parts = parts / total
    small = np.broadcast_to(np.asarray(delta, dtype=np.float64), parts.shape[:1])[:, None]
    empty = parts == 0
    taken = small * empty.sum(axis=1, keepdims=True)
    if not ((small > 0) & (taken < 1)).all():
        raise ModelError(
            f"A replacement of {signed(small.max())} (smallest {signed(small.min())}) for empty "
            "classes is not possible: it must be positive and leave room for the other classes."
        )
    return np.where(empty, small, parts * (1 - taken))


@dataclass(frozen=True, kw_only=True, eq=False)
class MovedClasses:
    """Change of every class between two levels.

    Parameters
    ----------
    low, high : str or float
        Levels compared; the change is high minus low.
    unit : str
        Unit of the levels, or empty.
    limits_um : ndarray, shape (K - 1,)
        Apertures that separate the classes, ascending.
    change_percent, lower, upper : ndarray, shape (K,)
        Change in percentage points and its simultaneous interval (infinite where the design is too
        small to bound it).
    t, p_adjusted : ndarray, shape (K,)
        Student's ratio, and p adjusted for all classes.
    level : float
        Simultaneous coverage, and 1 minus the family-wise error rate.
    used : int
        Rearrangements looked at.
    smallest_p : float
        The smallest p these rearrangements could have given.
    exact : bool
        Whether they are all that the design allows.
    """

    low: Level
    high: Level
    unit: str
    limits_um: Array
    change_percent: Array
    lower: Array
    upper: Array
    t: Array
    p_adjusted: Array
    level: float
    used: int
    smallest_p: float
    exact: bool

    @property
    def pair(self) -> str:
        """The two levels in words: "0 to 6 min"."""
        return f"{level_text(self.low)} to {level_text(self.high)}{self.unit and f' {self.unit}'}"

    @property
    def moved(self) -> Flags:
        """Classes whose change is shown at the family-wise level."""
        return np.asarray(self.p_adjusted <= 1 - self.level, dtype=np.bool_)

    def to_frame(self) -> pd.DataFrame:
        """One row a class: class, its limits from_um and to_um, pair, low, high, change_percent.

        Then lower, upper, t, p_adjusted and moved; interval and p hold for all classes of the pair
        together.  The finest class has no lower limit, the coarsest no upper one.
        """
        return pd.DataFrame(
            {
                "class": class_names(self.limits_um),
                "from_um": [np.nan, *self.limits_um],
                "to_um": [*self.limits_um, np.nan],
                "pair": self.pair,
                "low": self.low,
                "high": self.high,
                "change_percent": self.change_percent,
                "lower": self.lower,
                "upper": self.upper,
                "t": self.t,
                "p_adjusted": self.p_adjusted,
                "moved": self.moved,
            }
        )


def moved_classes(
    fractions: ArrayLike,
    factor: ArrayLike,
    *,
    low: Level,
    high: Level,
    limits_um: ArrayLike,
    strata: ArrayLike | None = None,
    unit: str = "",
    level: float = 0.95,
    permutations: int = 9_999,
    seed: int = 0,
) -> MovedClasses:
    """Change of each class between two levels of a factor.

    Shapes: fractions (n, K), factor (n,), limits_um (K - 1,), strata (n,).

    Examples
    --------
    >>> share = [[0.2, 0.8], [0.3, 0.7], [0.6, 0.4], [0.7, 0.3]]
    >>> result = moved_classes(share, [0, 0, 6, 6], low=0, high=6, limits_um=[90])
    >>> result.change_percent.round(1)
    array([ 40., -40.])
    """
    labels = np.asarray(factor)
    used = (labels == low) | (labels == high)
    for one in (low, high):
        if not (labels == one).any():
            raise ModelError(f"No run has the level {one!r}; the levels are {set(labels)}.")
    blocks = None if strata is None else np.asarray(strata)[used]
    design = layout_of((labels[used] == high).astype(int), blocks)
    shares = 100 * np.asarray(fractions, dtype=np.float64)[used]
    indicator = design.without_strata_means(design.levels[:, None].astype(float))[:, 0]
    length, df = float(np.linalg.norm(indicator)), design.df_residual
    direction, centred = indicator / length, design.without_strata_means(shares)
    total = np.sum(centred**2, axis=0)
    constant = total <= NOISE * np.sum(shares**2, axis=0)
    centred[:, constant], total[constant] = 0.0, 0.0
    score = direction @ centred
    change, t = score / length, _ratio(score, total, df)

    def largest(rows: Codes) -> Array:
        other = np.einsum("n,bnk->bk", direction, centred[rows])
        return np.asarray(np.abs(_ratio(other, total, df)).max(axis=1))

    maxima = np.sort(design.over(largest, permutations, seed))
    error = np.sqrt(np.clip(total - score**2, 0, None) / df) / length
    # an interval leaves out zero exactly where the adjusted p is at most 1 - level
    allowed = int((1 - level) * len(maxima) + TIE)
    critical = float(maxima[len(maxima) - 1 - allowed]) if allowed else np.inf
    reach = np.where(error > 0, critical * np.where(error > 0, error, 1.0), 0.0)
    reached = len(maxima) - np.searchsorted(maxima, np.abs(t) * (1 - TIE))
    return MovedClasses(
        low=low,
        high=high,
        unit=unit,
        limits_um=np.asarray(limits_um, dtype=np.float64),
        change_percent=change,
        lower=change - reach,
        upper=change + reach,
        t=t,
        p_adjusted=reached / len(maxima),
        level=level,
        used=len(maxima),
        smallest_p=float(np.mean(maxima >= maxima[-1] * (1 - TIE))),
        exact=design.exact,
    )


def _ratio(score: Array, total: Array, df: int) -> Array:
    """Student's t from the component along the contrast; 0 for a class that never varies."""
    scale = np.where(total > 0, total, 1.0)
    part = np.clip(score**2 / scale, 0.0, 1 - 1e-15)
    return np.asarray(np.sign(score) * np.sqrt(part * df / (1 - part)), dtype=np.float64)
