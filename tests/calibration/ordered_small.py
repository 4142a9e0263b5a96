"""Sizes beyond the sieves and single runs, for `ordered_findings`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from ordered_draws import (
    APART,
    GROUP,
    MARGIN,
    OWN,
    RUN,
    TINY,
    Cell,
    Design,
    Floats,
    Wrong,
    exact_law,
    fall_errors,
    rates,
    stop_errors,
)

from psdstats.comparison.courses import FEWEST_TIMES
from psdstats.comparison.open_sizes import (
    Law,
    OpenRuns,
    known_where_open,
    law_of_whole_levels,
    read_open_courses,
)
from psdstats.comparison.ordered import FallFlags, OrderedQuestion, ordered_flags, ordered_question
from psdstats.comparison.spread import PARAMETERS, residual_squares
from psdstats.errors import ModelError
from psdstats.findings import Course, Ending
from psdstats.models.judged import StudentJudged
from psdstats.models.level import LevelLaw

# ------------------------------------------------------------------ sizes beyond the sieves

OPEN = {"none open": -np.inf, "15 % open": -1.036, "50 % open": 0.0, "all open": 2.44}
"""Finest sieve above the true mean of the last time, in standard deviations of a run."""

OPEN_TRUTHS = {
    "nothing happens": np.zeros(4),
    "falls by 63 %": np.array([0.0, -0.25, -0.5, -1.0]),
    "falls, last step exactly 5 %": np.array([0.0, -0.5, -0.95, -0.95 - MARGIN]),
    "falls, last step zero": np.array([0.0, -0.5, -0.95, -0.95]),
}
LawOf = Callable[[OpenRuns], Law]


def open_law(design: Design, name: str, y: Floats) -> LawOf:
    """One of three laws, from the runs at hand."""
    n = len(y)
    if name == "corners, exact":
        law = exact_law(design, np.eye(n))
        return lambda _: law
    if name == "corners, calibrated":
        parts = np.array(list(design.parts().values()))
        made = LevelLaw(design.x, parts, OWN**2 * np.eye(n), design.asked.question, y)
        return lambda _: made.judge

    def whole(runs: OpenRuns) -> Law:
        known = known_where_open(np.zeros((n, n)), runs.is_open)
        return law_of_whole_levels(design.x, (), known, design.asked.question, runs)

    return whole


def open_runs(design: Design, y: Floats, sieve: float) -> OpenRuns:
    """Values under the sieve are open."""
    cells = tuple(design.cells[k] for k in design.place)
    below = y < sieve
    return OpenRuns(
        cells=cells,
        lower=np.where(below, -np.inf, y),
        upper=np.where(below, sieve, y),
        alike=tuple(zip(cells, design.group.tolist(), strict=True)),
    )


def record_errors(course: Course, size: Floats) -> dict[str, bool]:
    """What is false in the record of one course."""
    flags = FallFlags(shown=np.array(course.shown), at_least=np.array(course.at_least))
    found = {name: bool(one) for name, one in fall_errors(flags, size).items()}
    left, stop = size[:-1] - size[-1], course.stop
    if stop is None:
        raise ValueError("There is no answer to the question when to stop.")
    step = left[-1]
    since = 0 if stop.since is None else course.times.index(stop.since)
    found["little"] = stop.since is not None and bool((left[since:] >= MARGIN - TINY).any())
    falling = stop.ending is Ending.STILL_FALLING and step <= TINY
    falling |= bool(stop.gain_at_least > step + TINY) or bool(stop.gain_at_most < step - TINY)
    found["falling"] = falling
    inside = 0 if stop.stayed_within is None else course.times.index(stop.stayed_within)
    within = stop.stayed_within is not None and (np.abs(left[inside:]) >= APART - TINY).any()
    found["question of stop"] = bool(found["little"] or falling or within)
    found["guard"] = any(left[course.times.index(t)] >= -TINY for t in stop.coarser_after)
    return found


def firmness(course: Course) -> Floats:
    """All that is claimed, as numbers that must not grow with less information."""
    stop, times = course.stop, course.times
    found = [*course.shown, *np.nan_to_num(course.at_least, nan=-1.0)]
    if stop is not None:
        found.append(-1 if stop.since is None else len(times) - times.index(stop.since))
        found.append(stop.ending in (Ending.STILL_FALLING, Ending.LITTLE_LEFT))
        found.append(np.nan_to_num(stop.gain_at_least, nan=-1.0) if stop.since is None else 0.0)
    return np.array(found, dtype=float)


def _read(asked: OrderedQuestion, runs: OpenRuns, law: LawOf) -> Course | None:
    """The record; None where this law needs more."""
    try:
        return read_open_courses(asked, runs, law(runs))[0]
    except ModelError:
        return None


def run_open(design: Design, truth: str, name: str, sets: int, seed: Sequence[int]) -> list[Cell]:
    """The same data sets with the finest sieve raised step by step."""
    rng = np.random.default_rng([*seed, *f"{design.name} {truth} {name}".encode()])
    size, asked, n = OPEN_TRUTHS[truth], design.asked, len(design.group)
    spread = float(np.hypot(GROUP, RUN))
    wrong: dict[str, list[dict[str, bool]]] = {one: [] for one in OPEN}
    power: dict[str, list[dict[str, float]]] = {one: [] for one in OPEN}
    law, full, finer = None, np.empty(0), np.empty(0)
    for _ in range(sets):
        group = GROUP * rng.standard_normal(design.groups)
        y = size[design.place] + group[design.group] + RUN * rng.standard_normal(n)
        law = law or open_law(design, name, y)
        for share, above in OPEN.items():
            runs = open_runs(design, y, float(size[-1] + spread * above))
            course = _read(asked, runs, law)
            if course is None:
                continue
            now = firmness(course)
            if share == "none open":
                full = finer = now
            row = record_errors(course, size) | {
                "firmer than the values": _more(now, full),
                "firmer than at a finer sieve": _more(now, finer),
            }
            finer = now
            some = _with_some_known(runs, y, rng)
            fewer = None if some is None else _read(asked, some, law)
            known = now if fewer is None else firmness(fewer)
            wrong[share].append(row | {"firmer for a value less": _more(now, known)})
            best = np.nan_to_num(course.at_least[-1])
            told = course.stop is not None and course.stop.ending is not Ending.CANNOT_BE_TOLD
            power[share].append(
                {"shown 3": course.shown[-1], "end bound %": -np.expm1(-best), "end told": told}
            )
    return [
        Cell(table="open", design=f"{design.groups} x 4 x {design.runs}, {share}", law=name,
             truth=truth, sets=len(wrong[share]), wrong=_shares(wrong[share]),
             power=_shares(power[share]))
        for share in OPEN if len(wrong[share]) >= sets // 2
    ]  # fmt: skip


def _more(now: Floats, before: Floats) -> bool:
    return bool((now > before + 1e-6).any())


def _with_some_known(runs: OpenRuns, y: Floats, rng: np.random.Generator) -> OpenRuns | None:
    """The same with each open run known again with one chance in two."""
    back = runs.is_open & (rng.uniform(size=len(y)) < 0.5)
    if not back.any():
        return None
    return replace(runs, lower=np.where(back, y, runs.lower), upper=np.where(back, y, runs.upper))


def _shares(found: Sequence[dict[str, float]]) -> dict[str, float]:
    return {name: float(np.mean([one[name] for one in found])) for name in found[0]}


def open_tasks(sets: int, seed: Sequence[int]) -> Iterator[Callable[[], list[Cell]]]:
    """Three laws, two designs."""
    small, large = Design(groups=3, times=4), Design(groups=4, times=4, runs=2)
    for truth in OPEN_TRUTHS:
        yield partial(run_open, small, truth, "corners, exact", sets, seed)
        if truth != "nothing happens":  # there every run is open: slow
            yield partial(run_open, large, truth, "corners, exact", sets // 2, seed)
    for truth in ("falls by 63 %", "falls, last step exactly 5 %"):
        yield partial(run_open, small, truth, "corners, calibrated", sets // 2, seed)
        yield partial(run_open, small, truth, "whole levels", sets // 2, seed)


# ------------------------------------------------------------------ single runs


def times_of(count: int, spacing: str) -> Floats:
    """Times in minutes, doubling or even."""
    if spacing == "even":
        return 10.0 * np.arange(count)
    return np.array([0.0, *5.0 * 2.0 ** np.arange(count - 1)])


def broken(t: Floats, share: float) -> Floats:
    """Ln of a size of first-order breakage: a coarse feed, rates with the power 0.9 of size."""
    ln_x = np.linspace(-6.0, 2.0, 4001)
    oversize = np.exp(-np.exp(1.6 * ln_x)[:, None] - 0.05 * np.exp(0.9 * ln_x)[:, None] * t)
    return np.array([np.interp(share, 1.0 - one, ln_x) for one in oversize.T])


def smooth_truths(t: Floats) -> dict[str, Floats]:
    """Courses over these times."""
    exponential = np.log(150.0 + 270.0 * np.exp(-0.06 * t))
    two = np.arange(len(t)) < 2
    last = np.append(exponential[:-1], exponential[-2])
    return {
        "flat": 0.0 * t,
        "flat, then falls": -0.5 * np.maximum(t / t[-1] - t[-2] / t[-1], 0.0) / (1 - t[-2] / t[-1]),
        "exponential": exponential,
        "power law": -0.25 * np.log1p(t / 3.0),
        "breakage D10": broken(t, 0.1),
        "breakage D50": broken(t, 0.5),
        "breakage D90": broken(t, 0.9),
        "level from the third time": np.where(two, [0.0, -0.45, *0.0 * t[2:]], -0.8),
        "last step zero": last,
        "last step exactly 5 %": last - MARGIN * (t == t[-1]),
        "small fall": -0.06 * np.sqrt(t / t[-1]),
        "flat, errors a random walk (not covered)": 0.0 * t,
    }


def run_single(
    t: Floats, name: str, sd: float, truth: str, sets: int, seed: Sequence[int]
) -> list[Cell]:
    """One bench, one run a time, the spread from smooth courses."""
    design = f"{len(t)} times, {name}, SD {100 * sd:g} %"
    rng = np.random.default_rng([*seed, *f"{design} {truth}".encode()])
    size, names = smooth_truths(t)[truth], [f"{one:g}" for one in t]
    noise = sd * rng.standard_normal((sets, len(t)))
    if "walk" in truth:
        steps = sd * rng.standard_normal((sets, len(t)))
        noise = np.sqrt(0.5) * (noise + np.cumsum(steps, axis=1))
    y, df = size + noise, float(len(t) - PARAMETERS)
    asked = ordered_question(
        [(one, "") for one in names], lambda a, _: np.eye(len(t))[names.index(a)]
    )
    rows = asked.question.contrasts
    norm = np.sqrt(np.square(rows).sum(axis=1))
    judged = StudentJudged(
        estimate=y @ rows.T,
        se=np.multiply.outer(np.sqrt(residual_squares(t, y) / df), norm),
        df=np.array(df),
        correlation=rows @ rows.T / np.outer(norm, norm),
    )
    flags = ordered_flags(judged, asked)
    (fall,), (stop,) = flags.falls, flags.stops
    wrong: dict[str, Wrong] = {}
    if len(t) == FEWEST_TIMES:  # "fallen by the end" and nothing else
        fall, size = (
            FallFlags(shown=fall.shown[..., -1:], at_least=fall.at_least[..., -1:]),
            size[[0, -1]],
        )
    else:
        wrong = stop_errors(stop, size)
    wrong = fall_errors(fall, size) | wrong
    bound = -np.expm1(-np.nan_to_num(fall.at_least[..., -1]))
    power = {"shown last": fall.shown[..., -1], "end bound %": bound}
    if len(t) > FEWEST_TIMES:
        power |= {"left": stop.little[..., -1], "still falling": stop.falling}
    return [Cell(table="single", design=design, law="smooth courses", truth=truth, sets=sets,
                 wrong=rates(wrong), power=rates(power))]  # fmt: skip


def single_tasks(sets: int, seed: Sequence[int]) -> Iterator[Callable[[], list[Cell]]]:
    """4 to 8 times, two spacings, three standard deviations, all truths."""
    for count in range(FEWEST_TIMES, 9):
        for spacing in ("doubling", "even"):
            t = times_of(count, spacing)
            for sd in (0.01, 0.025, 0.05):
                for truth in smooth_truths(t):
                    yield partial(run_single, t, spacing, sd, truth, sets, seed)
