"""Evenly spread directions: points on the unit sphere of any dimension.

Quasi-random means over directions converge faster than with random ones.  The points are those
of a rank-1 lattice with random shifts of a fixed seed (deterministic; the scatter between shifts
shows the error), carried to the sphere without loss: the sphere of d dimensions takes d - 1
coordinates.  A point on the sphere of two dimensions fewer and one on the circle are joined with
the shares f and 1 - f of the squared length, f being Beta((d - 2) / 2, 1) distributed, so that
f = u^(2 / (d - 2)) for u uniform; the odd dimensions start from a single number, whose sign is
left to the caller.  Dimensionless.

The lattice is Korobov's (coordinates a^j n / N modulo 1, from memory); N is prime, and a has the
smallest mean square error P2 among all a < N / 2, taken over the first 2, 3, 4, 6, 9 and 24
coordinates together.  Shares are folded by the tent map, which makes them periodic.

Law of the largest of several correlated |Z| or |t| by direction: the general route.

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

Law of the largest of several correlated |t| values that share one standard deviation.

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

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import islice

import numpy as np
from scipy import special

from psdstats.frozen import Array, Indices
from psdstats.student import critical_t, scale_rule, two_sided_p

POINTS = 4093
_MULTIPLIER = 1515
_SEED = 20_070


def shifted_directions(dimension: int) -> Iterator[Array]:
    """Sets of directions, each from its own shift of the lattice; endless.

    Shapes: gives (d, POINTS).
    """
    generators = [pow(_MULTIPLIER, j, POINTS) for j in range(dimension - 1)]
    lattice = np.outer(generators, np.arange(POINTS)) % POINTS / POINTS
    rng = np.random.default_rng(_SEED)
    while True:
        yield _on_sphere((lattice + rng.random((dimension - 1, 1))) % 1.0)


def _on_sphere(u: Array) -> Array:
    """Directions of len(u) + 1 dimensions from uniform coordinates."""
    odd = len(u) % 2 == 0
    direction = np.ones((1, u.shape[1])) if odd else _on_circle(u[0])
    rest = u if odd else u[1:]
    for share, turn in zip(rest[::2], rest[1::2], strict=True):
        squared = (1.0 - np.abs(2.0 * share - 1.0)) ** (2.0 / len(direction))
        parts = np.sqrt(squared) * direction, np.sqrt(1.0 - squared) * _on_circle(turn)
        direction = np.concatenate(parts)
    return direction


def _on_circle(turn: Array) -> Array:
    return np.stack([np.cos(2.0 * np.pi * turn), np.sin(2.0 * np.pi * turn)])


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
    stretch: Array
    weight: Array
    error: float

    def normal_tail(self, w: Array) -> Array:
        """P(max |Z_i| > w), for w of any shape."""
        squared = np.square(np.asarray(w, dtype=float))[..., None] * self.stretch
        return np.asarray(special.chdtrc(self.rank, squared) @ self.weight, dtype=np.float64)

    def student_tail(self, c: float, df: float) -> float:
        """P(max |t_i| > c) with df degrees of freedom, infinity allowed."""
        if df > _INFINITE:
            return float(self.normal_tail(np.array(c)))
        ratio = c * c * self.stretch / self.rank
        return float(special.fdtrc(self.rank, df, ratio) @ self.weight)


def direction_law(correlation: Array) -> DirectionLaw:
    """Prepare the law for a correlation matrix.

    Shapes: correlation (m, m).

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
    found: list[Array] = []
    while len(found) < _MOST:
        more = max(len(found), _FEWEST)
        found += [_reaching(frames, way) for way in islice(directions, more)]
        tails = [_sphere_law(rank, reaching).normal_tail(_CHECKED) for reaching in found]
        error = float(np.std(tails, axis=0, ddof=1).max() / np.sqrt(len(found)))
        if error <= _TARGET:
            break
    return _sphere_law(rank, np.mean(found, axis=0), max(error, _LEAST_ERROR))


def lower_factor(correlation: Array) -> Array:
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


def _lines(correlation: Array) -> Array:
    """Rows of the factor at length 1, without those that repeat one before or its opposite."""
    rows = lower_factor(correlation)
    rows /= np.sqrt(np.square(rows).sum(axis=1))[:, None]
    kept: list[Array] = []
    for row in rows:
        if all(min(_gap(row, other), _gap(row, -other)) > _TOLERANCE for other in kept):
            kept.append(row)
    return np.array(kept)


def _gap(rows: Array, row: Array) -> Array:
    """One minus the inner product of unit vectors, without loss of digits."""
    return np.asarray(0.5 * np.square(rows - row).sum(axis=-1), dtype=np.float64)


def _frame(lines: Array, i: int) -> Array:
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


def _reach(frame: Array, way: Array) -> Array:
    """Cotangent of the reach along each way (columns), then along its opposite."""
    overtaken = frame @ way
    return np.concatenate([overtaken.max(axis=0), -overtaken.min(axis=0)])


def _reaching(frames: list[Array], way: Array) -> Array:
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


def _sphere_law(rank: int, reaching: Array, error: float = 0.0) -> DirectionLaw:
    """Two angles for each panel of bins, with the mean and variance of 1 / cos² θ that it has."""
    edge = 2.0 * np.arctan(np.linspace(0.0, 1.0, _BINS + 1))
    angle = 0.5 * (edge[1:] + edge[:-1])
    # density of the angle, 0 to π/2, between a random direction and a line
    log_constant = special.gammaln(rank / 2.0) - special.gammaln((rank - 1) / 2.0)
    constant = 2.0 * np.exp(log_constant) / np.sqrt(np.pi)
    mass = reaching * (constant * np.sin(angle) ** (rank - 2)) * np.diff(edge)
    mass, stretch = (part.reshape(_PANELS, -1) for part in (mass, 1.0 / np.cos(angle) ** 2))
    used = mass.any(axis=1)
    mass, stretch = mass[used], stretch[used]
    total = mass.sum(axis=1)
    centre = (mass * stretch).sum(axis=1) / total
    spread = np.sqrt((mass * np.square(stretch - centre[:, None])).sum(axis=1) / total)
    # where the mass is skewed, centre - spread may lie below all of it: keep within, mean kept
    spread = np.minimum(spread, centre - stretch.min(axis=1))
    # what the weights miss of 1 goes mostly to the largest angles, where the sampling errors are,
    # spread as the largest of several angles drawn
    weight = np.repeat(total / 2.0, 2)
    sum_to = np.concatenate([[0.0], weight.cumsum()])
    largest = np.diff((sum_to / sum_to[-1]) ** _DRAWN)
    return DirectionLaw(
        rank=rank,
        stretch=np.stack([centre - spread, centre + spread], axis=1).ravel(),
        weight=weight + (1.0 - sum_to[-1]) * largest,
        error=error,
    )


def _circle_law(frames: list[Array]) -> DirectionLaw:
    """Two dimensions: one way and its opposite, so that S is a staircase known exactly."""
    cotangent = np.concatenate([_reach(frame, np.ones((1, 1))) for frame in frames])
    reach = np.arctan2(1.0, cotangent)[:, None]
    node, weight = np.polynomial.legendre.leggauss(_CIRCLE_NODES)
    angle = 0.5 * reach * (node + 1.0)
    mass = 0.5 * reach * weight / np.pi  # half of the density 2/π for each way
    return DirectionLaw(
        rank=2, stretch=(1.0 / np.cos(angle) ** 2).ravel(), weight=mass.ravel(), error=0.0
    )


_ALIKE = 1e-8  # correlations nearer than this count as equal
_MOST_SHARED = 0.999  # above it the shared part leaves too sharp an edge for the integral
Tail = Callable[[Array], Array]


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
        Its name.
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

        ends = (low - 1e-9, high + 1e-9)
        return float(brentq(lambda c: self.tail(c, df) - alpha, *ends, xtol=1e-13, rtol=1e-14))


def maximum_law(correlation: Array) -> MaximumLaw:
    """Choose and prepare the law for a correlation matrix.

    Shapes: correlation (m, m).

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

    def tail(w: Array) -> Array:
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
    return MaximumLaw(count=count, normal_tail=tail, name="studentised range")


@lru_cache(maxsize=256)
def _law_for(data: bytes, m: int) -> MaximumLaw:
    correlation = np.frombuffer(data).reshape(m, m)
    blocks = _blocks(correlation)
    if len(blocks) == 1:
        return _connected_law(correlation)
    laws = [_law_for(correlation[np.ix_(block, block)].tobytes(), len(block)) for block in blocks]

    def tail(w: Array) -> Array:
        inside = np.zeros(np.shape(w))
        with np.errstate(divide="ignore"):
            for law in laws:
                inside = inside + np.log1p(-np.minimum(law.normal_tail(w), 1.0))
        return np.asarray(-np.expm1(inside), dtype=np.float64)

    error = sum(law.error for law in laws)
    return MaximumLaw(count=m, normal_tail=tail, name="independent blocks", error=error)


def _blocks(correlation: Array) -> list[Indices]:
    """Sets of indices without correlation between the sets."""
    linked = np.abs(correlation) > _ALIKE
    reach = np.linalg.matrix_power(linked.astype(float), len(linked)) > 0.0
    label = reach.argmax(axis=1)
    return [np.flatnonzero(label == first) for first in np.unique(label)]


def _connected_law(correlation: Array) -> MaximumLaw:
    m = len(correlation)
    if (np.abs(correlation) > 1.0 - _ALIKE).all():  # one value, repeated or with its sign changed
        return MaximumLaw(count=m, normal_tail=lambda w: 2.0 * special.ndtr(-w), name="one value")
    shared = _product_factor(correlation)
    if shared is not None:
        return _product_law(shared)
    levels = round((1.0 + np.sqrt(1.0 + 8.0 * m)) / 2.0)
    if (
        m == levels * (levels - 1) // 2
    ):  # differences b - a, a before b, of independent alike values
        first, second = np.triu_indices(levels, 1)
        weights = np.eye(levels)[second] - np.eye(levels)[first]
        if np.allclose(correlation, weights @ weights.T / 2.0, rtol=0.0, atol=_ALIKE):
            return range_law(levels)
    law = direction_law(correlation)
    return MaximumLaw(
        count=m,
        normal_tail=law.normal_tail,
        name="multivariate t",
        error=law.error,
        student_tail=law.student_tail,
    )


def _product_factor(correlation: Array) -> Array | None:
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


def _product_law(a: Array) -> MaximumLaw:
    """Z_i = a_i U + b_i E_i with U and all E_i independent: integrate over U, even in U."""
    shared = np.abs(a)
    own = np.sqrt(1.0 - shared**2)
    step = 0.35 * float(own.min())

    def tail(w: Array) -> Array:
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

    return MaximumLaw(count=len(a), normal_tail=tail, name="shared comparison")
