"""Designs, laws and truths of `ordered_findings`, and what is false in an answer."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.comparison.ordered import (
    FactorRows,
    FallFlags,
    OrderedFlags,
    OrderedQuestion,
    StopFlags,
    one_course_flags,
    ordered_flags,
    ordered_question,
)
from psdstats.models.judged import Judged, StudentJudged
from psdstats.models.level import LevelLaw

MARGIN = float(-np.log(0.95))  # five per cent to gain
APART = float(np.log(1.05))  # five per cent either way
TINY = 1e-9
RUN, CELL, GROUP, DRIFT, OWN, APERTURE = 0.025, 0.01, 0.03, 0.015, 0.01, 0.01
SIEVE_STEP = 0.5 * np.log(2.0)

Floats = NDArray[np.float64]
Wrong = NDArray[np.bool_]
Courses = Mapping[str, Floats]


# ------------------------------------------------------------------ designs and laws


@dataclass(frozen=True, kw_only=True)
class Design:
    """Groups by levels by times by runs, complete."""

    groups: int
    times: int
    runs: int = 1
    levels: tuple[str, ...] = ("",)
    stacks: str = "own"  # or "shared"
    drift: bool = False
    charges: bool = False  # groups are charges of one bench, each sampled at all times

    @property
    def name(self) -> str:
        """What tables call it."""
        groups = f"{self.groups} charges" if self.charges else str(self.groups)
        found = f"{groups} x {self.times} x {self.runs}"
        found += f" x {len(self.levels)} levels" if len(self.levels) > 1 else ""
        found += f", {self.stacks} stack{'s' if self.stacks == 'own' else ''}"
        return found + (", drift" if self.drift else "")

    @property
    def cells(self) -> list[tuple[str, str]]:
        """Times and levels."""
        return [(str(t), w) for w in self.levels for t in range(self.times)]

    @property
    def asked(self) -> OrderedQuestion:
        """Everything asked of one size."""
        width = len(self.cells) + self.groups
        return ordered_question(
            self.cells, lambda t, w: np.eye(width)[self.cells.index((t, w))], quantity="D50"
        )

    @property
    def place(self) -> NDArray[np.intp]:
        """Cell of each row."""
        return np.tile(np.repeat(np.arange(len(self.cells)), self.runs), self.groups)

    @property
    def group(self) -> NDArray[np.intp]:
        """Group of each row."""
        return np.repeat(np.arange(self.groups), len(self.cells) * self.runs)

    @property
    def x(self) -> Floats:
        """Cells beside fixed groups."""
        columns = [(self.place, len(self.cells)), (self.group, self.groups)]
        return np.hstack([np.equal.outer(a, np.arange(k)) for a, k in columns]).astype(float)

    def parts(self) -> dict[str, Floats]:
        """Unknown parts of the covariance, as the analysis of a trial takes them."""
        same, n = np.equal.outer(self.group, self.group), len(self.group)
        found = {}
        if self.runs > 1:
            found["cell"] = same * np.equal.outer(self.place, self.place).astype(float)
        if self.groups > 2:
            order = self.place % self.times - 0.5 * (self.times - 1)
            found["drift"] = same * np.outer(order, order)
        return found | {"run": np.eye(n)}

    def known(self, size: Floats) -> Floats:
        """Measurement covariance where the sizes of the cells are these: neighbouring sieves."""
        at = (size[self.place] + 0.37 * SIEVE_STEP) / SIEVE_STEP
        below = np.floor(at).astype(int)
        stack = self.group if self.stacks == "own" else 0 * self.group
        lean = np.zeros((len(at), (stack.max() + 1) * 24))
        for one, weight in ((below, 1.0 - (at - below)), (below + 1, at - below)):
            lean[np.arange(len(at)), stack * 24 + one % 24] += weight
        return OWN**2 * np.eye(len(at)) + APERTURE**2 * lean @ lean.T

    def covariance(self, size: Floats) -> Floats:
        """All of it, but the groups, which are fixed."""
        sd = {"cell": CELL, "drift": DRIFT * self.drift, "run": RUN}
        unknown = sum(sd[name] ** 2 * part for name, part in self.parts().items())
        return self.known(size) + np.asarray(unknown)

    def draw(self, size: Floats, sets: int, rng: np.random.Generator, copies: int = 1) -> Floats:
        """Data sets (copies, sets, n); copies are sizes of the same runs, correlated by 0.8."""
        root, n = np.linalg.cholesky(self.covariance(size)), len(self.group)
        shared, own = rng.standard_normal((1, sets, n)), rng.standard_normal((copies, sets, n))
        noise = own if copies == 1 else np.sqrt(0.8) * shared + np.sqrt(0.2) * own
        group = GROUP * rng.standard_normal((copies, sets, self.groups))
        return np.asarray(size[self.place] + group[..., self.group] + noise @ root.T)


Law = Callable[[Floats], Judged]


def exact_law(design: Design, covariance: Floats) -> Law:
    """Student's t with the shape of the covariance known and its scale estimated."""
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    x, rows = root @ design.x, design.asked.question.contrasts
    back, df = np.linalg.pinv(x), len(x) - np.linalg.matrix_rank(x)
    joint = rows @ back @ back.T @ rows.T
    norm = np.sqrt(np.diagonal(joint))

    def law(y: Floats) -> StudentJudged:
        white = y @ root.T
        beta = white @ back.T
        sd = np.sqrt(np.square(white - beta @ x.T).sum(axis=-1) / df)
        return StudentJudged(
            estimate=beta @ rows.T,
            se=np.multiply.outer(sd, norm),
            df=np.array(float(df)),
            correlation=joint / np.outer(norm, norm),
            jointly=design.asked.question.jointly,
        )

    return law


def calibrated_law(design: Design, size: Floats, response: Floats) -> Law:
    """The law by which trials are judged, made once from one response."""
    parts = np.array(list(design.parts().values()))
    return LevelLaw(design.x, parts, design.known(size), design.asked.question, response).judge


# ------------------------------------------------------------------ truths


def single_truths(times: int) -> dict[str, Floats]:
    """Courses over so many times, by name."""
    falls = -np.array([0.0, 0.35, 0.6, 0.8, 0.95, 1.05])[:times]
    late = np.arange(times) == times - 1
    before = falls[:-1] + 0.0
    return {
        "nothing happens": np.zeros(times),
        "flat, falls at the end": -0.06 * late,
        "falls evenly by 7 %": np.linspace(0.0, np.log(0.93), times),
        "falls": falls,
        "falls, last step exactly 5 %": np.append(before, before[-1] - MARGIN),
        "5 % exactly before a level last step": np.append(
            before[:-1], [before[-2] - MARGIN, before[-2] - MARGIN]
        ),
        "level from the last but two": np.append(before[:-1], [before[-2], before[-2]]),
        "falls, last step 8 %": np.append(before, before[-1] + np.log(0.92)),
        "falls, coarser by 8 % at the end": np.append(before, before[-1] - np.log(0.92)),
        "finer, then as at first": np.append(np.linspace(0.0, -0.07, times - 1), 0.0),
    }


def level_truths(times: int, levels: Sequence[str]) -> dict[str, Courses]:
    """Courses at several levels, by name; every level but the last goes the first way."""
    single = single_truths(times)
    late, later = np.arange(times) == times - 1, np.arange(times) > 0
    falls, level = single["falls"], single["level from the last but two"]
    pairs = {
        "nothing happens": (single["nothing happens"],) * 2,
        "no factor, level ends": (level, level),
        "no factor, 5 % exactly before level": (single["5 % exactly before a level last step"],)
        * 2,
        "one flat, one falls by 6 %": (np.zeros(times), np.linspace(0.0, np.log(0.94), times)),
        "apart by exactly 5 % at the end": (falls, falls - APART * late),
        "apart by exactly 5 % after the first": (falls, falls - APART * later),
        "apart by up to 8 %": (falls, falls + np.linspace(0.0, np.log(0.92), times)),
        "apart by 5 % before milling": (falls, falls - MARGIN),
    }
    return {
        name: dict(zip(levels, (first,) * (len(levels) - 1) + (other,), strict=True))
        for name, (first, other) in pairs.items()
    }


# ------------------------------------------------------------------ what is false


def fall_errors(flags: FallFlags, course: Floats) -> dict[str, Wrong]:
    """Times called finer that are not, and bounds above the truth."""
    fall = course[0] - course[1:]
    false = (flags.shown & (fall <= TINY)).any(axis=-1)
    high = (np.nan_to_num(flags.at_least, nan=-1.0) > np.maximum(fall, 0.0) + TINY).any(axis=-1)
    return {"falls": false, "bound": high, "question of falls": false | high}


def stop_errors(flags: StopFlags, course: Floats) -> dict[str, Wrong]:
    """Each kind of false answer to the question when to stop."""
    left = course[:-1] - course[-1]
    step = left[-1]
    little = (flags.little & (left >= MARGIN - TINY)).any(axis=-1)
    within = (flags.within & (np.abs(left) >= APART - TINY)).any(axis=-1)
    falling = flags.falling & (step <= TINY)
    with np.errstate(invalid="ignore"):
        falling = falling | (flags.gain_at_least > step + TINY)
        falling = falling | (flags.gain_at_most < step - TINY)
    guard = (flags.coarser & (left >= -TINY)).any(axis=-1)
    both = little | within | falling
    return {
        "little": little,
        "falling": falling,
        "within": within,
        "question of stop": both,
        "guard": guard,
    }


def factor_errors(flags: OrderedFlags, rows: Sequence[FactorRows], courses: Courses) -> Wrong:
    """Differences of levels that are none: first times and later, as two columns (..., 2)."""
    control, differs = [], []
    for one, own in zip(rows, flags.factors, strict=True):
        apart = np.abs(courses[one.high] - courses[one.low])
        control.append(own.control & (apart[0] <= TINY))
        differs.append((own.differs & (apart[1:] <= TINY)).any(axis=-1))
    return np.stack([np.any(control, axis=0), np.any(differs, axis=0)], axis=-1)


def union(found: Sequence[Mapping[str, Wrong]]) -> dict[str, Wrong]:
    return {name: np.any([one[name] for one in found], axis=0) for name in found[0]}


def errors(flags: OrderedFlags, asked: OrderedQuestion, courses: Courses) -> dict[str, Wrong]:
    """Every kind of false statement in the answers on one size."""
    where = [one.where for one in asked.courses]
    found = union([fall_errors(f, courses[w]) for f, w in zip(flags.falls, where, strict=True)])
    found |= union([stop_errors(f, courses[w]) for f, w in zip(flags.stops, where, strict=True)])
    if asked.factors:
        both = factor_errors(flags, asked.factors, courses)
        found |= {"control": both[..., 0], "factor": both.any(axis=-1)}
    return found


def all_errors(judged: Judged, asked: OrderedQuestion, courses: Courses) -> dict[str, Wrong]:
    """The same with the answers under one error, one course for all, and everything at once."""
    found = errors(ordered_flags(judged, asked), asked, courses)
    strict = errors(ordered_flags(judged, asked, one_family=True), asked, courses)
    every = ["question of falls", "question of stop", "guard"]
    if asked.factors:
        every += ["factor", "one course"]
        shown = one_course_flags(judged, asked, 5.0, 0.05)
        false = [a & _is_apart(courses, f) for a, f in zip(shown, asked.factors, strict=True)]
        found["one course"] = np.any(false, axis=0)
    found["all"] = np.any([found[name] for name in every], axis=0)
    together = ["question of falls", "question of stop", *(["factor"] if asked.factors else [])]
    found["one family"] = np.any([strict[name] for name in together], axis=0)
    return found


def _is_apart(courses: Courses, rows: FactorRows) -> bool:
    """Whether some change differs between two levels by the margin or more."""
    apart = courses[rows.high] - courses[rows.low]
    return bool((np.abs(apart[1:] - apart[0]) >= APART - TINY).any())


def powers(judged: Judged, asked: OrderedQuestion) -> dict[str, Floats]:
    """What is shown: of the last level's course, and of its difference from the first's."""
    flags = ordered_flags(judged, asked)
    fall, stop = flags.falls[-1], flags.stops[-1]
    coarser = stop.coarser.any(axis=-1)
    found = {f"shown {k + 1}": fall.shown[..., k] for k in range(fall.shown.shape[-1])}
    found |= {
        "left": ~coarser & stop.little[..., -1],
        "left earlier": ~coarser & stop.little[..., -2],
        "still falling": ~coarser & stop.falling,
        "coarser": coarser,
        "end bound %": -np.expm1(-np.nan_to_num(fall.at_least[..., -1])),
    }
    if asked.factors:
        last = flags.factors[-1]
        found |= {"differ at the end": last.differs[..., -1], "differ at first": last.control}
        found["one course shown"] = one_course_flags(judged, asked, 5.0, 0.05)[-1]
    return {name: np.asarray(one, dtype=float) for name, one in found.items()}


# ------------------------------------------------------------------ rates


@dataclass(frozen=True, kw_only=True)
class Cell:
    """Rates of one design, law and truth."""

    table: str
    design: str
    law: str
    truth: str
    sets: int
    wrong: Mapping[str, float]
    power: Mapping[str, float]

    def rows(self) -> Iterator[dict[str, object]]:
        """One row a rate, per cent, with its Monte Carlo error."""
        for kind, found in (("error", self.wrong), ("power", self.power)):
            for what, rate in found.items():
                spread = 100.0 * np.sqrt(max(rate * (1.0 - rate), 1.0 / self.sets) / self.sets)
                yield {
                    "table": self.table, "design": self.design, "law": self.law,
                    "truth": self.truth, "kind": kind, "what": what, "sets": self.sets,
                    "percent": round(100.0 * rate, 2), "monte_carlo": round(spread, 2),
                }  # fmt: skip


def rates(found: Mapping[str, Floats | Wrong]) -> dict[str, float]:
    return {name: float(np.mean(one)) for name, one in found.items()}
