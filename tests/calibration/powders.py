"""Powders of many kinds, sieved and weighed, written apart from `psdstats.simulate`.

A powder is its undersize curve over ln size on a fine grid, and no code by which psdstats reads a
curve is used to make it: no prior, no interpolation rule.  The shapes of some families (`STRAIGHT`)
are those of scales of its law, whoever writes them down.  Its own D10, D50 and D90 are
read off that grid.  A sieving takes true apertures (certified, or new and within the tolerance of
the standard), a finite number of particles drawn size by size, and tare and gross readings of one
balance; what comes out is a `Study` made of public records.

Powders made here are invented.  Units: µm, g, g/cm³.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.linalg import expm
from scipy.special import expit, gammainc, logit, ndtr, ndtri

from psdstats.sieves import Sieve, tolerance_um
from psdstats.study import Balance, Reading, Run, Study

__all__ = [
    "FAMILIES",
    "LEVELS",
    "SMOOTH",
    "STACKS",
    "STRAIGHT",
    "WEIGHINGS",
    "Bench",
    "Powders",
    "Weighing",
    "draw_bench",
    "feed_and_course",
    "knower",
    "make_pair",
    "make_powders",
    "quantities_of",
    "runs_of",
    "sieved_g",
    "sizes_at",
    "study_of",
    "together",
]  # fmt: skip

Array = NDArray[np.float64]

LEVELS = (0.1, 0.5, 0.9)
T = np.linspace(np.log(1.5), np.log(6000.0), 5001)
"""ln size of the grid on which curves are held."""
DENSITY, SHAPE = 2.7, 0.5

STACKS: dict[str, tuple[float, ...]] = {
    "root 2": (45, 63, 90, 125, 180, 250, 355, 500),
    "ratio 2": (45, 90, 180, 355, 710),
    "mixed": (45, 63, 75, 106, 150, 250, 425, 600),
    "one missing": (63, 125, 180, 355, 500),
}


# ---------------------------------------------------------------- powders
@dataclass(frozen=True, kw_only=True, eq=False)
class Powders:
    """P powders of one family: `curve` (P, len(T)); `reference` is the family's standard quantile
    function where ln D is linear in it (two parameters: place and width), else None.
    """

    family: str
    curve: Array
    reference: str | None = None

    @property
    def true(self) -> Array:
        """D10, D50, D90 in µm and the span, (P, 4)."""
        return quantities_of(np.exp(sizes_at(self.curve, LEVELS)))


def sizes_at(curve: Array, levels: Sequence[float]) -> Array:
    """Ln size at which each curve reaches the levels, (P, L)."""
    found = np.empty((len(curve), len(levels)))
    for row, q in enumerate(curve):
        rising = np.append(True, np.diff(q) > 0)
        found[row] = np.interp(levels, q[rising], T[rising])
    return found


def quantities_of(size: Array) -> Array:
    """D10, D50, D90 with the span appended."""
    d10, d50, d90 = np.moveaxis(size, -1, 0)
    return np.stack([d10, d50, d90, (d90 - d10) / d50], axis=-1)


def _normal(place: Array, width: Array) -> Array:
    return ndtr((T - place[:, None]) / width[:, None])


def _places(n: int, rng: np.random.Generator) -> Array:
    return rng.uniform(np.log(130), np.log(250), n)


def _ln_uniform(low: float, high: float, n: int, rng: np.random.Generator) -> Array:
    return np.log(rng.uniform(low, high, n))


def _log_normal(n: int, rng: np.random.Generator) -> Array:
    return _normal(_places(n, rng), _ln_uniform(1.4, 1.8, n, rng))


def _narrow(n: int, rng: np.random.Generator) -> Array:
    return _normal(_places(n, rng), _ln_uniform(1.15, 1.3, n, rng))


def _rosin_rammler(n: int, rng: np.random.Generator) -> Array:
    place, power = _places(n, rng), rng.uniform(1.5, 3, n)
    return -np.expm1(-np.exp(power[:, None] * (T - place[:, None])))


def _gamma(n: int, rng: np.random.Generator) -> Array:
    place, shape = _places(n, rng)[:, None], rng.uniform(2, 8, n)[:, None]
    return gammainc(shape, shape * np.exp(T - place))


def _bimodal(n: int, rng: np.random.Generator) -> Array:
    place, apart = _places(n, rng), _ln_uniform(1.7, 3, n, rng)
    share = rng.uniform(0.25, 0.75, n)[:, None]
    fine = _normal(place - apart / 2, _ln_uniform(1.25, 1.6, n, rng))
    return share * fine + (1 - share) * _normal(place + apart / 2, _ln_uniform(1.25, 1.6, n, rng))


def _cut_at_the_top(n: int, rng: np.random.Generator, *, below: bool = False) -> Array:
    """A log-normal powder scalped at the coarse end (below: and freed of its fines)."""
    place, width = _places(n, rng), _ln_uniform(1.5, 2, n, rng)
    top = ndtr(_ln_uniform(1.3, 2, n, rng) / width)[:, None]
    low = ndtr(-_ln_uniform(1.5, 2.5, n, rng) / width)[:, None] if below else 0.0
    return np.clip((_normal(place, width) - low) / (top - low), 0, 1)


def _cut_at_both_ends(n: int, rng: np.random.Generator) -> Array:
    return _cut_at_the_top(n, rng, below=True)


def _gates_gaudin_schuhmann(n: int, rng: np.random.Generator) -> Array:
    top = _places(n, rng) + _ln_uniform(1.3, 2, n, rng)
    power = rng.uniform(0.8, 2, n)[:, None]
    return np.exp(np.minimum(power * (T - top[:, None]), 0))


def _log_logistic(n: int, rng: np.random.Generator) -> Array:
    """Straight on the logit, with heavier tails than log-normal powders."""
    place, power = _places(n, rng)[:, None], rng.uniform(3.5, 7, n)[:, None]
    curve = expit(power * (T - place))
    return curve / curve[:, -1:]


def _hyperbolic(n: int, rng: np.random.Generator) -> Array:
    """Round in the middle, power laws of unlike exponents on both sides; straight on no scale."""
    fine, coarse = rng.uniform(2.5, 5, n)[:, None], rng.uniform(3.5, 8, n)[:, None]
    round_, x = rng.uniform(0.15, 0.5, n)[:, None], T - _places(n, rng)[:, None]
    density = np.exp(-(fine + coarse) / 2 * np.hypot(round_, x) + (fine - coarse) / 2 * x)
    curve = density.cumsum(axis=1)
    return (curve - curve[:, :1]) / (curve[:, -1:] - curve[:, :1])


def _attrition(n: int, rng: np.random.Generator) -> Array:
    """A rather narrow body and 3 to 15 % of dust worn off it, 4 to 10 times finer."""
    place, share = _places(n, rng), rng.uniform(0.03, 0.15, n)[:, None]
    dust = _normal(place - _ln_uniform(4, 10, n, rng), _ln_uniform(1.5, 2, n, rng))
    return share * dust + (1 - share) * _normal(place, _ln_uniform(1.25, 1.5, n, rng))


def _bounded(n: int, rng: np.random.Generator) -> Array:
    """Nothing beyond two ends: the logit of the place between them in ln x is normal (Johnson)."""
    place = _places(n, rng)[:, None]
    low, high = rng.uniform(1.0, 2.2, n)[:, None], rng.uniform(0.8, 1.6, n)[:, None]
    power, skew = rng.uniform(0.8, 1.6, n)[:, None], rng.uniform(-0.6, 0.6, n)[:, None]
    part = np.clip((T - place + low) / (low + high), 0, 1)
    with np.errstate(divide="ignore"):
        return np.asarray(ndtr(skew + power * logit(part)))


def _skewed(n: int, rng: np.random.Generator) -> Array:
    """Log-normal with one tail longer: the density times a probit of ln x (Azzalini)."""
    x = (T - _places(n, rng)[:, None]) / _ln_uniform(1.6, 2.4, n, rng)[:, None]
    skew = (rng.uniform(1, 5, n) * rng.choice([-1, 1], n))[:, None]
    curve = (np.exp(-(x**2) / 2) * ndtr(skew * x)).cumsum(axis=1)
    return np.asarray(curve / curve[:, -1:])


# ---------------------------------------------------------------- breakage
EDGE = np.linspace(np.log(4), np.log(1500), 141)
"""Upper edges of the classes of the mill, ln µm; the class above the last holds what is coarser."""
_STEP = float(EDGE[1] - EDGE[0])
_INSIDE = np.append(EDGE, EDGE[-1] + _STEP) - _STEP / 2
TICK = 0.02


def _feed(kind: str, rng: np.random.Generator) -> Array:
    """Mass of the feed in each class of the mill."""
    place = np.log(rng.uniform(280, 420))
    if kind == "narrow":
        q = ndtr((EDGE - place) / np.log(rng.uniform(1.1, 1.3)))
    elif rng.random() < 0.5:  # two modes
        apart, share = np.log(rng.uniform(1.7, 2.6)), rng.uniform(0.3, 0.7)
        one, two = np.log(rng.uniform(1.2, 1.4, 2))
        q = share * ndtr((EDGE - place + apart) / one) + (1 - share) * ndtr((EDGE - place) / two)
    else:  # broad, scalped on a sieve
        width, cut = np.log(rng.uniform(1.5, 1.9)), np.log(rng.uniform(1.15, 1.6))
        q = np.minimum(ndtr((EDGE - place) / width) / ndtr(cut / width), 1)
    return np.diff(np.r_[0, q, 1])


def _breakage(rng: np.random.Generator) -> Array:
    """First-order breakage: a rate with a greatest value, fragments that depend on the size broken.

    Rate ``x^a / (1 + (x/g)^b)`` with b > a; fragments finer than x out of y:
    ``f (x/y)^c + (1 - f) (x/y)^d`` with ``f`` a power of y.
    """
    a = rng.uniform(0.7, 1.3)
    over = _INSIDE - np.log(rng.uniform(300, 900))
    rate = np.exp(a * over) / (1 + np.exp((a + rng.uniform(0.5, 1.5)) * over))
    rate[0] = 0.0
    share = rng.uniform(0.3, 0.8) * np.exp(rng.uniform(-0.3, 0.3) * (_INSIDE - np.log(350)))
    share = np.clip(share, 0.05, 0.95)
    down = EDGE[:, None] - _INSIDE
    slow, fast = rng.uniform(0.5, 1.3), rng.uniform(2.5, 5)
    below = np.minimum(share * np.exp(slow * down) + (1 - share) * np.exp(fast * down), 1)
    for j in range(1, len(_INSIDE)):  # all of a fragment is finer than the class it left
        below[:j, j] /= below[j - 1, j]
        below[j:, j] = 1
    top, zero = np.ones(len(_INSIDE)), np.zeros(len(_INSIDE))
    move = np.diff(np.vstack([zero, below, top]), axis=0) * rate
    move[np.diag_indices(len(_INSIDE))] -= rate
    return np.asarray(move)


def _on_grid(mass: Array) -> Array:
    """Curve on T of masses in the classes of the mill."""
    q = np.clip(mass.cumsum()[:-1], 0, 1)
    curve = np.clip(PchipInterpolator(EDGE, q, extrapolate=False)(T), 0, 1)
    finer = EDGE[0] > T
    curve[finer] = q[0] * np.exp(0.8 * (T[finer] - EDGE[0]))
    curve[EDGE[-1] < T] = 1.0
    return np.maximum.accumulate(curve)


def feed_and_course(
    kind: str, falls: Sequence[float], rng: np.random.Generator, *, feed: bool = False
) -> list[Array]:
    """Curves of one charge when its D50 has fallen to these shares of that of its feed."""
    state, once = _feed(kind, rng), expm(_breakage(rng) * TICK)
    first = state
    start = float(np.interp(0.5, state.cumsum()[:-1], EDGE))
    curves = []
    for fall in falls:
        for _ in range(2000):
            if np.interp(0.5, state.cumsum()[:-1], EDGE) <= start + np.log(fall):
                break
            state = once @ state
        curves.append(_on_grid(state))
    return [_on_grid(first), *curves] if feed else curves


def _milled(kind: str, n: int, rng: np.random.Generator) -> Array:
    """Taken at any time from the first breakage to a D50 of 0.35 of the feed's."""
    return np.array([feed_and_course(kind, [rng.uniform(0.35, 0.95)], rng)[0] for _ in range(n)])


def _milled_narrow(n: int, rng: np.random.Generator) -> Array:
    return _milled("narrow", n, rng)


def _milled_other(n: int, rng: np.random.Generator) -> Array:
    return _milled("two modes or cut", n, rng)


FAMILIES = {
    "log-normal": (_log_normal, "normal"),
    "narrow log-normal": (_narrow, "normal"),
    "Rosin-Rammler": (_rosin_rammler, "least of many"),
    "gamma": (_gamma, None),
    "bimodal": (_bimodal, None),
    "cut at the top": (_cut_at_the_top, None),
    "cut at both ends": (_cut_at_both_ends, None),
    "Gates-Gaudin-Schuhmann": (_gates_gaudin_schuhmann, None),
    "milled, narrow feed": (_milled_narrow, None),
    "milled, two-mode or cut feed": (_milled_other, None),
    "log-logistic": (_log_logistic, "logistic"),
    "hyperbolic (left out)": (_hyperbolic, None),
    "attrition (left out)": (_attrition, None),
    "bounded (left out)": (_bounded, None),
    "skewed (left out)": (_skewed, None),
}
STRAIGHT = ("log-normal", "Rosin-Rammler", "Gates-Gaudin-Schuhmann", "log-logistic")
"""Straight on one scale of the law of the curve (narrow log-normal powders too)."""
SMOOTH = (
    "log-normal", "Rosin-Rammler", "gamma", "log-logistic", "hyperbolic (left out)",
    "skewed (left out)",
)  # fmt: skip
"""Powders with one broad hump, which no class of these stacks can hide."""


def make_powders(family: str, n: int, rng: np.random.Generator) -> Powders:
    """P powders of one family, each with its own parameters."""
    make, reference = FAMILIES[family]
    return Powders(family=family, curve=make(n, rng), reference=reference)


def make_pair(family: str, n: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Curves of P powders before and after: of one charge at two times, or of one family, the
    second 10 to 55 % finer and up to 20 % wider.
    """
    if family.startswith("milled"):
        kind = "narrow" if "narrow" in family else "two modes or cut"
        falls = [rng.uniform(0.6, 0.95) * np.array([1, rng.uniform(0.45, 0.9)]) for _ in range(n)]
        both = [feed_and_course(kind, fall.tolist(), rng) for fall in falls]
        return np.array([one for one, _ in both]), np.array([two for _, two in both])
    curve = make_powders(family, n, rng).curve
    finer, wider = rng.uniform(0.1, 0.8, n), np.exp(rng.uniform(-0.1, 0.2, n))
    middle = sizes_at(curve, (0.5,))[:, 0] + 0.25  # on the coarse side, so that both are bracketed
    first = [np.interp(T - 0.25, T, q, left=0.0, right=1.0) for q in curve]
    second = [
        np.interp(m - 0.25 + (T - m + d) / w, T, q, left=0.0, right=1.0)
        for q, m, d, w in zip(curve, middle, finer, wider, strict=True)
    ]
    return np.array(first), np.array(second)


# ---------------------------------------------------------------- sieves, particles, balance
@dataclass(frozen=True, kw_only=True)
class Weighing:
    """A sample mass and the balance it is weighed on."""

    name: str
    sample_g: float
    resolution_g: float
    repeatability_g: float

    def read(self, load_g: Array, rng: np.random.Generator) -> Array:
        """What the balance shows."""
        noisy = load_g + self.repeatability_g * rng.standard_normal(load_g.shape)
        decimals = round(-np.log10(self.resolution_g))
        return np.asarray(np.round(noisy, decimals))


WEIGHINGS = {
    "100 g, no weighing noise": Weighing(
        name="fine", sample_g=100, resolution_g=0.0001, repeatability_g=0.0
    ),
    "20 g on a 0.01 g balance": Weighing(
        name="bench", sample_g=20, resolution_g=0.01, repeatability_g=0.01
    ),
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Bench:
    """P physical stacks of one series: true and certified apertures in µm, (P, n), and the
    expanded uncertainty (k = 2) of the certificates, None for new sieves without one.
    """

    name: str
    nominal_um: Array
    true_um: Array
    certified_um: Array | None
    expanded_um: Array

    def sieves(self, p: int) -> dict[str, Sieve]:
        """The sieves of stack p."""
        found = {}
        for i, um in enumerate(self.nominal_um.tolist()):
            key = f"{self.name} {um:g}"
            known = (
                {}
                if self.certified_um is None
                else {
                    "certified_um": float(self.certified_um[p, i]),
                    "expanded_uncertainty_um": float(self.expanded_um[i]),
                }
            )
            found[key] = Sieve(key=key, nominal_um=um, **known)
        return found

    @property
    def u_ln(self) -> Array:
        """Relative standard uncertainty of the apertures, (n,)."""
        if self.certified_um is not None:
            return self.expanded_um / 2 / self.nominal_um
        limit = np.array([tolerance_um(um) for um in self.nominal_um.tolist()])
        return np.asarray(limit / np.sqrt(3) / self.nominal_um)


def draw_bench(name: str, stack: str, kind: str, n: int, rng: np.random.Generator) -> Bench:
    """Stacks with their true apertures: anywhere within the tolerance of the standard; "certified"
    ones are known to 0.8 % (k = 2) besides.
    """
    nominal = np.array(STACKS[stack], dtype=float)
    limit = np.array([tolerance_um(um) for um in nominal.tolist()])
    true = nominal + limit * rng.uniform(-1, 1, (n, nominal.size))
    expanded = 0.008 * nominal
    certified = true + expanded / 2 * rng.standard_normal(true.shape)
    return Bench(
        name=name,
        nominal_um=nominal,
        true_um=true,
        certified_um=certified if kind == "certified" else None,
        expanded_um=expanded,
    )


_SLICE = 8  # grid points of T to a slice in which particles are alike (1.3 % in size)


def particle_g(ln_size: Array) -> Array:
    """Mass of a particle of this size."""
    return np.asarray(DENSITY * SHAPE * np.exp(3 * ln_size) * 1e-12)


def sieved_g(curve: Array, true_um: Array, sample_g: float, rng: np.random.Generator) -> Array:
    """Mass in each class, pan first, (P, n + 1), of a sample with drawn numbers of particles."""
    edge = T[::_SLICE]
    lot = np.diff(curve[:, ::_SLICE], axis=1, prepend=0.0) * sample_g  # first what is finer still
    one = particle_g(np.append(edge[0], (edge[1:] + edge[:-1]) / 2))
    few = lot / one < 1e7  # beyond it the count does not matter
    drawn = np.where(few, rng.poisson(np.where(few, lot / one, 0.0)) * one, lot)
    share = np.cumsum(drawn, axis=1) / drawn.sum(axis=1, keepdims=True)
    off = share - curve[:, ::_SLICE]
    passed = np.array(
        [
            np.interp(t, T, q) + np.interp(t, edge, d)
            for t, q, d in zip(np.log(true_um), curve, off, strict=True)
        ]
    )
    passed = np.maximum.accumulate(np.clip(passed, 0, 1), axis=1)
    return sample_g * np.diff(passed, axis=1, prepend=0.0, append=1.0)


def runs_of(
    name: str,
    mass_g: Array,
    bench: Bench,
    weighing: Weighing,
    rng: np.random.Generator,
    **fields: object,
) -> list[Run]:
    """One run on each of P stacks."""  # fmt: skip
    empty = 380 * rng.uniform(0.85, 1.15, mass_g.shape)
    tare, gross = weighing.read(empty, rng), weighing.read(empty + mass_g, rng)
    keys = [f"{bench.name} pan", *(f"{bench.name} {um:g}" for um in bench.nominal_um.tolist())]
    nominal = [0.0, *bench.nominal_um.tolist()]
    options = {"group": bench.name, "milling_time_min": 0.0, **fields}
    return [
        Run(
            name=name,
            readings=tuple(
                Reading(sieve=key, aperture_um=um, tare_g=float(t), gross_g=float(g))
                for key, um, t, g in zip(keys, nominal, tares, grosses, strict=True)
            ),
            balance=weighing.name,
            sample_mass_g=weighing.sample_g,
            **options,  # type: ignore[arg-type]
        )
        for tares, grosses in zip(tare, gross, strict=True)
    ]


def study_of(runs: Sequence[Run], sieves: dict[str, Sieve], weighings: Sequence[Weighing]) -> Study:
    """A study of these runs; sampling is switched on by its density, all else is left alone."""
    balances = {
        one.name: Balance(
            name=one.name,
            resolution_g=one.resolution_g,
            repeatability_g=one.repeatability_g,
            linearity_g=0.0,  # a data sheet that says so, and it is so
        )
        for one in weighings
    }
    return Study(
        title="invented",
        runs=tuple(runs),
        sieves=sieves,
        balances=balances,
        density_g_per_cm3=DENSITY,
        uncertainty={"sampling": True},
    )


def together(studies: Sequence[Study]) -> Study:
    """All of them as one, each a condition of its own on its own sieves: nothing is borrowed.

    Runs of study p are named "p name".  Laws of many curves at once take a fraction of the time.
    """
    runs: list[Run] = []
    sieves: dict[str, Sieve] = {}
    for p, study in enumerate(studies):
        for key, one in study.sieves.items():
            sieves[f"{p} {key}"] = replace(one, key=f"{p} {key}")
        runs += [
            replace(
                run,
                name=f"{p} {run.name}",
                group=f"{p} {run.group}",
                factors={"powder": str(p)},
                readings=tuple(replace(one, sieve=f"{p} {one.sieve}") for one in run.readings),
            )
            for run in study.runs
        ]
    return replace(studies[0], runs=tuple(runs), sieves=sieves)


# ---------------------------------------------------------------- who knows the family
_STANDARD = {
    "normal": ndtri,
    "least of many": lambda q: np.log(-np.log1p(-q)),
    "logistic": lambda q: np.log(q / (1 - q)),
}


def knower(powders: Powders, bench: Bench, weighing: Weighing) -> Array:
    """u(ln D10, ln D50, ln D90) of an analyst who knows the family and fits its two parameters by
    generalised least squares, (P, 3); NaN where ln D is not linear in them or no fit is possible.
    """
    found = np.full((len(powders.curve), 3), np.nan)
    if powders.reference is None:
        return found
    standard = _STANDARD[powders.reference]
    wanted = np.stack([np.ones(3), standard(np.array(LEVELS))], axis=1)
    slice_g = particle_g((T[1:] + T[:-1]) / 2)
    single = weighing.repeatability_g**2 + weighing.resolution_g**2 / 12
    for p, (curve, true_um) in enumerate(zip(powders.curve, bench.true_um, strict=True)):
        t = np.log(true_um)
        q = np.interp(t, T, curve)
        heavy = np.interp(t, T, np.append(0, np.cumsum(np.diff(curve) * slice_g)))
        all_heavy = float((np.diff(curve) * slice_g).sum())
        variance = np.diff(heavy, prepend=0.0, append=all_heavy) * weighing.sample_g + 2 * single
        turn = np.tril(np.ones((t.size, t.size + 1))) - q[:, None]
        seen = (q > 1e-3) & (q < 1 - 1e-3)
        if seen.sum() < 2:
            continue
        steep = np.interp(t[seen], T, np.gradient(curve, T))
        of_q = ((turn * variance) @ turn.T)[np.ix_(seen, seen)] / weighing.sample_g**2
        of_t = of_q / np.outer(steep, steep) + np.diag(bench.u_ln[seen] ** 2)
        x = np.stack([np.ones(seen.sum()), standard(q[seen])], axis=1)
        info = x.T @ np.linalg.solve(of_t, x)
        found[p] = np.sqrt(np.einsum("ij,jk,ik->i", wanted, np.linalg.inv(info), wanted))
    return found
