"""Designs, truths and data of the catalogue of `level_catalogue.py`.

Errors are added as a laboratory makes them, one by one: sieves (a reading lies between two of its
stack, so runs share errors as far as they share sieves), the balance, runs, cells, charges, groups
and their lines in time.  Nothing is drawn from the covariances that the analysis is given.  All
sizes are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from psdstats.models.judged import Family, Question, Side

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


LARGE = (
    Design(6, 6, 3, "none", lost=0.25, drift=True),
    Design(6, 6, 2, "shared", levels=2, lost=0.25, drift=True),
)
"""Too large for a table; judged by Kenward-Roger alone."""

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
    Design(8, 6, 2, "own", lost=0.25),
    Design(5, 6, 3, "own", drift=True, lost=0.25),
    Design(4, 5, 2, "own", levels=2, drift=True),
    *LARGE,
    Design(2, 4, 2, "own"),
    Design(2, 5, 2, "one differs"),
    Design(2, 5, 2, "shared"),
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
