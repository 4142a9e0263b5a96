"""Everything that is asked of one size over time, as rows of one question.

Rows are weights on the coefficients of whatever model was fitted, each kept once up to its sign;
`OrderedQuestion` says which of them are changes against the first time, what remained until the
last, differences of levels and of their changes, and the usual families.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import combinations

import numpy as np

from psdstats.findings import Contrast, ContrastKind
from psdstats.frozen import Array
from psdstats.models.contrasts import contrast_matrix
from psdstats.models.judged import Family, Judged, Question, Side

MeanRow = Callable[[str, str], Array]


class Way(IntEnum):
    """Which way a size is expected to go."""

    FALLING = 1
    NONE = 0
    RISING = -1


@dataclass(frozen=True)
class Rows:
    """Signed rows of a question."""

    members: tuple[int, ...]
    signs: tuple[int, ...]

    def of(self, values: Array) -> Array:
        """The signed values of these rows."""
        return np.asarray(values[..., list(self.members)] * np.array(self.signs, dtype=float))

    def widths(self, values: Array) -> Array:
        """The same without signs."""
        return np.asarray(values[..., list(self.members)])

    def p_below(self, judged: Judged, limit: float = 0.0) -> Array:
        """Return p that the signed contrast is not below the limit."""
        rows = list(self.members)
        below, above = judged.p_below(limit)[..., rows], judged.p_above(-limit)[..., rows]
        return np.where(np.array(self.signs) > 0, below, above)

    def p_above(self, judged: Judged, limit: float = 0.0) -> Array:
        """Return p that the signed contrast is not above the limit."""
        return self.turned().p_below(judged, -limit)

    def p_both(self, judged: Judged) -> Array:
        """Two-sided p of no difference."""
        both = np.minimum(self.p_below(judged), self.p_above(judged))
        return np.asarray(np.minimum(2.0 * both, 1.0))

    def upper(self, judged: Judged, alpha: float) -> Array:
        """One-sided upper limits of the signed contrasts."""
        rows = list(self.members)
        high, low = judged.upper(alpha)[..., rows], judged.lower(alpha)[..., rows]
        return np.where(np.array(self.signs) > 0, high, -low)

    def lower(self, judged: Judged, alpha: float) -> Array:
        """One-sided lower limits of the signed contrasts."""
        return np.asarray(-self.turned().upper(judged, alpha))

    def turned(self) -> Rows:
        """The opposite contrasts."""
        return Rows(self.members, tuple(-one for one in self.signs))

    def some(self, places: Sequence[int]) -> Rows:
        """Some of the rows."""
        return Rows(*(tuple(one[k] for k in places) for one in (self.members, self.signs)))

    def family(self, side: Side = Side.BOTH) -> Family:
        """The rows as a family."""
        return Family(self.members, self.signs, side)

    def __add__(self, other: Rows) -> Rows:
        return Rows(self.members + other.members, self.signs + other.signs)

    def __len__(self) -> int:
        return len(self.members)


NOTHING = Rows((), ())


@dataclass(frozen=True, kw_only=True)
class CourseRows:
    """Rows of one level: changes against its first time, what remained until its last."""

    where: str
    times: tuple[str, ...]
    change: Rows  # signed: in the direction asked it lies below zero
    remaining: Rows  # so signed that a gain lies above zero

    @property
    def pairs(self) -> tuple[Rows, ...]:
        """Each change before the last, with the last."""
        last = len(self.change) - 1
        return tuple(self.change.some([k, last]) for k in range(last))


@dataclass(frozen=True, kw_only=True)
class FactorRows:
    """Rows of two levels: their difference at the first time and later, and of their changes."""

    factor: str
    high: str
    low: str
    start: str  # first time of both; empty where it is not shared
    control: Rows
    times: tuple[str, ...]  # later times of both
    differences: Rows
    interactions: Rows


@dataclass(frozen=True, kw_only=True)
class FamilyRows:
    """One family of contrasts, with what each compares."""

    kind: ContrastKind
    subjects: tuple[Contrast, ...]
    rows: Rows


@dataclass(frozen=True, kw_only=True, eq=False)
class OrderedQuestion:
    """One question that serves every answer on one size, and what its rows are.

    Parameters
    ----------
    question : Question
        Rows, families and sets that are tested at once.
    quantity : str
        Such as "D50".
    direction : Way
        Which way it is expected to go.
    courses : tuple of CourseRows
        One a level that holds two times or more.
    factors : tuple of FactorRows
        Pairs of levels.
    families : tuple of FamilyRows
        The usual two-sided families.
    tests : tuple of str
        Names of ``question.jointly``: "time", "factor", "interaction".
    """

    question: Question
    quantity: str
    direction: Way
    courses: tuple[CourseRows, ...]
    factors: tuple[FactorRows, ...]
    families: tuple[FamilyRows, ...]
    tests: tuple[str, ...]

    @property
    def beside(self) -> Family | None:
        """Every change at every level."""
        rows = sum((one.change for one in self.courses), NOTHING)
        side = Side.BELOW if self.direction else Side.BOTH
        return rows.family(side) if len(rows) else None

    @property
    def guard(self) -> Family | None:
        """End against every time between, at every level."""
        rows = sum((_between(one) for one in self.courses), NOTHING)
        return rows.family(Side.BELOW) if self.direction and len(rows) else None


def _between(course: CourseRows) -> Rows:
    return course.remaining.some(range(1, len(course.remaining)))


class _Collected:
    """Rows as they are asked, each kept once up to its sign."""

    def __init__(self) -> None:
        self.rows: list[Array] = []

    def add(self, rows: Sequence[Array], sign: int = 1) -> Rows:
        found = [self._place(np.asarray(row, dtype=float)) for row in rows]
        return Rows(tuple(k for k, _ in found), tuple(sign * s for _, s in found))

    def _place(self, row: Array) -> tuple[int, int]:
        for place, one in enumerate(self.rows):
            for sign in (1, -1):
                if np.allclose(row, sign * one, rtol=0.0, atol=1e-12):
                    return place, sign
        self.rows.append(row)
        return len(self.rows) - 1, 1


def ordered_question(
    cells: Sequence[tuple[str, str]],
    mean_row: MeanRow,
    *,
    quantity: str = "",
    direction: Way = Way.FALLING,
    kinds: Sequence[ContrastKind] = (),
    pairs: Sequence[tuple[str, str, str]] | None = None,
) -> OrderedQuestion:
    """Ask everything of one size at once.

    Parameters
    ----------
    cells : sequence of (str, str)
        Times and levels of the further factors that were run, times in order; a time may be missing
        at a level.  Without a further factor the level is "".
    mean_row : callable
        Weights of the mean of a cell on the coefficients, from time and level.
    quantity : str
        Such as "D50".
    direction : Way
        Which way it is expected to go.
    kinds : sequence of ContrastKind
        Usual families wanted beside.
    pairs : sequence of (factor, high, low), optional
        Levels to compare; default every pair, of a factor without a name.

    Examples
    --------
    >>> cells = [("0", ""), ("6", "")]
    >>> asked = ordered_question(cells, lambda *cell: np.eye(2)[cells.index(cell)])
    >>> asked.question.contrasts
    array([[-1.,  1.]])
    """
    times = {w: [t for t, one in cells if one == w] for w in dict.fromkeys(w for _, w in cells)}
    row = {(t, w): np.asarray(mean_row(t, w), dtype=float) for t, w in cells}
    rows, sign = _Collected(), int(direction) or 1
    courses = tuple(
        CourseRows(
            where=w,
            times=tuple(own),
            change=rows.add([row[t, w] - row[own[0], w] for t in own[1:]], sign),
            remaining=rows.add([row[t, w] - row[own[-1], w] for t in own[:-1]], sign),
        )
        for w, own in times.items()
        if len(own) > 1
    )
    wanted = [("", b, a) for a, b in combinations(times, 2)] if pairs is None else pairs
    factors = tuple(_factor_rows(rows, row, times, *one) for one in wanted)
    families = tuple(
        one for kind in kinds for one in [_family_rows(rows, row, times, kind, quantity)] if one
    )
    asked = OrderedQuestion(
        question=Question(contrasts=np.empty((0, 0))),
        quantity=quantity,
        direction=direction,
        courses=courses,
        factors=factors,
        families=families,
        tests=(),
    )
    tests = _tests(courses, factors)
    question = Question(
        contrasts=np.array(rows.rows),
        families=_families_of(asked),
        jointly=tuple(tests.values()),
    )
    return replace(asked, question=question, tests=tuple(tests))


def _factor_rows(
    rows: _Collected,
    row: Mapping[tuple[str, str], Array],
    times: Mapping[str, Sequence[str]],
    factor: str,
    high: str,
    low: str,
) -> FactorRows:
    shared = [t for t in times[high] if t in times[low]]
    difference = {t: row[t, high] - row[t, low] for t in shared}
    starts = bool(shared) and shared[0] == times[high][0] == times[low][0]
    later = shared[1:] if starts else shared
    return FactorRows(
        factor=factor,
        high=high,
        low=low,
        start=shared[0] if starts else "",
        control=rows.add([difference[shared[0]]] if starts else []),
        times=tuple(later),
        differences=rows.add([difference[t] for t in later]),
        interactions=rows.add([difference[t] - difference[shared[0]] for t in shared[1:]]),
    )


def _family_rows(
    rows: _Collected,
    row: Mapping[tuple[str, str], Array],
    times: Mapping[str, Sequence[str]],
    kind: ContrastKind,
    quantity: str,
) -> FamilyRows | None:
    """One family over all levels together."""
    subjects, found = list[Contrast](), list[Array]()
    for where, own in times.items():
        if len(own) < 2:
            continue
        asked = contrast_matrix(own, kind)
        subjects += [replace(one, where=where, quantity=quantity) for one in asked.contrasts]
        found += list(asked.weights @ np.array([row[t, where] for t in own]))
    if not found:
        return None
    return FamilyRows(kind=kind, subjects=tuple(subjects), rows=rows.add(found))


def _tests(
    courses: Sequence[CourseRows], factors: Sequence[FactorRows]
) -> dict[str, tuple[int, ...]]:
    """Independent rows of the tests of everything at once."""
    base = factors[0].low if factors else ""
    against = [one for one in factors if one.low == base]
    found = {
        "time": sum((one.change for one in courses), NOTHING),
        "factor": sum((one.control + one.differences for one in against), NOTHING),
        "interaction": sum((one.interactions for one in against), NOTHING),
    }
    return {name: rows.members for name, rows in found.items() if len(rows)}


def _families_of(asked: OrderedQuestion) -> tuple[Family, ...]:
    """Every family that an answer will ask for."""
    ordered = [asked.beside, asked.guard] if asked.direction else [asked.beside]
    if asked.direction:
        ordered += [pair.family(Side.BELOW) for one in asked.courses for pair in one.pairs]
    usual = [one.rows.family() for one in asked.families]
    return tuple(dict.fromkeys(one for one in (*ordered, *usual) if one is not None))
