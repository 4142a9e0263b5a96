"""Breakage of a feed as interpolation rule between the sieves of a milled trial.

First-order breakage, dQ(x)/dt = sum over coarser sizes of rate × share finer than x, under wide
normal priors: a feed of two log-normal modes that may be cut at a size, a rate whose logarithm is a
parabola in ln size, fragments of two exponents, and a learnt misfit.  Ensembles for a general feed,
one cut at the top and one of two modes are weighed by their evidence, for a single ensemble finds
one of these and is then too sure of it.  Every curve is moved onto the readings of each row, what
is left is carried linearly between the sieves, and between two sieves it may depart by a share of
the misfit: no mill obeys such a law.

Numbers only: ln sizes, mass fractions; time in units of the whole milling.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, gammaln, ndtr, ndtri

from psdstats.distribution.percentiles import LEVELS, BracketedSizes
from psdstats.distribution.powder_curve import SCORES
from psdstats.distribution.trial_curves import RowLaw, Rows
from psdstats.frozen import Array

CLASSES = 56
LEAST_MISFIT = 0.05  # probit units: no breakage law is exact
FEED_POWER = 0.4  # power of the evidence between kinds of feed
BUMP = 0.4  # departure between two sieves of ratio 2 in units of the misfit
COMMON = 0.7  # share of its variance that all times have in common
MOST_RATE = 40.0
CHAINS, MOVES, DRAWN, MEMBERS = (
    36,
    220,
    120,
    360,
)  # chains of a feed, moves, first draws, curves kept
CLEAR_FROM, CLEAR = 0.4, 30.0  # from this share of the moves, so far behind is given up
GRID = 25
TOGETHER = 36  # curves that are broken together
# mean and standard deviation of the priors: sizes relative to D50 of the feed, whole milling = 1
PRIOR = np.array([
    (0, 0.35),  # ln size of the first mode
    (np.log(0.3), 0.5),  # ln of its ln width
    (0, 0.6),  # second mode, relative to the first
    (np.log(0.3), 0.5),  # ln of its ln width
    (0, 1.2),  # logit of the share of the first mode
    (0.3, 0.7),  # ln rate at D50 of the feed
    (1.0, 0.3),  # exponent of the rate
    (0, 1.0),  # logit of the share of the finer fragments
    (np.log(0.9), 0.35),  # ln exponent of the finer fragments
    (np.log(3.5), 0.35),  # ln exponent of the coarser fragments
    (np.log(0.03), 0.6),  # ln misfit in probit units
    (2.5, 0.3),  # ln size where the feed is cut; far above it is not cut
    (-0.2, 0.25),  # curvature of the ln rate: it has a greatest value, and falls faster below
])  # fmt: skip
# kinds of feed beside the general one: what their priors have otherwise, by place
FEEDS: tuple[dict[int, tuple[float, float]], ...] = (
    {},
    {1: (np.log(0.45), 0.35), 2: (0, 0.01), 3: (np.log(0.3), 0.01), 4: (4, 0.01), 11: (0.5, 0.3)},
    {
        0: (-0.35, 0.25),
        1: (np.log(0.25), 0.4),
        2: (0.75, 0.25),
        3: (np.log(0.25), 0.4),
        4: (0, 0.8),
    },
)  # any, cut at the top, two modes
PRIORS = np.array([[feed.get(i, one) for i, one in enumerate(PRIOR.tolist())] for feed in FEEDS])
MISFIT = 10


class _Mill:
    """Curves of first-order breakage on the classes of one trial."""

    def __init__(self, rows: Rows) -> None:
        t = rows.ln_aperture
        edge = np.linspace(t.min() - np.log(3), t[rows.real].max() + np.log(1.7), CLASSES)
        self.step = edge[1] - edge[0]
        # classes below all sieves are asked for by no one, and nothing in them grows coarser
        unseen = (t.min() - 4 * rows.u_ln_aperture.max() - edge[0]) / self.step
        self.edge = edge[max(int(unseen) - 1, 0) :]
        self.middle = self.edge + self.step / 2  # of the class above each edge
        k = int(np.argmin(rows.time))
        q, real = rows.undersize[k], rows.real[k]
        j = int(np.clip((q[real] < 0.5).sum(), 1, real.sum() - 1))
        self.d50 = float(np.interp(0.5, q[j - 1 : j + 1], t[k, j - 1 : j + 1]))
        self.when = rows.minutes / rows.minutes[-1]

    def feed(self, p: Array) -> Array:
        """Undersize of the feed at the edges, shape (P, CLASSES)."""
        m1, w1, apart, w2, share, cut = (p[:, i : i + 1] for i in (0, 1, 2, 3, 4, 11))
        m1, cut, share = self.d50 + m1, self.d50 + cut, expit(share)

        def below(x: Array) -> Array:
            first, second = ndtr((x - m1) / np.exp(w1)), ndtr((x - m1 - apart) / np.exp(w2))
            return np.asarray(share * first + (1 - share) * second)

        part = np.clip((self.edge - cut) / self.step + 0.5, 0, 1)  # a cut inside a class
        q = np.minimum(below(np.minimum(self.edge, cut)) / np.maximum(below(cut), 1e-3), 1)
        return np.asarray((1 - part) * q + part)

    def curves(self, p: Array) -> Array:
        """Undersize (P, times, edges) by uniformisation: one Poisson sum serves all times."""
        q = self.feed(p)
        mass = np.diff(q, append=1.0, axis=1)  # of the class above each edge
        x = self.middle - self.d50
        rate = np.minimum(np.exp(p[:, 5:6] + p[:, 6:7] * x + p[:, 12:] * x**2), MOST_RATE)
        rate = np.where(mass[:, ::-1].cumsum(1)[:, ::-1] > 1e-7, rate, 0)
        held = np.empty((len(p), len(self.when), len(x)))
        order = np.argsort(rate.max(1))  # together what needs as many terms
        for some in np.array_split(order, -(-len(p) // TOGETHER)):
            held[some] = self._held(p[some], rate[some], mass[some])
        return np.asarray(np.clip(1 - held[..., ::-1].cumsum(-1)[..., ::-1], 1e-9, 1 - 1e-9))

    def _held(self, p: Array, rate: Array, mass: Array) -> Array:
        """Mass of every class at every time, from that of the feed, shape (P, times, edges)."""
        n, fastest = rate.shape[1], rate.max(1)
        lag = self.step * np.arange(n)
        fine, b, c = expit(p[:, 7:8]), np.exp(p[:, 8:9]), np.exp(p[:, 9:10])
        finer = fine * np.exp(-b * lag) + (1 - fine) * np.exp(-c * lag)
        into = np.concatenate([np.zeros((len(p), n)), finer[:, :-1] - finer[:, 1:]], 1)
        strides = into.strides
        toeplitz = np.lib.stride_tricks.as_strided(
            into[:, n - 1 :], (len(p), n, n), (strides[0], -strides[1], strides[1])
        )
        move = np.empty(toeplitz.shape, dtype=np.float32)  # 1e-7 is plenty
        leaving = rate / fastest[:, None]
        np.multiply(toeplitz, leaving[:, None], out=move, casting="same_kind")
        move[:, np.arange(n), np.arange(n)] = 1 - leaving
        terms = int(fastest.max() + 5 * np.sqrt(fastest.max()) + 6)
        states = np.empty((len(p), terms, n, 1), dtype=np.float32)
        states[:, 0, :, 0] = mass
        for k in range(1, terms):
            np.matmul(move, states[:, k - 1], out=states[:, k])
        count, x = np.arange(terms), fastest[:, None, None] * self.when[:, None]
        poisson = np.exp(count * np.log(np.maximum(x, 1e-300)) - x - gammaln(count + 1))
        poisson[:, self.when == 0] = count == 0
        return np.asarray(poisson.astype(np.float32) @ states[..., 0], dtype=float)


class _Look:
    """Posterior density of parameters given the readings of all rows."""

    def __init__(self, rows: Rows, mill: _Mill) -> None:
        self.mill = mill
        row, place = np.nonzero(rows.real)
        t, q = rows.ln_aperture[row, place], rows.undersize[row, place]
        small = rows.smallest[row]
        self.small, self.u = small, rows.u_ln_aperture[row, place]
        self.low, self.high = q <= small, q >= 1 - small
        self.inside = ~(self.low | self.high)
        self.z = ndtri(np.clip(q, small, 1 - small))
        slope = np.sqrt(2 * np.pi) * np.exp(self.z**2 / 2)
        self.u_z = slope * np.sqrt((rows.of_undersize[row, place] ** 2).sum(-1))
        self.time = rows.time[row]
        x = (t - mill.edge[0]) / mill.step
        self.i = np.clip(x.astype(int), 0, CLASSES - 2)
        self.f = x - self.i
        self.log_density = float(np.log(slope[self.inside]).sum())

    def __call__(self, p: Array, least: float) -> tuple[Array, Array]:
        """Log posterior density (F, C) of parameters (F, C, 13) with the misfit held up, curves."""
        mean, sd = np.moveaxis(PRIORS[:, None], -1, 0)
        ok = (np.abs(p - mean) < 3.5 * sd).all(-1)
        q = self.mill.curves(np.where(ok[..., None], p, mean).reshape(-1, p.shape[-1]))
        q = q.reshape(*ok.shape, *q.shape[1:])
        low, high = ndtri(q[..., self.time, self.i]), ndtri(q[..., self.time, self.i + 1])
        rise, model = high - low, low + self.f * (high - low)
        misfit = np.maximum(least, np.exp(p[..., MISFIT, None]))
        var = misfit**2 + (rise / self.mill.step * self.u) ** 2 + self.u_z**2
        miss = np.where(self.low, np.minimum(self.z - model, 0), self.z - model)
        miss = np.where(self.high, np.maximum(self.z - model, 0), miss)
        log = -((miss**2 / var).sum(-1) + np.log(var)[..., self.inside].sum(-1)) / 2
        log = log - (((p - mean) / sd) ** 2).sum(-1) / 2
        return np.where(ok & np.isfinite(log), log, -1e9), q

    def evidence(self, p: Array, log: Array) -> Array:
        """Log evidence (F,) of every feed by Laplace's formula from its posterior parameters."""
        out = []
        for one, density, prior in zip(p, log, PRIORS, strict=True):
            spread = np.linalg.slogdet(np.cov(one.T) + 1e-8 * np.eye(one.shape[1]))[1]
            top = density[density >= np.quantile(density, 0.1)].mean() + one.shape[1] / 2
            out.append(top + spread / 2 - np.log(prior[:, 1]).sum() + self.log_density)
        return np.array(out)


class _Chains:
    """Ensembles of parameters, one for every kind of feed (F, C, 13), annealed together."""

    def __init__(self, look: _Look, rng: np.random.Generator) -> None:
        self.look, self.rng, self.least = look, rng, 0.3
        mean, self.sd = np.moveaxis(PRIORS[:, None], -1, 0)
        first = mean + 0.9 * self.sd * rng.standard_normal((len(PRIORS), DRAWN, len(PRIOR)))
        best = np.argsort(-look(first, self.least)[0], axis=1, kind="stable")[:, :CHAINS]
        self.p = np.take_along_axis(first, best[..., None], 1)
        self.log, self.q = look(self.p, self.least)

    def tighten(self, share: float) -> None:
        """Lower the least misfit, and resample each ensemble by what that changes."""
        self.least = max(LEAST_MISFIT, 0.3 * (0.01 / 0.3) ** share)
        new, q = self.look(self.p, self.least)
        w = np.exp(new - self.log - (new - self.log).max(1, keepdims=True))
        w /= w.sum(1, keepdims=True)
        pick = np.tile(np.arange(CHAINS), (len(w), 1))
        for k in np.flatnonzero(1 / (w**2).sum(1) < 0.7 * CHAINS):
            at = (np.arange(CHAINS) + self.rng.random()) / CHAINS
            pick[k] = np.searchsorted(w[k].cumsum(), at).clip(0, CHAINS - 1)
        feed = np.arange(len(w))[:, None]
        self.p, self.log, self.q = self.p[feed, pick], new[feed, pick], q[feed, pick]

    def move(self) -> None:
        """One differential move of every chain."""
        rng, shape = self.rng, self.log.shape
        feed, (a, b) = np.arange(shape[0])[:, None], rng.integers(0, CHAINS, (2, *shape))
        small = 0.55 * rng.uniform(0.6, 1.2, (*shape, 1))
        jump = np.where(rng.random((*shape, 1)) < 0.15, 1.0, small)
        which = rng.random(self.p.shape) < np.where(rng.random((*shape, 1)) < 0.5, 1.0, 0.4)
        step = jump * (self.p[feed, a] - self.p[feed, b])
        new = self.p + which * (step + 0.01 * self.sd * rng.standard_normal(self.p.shape))
        log, q = self.look(new, self.least)
        yes = np.log(rng.random(shape)) < log - self.log
        self.p[yes], self.log[yes], self.q[yes] = new[yes], log[yes], q[yes]


def _ensemble(
    rows: Rows, mill: _Mill, seed: int, rival: float
) -> tuple[Array, Array, float] | None:
    """Probit curves (n, times, CLASSES) of the posterior, misfits (n,), and log evidence.

    By annealed ensembles with differential moves; None once the rival is far ahead.
    """
    look = _Look(rows, mill)
    chains = _Chains(look, np.random.default_rng(seed))
    kept = []
    for step in range(MOVES):
        if step <= MOVES / 2 and step % 3 == 0:
            chains.tighten(2 * step / MOVES)
        chains.move()
        late = step >= CLEAR_FROM * MOVES and step % 16 == 0
        if late and look.evidence(chains.p, chains.log).max() < rival - CLEAR:
            return None
        if step >= 0.65 * MOVES and step % 8 == 0:
            kept.append((chains.q.copy(), chains.p.copy(), chains.log.copy()))
    q, p, log = (np.concatenate(one, 1) for one in zip(*kept, strict=True))
    evidence = look.evidence(p, log)
    weight = np.exp(FEED_POWER * (evidence - evidence.max()))
    share = np.round(MEMBERS * weight / weight.sum()).astype(int)
    pick = [np.linspace(0, log.shape[1] - 1, n).astype(int) for n in share]
    curve = np.concatenate([one[i] for one, i in zip(q, pick, strict=True)])
    found = np.concatenate([one[i] for one, i in zip(p, pick, strict=True)])
    misfit = np.maximum(np.exp(found[:, MISFIT]), LEAST_MISFIT)
    log_evidence = np.logaddexp.reduce(evidence) - np.log(len(PRIORS))
    return ndtri(curve), misfit, float(log_evidence)


def breakage_law(rows: Rows, places: BracketedSizes, seed: int, rival: float) -> RowLaw | None:
    """Law of the bracketed sizes of the rows by an ensemble of breakage curves.

    `rival` is the log evidence of the other law; None where breakage is far behind it.
    """
    mill = _Mill(rows)
    ensemble = _ensemble(rows, mill, seed, rival)
    if ensemble is None:
        return None
    curve, misfit, log_evidence = ensemble
    n, P = len(misfit), len(places.row)
    errors = np.concatenate([rows.of_aperture, rows.of_undersize])
    root = np.linalg.qr(errors.reshape(errors[..., 0].size, -1).T)[1].T  # fewer, as good
    root = root.reshape(*errors.shape[:2], -1)
    at, bump = np.empty((2, n, P))
    by_t, by_q = np.zeros((2, P, *rows.real.shape))
    source = np.empty((P, n, root.shape[-1]))
    for p in range(P):
        k = places.row[p]
        at[:, p], bump[:, p], *by = _crossing(rows, places, p, mill, curve, misfit)
        by_t[p, k], by_q[p, k] = (one.mean(0) for one in by)
        source[p] = by[0] @ root[k] + by[1] @ root[len(rows.real) + k]
    same = (rows.stack[places.row][:, None] == rows.stack[places.row]) & (
        places.lower[:, None] == places.lower
    )
    share = COMMON + (1 - COMMON) * (rows.time[places.row][:, None] == rows.time[places.row])
    noise = _outer(source) + _outer(bump.T[..., None]) * same * share
    own = np.einsum("png,png->np", source, source) + bump**2
    mean = at.mean(0)
    return RowLaw(
        table=_table(at, np.sqrt(own) + 1e-6),
        mean=mean,
        covariance=noise + (at - mean).T @ (at - mean) / n,
        by_ln_aperture=by_t,
        by_undersize=by_q,
        log_evidence=log_evidence,
    )


def _outer(one: Array) -> Array:
    """Mean over the ensemble of the products of two places, (P, n, G) to (P, P)."""
    flat = one.reshape(len(one), -1)
    return np.asarray(flat @ flat.T / one.shape[1])


def _crossing(
    rows: Rows, places: BracketedSizes, p: int, mill: _Mill, curves: Array, misfit: Array
) -> tuple[Array, Array, Array, Array]:
    """Ln D of every curve at one place, what a bump does, sensitivities to readings."""
    k, i, j = places.row[p], places.lower[p], places.upper[p]
    curve, every = curves[:, rows.time[k]], np.arange(len(misfit))
    grid = np.linspace(places.left[p], places.right[p], GRID)
    some = np.flatnonzero(rows.informative[k])
    t, q = rows.ln_aperture[k, some], rows.undersize[k, some]
    line, _ = _on(mill, curve, grid)
    hat = np.stack([np.interp(grid, t, e) for e in np.eye(len(some))], 1) if len(some) else None
    if hat is not None:
        model, slope = _on(mill, curve, t)
        line = line + (ndtri(q) - model) @ hat.T
    line = np.maximum.accumulate(line, 1)
    target = ndtri(LEVELS[places.level[p]])
    c = np.clip((line < target).sum(1), 1, GRID - 1)
    low, high = line[every, c - 1], line[every, c]
    f = np.clip((target - low) / np.maximum(high - low, 1e-9), 0, 1)
    at = grid[c - 1] + f * (grid[1] - grid[0])
    rise = np.maximum(high - low, 0.02) / (grid[1] - grid[0])
    left, right = rows.ln_aperture[k, i], rows.ln_aperture[k, j]
    x = np.clip((at - left) / (right - left), 0, 1)
    x = np.where(np.isin(j, some), x, np.minimum(x, 0.5))  # no reading holds that end
    x = np.where(np.isin(i, some), x, np.maximum(x, 0.5))
    size = BUMP * 4 * x * (1 - x) * min((right - left) / np.log(2), 1.5) ** 1.5
    bump = (size if len(some) else 1) * misfit / rise
    by_t, by_q = np.zeros((2, len(every), rows.real.shape[1]))
    if hat is not None:
        weight = (hat[c - 1] * (1 - f)[:, None] + hat[c] * f[:, None]) / rise[:, None]
        by_t[:, some] = weight * slope
        by_q[:, some] = -weight * np.sqrt(2 * np.pi) * np.exp(ndtri(q) ** 2 / 2)
    return at, bump, by_t, by_q


def _on(mill: _Mill, curve: Array, t: Array) -> tuple[Array, Array]:
    """Probit curves (n, CLASSES) and their slopes at ln sizes t."""
    x = (t - mill.edge[0]) / mill.step
    i = np.clip(x.astype(int), 0, CLASSES - 2)
    rise = curve[:, i + 1] - curve[:, i]
    return curve[:, i] + rise * (x - i), rise / mill.step


def _table(mean: Array, sd: Array) -> Array:
    """Quantiles of an even mixture of normal laws (n, P), shape (P, 65)."""
    out = np.empty((mean.shape[1], len(SCORES)))
    for p in range(len(out)):
        m, s = mean[:, p], sd[:, p]
        at = np.linspace((m - 4 * s).min(), (m + 4 * s).max(), 193)
        share = ndtr((at[:, None] - m) / s).mean(1)
        score = ndtri(np.clip(share, 1e-9, 1 - 1e-9)) + 1e-12 * np.arange(len(at))
        out[p] = np.interp(SCORES, score, at)
    return out
