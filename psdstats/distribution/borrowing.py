"""The shape between the sieves, borrowed across the milling times and benches of a trial.

Numbers only: ln sizes, mass fractions.  Two laws of all curves of a trial, *curves*
(`trial_curves`) and *breakage* (`breakage`), are weighed by their evidence, and a share of each
run's own law stays as a floor.  Both are fitted to rows, means of what shows one shape
(`trial_curves.merged`); each run is then moved from its row to its own readings, so differences
between runs stay those of their readings: no level or width is borrowed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, ndtri

from psdstats.distribution.breakage import breakage_law
from psdstats.distribution.percentiles import LEVELS, bracketed_sizes
from psdstats.distribution.powder_curve import SCORES, CurveLaw
from psdstats.distribution.trial_curves import (
    OWN,
    TEMPER,
    RowLaw,
    Rows,
    TrialRuns,
    curves_law,
    elementary_errors,
    merged,
    mixed_table,
    trials,
)
from psdstats.frozen import Array, Indices, Still
from psdstats.processes import shared_out

FLOOR = 0.1  # share of each run's own law in the quantiles
FLOOR_UNTRIED = (
    0.4  # the same where breakage cannot be tried: curves alone are too sure of two modes
)
FEWEST_SHOWN = 3  # informative sieves: with fewer, what is inside one class is place, not shape
TIMES_TO_BREAK = 3, 4  # least number of times for breakage, with and without a 0-min run
SEED = 0  # of the ensemble of breakage curves; the order of runs does not matter
NEAR, SMALL_U = 1.3, 0.004  # no breakage where nearly all u are this near the noise, or this small


@dataclass(frozen=True, kw_only=True, eq=False)
class Borrowed(Still):
    """Law of ln D of R runs at L levels, the shape between the sieves borrowed across each trial.

    Attributes
    ----------
    law : CurveLaw
        Tables and sensitivities to own readings; a run without company as it was.
    covariance : ndarray, shape (R L, R L)
        Total covariance of ln D, errors of readings and apertures included; its diagonal is the
        square of `law.u`; 0 where there is no size.
    between : ndarray, shape (R L, R L)
        What of it the sensitivities to apertures and readings leave, positive semi-definite.
    breakage_weight : ndarray, shape (conditions,)
        Weight of the breakage law, by condition in rising order.
    """

    law: CurveLaw
    covariance: Array
    between: Array
    breakage_weight: Array


def borrow(runs: TrialRuns, single: CurveLaw, correlation: Array) -> Borrowed:
    """Sizes of all runs with the shape between their sieves borrowed across times and benches.

    Parameters
    ----------
    runs : TrialRuns
        R runs on n sieves at most.
    single : CurveLaw
        Law of each run by itself.
    correlation : ndarray, shape (R L, R L)
        Correlation of the errors between sieves of the laws of single runs.

    Returns
    -------
    Borrowed
        A run without company keeps its own law.

    Notes
    -----
    Company is another milling time, or another nominal stack, within a condition and within
    benches whose level agrees.  Only the shape between sieves is borrowed: the level of every time
    is free, and each run is moved from its row to its own readings.
    """
    conditions = np.unique(runs.condition)
    weight = np.zeros(len(conditions))
    errors = elementary_errors(runs)
    written, noise, blocks = Written.of(single), _noise(errors, single), []
    scatter = np.diag(noise)
    rows = (merged(runs, own, errors) for own in trials(runs, single.ln_size[:, LEVELS.size // 2]))
    parts = [_Dense(runs, own, single, scatter) for own in rows if len(own.undersize) > 1]
    parts = [part for part in parts if len(part.run)]
    laws = shared_out([part.laws for part in parts])
    for part, (law, of_breakage) in zip(parts, laws, strict=True):
        part.take(law)
        blocks.append((part.at, part.joint(noise, correlation, errors, written)))
        k = int(np.searchsorted(conditions, runs.condition[part.rows.runs[0][0]]))
        weight[k] = max(weight[k], of_breakage)
    return _joined(errors, written.law(single), correlation, blocks, weight)


def _joined(
    errors: tuple[Array, Array],
    law: CurveLaw,
    correlation: Array,
    blocks: list[tuple[Indices, Array]],
    weight: Array,
) -> Borrowed:
    """Covariance of all sizes: inside a trial as its laws say, across trials as single runs say."""
    u = np.nan_to_num(law.u).reshape(-1)
    noise = _noise(errors, law)
    left = np.sqrt(np.maximum(u**2 - np.diag(noise), 0))
    covariance = noise + correlation * np.outer(left, left)
    for at, block in blocks:
        sd = np.sqrt(np.maximum(np.diag(block), 1e-12))
        covariance[np.ix_(at, at)] = block * np.outer(u[at] / sd, u[at] / sd)
    known = u > 0
    covariance = covariance * np.outer(known, known)
    if blocks:
        covariance = _mended(covariance)
    noise = noise * np.outer(known, known)
    values, vectors = np.linalg.eigh(covariance - noise)
    between = (vectors * np.maximum(values, 0)) @ vectors.T
    law, share = as_open(law, np.diag(noise), np.diag(between))
    return Borrowed(
        law=law,
        covariance=covariance,
        between=between * np.outer(share, share),
        breakage_weight=weight,
    )


def as_open(law: CurveLaw, noise: Array, between: Array) -> tuple[CurveLaw, Array]:
    """The law with sensitivities that keep its u, and the factor of every size, (R L,).

    What a run's own sieves and readings do by themselves may be more than a trial leaves open,
    since its other runs tell of the same sieves; noise and between are variances of ln D.
    """
    total = noise + between
    share = np.sqrt(np.nan_to_num(law.u).reshape(-1) ** 2 / np.where(total > 0, total, 1.0))
    met = share.reshape(*law.u.shape, 1)
    by_t, by_q = law.by_ln_aperture * met, law.by_undersize * met
    return replace(law, by_ln_aperture=by_t, by_undersize=by_q), share


@dataclass(frozen=True, kw_only=False, eq=False)
class Written:
    """Tables and sensitivities of all runs, written trial by trial."""

    table: Array
    by_t: Array
    by_q: Array

    @classmethod
    def of(cls, law: CurveLaw) -> Written:
        """Those of a law, to be written over."""
        return cls(*map(np.array, (law.table, law.by_ln_aperture, law.by_undersize)))

    def law(self, single: CurveLaw) -> CurveLaw:
        """The law of single runs with what was written."""
        return replace(single, table=self.table, by_ln_aperture=self.by_t, by_undersize=self.by_q)


def _noise(errors: tuple[Array, Array], law: CurveLaw) -> Array:
    """Covariance (R L, R L) of ln D by apertures and readings, linear in a law."""
    by = law.by_ln_aperture, law.by_undersize
    T = sum(np.nan_to_num(one) @ of for one, of in zip(by, errors, strict=True))
    flat = np.reshape(T, (law.u.size, -1))
    return np.asarray(flat @ flat.T)


def _mended(covariance: Array) -> Array:
    """Nearest covariance of the same diagonal, by its spectrum."""
    sd = np.sqrt(np.diag(covariance))
    outer = np.outer(sd, sd)
    r = np.divide(covariance, outer, out=np.eye(len(sd)), where=outer > 0)
    values, vectors = np.linalg.eigh((r + r.T) / 2)
    if values[0] > 0:
        return covariance
    r = (vectors * np.maximum(values, 1e-10)) @ vectors.T
    d = np.sqrt(np.diag(r))
    return np.asarray(r / np.outer(d, d) * outer)


def _both(first: RowLaw, second: RowLaw, weight: float) -> RowLaw:
    """Two laws of one trial as one, `weight` that of the second."""
    v, d = 1 - weight, second.mean - first.mean
    return RowLaw(
        table=mixed_table(np.stack([first.table, second.table]), np.array([v, weight])),
        mean=v * first.mean + weight * second.mean,
        covariance=v * first.covariance + weight * second.covariance + v * weight * np.outer(d, d),
        by_ln_aperture=v * first.by_ln_aperture + weight * second.by_ln_aperture,
        by_undersize=v * first.by_undersize + weight * second.by_undersize,
        log_evidence=max(first.log_evidence, second.log_evidence),
    )


def through(by: Array, errors: Array) -> Array:
    """What errors (K, n, G) of the rows do by weights (P, K, n)."""
    return np.asarray(np.tensordot(by, errors, ((1, 2), (0, 1))))


def of_rows(law: RowLaw, rows: Rows) -> Array:
    """What the elementary errors do to every size of the law of the rows, (P, G)."""
    return through(law.by_ln_aperture, rows.of_aperture) + through(
        law.by_undersize, rows.of_undersize
    )


def _as_powders(law: RowLaw, rows: Rows, times: Array) -> RowLaw:
    """The law with all but what errors do these times as wide, as `curve_law` has it."""
    by_errors, middle = of_rows(law, rows), law.table[:, [len(SCORES) // 2]]
    noise = by_errors @ by_errors.T
    covariance = noise + (law.covariance - noise) * np.outer(times, times)
    variance = np.maximum(np.diag(covariance), 1e-12)
    spread = np.sqrt(variance / np.maximum(np.diag(law.covariance), 1e-12))[:, None]
    return replace(law, table=middle + (law.table - middle) * spread, covariance=covariance)


class Moved:
    """The sizes of one trial: the law of its rows, moved to the readings of each run.

    `noise` is the variance of ln D by apertures and readings in the laws of single runs, (R L,).
    """

    def __init__(self, runs: TrialRuns, rows: Rows, single: CurveLaw, noise: Array) -> None:
        self.runs, self.rows, self.single, L = runs, rows, single, len(LEVELS)
        self.places = bracketed_sizes(
            rows.undersize, rows.ln_aperture, rows.u_ln_aperture, rows.real, LEVELS
        )
        place = np.full((len(rows.undersize), L), -1)
        place[self.places.row, self.places.level] = np.arange(len(self.places.row))
        own = np.concatenate(rows.runs)
        row = np.repeat(np.arange(len(rows.runs)), [len(same) for same in rows.runs])
        bracketed = np.isfinite(single.table[own, :, 0]) & ~single.flat[own] & (place[row] >= 0)
        bracketed &= (single.informative[own].sum(axis=1) >= FEWEST_SHOWN)[:, None]
        i, self.level = np.nonzero(bracketed)
        self.run, self.row = own[i], row[i]
        self.place = place[self.row, self.level]
        self.at = self.run * L + self.level
        self.u2 = single.u[self.run, self.level] ** 2
        self.between = np.sqrt(np.maximum(self.u2 - noise[self.at], 0))

    def laws(self) -> tuple[RowLaw, float]:
        """Law of the rows, and the weight of breakage in it."""
        law, weight = curves_law(self.rows, self.places), 0.0
        if self._is_milled and self._gain():
            other = breakage_law(self.rows, self.places, SEED, law.log_evidence)
            if other is not None:
                gap = TEMPER * (other.log_evidence - law.log_evidence)
                weight = float(expit(np.clip(gap, -50, 50)))
                law = _both(law, other, weight)
        return law, weight

    def take(self, law: RowLaw) -> None:
        """Move the means of that law to the runs."""
        times = np.array([self.single.open_times[same].mean() for same in self.rows.runs])
        self.law = _as_powders(law, self.rows, times[self.places.row])
        self._move()

    @property
    def _is_milled(self) -> bool:
        """Whether there are times enough to try breakage."""
        minutes = self.rows.minutes
        least = TIMES_TO_BREAK[int(minutes[0] > 0)]
        return bool(len(minutes) >= least and minutes[-1] > 0)

    @property
    def shares(self) -> tuple[float, float]:
        """Of the law of the rows, and of each run's own as a floor."""
        floor = FLOOR if self._is_milled else FLOOR_UNTRIED
        return 1 - floor, floor

    def _gain(self) -> bool:
        """Whether some size is well above what apertures and readings alone would leave."""
        noise = self.u2 - self.between**2
        return bool((self.u2 > np.maximum(NEAR**2 * noise, SMALL_U**2)).mean() > 0.1)

    def _move(self) -> None:
        """Sensitivities and means of the runs: every run meets its own readings."""
        runs, rows, law, p = self.runs, self.rows, self.law, self.place
        row, every = self.places.row, np.arange(len(self.places.row))
        together = rows.time[row][:, None] == rows.time  # what moves with a shift of this time
        total = (law.by_ln_aperture.sum(-1) * together).sum(1)
        whole = law.by_ln_aperture[every, row].sum(1) / np.where(total > 0.1, total, 1)
        whole = np.where(whole > 0.1, whole, 1)[:, None]  # so that own readings are met in full
        by = np.stack([law.by_ln_aperture[every, row], law.by_undersize[every, row]])
        self.by_own = (by / whole)[:, p]
        small = np.maximum(runs.smallest[self.run], rows.smallest[self.row])[:, None]
        z, z_row = (
            ndtri(np.clip(q, small, 1 - small))
            for q in (runs.undersize[self.run], rows.undersize[self.row])
        )
        density = np.exp(-(z_row**2) / 2) / np.sqrt(2 * np.pi)
        self.shift = (self.by_own[1] * density * (z - z_row)).sum(1)
        self.mean = law.mean[p] + self.shift
        self.apart = self.mean - self.single.table[self.run, self.level, len(SCORES) // 2]
        self.departure = self._departure(np.diag(law.covariance)[p])

    def _departure(self, variance: Array) -> Array:
        """Sd of a bench's own departure from the shape of its row, more if farther."""
        runs, rows = self.runs, self.rows
        benches = np.array([len(np.unique(runs.bench[same])) for same in rows.runs])[self.row]
        t = rows.ln_aperture
        gap = (
            t[self.row, self.places.upper[self.place]] - t[self.row, self.places.lower[self.place]]
        )
        share = np.where(benches > 1, OWN + (np.pi * self.shift / gap) ** 2, 0)
        return np.asarray(np.sqrt(np.minimum(share, 1) * np.maximum(self.between**2, variance)))

    def write(self, variance: Array, written: Written) -> None:
        """Tables of that variance, mixed with the law of each run alone, the floor."""
        runs, law, at, p = self.runs, self.law, (self.run, self.level), self.place
        ratio = np.sqrt(np.maximum(variance, 1e-12) / np.diag(law.covariance)[p])[:, None]
        middle = law.table[p, len(SCORES) // 2]
        table = (middle + self.shift)[:, None] + (law.table[p] - middle[:, None]) * ratio
        ends = bracketed_sizes(
            runs.undersize, runs.ln_aperture, runs.u_ln_aperture, runs.real, LEVELS
        )
        limits = np.full((2, *self.single.table.shape[:2]), np.nan)
        limits[:, ends.row, ends.level] = ends.left, ends.right
        own = np.clip(table, limits[0][at][:, None], limits[1][at][:, None])
        share = self.shares
        # quantiles are averaged: a mixture would end just where the floor takes over, at 2.5 %
        written.table[at] = share[0] * own + share[1] * self.single.table[at]
        written.by_t[at] = share[0] * self.by_own[0] + share[1] * written.by_t[at]
        written.by_q[at] = share[0] * self.by_own[1] + share[1] * written.by_q[at]


class _Dense(Moved):
    """The same with the covariance of all sizes of the trial."""

    def joint(
        self, noise: Array, correlation: Array, errors: tuple[Array, Array], written: Written
    ) -> Array:
        """Write tables and sensitivities; the covariance."""
        both = np.ix_(self.at, self.at)
        between, alike = self.between, correlation[both]
        same = (self.row[:, None] == self.row) & (
            self.runs.bench[self.run][:, None] == self.runs.bench[self.run]
        )
        departure = np.outer(self.departure, self.departure) * same * alike
        moved = self.law.covariance[np.ix_(self.place, self.place)]
        moved = moved + self._of_errors(errors) + departure
        self.write(np.diag(moved), written)
        share = self.shares
        mixed = share[0] * moved + share[1] * (noise[both] + alike * np.outer(between, between))
        return np.asarray(mixed + share[0] * share[1] * np.outer(self.apart, self.apart))

    def _of_errors(self, errors: tuple[Array, Array]) -> Array:
        """What errors of own sieves and readings, not the row's means, change in the covariance."""
        T = of_rows(self.law, self.rows)[self.place]
        X = np.zeros_like(T)
        for k, of in enumerate((self.rows.of_aperture, self.rows.of_undersize)):
            X += np.einsum("qn,qng->qg", self.by_own[k], errors[k][self.run] - of[self.row])
        return np.asarray((T + X) @ (T + X).T - T @ T.T)


# ------------------------------------------------------------------ between the sieves

COMMON = 0.7  # of the variance between sieves: the curve's share, the rest is the case's


def between_correlation(law: CurveLaw, case: ArrayLike) -> Array:
    """Correlation of what the curves of all runs and levels do between their sieves.

    Parameters
    ----------
    law : CurveLaw
        R runs, L levels.
    case : array_like of int, shape (R,)
        Runs of one number are one condition on one stack.

    Returns
    -------
    ndarray, shape (R L, R L)
        Run by run, level by level; positive semi-definite.  A size with no law, or from fewer than
        two informative sieves, goes with its own level in its own case alone.

    Notes
    -----
    The error of a size is a functional of the unknown curve ln x = g(z), z the probit of the
    undersize: sum b_i g(z_i) - g(z_level), b the sensitivities to ln aperture, nudged so that
    straight lines give 0.  Under an integrated Wiener process its covariance with another is the
    integral of the product of two piecewise linear functions.  Of the variance, 0.7 is taken to
    belong to the curve and 0.3 to the case.
    """
    b, z = functionals(law)
    knots = np.unique(z)
    ramp = np.einsum("fi,fik->fk", b, np.maximum(z[..., None] - knots, 0))
    gap = np.diff(knots)
    first, second = ramp[:, :-1], ramp[:, 1:]
    third = np.sqrt(gap / 12) * (first - second)  # of the exact integral of a product of lines
    parts = np.hstack([np.sqrt(gap) / 2 * (first + second), third])
    size = np.sqrt((parts**2).sum(1, keepdims=True))
    silent = size[:, 0] < 1e-12
    parts = np.where(silent[:, None], 0.0, parts / np.where(silent[:, None], 1.0, size))
    levels = law.levels.size
    case = np.repeat(np.asarray(case), levels)
    level = np.tile(np.arange(levels), len(law.table))
    same = case[:, None] == case
    alone = silent[:, None] & silent & same & (level[:, None] == level)
    return np.asarray((parts @ parts.T + alone) * np.where(same, 1.0, COMMON))


def functionals(law: CurveLaw) -> tuple[Array, Array]:
    """Weights and places, (R L, n + 1), of each error as a functional; weights 0 where none."""
    runs, levels, n = law.by_ln_aperture.shape
    z0 = ndtri(law.levels)[:, None]
    z = ndtri(np.clip(np.where(law.informative, law.undersize, 0.5), 1e-6, 1 - 1e-6))[:, None]
    some = law.informative[:, None].astype(float)
    b = law.by_ln_aperture
    line = np.stack([np.ones_like(z), z], axis=2) * some[:, :, None]
    near = some / (0.3 + np.abs(z - z0)) ** 2
    miss = np.stack([1 - b.sum(-1), z0[:, 0] - (b * z).sum(-1)], axis=-1)
    normal = np.einsum("rlan,rln,rlbn->rlab", np.broadcast_to(line, (runs, 1, 2, n)), near, line)
    normal += 1e-12 * np.eye(2)
    nudge = np.linalg.solve(normal, miss[..., None])[..., 0]
    b = b + near * np.einsum("rlan,rla->rln", np.broadcast_to(line, (runs, levels, 2, n)), nudge)
    known = (law.informative.sum(1) > 1)[:, None] & np.isfinite(law.ln_size)
    weights = np.concatenate([b, np.full((runs, levels, 1), -1.0)], axis=-1) * known[..., None]
    at = np.broadcast_to(z, (runs, levels, n))
    places = np.concatenate([at, np.broadcast_to(z0, (runs, levels, 1))], axis=-1)
    return weights.reshape(-1, n + 1), places.reshape(-1, n + 1)
