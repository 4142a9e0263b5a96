"""Which size classes gained or lost mass between two levels of a factor, with family-wise control.

Changes are in percentage points of the total mass.  All classes are judged together by the largest
|t| over classes under exchange of runs within strata (single-step maximum; P. H. Westfall and
S. S. Young, "Resampling-Based Multiple Testing", Wiley 1993), so the chance of naming any class
that did not move is at most the stated level, correlation between classes included.  Fractions sum
to one: where one class gains, others must lose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.columns import signed
from psdstats.comparison.permutation_manova import (
    EXACT_LIMIT,
    NOISE,
    TIE,
    Layout,
    arrangement_blocks,
    layout_of,
)
from psdstats.errors import ModelError
from psdstats.models.design_columns import level_text


@dataclass(frozen=True, kw_only=True, eq=False)
class MovedClasses:
    """Change of every class between two levels.

    Parameters
    ----------
    low, high : str
        Levels compared; the change is high minus low.
    unit : str
        Unit of the levels, or empty.
    names : tuple of str
        Class names, finest first.
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

    low: str
    high: str
    unit: str
    names: tuple[str, ...]
    change_percent: NDArray[np.float64]
    lower: NDArray[np.float64]
    upper: NDArray[np.float64]
    t: NDArray[np.float64]
    p_adjusted: NDArray[np.float64]
    level: float
    used: int
    smallest_p: float
    exact: bool

    @property
    def pair(self) -> str:
        """The two levels in words: "0 to 6 min"."""
        return pair_text(self.low, self.high, unit=self.unit)

    @property
    def moved(self) -> NDArray[np.bool_]:
        """Classes whose change is shown at the family-wise level."""
        return np.asarray(self.p_adjusted <= 1 - self.level, dtype=np.bool_)

    @property
    def sentence(self) -> str:
        """What moved, in words."""
        head = f"{self.pair}: "
        if self.smallest_p > 1 - self.level:
            return head + (
                f"cannot be told which classes moved: with {self.used} rearrangements of its runs "
                f"this design cannot give a p below {self.smallest_p:.2g}"
            )
        found = [
            f"{name} {signed(change, '+.1f')} points"
            for name, change, moved in zip(self.names, self.change_percent, self.moved, strict=True)
            if moved
        ]
        return head + (", ".join(found) if found else "no class is shown to have moved")

    def to_frame(self) -> pd.DataFrame:
        """One row a class: class, pair, low, high, change_percent, lower, upper, t, p, moved.

        The p-value (p_adjusted) and the limits hold for all classes of the pair together.
        """
        return pd.DataFrame(
            {
                "class": self.names,
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


def pair_text(low: object, high: object, *, unit: str = "") -> str:
    """Two levels in words, with their unit.

    Examples
    --------
    >>> pair_text(0.0, 6.0, unit="min")
    '0 to 6 min'
    """
    return f"{level_text(low)} to {level_text(high)} {unit}".rstrip()


def moved_classes(
    fractions: ArrayLike,
    factor: ArrayLike,
    *,
    low: object,
    high: object,
    names: tuple[str, ...],
    strata: ArrayLike | None = None,
    unit: str = "",
    level: float = 0.95,
    permutations: int = 9_999,
    seed: int = 0,
) -> MovedClasses:
    """Change of each class between two levels of a factor.

    Shapes: fractions (n, K), factor (n,), strata (n,).

    Examples
    --------
    >>> share = [[0.2, 0.8], [0.3, 0.7], [0.6, 0.4], [0.7, 0.3]]
    >>> result = moved_classes(share, [0, 0, 6, 6], low=0, high=6, names=("fine", "coarse"))
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
    share = 100 * np.asarray(fractions, dtype=np.float64)[used]
    return _judge(
        design, share, (level_text(low), level_text(high), unit), names, level, permutations, seed
    )


def _judge(
    design: Layout,
    share: NDArray[np.float64],
    pair: tuple[str, str, str],
    names: tuple[str, ...],
    level: float,
    permutations: int,
    seed: int,
) -> MovedClasses:
    indicator = design.without_strata_means(design.levels[:, None].astype(float))[:, 0]
    length = float(np.linalg.norm(indicator))
    unit = indicator / length
    centred = design.without_strata_means(share)
    total = np.sum(centred**2, axis=0)
    constant = total <= NOISE * np.sum(share**2, axis=0)
    centred[:, constant], total[constant] = 0.0, 0.0
    score = unit @ centred
    t = _ratio(score, total, design.df_residual)
    exact = design.arrangements <= EXACT_LIMIT
    maxima = _largest(design, unit, centred, total, t, None if exact else permutations, seed)
    reached = len(maxima) - np.searchsorted(maxima, np.abs(t) * (1 - TIE))
    # an interval leaves out zero exactly where the adjusted p is at most 1 - level
    allowed = int((1 - level) * len(maxima) + TIE)
    critical = float(maxima[len(maxima) - 1 - allowed]) if allowed else np.inf
    error = np.sqrt(np.clip(total - score**2, 0, None) / design.df_residual) / length
    change = score / length
    reach = np.where(error > 0, critical * np.where(error > 0, error, 1.0), 0.0)
    return MovedClasses(
        low=pair[0],
        high=pair[1],
        unit=pair[2],
        names=names,
        change_percent=change,
        lower=change - reach,
        upper=change + reach,
        t=t,
        p_adjusted=reached / len(maxima),
        level=level,
        used=len(maxima),
        smallest_p=float(np.mean(maxima >= maxima[-1] * (1 - TIE))),
        exact=exact,
    )


def _largest(
    design: Layout,
    unit: NDArray[np.float64],
    centred: NDArray[np.float64],
    total: NDArray[np.float64],
    t: NDArray[np.float64],
    draws: int | None,
    seed: int,
) -> NDArray[np.float64]:
    """Largest |t| over classes of every rearrangement, sorted; the observed one included."""
    largest = [] if draws is None else [np.array([np.max(np.abs(t))])]
    rng = np.random.default_rng(seed)
    for block in arrangement_blocks(design.levels, design.strata, draws=draws, rng=rng):
        moved = np.einsum("n,bnk->bk", unit, centred[block])
        largest.append(np.max(np.abs(_ratio(moved, total, design.df_residual)), axis=1))
    return np.sort(np.concatenate(largest))


def _ratio(score: NDArray[np.float64], total: NDArray[np.float64], df: int) -> NDArray[np.float64]:
    """Student's t from the component along the contrast; 0 for a class that never varies."""
    scale = np.where(total > 0, total, 1.0)
    part = np.clip(score**2 / scale, 0.0, 1 - 1e-15)
    return np.asarray(np.sign(score) * np.sqrt(part * df / (1 - part)), dtype=np.float64)
