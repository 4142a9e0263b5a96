"""Levels, coverage and power of the calibrated level over a catalogue of designs, by simulation.

    python tests/calibration/level_catalogue.py --out tests/calibration/results

simulates 4,000 data sets for each truth of each design and judges them by `models.level`, each by
the table that its own scatter asks for, and beside it by Kenward-Roger tests of the same model
(groups or charges as fixed blocks) and of the model that was the default before (random intercept
and line of each group, variances at zero dropped).  Writes ``level_catalogue.csv`` (a row a truth)
and ``level_catalogue.md``.  ``--only`` runs designs by number and replaces their rows.

The generator adds errors as a laboratory makes them, one by one: sieves (a reading lies between two
of its stack, so runs share errors as far as they share sieves), the balance, runs, cells, charges,
groups and their lines in time.  Nothing is drawn from the covariances that the analysis is given.
All sizes are invented.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from psdstats.models.engine import CovarianceParts, fit_batch
from psdstats.models.judged import Family, Judged, Question, Side
from psdstats.models.kenward_roger import adjusted_covariance, kenward_roger
from psdstats.models.level import LevelLaw, Route, too_large

DATE = "2026-11-29"
SEED = 20261129
ALPHA = 0.05
Array = np.ndarray


# ---- designs ---------------------------------------------------------------------------------
@dataclass(frozen=True)
class Design:
    """Groups × times × replicates (or charges), levels of a second factor, what is lost."""

    groups: int
    times: int
    replicates: int = 1
    stacks: str = "none"  # or "shared", "own", "one differs"
    charges: bool = False
    levels: int = 1
    lost: float = 0.0
    missing: bool = False  # the last group lacks the first time
    drift: bool = False

    @property
    def name(self) -> str:
        """The design in words."""
        size = [self.groups, self.times, *([self.levels] if self.levels > 1 else [])]
        text = " × ".join(str(k) for k in [*size, self.replicates])
        more = [
            f"second factor of {self.levels} levels" if self.levels > 1 else "",
            f"{self.replicates} charges" if self.charges else "",
            f"{100 * self.lost:.0f} % lost" if self.lost else "",
            "first time missing at a group" if self.missing else "",
            "drift" if self.drift else "",
        ]
        return ", ".join([text, *(one for one in more if one)])


DESIGNS = (
    *(Design(2, 3, stacks=s) for s in ("none", "shared", "own", "one differs")),
    Design(2, 3, 3, "own"),
    Design(2, 4, 2, "shared"),
    Design(2, 4, 1, "own"),
    Design(2, 6, 1, "one differs"),
    Design(2, 3, 3, "own", charges=True),
    Design(2, 4, 3, "one differs", charges=True),
    Design(3, 4, 3, "shared", charges=True),
    Design(2, 3, 1, "own", levels=2),
    Design(3, 3, 1, "shared", levels=2),
    Design(3, 3, 1, "own"),
    Design(3, 4, 1, "one differs"),
    Design(3, 4, 3, "shared"),
    Design(3, 6, 2, "own"),
    Design(4, 3, 1, "own"),
    Design(4, 4, 2, "one differs"),
    Design(6, 4, 1, "shared"),
    Design(8, 3, 1, "own"),
    Design(2, 4, 2, "own", lost=0.25),
    Design(2, 6, 1, "one differs", lost=0.25),
    Design(2, 6, 2, "shared", lost=0.25),
    Design(3, 3, 2, "none", lost=0.25),
    Design(3, 4, 1, "own", lost=0.25),
    Design(3, 4, 2, "one differs", lost=0.25),
    Design(3, 6, 1, "shared", lost=0.25),
    Design(4, 4, 2, "own", lost=0.25),
    Design(6, 3, 1, "none", lost=0.25),
    Design(3, 4, 3, "own", charges=True, lost=0.25),
    Design(3, 3, 1, "own", levels=2, lost=0.25),
    Design(2, 4, 1, "own", missing=True),
    Design(3, 4, 1, "shared", missing=True),
    Design(3, 4, 2, "one differs", missing=True),
    Design(3, 3, 1, "shared", drift=True),
    Design(3, 4, 1, "none", drift=True),
    Design(3, 4, 1, "own", drift=True),
    Design(4, 4, 1, "one differs", drift=True),
    Design(4, 4, 2, "shared", drift=True),
    Design(6, 4, 1, "own", drift=True),
    Design(8, 3, 1, "none", drift=True),
    Design(4, 4, 1, "own", drift=True, lost=0.25),
    Design(4, 4, 1, "shared", drift=True, missing=True),
    Design(3, 3, 1, "own", levels=2, drift=True),
    Design(3, 4, 2, "own", drift=True, lost=0.25),
    Design(4, 4, 2, "none", drift=True, lost=0.25),
    Design(4, 5, 2, "own", drift=True, lost=0.25),
    # by Kenward-Roger alone
    Design(8, 6, 2, "own"),
    Design(8, 6, 3, "one differs", lost=0.25),
    Design(6, 6, 3, "shared", lost=0.25),
    Design(8, 6, 2, "own", drift=True),
    Design(8, 6, 2, "shared", drift=True, lost=0.25),
    Design(5, 6, 3, "own", drift=True, lost=0.25),
    Design(8, 6, 1, "own", levels=2, drift=True),
)


@dataclass(frozen=True)
class Truth:
    """Standard deviations of ln D: run to run, of a cell, of a group's line for each time."""

    run: float
    cell: float = 0.0
    line: float = 0.0


def truths(design: Design) -> tuple[Truth, ...]:
    """What may be true of a design."""
    if design.drift:
        sizes = [(0.007, 0), (0.02, 0), (0.02, 0.005), (0.01, 0.015), (0.02, 0.015), (0.06, 0.015)]
        several = design.replicates > 1
        return tuple(Truth(a, 0.015 * (several and k % 2), b) for k, (a, b) in enumerate(sizes))
    if design.replicates > 1:
        sizes = [(0.005, 0), (0.02, 0), (0.02, 0.02), (0.005, 0.03), (0.05, 0.01), (0.08, 0)]
        return tuple(Truth(a, b) for a, b in sizes)
    return tuple(Truth(a) for a in (0.003, 0.01, 0.02, 0.03, 0.05, 0.08))


POWER = {False: Truth(0.02), True: Truth(0.02, 0.0, 0.015)}
"""The truths, without drift and with it, at which power is told."""


@dataclass(frozen=True, eq=False)
class Built:
    """One design as arrays, and what is asked of it."""

    design: Design
    group: Array
    block: Array
    time: Array
    level: Array
    x: Array
    parts: Array
    places: Array  # of each run on the sieves: how much of each sieve's error it carries
    aperture: float
    own: float
    question: Question = field(repr=False)
    last: int

    @property
    def known(self) -> Array | None:
        """Known covariance of the runs."""
        if self.design.stacks == "none":
            return None
        n = len(self.group)
        return self.aperture**2 * self.places @ self.places.T + self.own**2 * np.eye(n)

    @property
    def cell(self) -> Array:
        """Number of the cell, group by time by level, of each run."""
        return (self.group * self.design.times + self.time) * self.design.levels + self.level


def build(design: Design, seed: int) -> Built:
    """Which rows there are, X, parts and the sieves; all but the design drawn from the seed."""
    rng = np.random.default_rng(seed)
    axes = [range(k) for k in (design.groups, design.times, design.levels, design.replicates)]
    codes = np.array([a.ravel() for a in np.meshgrid(*axes, indexing="ij")])
    if design.missing:
        codes = codes[:, ~((codes[0] == design.groups - 1) & (codes[1] == 0))]
    codes = codes[:, _kept(design, codes, rng)]
    group, when, level, replicate = codes
    block = group * design.replicates + replicate if design.charges else group
    fall = np.linspace(0.0, rng.uniform(0.16, 0.6), design.times)
    question, last = _question(design, columns=_columns(design, codes).shape[1])
    return Built(
        design=design,
        group=group,
        block=block,
        time=when,
        level=level,
        x=_columns(design, codes),
        parts=_parts(design, group, when, level),
        places=_places(design, group, fall[when] + 0.05 * level),
        aperture=rng.uniform(0.01, 0.025),
        own=rng.uniform(0.004, 0.012),
        question=question,
        last=last,
    )


def _columns(design: Design, codes: Array) -> Array:
    """A column for each time at each level, beside those of the blocks."""
    group, when, level, replicate = codes
    block = group * design.replicates + replicate if design.charges else group
    cells = np.eye(design.times * design.levels)[when * design.levels + level]
    return np.column_stack([cells, np.eye(block.max() + 1)[block]])


def _kept(design: Design, codes: Array, rng: np.random.Generator) -> Array:
    """Rows that are left: one by one lost, as long as all that is asked can be estimated."""
    keep = np.ones(codes.shape[1], dtype=bool)
    rank = np.linalg.matrix_rank(_columns(design, codes))
    while (~keep).sum() < round(design.lost * len(keep)):
        trial = keep.copy()
        trial[rng.integers(len(keep))] = False
        left = _columns(design, codes[:, trial])
        if trial.sum() >= rank + 2 and np.linalg.matrix_rank(left) == rank:
            keep = trial
    return keep


def _parts(design: Design, group: Array, when: Array, level: Array) -> Array:
    """Matrices of the unknown variances: cells where replicated, lines where allowed, runs."""
    same = group[:, None] == group
    steps = when - when.mean()
    cells = same & (when[:, None] == when) & (level[:, None] == level)
    parts = [cells.astype(float)] if design.replicates > 1 else []
    parts += [same * np.outer(steps, steps)] if design.drift else []
    return np.array([*parts, np.eye(len(group))])


def _places(design: Design, group: Array, fall: Array) -> Array:
    """Shares of the errors of sieves in each run; a stack has a sieve every 12 % of size."""
    stack = {"own": group, "one differs": (group == group.max()).astype(int)}.get(
        design.stacks, np.zeros_like(group)
    )
    position = fall / 0.12 + 0.5 * (stack > 0) * (design.stacks == "one differs") + 0.3
    low = position.astype(int)
    number = stack * (low.max() + 2) + low
    shares = np.zeros((len(group), number.max() + 2))
    rows = np.arange(len(group))
    shares[rows, number], shares[rows, number + 1] = 1 - (position - low), position - low
    return shares


def _question(design: Design, columns: int) -> tuple[Question, int]:
    """Against the first time and step by step at each level, and the second factor at each time.

    Also the row of the last time against the first (at the first level).
    """
    t, k = design.times, design.levels
    unit = np.eye(columns)
    first = [unit[i * k + j] - unit[j] for j in range(k) for i in range(1, t)]
    steps = [unit[i * k + j] - unit[(i - 1) * k + j] for j in range(k) for i in range(2, t)]
    factor = [unit[i * k + 1] - unit[i * k] for i in range(t)] if k > 1 else []
    n = len(first)
    against = tuple(range(t - 1))
    successive = (0, *range(n, n + t - 2))
    every = [against, successive]
    every += [tuple(range(n + len(steps), n + len(steps) + t))] if k > 1 else []
    families = [
        Family(some, (1,) * len(some), side) for some in every for side in (Side.BOTH, Side.BELOW)
    ]
    jointly = (against, *every[2:])
    rows = np.array([*first, *steps, *factor])
    return Question(contrasts=rows, families=tuple(families), jointly=jointly), t - 2


# ---- data ------------------------------------------------------------------------------------
def responses(built: Built, truth: Truth, sets: int, rng: np.random.Generator) -> Array:
    """Sets of ln D without any effect: every error drawn where it arises."""
    design, n = built.design, len(built.group)

    def each(codes: Array, size: float) -> Array:
        return size * rng.standard_normal((sets, codes.max() + 1))[:, codes]

    y = each(built.group, 0.04) + each(built.cell, truth.cell) + each(np.arange(n), truth.run)
    if design.charges:
        y += each(built.block, 0.05)
    if truth.line:
        y += each(built.group, truth.line) * built.time
    if design.stacks != "none":
        sieves = built.aperture * rng.standard_normal((sets, built.places.shape[1]))
        y += sieves @ built.places.T + each(np.arange(n), built.own)
    return y


def course(built: Built, size: float) -> Array:
    """A fall in a straight line over the order of times, ``size`` at the last."""
    return -size * built.time / (built.design.times - 1)


def standard_error(built: Built, truth: Truth) -> float:
    """SD of the best estimate of the last time against the first, all variances known."""
    x, n = built.x, len(built.x)
    cells = built.cell[:, None] == built.cell
    groups = built.group[:, None] == built.group
    v = truth.run**2 * np.eye(n) + truth.cell**2 * cells
    v += truth.line**2 * groups * np.outer(built.time, built.time)
    v = v if built.known is None else v + built.known
    inverse = np.linalg.pinv(x.T @ np.linalg.solve(v, x))
    row = built.question.contrasts[built.last]
    return float(np.sqrt(row @ inverse @ row))


# ---- judging ---------------------------------------------------------------------------------
def judged_sets(built: Built, y: Array) -> Iterator[tuple[Array, Judged]]:
    """Rows of y and their answers, each by the law that this response alone would be given."""
    law = LevelLaw(built.x, built.parts, built.known, built.question, y[0])
    if law.route is Route.EXACT:
        yield np.arange(len(y)), law.judge(y)
        return
    scatter = np.array([law._scatter(one) for one in y])
    for one in np.unique(scatter):
        rows = np.flatnonzero(scatter == one)
        own = LevelLaw(built.x, built.parts, built.known, built.question, y[rows[0]])
        yield rows, own.judge(y[rows])


def level_rates(built: Built, y: Array, margin: float) -> dict[str, float]:
    """Rates of false findings at 5 %; `margin` is added at the last time for equivalence."""
    found: list[Array] = []
    order: list[Array] = []
    moved = y + margin * (built.time == built.design.times - 1)
    inside = np.zeros(len(y), dtype=bool)
    for rows, one in judged_sets(built, y):
        order.append(rows)
        found.append(_findings(built, one))
    for rows, one in judged_sets(built, moved):
        p = np.maximum(one.p_below(margin), one.p_above(-margin))[:, built.last]
        inside[rows] = p < ALPHA
    rate = np.concatenate(found).mean(axis=0)
    names = _names(built)
    rates = {f"{kind} {k}": float(rate[i]) for i, (kind, k) in enumerate(names)}
    return {**rates, "equivalence 0": float(inside.mean())}


def _names(built: Built) -> list[tuple[str, int]]:
    """What each column of the findings is."""
    q, asked = len(built.question.contrasts), built.question
    return [
        *(("single", k) for k in range(q)),
        *(("below", k) for k in range(q)),
        *(("above", k) for k in range(q)),
        *(("family", k) for k in range(len(asked.families))),
        *(("joint", k) for k in range(len(asked.jointly))),
    ]


def _findings(built: Built, one: Judged) -> Array:
    """Whether each test rejects (N, tests), in the order of the names."""
    below, above = one.p_below(), one.p_above()
    columns = [2 * np.minimum(below, above) < ALPHA, below < ALPHA, above < ALPHA]
    families = [one.family_p(f).min(axis=-1) < ALPHA for f in built.question.families]
    joint = [one.joint_p(k) < ALPHA for k in range(len(built.question.jointly))]
    return np.column_stack([*columns, *families, *joint])


def covered(built: Built, y: Array) -> dict[str, float]:
    """Coverage of intervals where sizes fall: the last alone, all against the first together."""
    size = 0.4
    true = -size * np.arange(1, built.design.times) / (built.design.times - 1)
    family = built.question.families[0]
    last, all_together, upper = (np.zeros(len(y), dtype=bool) for _ in range(3))
    for rows, one in judged_sets(built, y + course(built, size)):
        estimate = one.estimate[:, : len(true)]
        off = np.abs(estimate - true)
        last[rows] = (off <= one.half_width(ALPHA)[:, : len(true)])[:, -1]
        all_together[rows] = (off <= one.family_half_width(family, ALPHA)).all(axis=1)
        limit = estimate + one.family_half_width(built.question.families[1], ALPHA)
        upper[rows] = (true <= limit).all(axis=1)
    return {
        "covers last": last.mean(),
        "covers all": all_together.mean(),
        "upper limits hold": upper.mean(),
    }


def found_by_level(built: Built, y: Array) -> dict[str, float]:
    """How often a real fall is found: last against first alone, any time, jointly."""
    single, joint = np.zeros(len(y), dtype=bool), np.zeros(len(y), dtype=bool)
    for rows, one in judged_sets(built, y):
        p = 2 * np.minimum(one.p_below(), one.p_above())[:, built.last]
        single[rows], joint[rows] = p < ALPHA, one.joint_p(0) < ALPHA
    return {"single": single.mean(), "joint": joint.mean()}


def by_kenward_roger(built: Built, y: Array, *, former: bool) -> dict[str, float]:
    """The last time against the first, and jointly, by Kenward-Roger tests.

    Of the same model, variances free to go below zero; or of the model that was the default:
    groups (and charges) random, a line of each group where three groups hold three times.
    """
    x, rows, parts = built.x, built.question.contrasts, built.parts
    if former:
        cells = built.design.times * built.design.levels
        same = (built.group[:, None] == built.group).astype(float)
        x, rows = x[:, :cells], rows[:, :cells]
        more = [same]
        if built.design.charges:
            more.append((built.block[:, None] == built.block).astype(float))
        lines = built.design.groups >= 3
        more += [same * np.outer(built.time, built.time)] if lines else []
        more += [parts[0]] if built.design.replicates > 1 else []
        parts = np.array([*more, parts[-1]])
    else:
        x, rows = x[:, : -_redundant(x)], rows[:, : -_redundant(x)]
    whole = CovarianceParts(
        matrices=parts, is_variance=np.ones(len(parts), dtype=bool), known=built.known
    )
    fit = fit_batch(y, x, whole, free=not former, tolerance=1e-7)
    covariance = adjusted_covariance(fit, drop_edges=former)
    q = len(rows)
    single = [kenward_roger(fit, covariance, rows[[k]]).p < ALPHA for k in range(q)]
    joint = kenward_roger(fit, covariance, rows[list(built.question.jointly[0])]).p < ALPHA
    rates = np.mean(single, axis=1)
    return {
        "single": float(rates[built.last]),
        "least": float(rates.min()),
        "largest": float(rates.max()),
        "joint": float(joint.mean()),
    }


def _redundant(x: Array) -> int:
    """How many of the last columns repeat the others."""
    rank = np.linalg.matrix_rank(x)
    kept = x[:, :rank]
    if np.linalg.matrix_rank(kept) != rank:
        raise ValueError("the last columns of X are not those that repeat the others")
    return x.shape[1] - int(rank)


# ---- the study -------------------------------------------------------------------------------
def study(number: int, sets: int, seed: int) -> list[dict[str, object]]:
    """All truths of one design."""
    design = DESIGNS[number]
    built = build(design, seed + number)
    n, p = len(built.x), int(np.linalg.matrix_rank(built.x))
    large = too_large(n, p, len(built.parts), len(built.question.contrasts))
    rows = []
    for k, truth in enumerate(truths(design)):
        rng = np.random.default_rng([seed, number, k])
        y = responses(built, truth, sets, rng)
        se = standard_error(built, truth)
        row: dict[str, object] = {
            "number": number, "design": design.name, "stacks": design.stacks, "rows": n,
            "rest": n - p, "run": truth.run, "cell": truth.cell, "line": truth.line,
            "by": "Kenward-Roger" if large else "calibrated level", "sets": sets,
        }  # fmt: skip
        plain = by_kenward_roger(built, y, former=False)
        row |= {f"kr {name}": value for name, value in plain.items()}
        if not large:
            row |= level_rates(built, y, 4 * se)
        if truth == POWER[design.drift]:
            former = by_kenward_roger(built, y, former=True)
            row |= {"former single": former["single"], "former joint": former["joint"]}
            row |= _power(built, y, 2.8016 * se, large=large)
            row |= {} if large else covered(built, y)
        rows.append(row)
    return rows


def _power(built: Built, y: Array, size: float, *, large: bool) -> dict[str, float]:
    """How often each way finds a fall that is found in 80 % with all variances known."""
    moved = y + course(built, size)
    ways = {
        "kr": by_kenward_roger(built, moved, former=False),
        "former": by_kenward_roger(built, moved, former=True),
    }
    if not large:
        ways["level"] = found_by_level(built, moved)
    return {f"power {way} {one}": ways[way][one] for way in ways for one in ("single", "joint")}


KINDS = ("single", "below", "above", "family", "joint", "equivalence")


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """A row a design: least and largest rate over its truths and tests, in per cent."""
    lines = []
    for _, some in table.groupby("number"):
        line = {name: some[name].iloc[0] for name in ("design", "stacks", "rows", "rest")}
        for kind in KINDS:
            line[kind] = _range(some, [c for c in some if c.startswith(kind + " ")])
        line["KR single"] = _range(some, ["kr least", "kr largest"])
        line["KR joint"] = _range(some, ["kr joint"])
        lines.append(line)
    return pd.DataFrame(lines)


def _range(some: pd.DataFrame, columns: list[str]) -> str:
    values = 100 * some[columns].to_numpy(dtype=float)
    if np.isnan(values).all():
        return ""
    return f"{np.nanmin(values):.1f}-{np.nanmax(values):.1f}"


def worst(table: pd.DataFrame, count: int = 12) -> pd.DataFrame:
    """The largest rates of the calibrated level, with design and truth."""
    long = table.melt(
        id_vars=["design", "stacks", "run", "cell", "line"],
        value_vars=_tests(table),
        var_name="test",
        value_name="rate",
    )
    long = long.nlargest(count, "rate")
    for name in ("run", "cell", "line", "rate"):
        long[name] = (100 * long[name]).map("{:.1f}".format)
    return long


def _tests(table: pd.DataFrame) -> list[str]:
    return [c for c in table if c.split(" ")[0] in KINDS]


def share_above(table: pd.DataFrame, limit: float, kinds: tuple[str, ...] = KINDS) -> float:
    """Share of all rates of the calibrated level above a limit, in per cent."""
    columns = [c for c in _tests(table) if c.split(" ")[0] in kinds]
    values = table[columns].to_numpy(dtype=float)
    return float(100 * (values[np.isfinite(values)] > limit).mean())


def powers(table: pd.DataFrame) -> pd.DataFrame:
    """Power, and the level of what is compared, at one truth of each design."""
    some = table[table["power kr single"].notna()].copy()
    columns = [
        "single 0", "power level single", "power kr single", "power former single",
        "power level joint", "power kr joint", "power former joint", "kr single",
        "former single", "kr joint", "former joint", "covers last", "covers all",
        "upper limits hold",
    ]  # fmt: skip
    out = some[["design", "stacks"]].copy()
    for name in columns[1:]:
        out[name] = (100 * some[name]).map(lambda v: "" if np.isnan(v) else f"{v:.1f}")
    return out


def markdown(table: pd.DataFrame) -> str:
    """A table of Markdown."""
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * table.shape[1]]
    lines += ["| " + " | ".join(str(v) for v in row) + " |" for row in table.to_numpy()]
    return "\n".join(lines)


def write(table: pd.DataFrame, out: Path, seed: int) -> None:
    """The page and the numbers."""
    sets = int(table["sets"].min())
    error = 100 * np.sqrt(ALPHA * (1 - ALPHA) / sets)
    level = table[table["by"] == "calibrated level"]
    rates = level[_tests(level)].to_numpy(dtype=float)
    text = f"""# Levels of the calibrated level over a catalogue of designs

Command: `python tests/calibration/level_catalogue.py --data-sets {sets} --seed {seed}`, {DATE}.
{level["number"].nunique()} designs judged by the calibrated level, {len(level)} truths, {sets} sets
each, {np.isfinite(rates).sum()} rates; Monte Carlo error of a 5 % rate {error:.2f} % (one standard
error), beside that of the table itself (about 0.3 with one unknown variance, 0.6 with more). All
numbers in per cent; tests at 5 %. Design: groups × times (× levels) × replicates. All sizes are
invented.

Of all rates {share_above(level, 0.055):.1f} % lie above 5.5, {share_above(level, 0.06):.1f} % above
6; largest {100 * np.nanmax(rates):.1f}. A rate whose true value is 5.0 is seen above 5.5 in
{100 * _beyond(0.055, sets):.0f} % by Monte Carlo error alone. Kinds, share above 5.5: {
        ", ".join(f"{k} {share_above(level, 0.055, (k,)):.1f}" for k in KINDS)
    }.

## Least and largest rate of each design

single, below, above: each contrast (every time against the first, steps, second factor), two-sided
and to each side. family: any of Dunnett's family and of the steps, two-sided and falling. joint:
all times at once. equivalence: said although the truth lies on the margin. KR: Kenward-Roger on the
same model; the designs without other figures are too large for a table and are judged by it.

{markdown(summary(table))}

## The largest rates

run, cell, line: the true standard deviations.

{markdown(worst(level))}

## Power and coverage

A fall in a straight line that a z test with all variances known finds in 80 % (last time against
the first), at a run-to-run standard deviation of 2 % and a drift of 1.5 % a step where allowed.
level: calibrated. kr: Kenward-Roger, same model, variances free to go below zero. former: random
intercept and line of each group, variances at zero dropped. Columns without "power" are the levels
of the same tests: part of what is found more is excess. covers: intervals where sizes fall by 33 %
in all.

{markdown(powers(table))}
"""
    out.mkdir(parents=True, exist_ok=True)
    (out / "level_catalogue.md").write_text(text, encoding="utf-8")


def _beyond(limit: float, sets: int) -> float:
    """Share of estimates above a limit where 5 % is true."""
    from scipy import stats

    return float(stats.binom.sf(np.floor(limit * sets), sets, ALPHA))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("tests/calibration/results"))
    parser.add_argument("--data-sets", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--only", type=int, nargs="*", help="numbers of designs to run again")
    asked = parser.parse_args()
    numbers = range(len(DESIGNS)) if asked.only is None else asked.only
    file = asked.out / "level_catalogue.csv"
    kept = pd.read_csv(file) if asked.only is not None and file.exists() else pd.DataFrame()
    for number in numbers:
        start = time.perf_counter()
        rows = pd.DataFrame(study(number, asked.data_sets, asked.seed))
        if len(kept):
            kept = kept[kept["number"] != number]
        kept = pd.concat([kept, rows]) if len(kept) else rows
        kept = kept.sort_values("number", kind="stable")
        asked.out.mkdir(parents=True, exist_ok=True)
        kept.to_csv(file, index=False, float_format="%.5g")
        seconds = time.perf_counter() - start
        print(number, DESIGNS[number].name, DESIGNS[number].stacks, f"{seconds:.0f} s", flush=True)
    write(kept, asked.out, asked.seed)


if __name__ == "__main__":
    main()
