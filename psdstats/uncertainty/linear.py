"""Closed-form derivatives of D10, D50, D90 (ln D) in all net masses and ln apertures, batched.

Masses in g, apertures as ln x (x in µm).  The derivatives are those of JCGM 100:2008, 5.1.3.  They
hold within the bracket of the estimate; a percentile that is not bracketed has none (NaN).

`Contributions` is the general linear law (JCGM 100, JCGM 102) for any measurement model given by
its sensitivities.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.special import ndtri

from psdstats.distribution.curves import (
    InterpolationRule,
    StudyArrays,
    find_brackets,
    invert_monotone,
    monotone_value,
    undersize_of_masses,
)
from psdstats.distribution.percentiles import LEAST_WIDTH, LEVELS
from psdstats.distribution.powder_curve import CurveLaw
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array, Flags, Indices
from psdstats.student import critical_t
from psdstats.uncertainty.inputs import Actions, ElementaryInputs, InputTable, Kind

_COMPLEX_STEP = 1e-30
_NO_PART = 1e-8
_ROWS = 4096  # of a matrix at once
_ALIKE = 1e-3  # of the variance between sieves, below which errors are the same


@dataclass(frozen=True, kw_only=True, eq=False)
class PercentileJacobian:
    """Percentiles of R runs at L levels and their derivatives.

    Attributes
    ----------
    ln_size : ndarray, shape (R, L)
        ln D; NaN where not bracketed.
    by_mass : ndarray, shape (R, L, K)
        Derivatives of ln D in each net mass, 1/g; NaN where not bracketed.
    by_ln_aperture : ndarray, shape (R, L, K - 1)
        Derivatives of ln D in the logarithm of each aperture; NaN where not bracketed.
    """

    ln_size: Array
    by_mass: Array
    by_ln_aperture: Array


def percentile_jacobian(
    net_g: Array,
    ln_aperture: Array,
    levels: Array,
    rule: str | InterpolationRule = InterpolationRule.SEMILOG,
) -> PercentileJacobian:
    """Percentiles and their derivatives for many runs at once.

    Shapes: net_g (R, K), ln_aperture (R, K - 1), levels (L,).

    Notes
    -----
    Inside the bracket (a, b) of a level p the curve is a straight line of X against T: with
    t = (T(p) - T_a)/(T_b - T_a) and X = X_a + t (X_b - X_a), ∂X/∂T_a = -(1 - t) (X_b - X_a)/(T_b -
    T_a), ∂X/∂T_b = -t (X_b - X_a)/(T_b - T_a), ∂X/∂X_a = 1 - t and ∂X/∂X_b = t.
    """
    chosen = InterpolationRule(rule)
    undersize = undersize_of_masses(net_g)
    brackets = find_brackets(undersize, levels)
    if undersize.shape[1] < 2:
        nothing = np.full((*brackets.upper.shape, net_g.shape[1]), np.nan)
        return PercentileJacobian(
            ln_size=nothing[..., 0], by_mass=nothing, by_ln_aperture=nothing[..., 1:]
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        if chosen is InterpolationRule.MONOTONE:
            parts = _monotone(undersize, ln_aperture, levels, brackets.upper)
        else:
            parts = _straight(undersize, ln_aperture, levels, brackets.upper, chosen)
        ln_size, by_undersize, by_ln_aperture = parts
        by_mass = undersize_to_mass(by_undersize, undersize, net_g)
    for part in (ln_size, by_mass, by_ln_aperture):
        part[brackets.below | brackets.above] = np.nan
    return PercentileJacobian(ln_size=ln_size, by_mass=by_mass, by_ln_aperture=by_ln_aperture)


def _straight(
    undersize: Array, ln_aperture: Array, levels: Array, upper: Indices, rule: InterpolationRule
) -> tuple[Array, Array, Array]:
    """Ln D and its derivatives where the curve is a straight line on the scales of its rule.

    These are undersize, or its probit where both ends have one, against ln x, or x.
    """
    rows = np.arange(len(undersize))[:, None]
    low, high = undersize[rows, upper - 1], undersize[rows, upper]
    start, end = ln_aperture[rows, upper - 1], ln_aperture[rows, upper]
    is_probit = (low > 0) & (high < 1) & (high > low) & (rule is InterpolationRule.LOGPROBIT)
    z_low, z_high = (ndtri(np.where(is_probit, one, 0.5)) for one in (low, high))
    stretch = [
        np.where(is_probit, np.sqrt(2 * np.pi) * np.exp(z**2 / 2), 1.0) for z in (z_low, z_high)
    ]
    low, high = np.where(is_probit, z_low, low), np.where(is_probit, z_high, high)
    rise = np.where(high > low, high - low, np.nan)
    place = np.clip((np.where(is_probit, ndtri(levels), levels) - low) / rise, 0.0, 1.0)
    place = np.where(high > low, place, 0.0)
    width, by_start, by_end = end - start, 1.0 - place, place
    ln_size = start + place * width
    if rule is InterpolationRule.LINEAR:
        growth = np.expm1(width)
        ln_size = start + np.log1p(place * growth)
        width = growth * np.exp(start - ln_size)
        by_start, by_end = by_start * np.exp(start - ln_size), by_end * np.exp(end - ln_size)
    slope = -width / rise
    by_low, by_high = (1.0 - place) * slope * stretch[0], place * slope * stretch[1]
    n_apertures = ln_aperture.shape[1]
    return (
        ln_size,
        _at_ends(upper, n_apertures, by_low, by_high),
        _at_ends(upper, n_apertures, by_start, by_end),
    )


def _at_ends(upper: Indices, n_apertures: int, low: Array, high: Array) -> Array:
    """Spread derivatives in the two ends of each bracket over all apertures."""
    spread = np.zeros((*upper.shape, n_apertures))
    rows, columns = np.ogrid[: upper.shape[0], : upper.shape[1]]
    spread[rows, columns, upper - 1] = low
    spread[rows, columns, upper] = high
    return spread


def _monotone(
    undersize: Array, ln_aperture: Array, levels: Array, upper: Indices
) -> tuple[Array, Array, Array]:
    """The same of the cubic: implicit derivatives in its points, by a complex step (exact)."""
    ln_size = invert_monotone(undersize, ln_aperture, levels, upper)

    def by(which: int, column: int | slice) -> Array:
        points = [one.astype(complex) for one in (ln_size, undersize, ln_aperture)]
        points[which][:, column] += 1j * _COMPLEX_STEP
        moved = monotone_value(points[0], points[1], points[2], upper)
        return np.asarray(moved.imag / _COMPLEX_STEP)

    slope, columns = by(0, slice(None)), range(undersize.shape[1])
    by_undersize, by_ln_aperture = (
        np.stack([-by(which, column) / slope for column in columns], axis=2) for which in (1, 2)
    )
    return ln_size, by_undersize, by_ln_aperture


def undersize_to_mass(by_undersize: Array, undersize: Array, net_g: Array) -> Array:
    """Chain rule with ∂Q_j/∂m_i = ([i ≤ j] - Q_j) / M."""
    total = net_g.sum(axis=1)[:, None, None]
    tail = np.cumsum(by_undersize[:, :, ::-1], axis=2)[:, :, ::-1]
    mean = (by_undersize * undersize[:, None, :]).sum(axis=2, keepdims=True)
    by_mass = np.repeat(-mean, net_g.shape[1], axis=2)
    by_mass[:, :, :-1] += tail
    return np.asarray(by_mass / total)


@dataclass(frozen=True, kw_only=True, eq=False)
class Contributions:
    """What a standard deviation of each of N independent inputs adds to each of C numbers.

    Attributes
    ----------
    matrix : sparse array, shape (C, N)
        The sensitivities times the standard uncertainties of the inputs.
    known : ndarray of bool, shape (C,)
        False where a number has no value (its row is 0); what follows for it is NaN.
    degrees_of_freedom : ndarray, shape (N,)
        Of the standard uncertainty of each input; inf where it is taken as known.
    source : ndarray of int, shape (N,)
        Which source each input belongs to.
    estimate : ndarray of int, shape (N,), or None
        Which estimate the standard uncertainty of each input comes from; each its own if None.
    n_sources : int
        How many sources there are.
    """

    matrix: sparse.csr_array
    known: Flags
    degrees_of_freedom: Array
    source: Indices
    n_sources: int = 1
    estimate: Indices | None = None

    def contrasts(self, weights: Array | sparse.sparray) -> Contributions:
        """The same for weighted sums of the numbers; known where all that have weight are.

        Shapes: weights (D, C), dense or sparse.
        """
        taken = sparse.csr_array(weights)
        lost = abs(taken) @ np.where(self.known, 0.0, 1.0)
        return replace(self, matrix=(taken @ self.matrix).tocsr(), known=lost == 0)

    def rows(self, which: Indices | slice) -> Contributions:
        """The same for some of the numbers."""
        return replace(self, matrix=self.matrix[which], known=self.known[which])

    @property
    def covariance(self) -> Array:
        """Joint covariance (JCGM 100:2008, 5.1.2, as in JCGM 102), shape (C, C)."""
        gap = self._gap
        return np.asarray((self.matrix @ self.matrix.T).toarray() * np.outer(gap, gap))

    @property
    def by_source(self) -> Array:
        """Variance from each source, shape (C, n_sources)."""
        places = (np.arange(self.source.size), self.source)
        pick = sparse.csr_array(
            (np.ones(self.source.size), places), shape=(self.source.size, self.n_sources)
        )
        found = self._of_squares(lambda own: (own @ pick).toarray())
        return np.asarray(found * self._gap[:, None])

    @property
    def shares(self) -> Array:
        """Share of each source in the variance, shape (C, n_sources); NaN where it is 0."""
        variance = self.by_source
        total = variance.sum(axis=1, keepdims=True)
        return np.where(total > 0, variance / np.where(total > 0, total, 1.0), np.nan)

    @property
    def u(self) -> Array:
        """Standard uncertainties, shape (C,)."""
        variance = self._of_squares(lambda own: own.sum(axis=1).ravel())
        return np.asarray(np.sqrt(variance) * self._gap)

    @property
    def effective_df(self) -> Array:
        """Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.2b), shape (C,).

        Notes
        -----
        Inputs whose standard uncertainties come from one estimate count together: many readings of
        a balance whose repeatability is known from n weighings have n - 1 degrees of freedom, not
        n - 1 each.  Where they state different ones, the fewest hold.
        """
        of_estimate, together = self.degrees_of_freedom, None
        if self.estimate is not None and self.estimate.size:
            of_estimate = np.full(self.estimate.max() + 1, np.inf)
            np.minimum.at(of_estimate, self.estimate, self.degrees_of_freedom)
            places = (np.arange(self.estimate.size), self.estimate)
            together = sparse.csr_array((np.ones(self.estimate.size), places))

        def freedom(squares: sparse.csr_array) -> Array:
            whole = np.asarray(squares.sum(axis=1)).ravel() ** 2
            squares = squares if together is None else squares @ together
            spread = squares.multiply(squares).tocsr() @ (1.0 / of_estimate)
            return np.where(spread > 0, whole / np.where(spread > 0, spread, 1.0), np.inf)

        return np.asarray(self._of_squares(freedom) * self._gap)

    def blocks(self) -> Iterator[sparse.csr_array]:
        """The rows of the matrix, some at a time: all squared take twice its room."""
        rows = self.matrix.shape[0]
        for at in range(0, max(rows, 1), _ROWS):
            yield self.matrix if rows <= _ROWS else self.matrix[at : at + _ROWS]

    def _of_squares(self, made: Callable[[sparse.csr_array], Array]) -> Array:
        """What is made of the squares of each row."""
        return np.concatenate(
            [np.asarray(made(own.multiply(own).tocsr())) for own in self.blocks()]
        )

    @property
    def _gap(self) -> Array:
        return np.where(self.known, 1.0, np.nan)


def undersize_law(table: InputTable) -> tuple[Array, Contributions, Contributions]:
    """Undersize at every aperture, what masses add to it, and what is added to the aperture.

    Shapes: (R, K - 1); rows (K - 1) r + j of the contributions are aperture j of run r, those of
    the second are in µm.

    Notes
    -----
    With net masses m_i of total M, ``∂Q_j/∂m_i = ([i ≤ j] - Q_j)/M``.
    """
    net_g = table.net_g
    undersize = undersize_of_masses(net_g)
    n_runs, n_sieves = undersize.shape
    below = np.arange(n_sieves)[:, None] >= np.arange(n_sieves + 1)
    by_mass = (below - undersize[:, :, None]) / net_g.sum(axis=1)[:, None, None]
    itself = np.broadcast_to(np.eye(n_sieves), (n_runs, n_sieves, n_sieves))
    known = np.ones(undersize.size, dtype=bool)
    of_mass, of_aperture = (
        of_inputs(table, acting(table, action, slope), known)
        for action, slope in ((table.on_mass, by_mass), (table.on_aperture, itself))
    )
    return undersize, of_mass, of_aperture


def of_inputs(table: InputTable, matrix: sparse.csr_array, known: Flags) -> Contributions:
    """What a matrix of their effects makes of the inputs of a table."""
    return Contributions(
        matrix=matrix,
        known=known,
        degrees_of_freedom=table.degrees_of_freedom,
        source=table.source,
        estimate=table.estimate,
        n_sources=len(table.sources),
    )


def acting(table: InputTable, action: Actions, derivative: Array) -> sparse.csr_array:
    """What a standard deviation of each input adds to each result, shape (R L, N).

    Shapes: derivative (R, L, places), of result l of run r in what the action acts on.
    """
    n_runs, n_results, _ = derivative.shape
    part = derivative[action.run, :, action.place] * action.coefficient[:, None]
    rows = n_results * action.run[:, None] + np.arange(n_results, dtype=np.int32)
    columns = np.repeat(action.input, n_results)
    return sparse.csr_array(
        (part.ravel(), (rows.ravel(), columns)), shape=(n_runs * n_results, len(table.kind))
    )


def with_span(size: Array) -> tuple[sparse.csr_array, Flags]:
    """Map (ln D10, ln D50, ln D90) of each run to these and ln span, and which of them are known.

    Shapes: size (R, 3), NaN where not bracketed (the rows are then 0); gives (4 R, 3 R), (4 R,).
    """
    n_runs = len(size)
    width = np.where(np.isnan(size[:, 1]), np.nan, size[:, 2] - size[:, 0])
    width = np.where(width > LEAST_WIDTH * size[:, 1], width, np.nan)
    by_size = np.stack([-size[:, 0] / width, np.full(n_runs, -1.0), size[:, 2] / width], axis=1)
    blocks = np.zeros((n_runs, 4, 3))
    known = ~np.isnan(np.column_stack([size, width]))
    blocks[:, [0, 1, 2], [0, 1, 2]] = known[:, :3]
    blocks[:, 3, :] = np.where(known[:, 3:], by_size, 0.0)
    run, quantity, level = np.nonzero(blocks)
    transform = sparse.csr_array(
        (blocks[run, quantity, level], (4 * run + quantity, 3 * run + level)),
        shape=(4 * n_runs, 3 * n_runs),
    )
    return transform, known.ravel()


def span_ends(contributions: Contributions, value: Array, ends: Array) -> Array:
    """Ends of the span from those of its three sizes, which may reach farther to one side.

    Parameters
    ----------
    contributions : Contributions
        To ln D10, ln D50, ln D90 and ln span of every run.
    value : ndarray, shape (R, 4)
        Sizes and span.
    ends : ndarray, shape (2, R, 3)
        Lower and upper ends of the sizes.

    Returns
    -------
    ndarray, shape (2, R)

    Notes
    -----
    What each size adds on its way to the end that makes the span smaller, or larger, is put
    together as their linear contributions are correlated (Zou and Donner, Statistics in Medicine
    27 (2008) 1693-1702, cited from memory); for symmetric ends that is linear propagation.
    """
    size, span = value[:, :-1], value[:, -1]
    slope = np.stack([-np.ones_like(span), -span, np.ones_like(span)], axis=1) / size[:, 1:2]
    sides = np.concatenate([ends[::-1, :, :2], ends[:, :, 2:]], axis=2)
    part = slope * (sides - size)
    row = [contributions.matrix[level :: value.shape[1]] for level in range(size.shape[1])]
    u = contributions.u.reshape(value.shape)
    square = (part**2).sum(axis=2)
    for one, other in ((0, 1), (0, 2), (1, 2)):
        shared = np.asarray(row[one].multiply(row[other]).sum(axis=1)).ravel()
        both = u[:, one] * u[:, other] * np.sign(slope[:, one] * slope[:, other])
        alike = np.divide(shared, both, out=np.zeros_like(both), where=both != 0)
        square += 2 * alike * part[..., one] * part[..., other]
    reach = np.sqrt(np.maximum(square, 0.0))
    found = span + np.array([[-1.0], [1.0]]) * reach
    return np.asarray(np.maximum(found, 0.0))  # D90 is not below D10


@dataclass(frozen=True, kw_only=True, eq=False)
class OpenCurves:
    """Law of the undersize curves of R runs, and what it leaves open between their sieves.

    Attributes
    ----------
    curve : CurveLaw
        The law of each run.
    factor : sparse array, shape (3 R, M)
        What a standard deviation of each of M independent inputs adds to ln D; row 3 r + l is
        level l of run r.
    """

    curve: CurveLaw
    factor: sparse.csr_array

    def take(self, rows: Sequence[int] | Indices) -> OpenCurves:
        """The same for some of the runs."""
        index = np.asarray(rows, dtype=np.intp)
        names = [one.name for one in fields(self.curve) if one.name != "levels"]
        each = {name: getattr(self.curve, name)[index] for name in names}
        levels = (LEVELS.size * index[:, None] + np.arange(LEVELS.size)).ravel()
        return OpenCurves(curve=replace(self.curve, **each), factor=self.factor[levels])

    def inputs(self) -> ElementaryInputs:
        """What is left open, as normal inputs on ln D."""
        result = ElementaryInputs(kind=Kind.NORMAL)
        found = self.factor.tocoo()
        rows, columns = found.coords
        used, index = np.unique(columns, return_inverse=True)
        for one in used.tolist():
            result.index(("curve", str(one)))
        run, level = np.divmod(rows, LEVELS.size)
        taken = np.empty((found.nnz, 4))
        for place, column in enumerate((index, run, level, found.data)):
            taken[:, place] = column
        result.on_ln_size = taken
        return result


def shared_factor(u: Array, correlation: Array) -> Array:
    """Factor of u C u by pivoted Cholesky, so that rows alike have the same inputs."""
    some = u > 0
    rest = np.where(np.outer(some, some), np.nan_to_num(correlation), 0.0)
    columns = []
    for _ in range(u.size):
        pivot = int(np.argmax(np.diag(rest)))
        if rest[pivot, pivot] <= _ALIKE:
            break
        column = rest[:, pivot] / np.sqrt(rest[pivot, pivot])
        rest = rest - np.outer(column, column)
        columns.append(np.where(np.abs(column) > _NO_PART, column, 0.0))
    return np.asarray(u[:, None] * np.array(columns).reshape(len(columns), u.size).T)


def curve_jacobian(curve: CurveLaw, net_g: Array) -> PercentileJacobian:
    """Sensitivities of the law of the curve in net masses and ln apertures."""
    gap = np.where(np.isnan(curve.ln_size), np.nan, 1.0)[:, :, None]
    by_mass = undersize_to_mass(curve.by_undersize, undersize_of_masses(net_g), net_g)
    return PercentileJacobian(
        ln_size=curve.ln_size, by_mass=by_mass * gap, by_ln_aperture=curve.by_ln_aperture * gap
    )


def on_ln_size(
    table: InputTable, arrays: StudyArrays, jacobian: PercentileJacobian
) -> sparse.csr_array:
    """What every input adds to ln D10, ln D50, ln D90 of every run, shape (3 R, N)."""
    by_aperture = jacobian.by_ln_aperture / arrays.aperture_um[:, None, :]
    by_mass = acting(table, table.on_mass, np.nan_to_num(jacobian.by_mass))
    found = by_mass + acting(table, table.on_aperture, np.nan_to_num(by_aperture))
    itself, levels = table.on_ln_size, np.int32(LEVELS.size)
    rows = levels * itself.run + itself.place
    return found + sparse.csr_array((itself.coefficient, (rows, itself.input)), shape=found.shape)


def coverage_factor(coverage: float, degrees_of_freedom: ArrayLike = np.inf) -> Array:
    """Two-sided Student factor of a coverage probability (JCGM 100:2008, G.3.2); NaN without df."""
    if not 0 < coverage < 1:
        raise UncertaintyError(f"coverage is {coverage!r}; give a probability such as 0.95.")
    freedom = np.asarray(degrees_of_freedom, dtype=float)
    return np.where(np.isnan(freedom), np.nan, critical_t(1 - coverage, freedom))
