"""Sizes against the powder with the shape between sieves borrowed across a trial.

Every cell makes trials of one kind of powder on one stack and design: true curves at every time,
true apertures, readings with weighing noise where wanted.  The truth is the powder's own size.
Powders are milled (a rate with a greatest value or a threshold, fragments that depend on size) from
narrow, broad, two-mode, cut and gamma feeds, or drift in D50 and width without any breakage.  Judge
coverage over trials: the sizes of one trial share its sieves and miss together.

    python tests/calibration/borrowed_shape.py --out tests/calibration/results
"""

from __future__ import annotations

import argparse
import operator
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.linalg import expm
from scipy.special import gammainc, ndtr
from sharing import add_sharing, shared

from psdstats.distribution.borrowing import Borrowed, between_correlation, borrow
from psdstats.distribution.percentiles import LEVELS
from psdstats.distribution.powder_curve import (
    CurveLaw,
    at_scores,
    curve_law,
)
from psdstats.distribution.trial_curves import TrialRuns, nominal_stacks

SEED = 20261129
K95 = 1.959963984540054
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


CELLS = (  # stack, design, times the trials
    ("ratio 2", "1 bench", 2),
    ("ratio 2", "4 benches", 1),
    ("ratio 2", "2 unlike", 1),
    ("ratio 2", "same powder, unlike", 1),
    ("ratio 2", "replicates", 1),
    ("ratio 2", "tolerance, weighing", 1),
    ("ratio 2", "missing", 1),
    ("ratio 2", "3 times", 1),
    ("ratio 2", "no 0 min", 1),
    ("root 2", "1 bench", 1),
    ("mixed", "1 bench", 1),
)
LEFT_OUT = ("1 bench",)


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


@dataclass(frozen=True, kw_only=True)
class Score:
    """What one trial shows: sizes and changes since 0 min (R, 3), NaN where there is none."""

    hit: np.ndarray
    error: np.ndarray
    u: np.ndarray
    ratio_hit: np.ndarray
    ratio_u: np.ndarray


def scored(law: CurveLaw, covariance: np.ndarray, runs: TrialRuns, true: np.ndarray) -> Score:
    """Sizes and ratios to 0 min of a joint law against the truth."""
    inside = np.abs(at_scores(law.table, np.zeros((*true.shape, 1)))[..., 0] - true) < np.inf
    ends = at_scores(law.table, np.broadcast_to([-K95, K95], (*true.shape, 2)))
    hit = np.where(inside, (ends[..., 0] <= true) & (true <= ends[..., 1]), np.nan)
    ratio_hit, ratio_u = np.full((2, *true.shape), np.nan)
    for run in np.flatnonzero(runs.minutes > 0):
        first = np.flatnonzero((runs.bench == runs.bench[run]) & (runs.minutes == 0))[:1]
        for base in first:
            a, b = 3 * run + np.arange(3), 3 * base + np.arange(3)
            variance = covariance[a, a] + covariance[b, b] - 2 * covariance[a, b]
            both = inside[run] & inside[base]
            ratio_u[run] = np.where(both, np.sqrt(np.maximum(variance, 0)), np.nan)
            off = law.ln_size[run] - law.ln_size[base] - true[run] + true[base]
            ratio_hit[run] = np.where(both, np.abs(off) <= K95 * ratio_u[run], np.nan)
    return Score(
        hit=hit, error=law.ln_size - true, u=np.where(inside, law.u, np.nan),
        ratio_hit=ratio_hit, ratio_u=ratio_u,
    )  # fmt: skip


def alone_covariance(runs: TrialRuns, law: CurveLaw, correlation: np.ndarray) -> np.ndarray:
    """Covariance (3 R, 3 R) of the laws of single runs, shared sieves included."""
    names = np.unique(runs.sieve)
    T = np.zeros((law.u.size, len(names)))
    by_t = law.by_ln_aperture.reshape(law.u.size, -1) * np.repeat(runs.u_ln_aperture, 3, axis=0)
    sieve = np.repeat(np.searchsorted(names, runs.sieve), 3, axis=0)
    for row, at in enumerate(sieve):
        np.add.at(T[row], at, np.where(runs.real[row // 3], by_t[row], 0))
    noise = T @ T.T
    own = np.einsum("rln,rnm,rkm->rlk", law.by_undersize, runs.covariance, law.by_undersize)
    for run, block in enumerate(own):
        noise[3 * run : 3 * run + 3, 3 * run : 3 * run + 3] += block
    left = np.sqrt(np.maximum(np.nan_to_num(law.u.ravel()) ** 2 - np.diag(noise), 0))
    return noise + correlation * np.outer(left, left)


def false_differences(law: CurveLaw, covariance: np.ndarray, powder: np.ndarray) -> list[bool]:
    """Whether sizes of one powder on two benches differ by more than 1.96 u of the difference."""
    found = []
    for time_ in np.unique(powder):
        first, *others = np.flatnonzero(powder == time_)
        for other in others:
            a, b = 3 * first + np.arange(3), 3 * other + np.arange(3)
            u2 = covariance[a, a] + covariance[b, b] - 2 * covariance[a, b]
            off = law.ln_size[first] - law.ln_size[other]
            known = np.isfinite(off)
            found += (np.abs(off) > K95 * np.sqrt(np.maximum(u2, 0)))[known].tolist()
    return found


def moved_out(runs: TrialRuns, table: Borrowed, minute: float) -> list[bool]:
    """Whether sizes leave their intervals when the runs of one time are left out."""
    kept = np.flatnonzero(runs.minutes != minute)
    rest = TrialRuns(**{k: v[kept] for k, v in vars(runs).items()})
    less = borrow(rest, *single_law(rest))
    off = np.abs(less.law.ln_size - table.law.ln_size[kept]) / (K95 * less.law.u)
    return (off[np.isfinite(off)] > 1).tolist()


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One trial by the joint law and by single runs."""

    joint: Score
    alone: Score
    weight: float
    seconds: float
    false: list[bool]
    moved: list[bool]


def outcome(
    truth: str, stack: str, design: Design, rng: np.random.Generator, *, left_out: bool
) -> Outcome:
    """Make a trial, borrow, and score."""
    runs, true, powder = trial(truth, stack, design, rng)
    law, correlation = single_law(runs)
    start = time.process_time()
    got = borrow(runs, law, correlation)
    seconds = time.process_time() - start
    same = design.benches > 1 and design.faster == 1.0
    return Outcome(
        joint=scored(got.law, got.covariance, runs, true),
        alone=scored(law, alone_covariance(runs, law, correlation), runs, true),
        weight=float(got.breakage_weight[0]),
        seconds=seconds,
        false=false_differences(got.law, got.covariance, powder) if same else [],
        moved=moved_out(runs, got, design.minutes[2]) if left_out else [],
    )


def line(label: str, found: list[Outcome]) -> str:
    """One line of the table: trials of a cell together."""

    def per_trial(which: str, field: str) -> str:
        parts = [getattr(getattr(one, which), field) for one in found]
        shares = np.array([np.nanmean(part) for part in parts if np.isfinite(part).any()])
        if not len(shares):
            return "-"
        error = np.std(shares) / np.sqrt(max(len(shares) - 1, 1))
        return f"{100 * shares.mean():.0f} ± {100 * error:.0f}"

    def every(which: str, field: str) -> np.ndarray:
        return np.concatenate([getattr(getattr(one, which), field).ravel() for one in found])

    def narrower(field: str) -> str:
        new, old = every("joint", field), every("alone", field)
        wide = old > 0.01
        return "-" if wide.sum() < 5 else f"{np.median((new / np.maximum(old, 1e-9))[wide]):.2f}"

    hits = np.concatenate([one.joint.hit for one in found])
    levels = "/".join(f"{100 * np.nanmean(column):.0f}" for column in hits.T)
    rms = np.sqrt(np.nanmean(every("joint", "error") ** 2))
    weight, seconds = (np.mean([getattr(one, f) for one in found]) for f in ("weight", "seconds"))
    columns = [
        label, str(len(found)), per_trial("joint", "hit"), levels, per_trial("alone", "hit"),
        narrower("u"), f"{100 * np.nanmean(every('joint', 'u')):.2f}", f"{100 * rms:.2f}",
        per_trial("joint", "ratio_hit"), per_trial("alone", "ratio_hit"), narrower("ratio_u"),
        f"{weight:.2f}", f"{seconds:.1f}",
    ]  # fmt: skip
    return "| " + " | ".join(columns) + " |"


def main(arguments: Sequence[str] | None = None) -> None:
    """Run every cell and write the table as Markdown."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--trials", type=int, default=4)
    parser.add_argument("--seed", type=int, default=SEED)
    add_sharing(parser)
    options = parser.parse_args(arguments)
    lines, together, false, moved = [], [], [], []
    for stack, name, times in CELLS:
        block = []
        for truth in TRUTHS:
            key = sum(map(ord, truth + stack + name))
            tasks = [
                partial(
                    outcome,
                    truth,
                    stack,
                    DESIGNS[name],
                    np.random.default_rng([options.seed, key, i]),
                    left_out=name in LEFT_OUT and i == 0,
                )
                for i in range(times * options.trials)
            ]
            found = list(shared(options)(operator.call, tasks))
            lines.append(line(f"{truth} | {stack} | {name}", found))
            block += found
        together.append(line(f"all | {stack} | {name}", block))
        false += [one for each in block for one in each.false]
        moved += [one for each in block for one in each.moved]
        write(lines, together, false, moved, options)


def _percent(found: list[bool]) -> str:
    """Share of what happened."""
    return f"{100 * np.mean(found):.1f} %" if found else "none"


def write(
    lines: list[str],
    together: list[str],
    false: list[bool],
    moved: list[bool],
    options: argparse.Namespace,
) -> None:
    """Write the tables with what a reader must know."""
    head = (
        "| truth | stack | design | trials | coverage % | D10/D50/D90 | single runs % "
        "| u / u single | u % | rms % | ratios % | single runs % | u / u single | weight | s |\n"
        + "|---" * 15
        + "|\n"
    )
    text = (
        "# Sizes with the shape between sieves borrowed across a trial\n\n"
        f"`python tests/calibration/borrowed_shape.py --trials {options.trials} "
        f"--seed {options.seed}`, {date.today()}. Truth: the powder's own size. Coverage of 95 % "
        "intervals "
        "with one standard error over trials, for the sizes of one trial share its sieves and miss "
        "together (0 where all trials agree: unknown rather than none); by level; of the laws of "
        "single runs on the same trials; u / u single: median where a single run's u exceeds 1 %. "
        "Ratios: D(t)/D(0) of each bench. Weight: of the breakage law; s: processor seconds of the "
        "borrowing on a busy core. Apertures are known to 0.4 %, or within tolerance; weighing: "
        "0.02 g on every net mass of 20 g. Only log-normal and Rosin-Rammler powders are, at each "
        "time, of a form the laws assume; no milled one is. The kinds of feed and their weight "
        "were chosen on other draws of this generator: expect slightly less elsewhere.\n\n"
        + head
        + "\n".join(together)
        + "\n\n"
        f"One powder on two benches with unlike stacks: {_percent(false)} of "
        f"{len(false)} differences exceed 1.96 u. With the runs of the third time left out "
        f"{_percent(moved)} of {len(moved)} sizes of the others leave their "
        "intervals.\n\n"
        "## By powder\n\n" + head + "\n".join(lines) + "\n"
    )
    options.out.mkdir(parents=True, exist_ok=True)
    (options.out / "borrowed_shape.md").write_text(text)


if __name__ == "__main__":
    main()
