"""Sizes against the powder with the shape between sieves borrowed across a trial.

Every cell makes trials of one kind of powder on one stack and design: true curves at every time,
true apertures, readings with weighing noise where wanted.  The truth is the powder's own size.
Powders are milled (a rate with a greatest value or a threshold, fragments that depend on size) from
narrow, broad, two-mode, cut and gamma feeds, or drift in D50 and width without any breakage.  Judge
coverage over trials: the sizes of one trial share its sieves and miss together.

    python tests/calibration/borrowed_shape.py --out tests/calibration/results
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.linalg import expm
from scipy.special import gammainc, ndtr

from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import between_correlation, curve_law
from psdstats.distribution.trial_runs import TrialRuns, nominal_stacks

SEED = 20261129
DATE = "2026-11-29"
MINUTES = (0.0, 1.0, 2.0, 4.0, 8.0)
LN = np.linspace(np.log(2.0), np.log(3000.0), 4000)
CLASS = np.linspace(np.log(4.0), np.log(1500.0), 121)  # edges of the classes that break
STACKS = {
    "ratio 2": (45, 90, 180, 355, 710),
    "ratio 2 shifted": (63, 125, 250, 500),
    "root 2": (45, 63, 90, 125, 180, 250, 355, 500),
    "root 2 shifted": (53, 75, 106, 150, 212, 300, 425, 600),
    "mixed": (45, 63, 75, 106, 150, 250, 425, 600),
}
UNLIKE = {"ratio 2": "ratio 2 shifted", "root 2": "root 2 shifted", "mixed": "ratio 2"}
TRUTHS = (
    "milled narrow", "milled broad", "milled two-mode", "milled cut", "milled threshold",
    "log-normal drift", "Rosin-Rammler drift", "gamma drift",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Design:
    """Benches with their sieves, replicates, times, readings."""

    name: str
    benches: int = 1
    own_sieves: bool = False
    unlike: bool = False
    replicates: int = 1
    minutes: tuple[float, ...] = MINUTES
    missing: float = 0.0
    tolerance: bool = False
    u_mass_g: float = 0.0
    faster: float = 1.05  # last bench


DESIGNS = {
    one.name: one
    for one in (
        Design(name="1 bench"),
        Design(name="4 benches", benches=4),
        Design(name="2 unlike", benches=2, own_sieves=True, unlike=True),
        Design(name="4 own", benches=4, own_sieves=True),
        Design(name="replicates", replicates=3, u_mass_g=0.02),
        Design(name="tolerance", tolerance=True),
        Design(name="tolerance, weighing", tolerance=True, u_mass_g=0.02),
        Design(name="weighing", u_mass_g=0.02),
        Design(name="missing", benches=3, missing=0.3),
        Design(name="3 times", minutes=(0.0, 2.0, 8.0)),
        Design(name="no 0 min", minutes=(1.0, 2.0, 4.0, 8.0)),
        Design(name="same powder, unlike", benches=2, own_sieves=True, unlike=True, faster=1.0),
    )
}


def feed(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Undersize of an unmilled powder at the class edges."""
    x, m = CLASS, np.log(rng.uniform(240, 340))
    if kind == "narrow":
        return ndtr((x - np.log(rng.uniform(270, 420))) / np.log(rng.uniform(1.1, 1.3)))
    if kind == "broad":
        return ndtr((x - m) / np.log(rng.uniform(1.35, 1.65)))
    if kind == "two-mode":
        apart, share = np.log(rng.uniform(1.7, 2.6)), rng.uniform(0.3, 0.7)
        width = np.log(rng.uniform(1.2, 1.4, 2))
        low, high = (ndtr((x - m + s * apart) / w) for s, w in zip((0.5, -0.5), width, strict=True))
        return share * low + (1 - share) * high
    if kind == "threshold":
        k = rng.uniform(3, 8)
        return gammainc(k, k * np.exp(x - m))
    width, top = np.log(rng.uniform(1.5, 1.9)), m + np.log(rng.uniform(1.15, 1.6))
    return np.minimum(ndtr((x - m) / width) / ndtr((top - m) / width), 1)


def breaking(kind: str, rng: np.random.Generator) -> np.ndarray:
    """Change of the mass in every class by breakage, a matrix; the class below all is the first."""
    mid = np.append(CLASS, 2 * CLASS[-1] - CLASS[-2]) - (CLASS[1] - CLASS[0]) / 2
    rate = np.exp(rng.uniform(0.7, 1.3) * (mid - np.log(350)))
    fine, coarse = rng.uniform(0.5, 1.3), rng.uniform(2.5, 5)
    share = rng.uniform(0.3, 0.8) * np.exp(rng.uniform(-0.3, 0.3) * (mid - np.log(350)))
    if kind == "threshold":
        rate = rate * ndtr((mid - np.log(rng.uniform(60, 120))) / 0.5)
    else:
        rate = rate / (1 + np.exp(2 * (mid - np.log(rng.uniform(300, 900)))))
    rate[0], share = 0, np.clip(share, 0.05, 0.95)
    lag = np.minimum(CLASS[:, None] - np.append(CLASS[0], CLASS), 0)  # to the lower edge
    below = share * np.exp(fine * lag) + (1 - share) * np.exp(coarse * lag)
    into = np.diff(np.vstack([np.zeros(len(mid)), below, np.ones(len(mid))]), axis=0)
    return (into - np.eye(len(mid))) * rate


def milled(kind: str, doses: np.ndarray, speeds: Sequence[float], rng: np.random.Generator) -> dict:
    """Curves by speed: the feed broken until D50 has fallen to between 0.35 and 0.6."""
    matrix, start = breaking(kind, rng), feed(kind, rng)
    mass = np.diff(np.concatenate([[0], start, [1]]))
    wanted = np.interp(0.5, start, CLASS) + np.log(rng.uniform(0.35, 0.6))
    step, state, total = expm(0.1 * matrix), mass, 0.0
    while np.interp(0.5, state.cumsum()[:-1], CLASS) > wanted and total < 20:
        state, total = step @ state, total + 0.1
    power = rng.uniform(0.5, 0.8) if kind == "threshold" else 1.0
    made = {}
    for speed in set(speeds):
        states = [expm(matrix * total * speed * dose**power) @ mass for dose in doses]
        made[speed] = [_fine(s.cumsum()[:-1]) for s in states]
    return made


def _fine(undersize: np.ndarray) -> np.ndarray:
    """A curve at class edges on the fine grid; a power law below the classes."""
    curve = np.clip(PchipInterpolator(CLASS, undersize, extrapolate=False)(LN), 0, 1)
    low = CLASS[0] > LN
    curve[low] = max(undersize[0], 1e-12) * np.exp(0.8 * (LN[low] - CLASS[0]))
    curve[CLASS[-1] < LN] = 1
    return np.maximum.accumulate(curve)


def drifting(
    kind: str, doses: np.ndarray, speeds: Sequence[float], rng: np.random.Generator
) -> dict:
    """Curves of one family whose D50 and width change on paths of their own."""
    m, fall, power = (
        np.log(rng.uniform(220, 300)),
        np.log(rng.uniform(0.35, 0.6)),
        rng.uniform(0.3, 0.8),
    )
    width, n, k = np.log(rng.uniform(1.4, 1.8)), rng.uniform(1.5, 3), rng.uniform(2, 8)
    wider = rng.uniform(-0.15, 0.3)

    def curve(dose: float) -> np.ndarray:
        t, w = LN - m - fall * dose**power, np.exp(wider * dose)
        if kind == "log-normal":
            return ndtr(t / (width * w))
        if kind == "Rosin-Rammler":
            return -np.expm1(-np.exp(n / w * t))
        return gammainc(k / w**2, k / w**2 * np.exp(t))

    return {speed: [curve(dose * speed) for dose in doses] for speed in set(speeds)}


def size_at(curve: np.ndarray) -> np.ndarray:
    """True ln D10, D50, D90 of a curve."""
    rising = (curve > 1e-9) & (curve < 1 - 1e-9) & np.append(True, np.diff(curve) > 0)
    return np.interp(LEVELS, curve[rising], LN[rising])


def sieves(stack: str, tolerance: bool, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Uncertainty and true error of ln aperture: certified to 0.4 %, or new within tolerance."""
    x = np.array(STACKS[stack], float)
    if not tolerance:
        return np.full(len(x), 0.004), rng.normal(0, 0.004, len(x))
    limit = (x**0.98 / 27 + 1.6) / x
    return limit / np.sqrt(3), rng.uniform(-limit, limit)


def trial(
    truth: str, stack: str, design: Design, rng: np.random.Generator
) -> tuple[TrialRuns, np.ndarray, np.ndarray]:
    """Runs of one trial, the true ln sizes, and which powder (bench apart) each run shows."""
    minutes = np.array(design.minutes)
    speeds = [1.0] * design.benches
    speeds[-1] = design.faster if design.benches > 1 else 1.0
    kind = truth.removeprefix("milled ").removesuffix(" drift")
    make = milled if truth.startswith("milled") else drifting
    made = make(kind, minutes / MINUTES[-1], speeds, rng)
    names = [UNLIKE[stack] if design.unlike and b else stack for b in range(design.benches)]
    known = [sieves(name, design.tolerance, rng) for name in names]
    n = max(len(STACKS[name]) for name in names)
    columns: dict[str, list] = {name: [] for name in TrialRuns.__dataclass_fields__}
    true, powder = [], []
    for b, name in enumerate(names):
        series = b if design.own_sieves else 0
        u, error = known[series]
        x = np.log(np.array(STACKS[name], float))
        for c, minute in enumerate(minutes):
            for _ in range(design.replicates):
                if c and rng.random() < design.missing:
                    continue
                own = 0.0 if design.faster == 1.0 or not c else rng.normal(0, 0.003)
                curve = made[speeds[b]][c]
                q, cov, small = weighed(np.interp(x + error - own, LN, curve), design.u_mass_g, rng)
                pad = n - len(x)
                values = {
                    "undersize": np.append(q, np.ones(pad)),
                    "ln_aperture": np.append(x, np.full(pad, x[-1])),
                    "u_ln_aperture": np.append(u, np.full(pad, u[-1])),
                    "real": np.arange(n) < len(x),
                    "sieve": 100 * series + np.arange(n),
                    "covariance": np.pad(cov, (0, pad)),
                    "smallest": small,
                    "bench": b,
                    "condition": 0,
                    "minutes": minute,
                }
                for key, value in values.items():
                    columns[key].append(value)
                true.append(size_at(curve) + own)
                powder.append(c)
    return (
        TrialRuns(**{k: np.array(v) for k, v in columns.items()}),
        np.array(true),
        np.array(powder),
    )


def weighed(q: np.ndarray, u_mass_g: float, rng: np.random.Generator) -> tuple:
    """Undersize as weighed from 20 g, its covariance, and the least that can be told."""
    n = len(q)
    if not u_mass_g:
        return q, np.zeros((n, n)), 2e-4
    s = u_mass_g / 20
    mass = np.diff(np.concatenate([[0], q, [1]])) + rng.normal(0, s, n + 1)
    found = np.clip(np.maximum.accumulate((mass.cumsum() / mass.sum())[:-1]), 0, 1)
    J = np.tril(np.ones((n, n + 1))) - found[:, None]
    return found, s**2 * J @ J.T, max(2e-4, 4 * s)


def single_law(runs: TrialRuns) -> tuple:
    """Law of each run by itself and the correlation between runs."""
    law = curve_law(
        runs.undersize, runs.ln_aperture, u_ln_aperture=runs.u_ln_aperture,
        covariance=runs.covariance, smallest=runs.smallest,
    )  # fmt: skip
    stack = nominal_stacks(runs)
    case = np.unique(
        np.column_stack([runs.condition, runs.minutes, stack]), axis=0, return_inverse=True
    )
    return law, between_correlation(law, case[1].reshape(-1))
