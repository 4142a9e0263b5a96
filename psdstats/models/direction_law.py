"""Law of the largest of several correlated |Z| or |t| by direction: the general route.

For correlations without a simpler structure, singular ones included.  Deterministic.
Dimensionless.

Z = C y with y independent standard normal of as many values as the rank r of the correlations;
the rows c_i of C have length 1.  Length and direction of y are independent.  |Z_i| is the largest
while the angle θ between y and the line of c_i is below a reach, which depends on the way v in
which y leans from c_i, and which has a closed form: c_j, at the inner product r_ij, overtakes at

    cot θ = c_j·v / (1 - r_ij)   or   cot θ = -c_j·v / (1 + r_ij),

whichever j and sign comes first.  With S(θ) the sum over i of the share of ways v that reach as
far as θ, k(θ) the density of the angle between y and a line, proportional to sin^(r-2) θ, and |y|²
a chi-square with r degrees of freedom,

    P(max |Z_i| > w) = ∫ S(θ) k(θ) P(|y|² > w² / cos² θ) dθ,

and with an estimated common standard deviation the last factor is the tail of F(r, df) at
c² / (r cos² θ).  S serves all w, c and df.  It equals the number of values up to half the smallest
angle between two of the lines, so that far tails keep their relative accuracy.  For r = 2 it is
exact; else its mean over v is taken over evenly spread directions (`direction_points`).

The split by direction follows I. Deák, "Three digit accurate multiple normal probabilities",
Numer. Math. 35 (1980) 369-380 (from memory); measuring angles from each line is our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import NDArray
from scipy import special

from psdstats.models.direction_points import POINTS, shifted_directions

__all__ = ["MAX_DIMENSION", "DirectionLaw", "direction_law", "lower_factor"]

MAX_DIMENSION = 60  # more than any table of contrasts needs; the directions grow uneven above
_TOLERANCE = 1e-9  # squared lengths and 1 - |r_ij| below this count as 0
_FEWEST, _MOST = 8, 32  # shifts of the directions
_TARGET = 5e-6
_LEAST_ERROR = 1e-7  # the quadrature over θ stays below it
_CHECKED = np.array([1.0, 1.5, 2.0, 2.5, 3.0])  # half widths at which the error is watched
_BINS, _PANELS = 4096, 64
# As many ways at once as leave the products in cache, and too small to be split over threads
_VALUES, _PRODUCTS = 32_768, 262_144
_CIRCLE_NODES = 40
_DRAWN = 6  # found to leave the least scatter between shifts, for normal and for t values
_INFINITE = 1e12  # degrees of freedom above it make no difference

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class DirectionLaw:
    """Law of the largest |Z| or |t| as a sum over angles.

    Parameters
    ----------
    rank : int
        Rank r of the correlations.
    stretch : ndarray, shape (n_angles,)
        1 / cos² θ.
    weight : ndarray, shape (n_angles,)
        Probability at each angle; none is negative, so that tails fall steadily.
    error : float
        Largest standard error of a tail probability of normal values, found at half widths from
        1 to 3; 0 where the law is exact.
    """

    rank: int
    stretch: Floats
    weight: Floats
    error: float

    def normal_tail(self, w: Floats) -> Floats:
        """P(max |Z_i| > w), for w of any shape."""
        squared = np.square(np.asarray(w, dtype=float))[..., None] * self.stretch
        return np.asarray(special.chdtrc(self.rank, squared) @ self.weight, dtype=np.float64)

    def student_tail(self, c: float, df: float) -> float:
        """P(max |t_i| > c) with df degrees of freedom, infinity allowed."""
        if df > _INFINITE:
            return float(self.normal_tail(np.array(c)))
        ratio = c * c * self.stretch / self.rank
        return float(special.fdtrc(self.rank, df, ratio) @ self.weight)


def direction_law(correlation: Floats) -> DirectionLaw:
    """Prepare the law for a correlation matrix.

    Parameters
    ----------
    correlation : ndarray, shape (m, m)
        Correlation matrix; may be singular.

    Returns
    -------
    DirectionLaw
        Ready for any half width and degrees of freedom.

    Examples
    --------
    >>> law = direction_law(np.eye(2))
    >>> law.normal_tail(np.array([1.0, 2.0])).round(6)  # 1 - (1 - p)² with p = 0.317311, 0.0455
    array([0.533935, 0.08893 ])
    """
    lines = _lines(correlation)
    rank = lines.shape[1]
    if rank == 1:
        return DirectionLaw(rank=1, stretch=np.ones(1), weight=np.ones(1), error=0.0)
    frames = [_frame(lines, i) for i in range(len(lines))]
    if rank == 2:
        return _circle_law(frames)
    directions = shifted_directions(rank - 1)
    found: list[Floats] = []
    while len(found) < _MOST:
        more = max(len(found), _FEWEST)
        found += [_reaching(frames, way) for way in islice(directions, more)]
        tails = [_sphere_law(rank, reaching).normal_tail(_CHECKED) for reaching in found]
        error = float(np.std(tails, axis=0, ddof=1).max() / np.sqrt(len(found)))
        if error <= _TARGET:
            break
    return _sphere_law(rank, np.mean(found, axis=0), max(error, _LEAST_ERROR))


def lower_factor(correlation: Floats) -> Floats:
    """Lower trapezoidal C, shape (m, rank), with C Cᵀ equal to the correlation.

    Rows that depend on the ones before add no column, so singular matrices are allowed.
    """
    m = len(correlation)
    factor = np.zeros((m, 0))
    remainder = np.array(correlation, dtype=float)
    for i in range(m):
        if remainder[i, i] > _TOLERANCE:
            column = remainder[:, i] / np.sqrt(remainder[i, i])
            factor = np.column_stack([factor, column])
            remainder = remainder - np.outer(column, column)
        remainder[i, :] = remainder[:, i] = 0.0
        done = np.diag(remainder) <= _TOLERANCE
        remainder[done, :] = remainder[:, done] = 0.0
    return factor


def _lines(correlation: Floats) -> Floats:
    """Rows of the factor at length 1, without those that repeat one before or its opposite."""
    rows = lower_factor(correlation)
    rows /= np.sqrt(np.square(rows).sum(axis=1))[:, None]
    kept: list[Floats] = []
    for row in rows:
        if all(min(_gap(row, other), _gap(row, -other)) > _TOLERANCE for other in kept):
            kept.append(row)
    return np.array(kept)


def _gap(rows: Floats, row: Floats) -> Floats:
    """One minus the inner product of unit vectors, without loss of digits."""
    return np.asarray(0.5 * np.square(rows - row).sum(axis=-1), dtype=np.float64)


def _frame(lines: Floats, i: int) -> Floats:
    """Other lines across line i over 1 - r, then their opposites, shape (2 (m - 1), r - 1).

    The coordinates are those left by the reflection that carries the first axis to line i.
    """
    mirror = lines[i].copy()
    mirror[0] += np.copysign(1.0, mirror[0])
    mirror /= np.sqrt(mirror @ mirror)
    others = np.delete(lines, i, axis=0)
    across = (others - 2.0 * np.outer(others @ mirror, mirror))[:, 1:]
    gaps = _gap(others, lines[i]), -_gap(others, -lines[i])
    return np.concatenate([across / gap[:, None] for gap in gaps])


def _reach(frame: Floats, way: Floats) -> Floats:
    """Cotangent of the reach along each way (columns), then along its opposite."""
    overtaken = frame @ way
    return np.concatenate([overtaken.max(axis=0), -overtaken.min(axis=0)])


def _reaching(frames: list[Floats], way: Floats) -> Floats:
    """S as its mean over each bin of tan(θ/2), from 0 to 1."""
    ended, within = np.zeros(_BINS + 1), np.zeros(_BINS + 1)  # the last bin is at 1
    rows, work = frames[0].shape[0], frames[0].size
    size = max(min(_VALUES // rows, _PRODUCTS // work), 32)
    for start in range(0, way.shape[1], size):
        some = np.ascontiguousarray(way[:, start : start + size])
        for frame in frames:
            cotangent = _reach(frame, some)
            place = _BINS * (np.sqrt(1.0 + cotangent * cotangent) - cotangent)
            index = place.astype(np.intp)
            ended += np.bincount(index, minlength=_BINS + 1)
            within += np.bincount(index, weights=place - index, minlength=_BINS + 1)
    beyond = ended.sum() - ended.cumsum()
    return np.asarray((beyond + within)[:-1] / (2 * POINTS), dtype=np.float64)


def _sphere_law(rank: int, reaching: Floats, error: float = 0.0) -> DirectionLaw:
    """Two angles for each panel of bins, with the mean and variance of 1 / cos² θ that it has."""
    edge = 2.0 * np.arctan(np.linspace(0.0, 1.0, _BINS + 1))
    angle = 0.5 * (edge[1:] + edge[:-1])
    mass = reaching * _angle_density(angle, rank) * np.diff(edge)
    mass, stretch = (part.reshape(_PANELS, -1) for part in (mass, 1.0 / np.cos(angle) ** 2))
    used = mass.any(axis=1)
    mass, stretch = mass[used], stretch[used]
    total = mass.sum(axis=1)
    centre = (mass * stretch).sum(axis=1) / total
    spread = np.sqrt((mass * np.square(stretch - centre[:, None])).sum(axis=1) / total)
    # where the mass is skewed, centre - spread may lie below all of it: keep within, mean kept
    spread = np.minimum(spread, centre - stretch.min(axis=1))
    return DirectionLaw(
        rank=rank,
        stretch=np.stack([centre - spread, centre + spread], axis=1).ravel(),
        weight=_completed(np.repeat(total / 2.0, 2)),
        error=error,
    )


def _completed(weight: Floats) -> Floats:
    """Weights, by rising angle, with what they miss of 1 given mostly to the largest angles.

    That is where the sampling errors are; it is spread as the largest of several angles drawn.
    """
    sum_to = np.concatenate([[0.0], weight.cumsum()])
    largest = np.diff((sum_to / sum_to[-1]) ** _DRAWN)
    return np.asarray(weight + (1.0 - sum_to[-1]) * largest, dtype=np.float64)


def _circle_law(frames: list[Floats]) -> DirectionLaw:
    """Two dimensions: one way and its opposite, so that S is a staircase known exactly."""
    cotangent = np.concatenate([_reach(frame, np.ones((1, 1))) for frame in frames])
    reach = np.arctan2(1.0, cotangent)[:, None]
    node, weight = np.polynomial.legendre.leggauss(_CIRCLE_NODES)
    angle = 0.5 * reach * (node + 1.0)
    mass = 0.5 * reach * weight / np.pi  # half of the density 2/π for each way
    return DirectionLaw(
        rank=2, stretch=(1.0 / np.cos(angle) ** 2).ravel(), weight=mass.ravel(), error=0.0
    )


def _angle_density(angle: Floats, rank: int) -> Floats:
    """Density of the angle, 0 to π/2, between a random direction and a line."""
    log_constant = special.gammaln(rank / 2.0) - special.gammaln((rank - 1) / 2.0)
    constant = 2.0 * np.exp(log_constant) / np.sqrt(np.pi)
    return np.asarray(constant * np.sin(angle) ** (rank - 2), dtype=np.float64)
