"""Law of all undersize curves of a trial: lines on a scale, and departures shared over times.

Numbers only: ln sizes, mass fractions.  On one of several scales (`curve_scales`) every time's
curve is a line over ln size plus an integrated Wiener process that is correlated over times, in ln
size relative to D50 of that time or in fixed ln size.  The level of each time is free; its
slope has a wide prior about the common one, which matters where its own sieves say little of it.
Everything is Gaussian inside a component; components are weighed by restricted likelihood,
tempered, times prior.  Apertures are one error per sieve.

What the laws are fitted to are rows, one a milling time and nominal stack: replicates, and benches
on equal stacks whose level agrees, show one shape between the sieves; they are averaged to one row,
with the errors of the physical sieves and of the readings that the average keeps.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

from psdstats.distribution.curve_scales import (
    COMPONENT_LOG_PRIOR,
    COMPONENT_SCALE,
    COMPONENT_SIGMA,
    N_SCALES,
    on_scales,
    slope_of_scales,
)
from psdstats.distribution.percentiles import LEVELS, BracketedSizes
from psdstats.distribution.powder_curve import SCORES, half_width
from psdstats.frozen import Array, Flags, Indices, Still

FARTHEST = 0.12  # ln size: benches farther apart than this show shapes of their own


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialRuns(Still):
    """Readings of R runs on n sieves at most; a run with fewer repeats its last aperture.

    Attributes
    ----------
    undersize, ln_aperture, u_ln_aperture : ndarray, shape (R, n)
        Mass fractions finer, ln of the apertures and their standard uncertainties.
    real : ndarray of bool, shape (R, n)
        Where a sieve stands; the columns after it are padding.
    sieve : ndarray of int, shape (R, n)
        Which physical sieve it is: one aperture error for all runs that used it.
    covariance : ndarray, shape (R, n, n)
        Covariance of the undersize by weighing and sampling, independent between runs.
    smallest : ndarray, shape (R,)
        Undersize or oversize below which nothing can be told.
    bench, condition : ndarray of int, shape (R,)
        Bench, and combination of all factors but bench and time.
    minutes : ndarray, shape (R,)
        Milling time.
    """

    undersize: Array
    ln_aperture: Array
    u_ln_aperture: Array
    real: Flags
    sieve: Indices
    covariance: Array
    smallest: Array
    bench: Indices
    condition: Indices
    minutes: Array


def elementary_errors(runs: TrialRuns) -> tuple[Array, Array]:
    """What G unit errors do to ln apertures and to undersizes, shape (R, n, G) each.

    One error a physical sieve, and n of each run's readings by the root of their covariance.
    """
    R, n = runs.undersize.shape
    sieves = np.unique(runs.sieve[runs.real])
    stands = (runs.sieve[..., None] == sieves) & runs.real[..., None]
    of_sieve = stands * runs.u_ln_aperture[..., None]
    if not runs.covariance.any():
        return of_sieve, np.zeros_like(of_sieve)
    values, vectors = np.linalg.eigh(runs.covariance)
    each, blocks = np.arange(R), np.zeros((R, n, R, n))
    blocks[each, :, each] = vectors * np.sqrt(np.maximum(values, 0))[:, None]
    of_reading = blocks.reshape(R, n, R * n)
    return (
        np.concatenate([of_sieve, np.zeros_like(of_reading)], -1),
        np.concatenate([np.zeros_like(of_sieve), of_reading], -1),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Rows:
    """K rows of one trial: the readings that its laws are fitted to, and how runs made them.

    Attributes
    ----------
    undersize, ln_aperture : ndarray, shape (K, n)
    real : ndarray of bool, shape (K, n)
    of_aperture, of_undersize : ndarray, shape (K, n, G)
        What the elementary errors do to them.
    smallest : ndarray, shape (K,)
    time, stack : ndarray of int, shape (K,)
        Index into `minutes`; nominal stack.
    minutes : ndarray, shape (T,)
    runs : list of ndarray
        Positions of the runs behind each row.
    """

    undersize: Array
    ln_aperture: Array
    real: Flags
    of_aperture: Array
    of_undersize: Array
    smallest: Array
    time: Indices
    stack: Indices
    minutes: Array
    runs: list[Indices]

    @property
    def informative(self) -> Flags:
        """Sieves that some but not all passes, shape (K, n)."""
        small = self.smallest[:, None]
        return np.asarray(self.real & (self.undersize > small) & (self.undersize < 1 - small))

    @property
    def u_ln_aperture(self) -> Array:
        """Standard uncertainty of each ln aperture, a mean over physical sieves, shape (K, n)."""
        return np.asarray(np.sqrt((self.of_aperture**2).sum(-1)))


def trials(runs: TrialRuns, ln_median: Array) -> list[Indices]:
    """Positions of the runs of each trial: one condition, benches of about one level."""
    found = []
    for condition in np.unique(runs.condition):
        here = np.flatnonzero(runs.condition == condition)
        level = np.full(len(here), np.nan)
        for minute in np.unique(runs.minutes[here]):
            at = runs.minutes[here] == minute
            known = ln_median[here[at]]
            if np.isfinite(known).any():
                level[at] = known - np.nanmedian(known)
        benches = np.unique(runs.bench[here])
        offset = np.array([_mean(level[runs.bench[here] == bench]) for bench in benches])
        order = np.argsort(offset, kind="stable")
        part = np.cumsum(np.append(0, np.diff(offset[order]) > FARTHEST))
        for k in range(part[-1] + 1):
            own = here[np.isin(runs.bench[here], benches[order[part == k]])]
            tie = np.round(runs.undersize[own].T, 12)
            found.append(own[np.lexsort((*tie, runs.bench[own], runs.minutes[own]))])
    return found


def _mean(values: Array) -> float:
    """Mean of what is known, 0 where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if len(known) else 0.0


def nominal_stacks(runs: TrialRuns) -> Indices:
    """Number of each run's nominal stack, shape (R,); numbered by their apertures, not by order."""
    rounded = np.where(runs.real, np.round(runs.ln_aperture, 6), np.inf)
    return np.unique(rounded, axis=0, return_inverse=True)[1].reshape(-1)


def merged(runs: TrialRuns, own: Indices, errors: tuple[Array, Array]) -> Rows:
    """Rows of one trial from the runs `own`: means over one time and nominal stack."""
    kinds, alike = _alike(runs, own)
    of_aperture, of_undersize = (
        np.stack([each[same].mean(0) for same in alike]) for each in errors
    )
    return _rows(runs, own, kinds, alike, of_aperture, of_undersize)


def merged_many(runs: TrialRuns, own: Indices) -> Rows:
    """The same with as few errors as serve: the sieves of these runs, then n of each row's mean."""
    kinds, alike = _alike(runs, own)
    K, n = len(alike), runs.undersize.shape[1]
    sieves = np.unique(runs.sieve[own][runs.real[own]])
    of_aperture, of_undersize = np.zeros((2, K, n, len(sieves) + K * n))
    for k, same in enumerate(alike):
        run, place = np.nonzero(runs.real[same])
        column = np.searchsorted(sieves, runs.sieve[same][run, place])
        u = runs.u_ln_aperture[same][run, place] / len(same)
        np.add.at(of_aperture[k], (place, column), u)
        values, vectors = np.linalg.eigh(runs.covariance[same].sum(0) / len(same) ** 2)
        first = len(sieves) + k * n
        of_undersize[k, :, first : first + n] = vectors * np.sqrt(np.maximum(values, 0))
    return _rows(runs, own, kinds, alike, of_aperture, of_undersize)


def _alike(runs: TrialRuns, own: Indices) -> tuple[Indices, list[Indices]]:
    """Stack and time of each row, and the runs behind it."""
    time = np.unique(runs.minutes[own], return_inverse=True)[1]
    stack = nominal_stacks(runs)[own]
    kinds = np.unique(np.column_stack([stack, time]), axis=0)
    return kinds, [own[(stack == s) & (time == c)] for s, c in kinds]


def _rows(
    runs: TrialRuns,
    own: Indices,
    kinds: Indices,
    alike: list[Indices],
    of_aperture: Array,
    of_undersize: Array,
) -> Rows:
    first = [same[0] for same in alike]
    return Rows(
        undersize=np.stack([runs.undersize[same].mean(0) for same in alike]),
        ln_aperture=runs.ln_aperture[first],
        real=runs.real[first],
        of_aperture=of_aperture,
        of_undersize=of_undersize,
        smallest=np.array([runs.smallest[same].max() for same in alike]),
        time=kinds[:, 1],
        stack=kinds[:, 0],
        minutes=np.unique(runs.minutes[own]),
        runs=alike,
    )


TEMPER = 0.3  # power of the likelihood: an error of a law repeats in every row of a trial
MODES = ((0, 0.0), (0, 0.9), (0, 0.99), (1, 0.9))  # fixed in size?, correlation of next times
SHIFT = {0.06: 0.6, 0.15: 0.4}  # ln size of a stack's rows at one time against the others
WIDTH = {0.1: 0.5, 0.5: 0.5}  # relative change of slope from time to time
OWN = 0.02  # share of the departure that belongs to one stack or bench
FIRST, KEPT, LEAST_WEIGHT = 20, 48, 2e-3
COARSE = 29


@dataclass(frozen=True, kw_only=True, eq=False)
class RowLaw:
    """Law of ln D at the P bracketed places of the rows of one trial.

    Attributes
    ----------
    table : ndarray, shape (P, 65)
        Quantiles of ln D at the scores of the tables.
    mean : ndarray, shape (P,)
    covariance : ndarray, shape (P, P)
    by_ln_aperture, by_undersize : ndarray, shape (P, K, n)
        Sensitivity of ln D to every reading of the trial.
    log_evidence : float
    """

    table: Array
    mean: Array
    covariance: Array
    by_ln_aperture: Array
    by_undersize: Array
    log_evidence: float


def mixed_table(tables: Array, weights: Array) -> Array:
    """Quantiles of a mixture of laws given by quantiles: (C, P, S) and (C,) to (P, S)."""
    share = ndtr(SCORES)
    out = np.empty(tables.shape[1:])
    for p in range(tables.shape[1]):
        at = np.unique(tables[:, p, ::3])
        grown = tables[:, p] + 1e-12 * np.arange(len(SCORES))
        mass = sum(w * np.interp(at, t, share) for w, t in zip(weights, grown, strict=True))
        score = ndtri(np.clip(mass, 1e-9, 1 - 1e-9)) + 1e-12 * np.arange(len(at))
        out[p] = np.interp(SCORES, score, at)
    return out


def _wiener(a: Array, b: Array) -> Array:
    """Covariance of the integrated Wiener process from 0."""
    least = np.minimum(a, b)
    return np.asarray(least**2 / 2 * (np.maximum(a, b) - least / 3))


class _Readings:
    """The informative readings of all rows, one after the other, and the ends of the rows."""

    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        self.row, self.place = np.nonzero(rows.informative)
        self.t = rows.ln_aperture[self.row, self.place]
        self.q = rows.undersize[self.row, self.place]
        of_aperture = rows.of_aperture[self.row, self.place]
        of_undersize = rows.of_undersize[self.row, self.place]
        self.by_aperture = of_aperture @ of_aperture.T
        self.by_reading = of_undersize @ of_undersize.T
        self.time, self.stack = rows.time[self.row], rows.stack[self.row]
        small = rows.smallest[:, None]
        full = rows.real & (rows.undersize >= 1 - small)
        none = rows.real & (rows.undersize <= small)
        top, bottom = full.argmax(1), none.shape[1] - 1 - none[:, ::-1].argmax(1)
        ends = [(k, 1, top[k]) for k in np.flatnonzero(full.any(1))]
        ends += [(k, -1, bottom[k]) for k in np.flatnonzero(none.any(1))]
        self.end_row, self.end_side, self.end_place = np.array(ends, int).reshape(-1, 3).T


class _Scale:
    """The readings on one scale, with slope and D50 of every time by a weighted line."""

    def __init__(self, data: _Readings, link: int) -> None:
        self.link, z = link, on_scales(data.q)[link]
        self.z, self.dz = z, slope_of_scales(data.q)[link]
        w, times = data.q * (1 - data.q), len(data.rows.minutes)
        weight = np.bincount(data.time, w, times) + 1e-300

        def mean(x: Array) -> Array:
            return np.bincount(data.time, w * x, times) / weight

        centre = mean(data.t)
        d = data.t - centre[data.time]
        xx, xy = mean(d * d), mean(d * z)
        self.common = float(max(xy.sum() / max(xx.sum(), 1e-9), 0.3))
        self.slope = np.maximum((xy + 0.01 * self.common) / (xx + 0.01), 0.2)
        self.place = centre - (mean(z) - on_scales(np.array([0.5]))[link]) / self.slope
        for c in np.flatnonzero(weight < 1e-200):  # nothing to be seen: middle of D50's bracket
            k = int(np.flatnonzero(data.rows.time == c)[0])
            j = int((data.rows.undersize[k] < 0.5).sum())
            j = int(np.clip(j, 1, data.rows.real[k].sum() - 1))
            self.place[c] = data.rows.ln_aperture[k, j - 1 : j + 1].mean()
        self.middle = float(self.place.mean())
        self.local = self.slope[data.time]
        for k in np.unique(data.row):  # mean of the neighbouring chords
            i = np.flatnonzero(data.row == k)
            if len(i) > 1:
                chord = np.diff(z[i]) / np.diff(data.t[i])
                self.local[i] = (np.append(chord[0], chord) + np.append(chord, chord[-1])) / 2
        noise = np.outer(self.local, self.local) * data.by_aperture
        noise += np.outer(self.dz, self.dz) * data.by_reading
        self.noise = noise + 1e-6 * np.eye(len(z))
        self.log_density = float(np.log(np.abs(self.dz)).sum() - np.log(self.slope).sum())


@dataclass(frozen=True, kw_only=True, eq=False)
class _Settings:
    """C components on one scale: departure, frame, correlation, shift, width, prior."""

    sigma: Array
    fixed: Indices
    rho: Array
    shift: Array
    width: Array
    log_prior: Array

    def __getitem__(self, which: Indices) -> _Settings:
        return _Settings(**{name: value[which] for name, value in vars(self).items()})


class _Batch:
    """Gaussian laws of all curves of a trial, C components on one scale, in closed form."""

    def __init__(self, data: _Readings, scale: _Scale, settings: _Settings) -> None:
        self.data, self.scale, self.settings = data, scale, settings
        self.start = np.zeros((2, 1))
        at = data.t, data.row
        self.start = self._frames(*at).min(1, initial=0.0)[:, None] - 1.5
        self.H = self._line(*at)
        cholesky = np.linalg.cholesky(self.kernel(at, at) + scale.noise)
        inverse = np.linalg.inv(cholesky)
        self.inverse = np.swapaxes(inverse, 1, 2) @ inverse
        self.AH = self.inverse @ self.H
        unused = np.where(np.abs(self.H).sum(0) > 0, 1e-8, 1.0)
        info = self.H.T @ self.AH + np.diag(unused)
        self.info_inv = np.linalg.inv(info)
        self.coef = (self.info_inv @ (np.swapaxes(self.AH, 1, 2) @ scale.z)[..., None])[..., 0]
        rest = scale.z - self.coef @ self.H.T
        self.weight = (self.inverse @ rest[..., None])[..., 0]
        diagonal = np.diagonal(cholesky, axis1=1, axis2=2)
        self.log_evidence = (
            -np.log(diagonal).sum(1)
            - np.linalg.slogdet(info)[1] / 2
            - (rest * self.weight).sum(1) / 2
            + scale.log_density
            - np.log(np.maximum(self.coef[:, -1], 1e-3))
            + (len(data.rows.minutes) + 1) / 2 * np.log(2 * np.pi)
        )
        self._look_at_ends()

    def _frames(self, t: Array, row: Indices) -> Array:
        """Coordinates of the departure, moving with D50 and fixed in size, shape (2, ..., M)."""
        time, s = self.data.rows.time[row], self.scale
        both = np.stack([s.slope[time] * (t - s.place[time]), s.common * (t - s.middle)])
        return both - self.start.reshape((2,) + (1,) * (both.ndim - 1))[..., :1]

    def _coordinate(self, t: Array, row: Indices) -> Array:
        """Coordinate of the departure in each component, shape (C, M)."""
        both = np.maximum(self._frames(t, row), 0)
        if t.ndim == 1:
            return np.asarray(both[self.settings.fixed])
        return np.asarray(np.where(self.settings.fixed[:, None] > 0, both[1], both[0]))

    def _line(self, t: Array, row: Indices) -> Array:
        """Design of a level for every time and one slope, shape (..., M, times + 1)."""
        time, s = self.data.rows.time[row], self.scale
        level = np.broadcast_to(np.eye(len(s.place))[time], (*t.shape, len(s.place)))
        return np.concatenate([level, (s.common * (t - s.place[time]))[..., None]], -1)

    def kernel(self, first: tuple[Array, Indices], second: tuple[Array, Indices]) -> Array:
        """Covariance of the curves at two sets of points, shape (C, M, M')."""
        (t, row), (t2, row2), rows, s = first, second, self.data.rows, self.scale
        o = self.settings
        time, time2 = rows.time[row][:, None], rows.time[row2]
        same = rows.stack[row][:, None] == rows.stack[row2]
        sigma2 = o.sigma[:, None, None] ** 2
        if t.ndim == t2.ndim == 1:  # components are many, their frames two
            v, v2 = (np.maximum(self._frames(*each), 0) for each in (first, second))
            departure = _wiener(v[..., None], v2[:, None])[o.fixed]
        else:
            v, v2 = self._coordinate(t, row), self._coordinate(t2, row2)
            departure = _wiener(v[..., None], v2[:, None])
        lasting = (o.rho[:, None] ** np.arange(len(rows.minutes)))[:, np.abs(time - time2)]
        k = sigma2 * departure * np.where(same, 1, 1 - OWN) * lasting
        xx = (s.common * (t - s.place[rows.time[row]]))[..., :, None] * (
            s.common * (t2 - s.place[rows.time[row2]])
        )[..., None, :]
        shift2 = (o.shift[:, None, None] * s.common) ** 2
        line = o.width[:, None, None] ** 2 * xx + same * shift2 * (1 + 0.25 * xx)
        return np.asarray(k + (time == time2) * line)

    def own_variance(self, t: Array, row: Indices) -> Array:
        """Diagonal of the kernel, shape (C, M)."""
        o, s = self.settings, self.scale
        v = self._coordinate(t, row)
        x2 = (s.common * (t - s.place[self.data.rows.time[row]])) ** 2
        shift2 = (o.shift[:, None] * s.common) ** 2
        return np.asarray(
            o.sigma[:, None] ** 2 * v**3 / 3 + o.width[:, None] ** 2 * x2 + shift2 * (1 + 0.25 * x2)
        )

    def predict(self, t: Array, row: Indices) -> tuple[Array, Array, Array, Array]:
        """Mean (C, M), covariance with the readings, that by their inverse, rest of line."""
        k, h = self.kernel((t, row), (self.data.t, self.data.row)), self._line(t, row)
        kA = k @ self.inverse
        mean = (h @ self.coef[..., None] + k @ self.weight[..., None])[..., 0]
        return mean, k, kA, h - kA @ self.H

    def variance(self, t: Array, row: Indices, p: tuple[Array, ...]) -> Array:
        """Variance of the prediction, shape (C, M)."""
        var = self.own_variance(t, row) - (p[2] * p[1]).sum(-1)
        return np.asarray(var + ((p[3] @ self.info_inv) * p[3]).sum(-1))

    def covariance(
        self, first: tuple[Array, Indices], p: tuple[Array, ...],
        second: tuple[Array, Indices], p2: tuple[Array, ...],
    ) -> Array:  # fmt: skip
        """Covariance of two predictions, shape (C, M, M')."""
        prior = self.kernel(first, second) - p[2] @ np.swapaxes(p2[1], 1, 2)
        return np.asarray(prior + p[3] @ self.info_inv @ np.swapaxes(p2[3], 1, 2))

    def _look_at_ends(self) -> None:
        """Sieves that all or nothing passes: inequalities, by the moments of a truncated normal."""
        data, rows = self.data, self.data.rows
        row, side = data.end_row, data.end_side
        if not len(row):
            return
        t, small = rows.ln_aperture[row, data.end_place], rows.smallest[row]
        p = self.predict(t, row)
        u = self.scale.slope[rows.time[row]] * rows.u_ln_aperture[row, data.end_place]
        sd = np.sqrt(np.maximum(self.variance(t, row, p) + u**2, 1e-10))
        limit = on_scales(np.where(side > 0, 1 - small, small))[self.scale.link]
        alpha = side * (limit - p[0]) / sd
        hazard = np.exp(-(alpha**2) / 2 - log_ndtr(-alpha)) / np.sqrt(2 * np.pi)
        self.end = (t, row), p, side * hazard / sd, np.clip(hazard * (hazard - alpha), 0, 1) / sd**2
        self.log_evidence = self.log_evidence + log_ndtr(-alpha).sum(1)

    def moments(self, t: Array, row: Indices) -> tuple[Array, Array]:
        """Mean and standard deviation of the curves at points, shape (C, M)."""
        p = self.predict(t, row)
        mean, var = p[0], self.variance(t, row, p)
        if len(self.data.end_row):
            at, pe, gain, shrink = self.end
            C = self.covariance((t, row), p, at, pe) * (row[:, None] == at[1])
            mean, var = (
                mean + (C @ gain[..., None])[..., 0],
                var - (C**2 @ shrink[..., None])[..., 0],
            )
        return mean, np.sqrt(np.maximum(var, 1e-12))


def _settings(link: int, shift: float, width: float) -> _Settings:
    """All components of a scale at one shift and width."""
    here = np.flatnonzero(link == COMPONENT_SCALE)
    modes, n = np.array(MODES), len(here)
    return _Settings(
        sigma=np.repeat(COMPONENT_SIGMA[here], len(modes)),
        fixed=np.tile(modes[:, 0].astype(int), n),
        rho=np.tile(modes[:, 1], n),
        shift=np.full(n * len(modes), shift),
        width=np.full(n * len(modes), width),
        log_prior=np.repeat(COMPONENT_LOG_PRIOR[here] - np.log(len(modes)), len(modes)),
    )


def _heaviest(data: _Readings) -> tuple[list[_Batch], list[Array], float]:
    """Heavy components by scale, their tempered weights, and the log evidence of the law."""
    several = len(np.unique(data.rows.stack)) > 1
    shifts = SHIFT if several else {0.005: 1.0}
    scales = [_Scale(data, link) for link in range(N_SCALES)]
    first = [_Batch(data, s, _settings(s.link, min(shifts), 0.2)) for s in scales]
    log = np.concatenate([TEMPER * b.log_evidence + b.settings.log_prior for b in first])
    limit = np.sort(log)[-min(FIRST, len(log))]
    options = list(product(shifts.items(), WIDTH.items()))
    second = []
    for b in first:
        which = np.flatnonzero(TEMPER * b.log_evidence + b.settings.log_prior >= limit)
        if not len(which):
            continue
        one = b.settings[which]
        many = {k: np.tile(v, len(options)) for k, v in vars(one).items()}
        many["shift"] = np.repeat([s for (s, _), _ in options], len(which))
        many["width"] = np.repeat([w for _, (w, _) in options], len(which))
        many["log_prior"] += np.repeat([np.log(p * p2) for (_, p), (_, p2) in options], len(which))
        second.append(_Batch(data, b.scale, _Settings(**many)))
    full = np.concatenate([b.log_evidence + b.settings.log_prior for b in second])
    log = np.concatenate([TEMPER * b.log_evidence + b.settings.log_prior for b in second])
    weight = np.exp(log - np.logaddexp.reduce(log))
    heavy = weight >= max(LEAST_WEIGHT, np.sort(weight)[-min(KEPT, len(weight))])
    parts = np.split(
        np.where(heavy, weight, 0), np.cumsum([len(b.log_evidence) for b in second])[:-1]
    )
    kept = [
        (_Batch(data, b.scale, b.settings[np.flatnonzero(w)]), w[w > 0])
        for b, w in zip(second, parts, strict=True)
        if w.any()
    ]
    total = sum(float(w.sum()) for _, w in kept)
    return [b for b, _ in kept], [w / total for _, w in kept], float(np.logaddexp.reduce(full))


def curves_law(rows: Rows, places: BracketedSizes) -> RowLaw:
    """Law of the bracketed sizes of the rows, averaged over the components of the curves law."""
    data = _Readings(rows)
    batches, weights, evidence = _heaviest(data)
    parts = [_sizes(b, places) for b in batches]
    w = np.concatenate(weights)
    table = np.concatenate([p[0] for p in parts])
    cov = np.concatenate([p[1] for p in parts])
    pull_t, pull_q = (
        np.einsum("c,cpn->pn", w, np.concatenate([p[i] for p in parts])) for i in (2, 3)
    )
    middle = table[..., len(SCORES) // 2]
    mean = w @ middle
    spread = middle - mean
    by_t, by_q = np.zeros((2, len(mean), *rows.real.shape))
    by_t[:, data.row, data.place], by_q[:, data.row, data.place] = pull_t, pull_q
    return RowLaw(
        table=mixed_table(table, w),
        mean=mean,
        covariance=np.einsum("c,cpq->pq", w, cov) + (w * spread.T) @ spread,
        by_ln_aperture=by_t,
        by_undersize=by_q,
        log_evidence=evidence,
    )


def _sizes(batch: _Batch, places: BracketedSizes) -> tuple[Array, Array, Array, Array]:
    """Tables (C, P, 65), covariance (C, P, P) and sensitivities (C, P, N) of ln D."""
    C, P = len(batch.log_evidence), len(places.row)
    even = np.linspace(0, 1, COARSE)
    grid = places.left[:, None] + (places.right - places.left)[:, None] * even
    mean, sd = batch.moments(grid.ravel(), np.repeat(places.row, COARSE))
    mean, sd = mean.reshape(C, P, COARSE), sd.reshape(C, P, COARSE)
    target = on_scales(LEVELS)[batch.scale.link][places.level]
    table = np.empty((C, P, len(SCORES)))
    fine = np.linspace(0, COARSE - 1, 8 * (COARSE - 1) + 1)
    i = np.minimum(fine.astype(int), COARSE - 2)
    f = fine - i
    for p in range(P):  # mean and spread are smooth between the points, their quotient is not
        y = mean[:, p, i] * (1 - f) + mean[:, p, i + 1] * f - target[p]
        y = np.maximum.accumulate(y / (sd[:, p, i] * (1 - f) + sd[:, p, i + 1] * f), 1)
        x = grid[p, i] * (1 - f) + grid[p, i + 1] * f
        lo, hi = ndtr(y[:, :1]), ndtr(y[:, -1:])
        share = lo + (hi - lo) * ndtr(SCORES)
        score = np.where(
            lo > 0.5,
            -ndtri(np.clip((1 - lo) - (hi - lo) * ndtr(SCORES), 1e-300, 1)),
            ndtri(np.clip(share, 1e-300, 1 - 1e-16)),
        )
        for c in range(C):
            table[c, p] = np.interp(score[c], y[c] + 1e-9 * np.arange(len(x)), x)
    at = table[..., len(SCORES) // 2]
    p_at = batch.predict(at, places.row)
    cov = batch.covariance((at, places.row), p_at, (at, places.row), p_at)
    scale = np.sqrt(np.maximum(np.diagonal(cov, axis1=1, axis2=2), 1e-12))
    u = half_width(table) / scale
    near = np.clip(
        ((at - places.left) / (places.right - places.left) * (COARSE - 1)).astype(int),
        0,
        COARSE - 2,
    )[..., None]
    low, high = np.take_along_axis(mean, near, 2), np.take_along_axis(mean, near + 1, 2)
    rise = ((high - low)[..., 0]) / ((places.right - places.left) / (COARSE - 1))
    rise = np.maximum(rise, 0.2 * batch.scale.slope[batch.data.rows.time[places.row]])
    pull = (p_at[2] + p_at[3] @ batch.info_inv @ np.swapaxes(batch.AH, 1, 2)) / rise[..., None]
    return table, cov * u[:, :, None] * u[:, None], pull * batch.scale.local, -pull * batch.scale.dz
