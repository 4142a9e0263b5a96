"""Tests and limits of contrasts that hold their level in small designs: the calibrated level.

Model: y ~ N(X b, K + Σ θ_k G_k) with K known and every θ_k >= 0 unknown.  The statistic of a
contrast is a t ratio whose scale and degrees of freedom are the first two posterior moments of its
precision over a grid of θ.  Its simulated null law, averaged by the posterior, gives an averaged p;
the largest rate over the grid at which the averaged p is that small is the p that is reported, so
that the level holds whatever the variances are.  Intervals, one-sided tests, families and sets
invert or share the same law.  With nothing known and one variance Student's t and F hold exactly,
with no unknown variance the normal law.  Levels: `tests/calibration/level_catalogue.py`.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from threading import Lock
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from psdstats.errors import ModelError
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.judged import Family, Judged, Question, Side
from psdstats.models.level_design import LevelDesign, design_of
from psdstats.models.level_grid import ContrastGrid, LevelGrid, grid_axes, loosened
from psdstats.models.level_table import (
    Kind,
    LevelTable,
    joint_score,
    normal_score,
    score_to_t,
    seconds_for,
)
from psdstats.models.maximum_law import DirectionLaw, maximum_law, shifted_directions
from psdstats.student import critical_t, two_sided_p

_MOST_SECONDS = 2.0
_KEPT = 24  # laws kept by the content of their designs
_AT_ONCE = 2048  # responses judged in one batch
_FEW = 2.0  # degrees of freedom below which nothing can be told
_UNFELT = 1e-6  # share of the scatter below which a known part changes no figure printed
_SHIFTS, _BINS = 8, 4096


class Route(StrEnum):
    """How a law was found."""

    EXACT = "exact"
    CALIBRATED = "calibrated"


class _Reference(Protocol):
    """Null laws as seen by the responses at hand."""

    def tail(self, kind: int, t: Array, df: Array, /) -> Array: ...

    def critical(self, kind: int, alpha: float, df: Array, /) -> Array: ...


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelJudged(Judged):
    """Contrasts of one response, or of many of one design, judged at a level that holds.

    Attributes
    ----------
    estimate, se, df : ndarray, shape (..., q)
        Estimates, the scale of the t ratio, its degrees of freedom (infinite where all is known).
    hidden : ndarray of bool, shape (q,)
        Contrasts whose error may hold a variance that this design cannot estimate; their scale is
        infinite, so that nothing is said of them.
    joint : tuple of ndarray, each (...,)
        The p of each set tested at once.
    law, reference
        Where they come from.
    """

    estimate: Array
    se: Array
    df: Array
    hidden: NDArray[np.bool_]
    joint: tuple[Array, ...]
    law: LevelLaw = field(repr=False)
    reference: _Reference = field(repr=False)
    # half widths by alpha, one-sided p by way and limit: the same are asked for many times
    _known: dict[tuple[float, ...], Array] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def route(self) -> Route:
        """Whether the laws are exact or calibrated."""
        return self.law.route

    def level_range(self, alpha: float = 0.05) -> Array:
        """Least and largest rate (q, 2) at which p falls below alpha by chance in this design."""
        return self.law.level_range(alpha)

    def p_below(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or more"."""
        return self._one_sided(-1.0, limit)

    def p_above(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or less"."""
        return self._one_sided(1.0, limit)

    def half_width(self, alpha: float) -> Array:
        """Half width (..., q) of the two-sided interval of each contrast alone."""
        if (alpha,) not in self._known:
            multiple = [
                self.reference.critical(int(k), alpha, self.df[..., [i]])
                for i, k in enumerate(self.law.design.place)
            ]
            self._known[alpha,] = np.asarray(self.se * np.concatenate(multiple, axis=-1))
            self._known[alpha,].setflags(write=False)
        return self._known[alpha,]

    def family_p(self, family: Family) -> Array:
        """Adjusted p (..., members) of the signed contrasts of a family."""
        rows, signs = list(family.members), np.asarray(family.signs, dtype=float)
        t, df = signs * self.estimate[..., rows] / self.se[..., rows], self.df[..., rows]
        kind = self.law.kind_of(family)
        if family.side is Side.BOTH:
            return self.reference.tail(kind, np.abs(t), df)
        if kind < self.law.singles:
            return _half(self.reference.tail(kind, np.abs(t), df), t < 0)
        return self.reference.tail(kind, -t, df)

    def family_half_width(self, family: Family, alpha: float) -> Array:
        """Half widths (..., members) of limits that hold together."""
        rows = list(family.members)
        kind = self.law.kind_of(family)
        alone = family.side is Side.BELOW and kind < self.law.singles
        multiple = self.reference.critical(kind, 2 * alpha if alone else alpha, self.df[..., rows])
        return np.asarray(self.se[..., rows] * multiple, dtype=np.float64)

    def joint_p(self, number: int) -> Array:
        """Test of one of the sets of the question at once: its p (...,)."""
        return self.joint[number]

    def _one_sided(self, way: float, limit: float) -> Array:
        if (way, limit) not in self._known:
            t = way * (self.estimate - limit) / self.se
            two_sided = [
                self.reference.tail(int(k), np.abs(t[..., [i]]), self.df[..., [i]])
                for i, k in enumerate(self.law.design.place)
            ]
            self._known[way, limit] = _half(np.concatenate(two_sided, axis=-1), t > 0)
            self._known[way, limit].setflags(write=False)
        return self._known[way, limit]


def _half(two_sided: Array, agrees: NDArray[np.bool_]) -> Array:
    """One-sided p of a symmetric law."""
    return np.asarray(np.where(agrees, 0.5 * two_sided, 1.0 - 0.5 * two_sided), dtype=np.float64)


class LevelLaw:
    """Null laws of all that is asked of one design.

    Parameters
    ----------
    x : array_like, shape (n, p)
        Fixed effects with their blocks; columns may repeat each other.
    parts : array_like, shape (k, n, n)
        Unknown parts of the covariance, the residual last; none where all is known.
    known : array_like, shape (n, n), or None
        Known covariance of the rows.
    question : Question
        Contrasts, families, sets.
    response : array_like, shape (n,)
        A response; only the size of its scatter beside the known covariance is used.  A known
        covariance that changes no printed figure beside it counts as none.

    Raises
    ------
    ModelError
        Where a contrast is not estimable, or nothing is left to estimate a variance from.

    Examples
    --------
    >>> x = np.column_stack([np.tile(np.eye(3), (2, 1)), np.repeat(np.eye(2), 3, axis=0)])
    >>> asked = Question(contrasts=np.array([[-1.0, 0.0, 1.0, 0.0, 0.0]]))
    >>> y = np.array([6.0, 5.8, 5.7, 6.1, 6.0, 5.8])
    >>> judged = LevelLaw(x, np.eye(6)[None], None, asked, y).judge(y)
    >>> judged.estimate.round(3), judged.df, judged.p_below().round(4)
    (array([-0.3]), array([2.]), array([0.009]))
    """

    def __init__(
        self,
        x: ArrayLike,
        parts: ArrayLike,
        known: ArrayLike | None,
        question: Question,
        response: ArrayLike,
    ) -> None:
        self.question = question
        self.design = _design(x, parts, known, question, response)
        self.singles = len(self.design.lead)
        found: dict[Kind, int] = {}
        for family in question.families:
            key = self.design.key(family)
            if len(key[1]) > 1:
                found.setdefault(key, self.singles + len(found))
        self._kinds = found
        unknown = len(self.design.parts)
        self.route = Route.CALIBRATED
        if unknown == 0 or (unknown == 1 and not self.design.has_known):
            self.route = Route.EXACT
            self._exact = _ExactLaws(self.design, list(found))
        else:
            self._size = self._unit()
            self._table = _table(self.design, float(self._scatter(response)), tuple(found))

    def kind_of(self, family: Family) -> int:
        """Which of the laws judges a family."""
        key = self.design.key(family)
        if len(key[1]) == 1:
            return key[1][0][0]
        if key not in self._kinds:
            raise ModelError("This family was not part of the question; ask it with the others.")
        return self._kinds[key]

    def judge(self, y: ArrayLike) -> LevelJudged:
        """Judge one response (n,), or many (..., n)."""
        y = np.asarray(y, dtype=float)
        lead = y.shape[:-1]
        flat = y.reshape(-1, y.shape[-1])
        fitted, r = flat @ self.design.fitted.T, flat @ self.design.residual.T
        route = self._judge_exactly if self.route is Route.EXACT else self._judge_calibrated
        estimate, se, df, joint, reference = route(fitted, r, lead)
        place, factor = self.design.place, self.design.factor
        # what a variance that nothing shows may move cannot be told: its scale has no end
        scale = np.where(self.design.hidden, np.inf, np.abs(factor) * se[:, place])
        return LevelJudged(
            estimate=(factor * estimate[:, place]).reshape(*lead, -1),
            se=scale.reshape(*lead, -1),
            df=df[:, place].reshape(*lead, -1),
            hidden=self.design.hidden,
            joint=tuple(p.reshape(lead) for p in joint),
            law=self,
            reference=reference,
        )

    def level_range(self, alpha: float = 0.05) -> Array:
        """Least and largest rate (q, 2) at which p falls below alpha by chance in this design."""
        if self.route is Route.EXACT:
            return np.full((len(self.design.place), 2), alpha)
        pairs = [self._table.level_range(k, alpha) for k in range(self.singles)]
        return np.array(pairs)[self.design.place]

    # ---- routes --------------------------------------------------------------------------------
    def _judge_exactly(self, fitted: Array, r: Array, _: tuple[int, ...]) -> _Raw:
        laws = self._exact
        centred = fitted - r @ laws.back.T
        variance = laws.variance(r)
        estimate = centred @ self.design.lead.T
        se = np.sqrt(variance[:, None] * laws.lead_variance)
        joint = [
            laws.joint_p(number, centred @ rows.T, variance)
            for number, rows in enumerate(self.design.joint)
        ]
        df = np.full(estimate.shape, laws.df)
        return estimate, se, df, joint, laws

    def _judge_calibrated(self, fitted: Array, r: Array, lead: tuple[int, ...]) -> _Raw:
        table = self._table
        fitted, r = fitted / self._size, r / self._size
        pieces, weights, joint = [], [], []
        for some in (slice(i, i + _AT_ONCE) for i in range(0, len(r), _AT_ONCE)):
            size = table.sizes(r[some])
            centred = r[some] / size
            m = table.loose.moments(centred)
            estimate = (fitted[some] / size) @ self.design.lead.T + m.shift
            scale = self._size * size
            pieces.append((estimate * scale, m.se * scale, m.df))
            weights.append(table.weight(centred))
            joint.append(
                [
                    joint_score(
                        (fitted[some] / size) @ rows.T, one, several=len(self.design.parts) > 1
                    )
                    for rows, one in zip(self.design.joint, m.joint, strict=True)
                ]
            )
        estimate, se, df = (np.concatenate(part) for part in zip(*pieces, strict=True))
        reference = _CalibratedLaws(table, np.concatenate(weights), lead)
        first = self.singles + len(self._kinds)
        scores = [np.concatenate(part) for part in zip(*joint, strict=True)]
        p = [
            table.held(first + i, z[:, None], reference.weight)[:, 0] for i, z in enumerate(scores)
        ]
        return estimate, se, df, p, reference

    def _unit(self) -> float:
        """Unit of the grid: the SD of the measurement, where any is known."""
        if not self.design.has_known:
            return 1.0
        p = self.design.lead.shape[1]
        return float(np.sqrt(np.mean(np.diag(self.design.known)[p:])))

    def _scatter(self, response: ArrayLike) -> Array:
        """Mean square of the residual contrasts in the unit of the grid, to a power of four.

        So rounded that responses of one design share one table.
        """
        y = np.asarray(response, dtype=float)
        if not self.design.has_known:
            return np.ones(y.shape[:-1])
        square = np.square(y @ self.design.residual.T / self._size).mean(axis=-1)
        if not np.isfinite(square).all():
            raise ModelError("The response holds values that are not finite; leave them out.")
        power = np.round(np.log(np.maximum(square, 1e-9)) / np.log(4.0))
        return np.asarray(4.0 ** np.clip(power, -4, 12), dtype=np.float64)


def _design(
    x: ArrayLike,
    parts: ArrayLike,
    known: ArrayLike | None,
    question: Question,
    response: ArrayLike,
) -> LevelDesign:
    x = np.asarray(x, dtype=float)
    given = None if known is None else np.asarray(known, dtype=float)
    if given is not None and not _is_felt(x, given, question, np.asarray(response, dtype=float)):
        given = None
    return design_of(x, np.asarray(parts, dtype=float), given, question)


def _is_felt(x: Array, known: Array, question: Question, y: Array) -> bool:
    """Whether a known covariance counts beside the scatter, in it and in what is asked."""
    inverse = np.linalg.pinv(x, rcond=1e-10)
    weights, rest = question.contrasts @ inverse, y - x @ (inverse @ y)
    left = len(x) - np.linalg.matrix_rank(x)
    if not left:
        return True
    scatter = float(rest @ rest) / left
    asked = np.einsum("ij,jk,ik->i", weights, known, weights)
    own = scatter * np.square(weights).sum(axis=1)
    inside = float(np.trace(known - x @ (inverse @ known)))
    return inside > _UNFELT * scatter * left or bool((asked > _UNFELT * own).any())


def too_large(
    x: ArrayLike,
    parts: ArrayLike,
    known: ArrayLike | None,
    question: Question,
    response: ArrayLike,
) -> bool:
    """Whether the table of a design would take over about two seconds.

    Parameters
    ----------
    x, parts, known, question, response
        As of the law itself.

    Notes
    -----
    Incomplete designs of three unknown variances and some sixty rows are; their grid would also be
    too coarse (rates up to 8 %).  Kenward-Roger tests of the same model, variances free to go below
    zero, reject in 3 to 7 % there, 5 on average (`tests/calibration/level_catalogue.py`).
    """
    design = _design(x, parts, known, question, response)
    unknown = len(design.parts)
    if unknown == 0 or (unknown == 1 and not design.has_known):
        return False
    families = {design.key(family) for family in question.families}
    kinds = len(design.lead) + sum(len(key[1]) > 1 for key in families) + len(design.joint)
    return seconds_for(design, kinds) > _MOST_SECONDS


_Raw = tuple[Array, Array, Array, list[Array], _Reference]


class _CalibratedLaws:
    """The tabulated laws, averaged for the responses at hand."""

    def __init__(self, table: LevelTable, weight: Array, lead: tuple[int, ...]) -> None:
        self.table, self.weight, self.lead = table, weight, lead

    def tail(self, kind: int, t: Array, df: Array) -> Array:
        z = np.copysign(normal_score(t, df), t).reshape(len(self.weight), -1)
        return self.table.held(kind, z, self.weight).reshape(t.shape)

    def critical(self, kind: int, alpha: float, df: Array) -> Array:
        z = self.table.critical(kind, alpha, self.weight)
        return score_to_t(z.reshape(*self.lead, 1), df)


class _ExactLaws:
    """Student's t and F with nothing known, the normal law and chi-squared with all known."""

    def __init__(self, design: LevelDesign, families: list[Kind]) -> None:
        p, m = design.lead.shape[1], len(design.residual)
        self.df = float(m) if len(design.parts) else np.inf
        v = design.parts[0] if len(design.parts) else design.known
        try:
            self.inverse = np.linalg.inv(np.linalg.cholesky(v[p:, p:]))
            np.linalg.cholesky(v)
        except np.linalg.LinAlgError:
            raise ModelError(
                "The model estimates no variance and its known covariance is missing or not "
                "positive definite; give one that covers every row, or add a residual variance."
            ) from None
        self.back = v[:p, p:] @ self.inverse.T @ self.inverse
        self.covariance = v[:p, :p] - self.back @ v[p:, :p]
        self.lead_variance = ((design.lead @ self.covariance) * design.lead).sum(axis=1)
        self.joint = [np.linalg.inv(rows @ self.covariance @ rows.T) for rows in design.joint]
        self.design, self.families = design, families
        self._laws: dict[int, DirectionLaw] = {}

    def variance(self, r: Array) -> Array:
        """Estimate of the one unknown variance for each response; 1 where there is none."""
        if not len(self.design.parts):
            return np.ones(len(r))
        return np.asarray(np.square(r @ self.inverse.T).mean(axis=1), dtype=np.float64)

    def joint_p(self, number: int, estimate: Array, variance: Array) -> Array:
        f = estimate.shape[1]
        square = ((estimate @ self.joint[number]) * estimate).sum(axis=1) / variance
        if np.isinf(self.df):
            return np.asarray(special.chdtrc(f, square), dtype=np.float64)
        return np.asarray(special.fdtrc(f, self.df, square / f), dtype=np.float64)

    def tail(self, kind: int, t: Array, _: Array) -> Array:
        """P-values of the |t|, or the signed t, of one kind."""
        if kind < len(self.design.lead):
            return two_sided_p(t, self.df)
        return self._family(kind)[0](t)

    def critical(self, kind: int, alpha: float, df: Array) -> Array:
        if kind < len(self.design.lead):
            return np.full(df.shape, critical_t(alpha, self.df))
        return np.full(df.shape, self._family(kind)[1](alpha))

    def _family(self, kind: int) -> tuple[Callable[[Array], Array], Callable[[float], float]]:
        """Tail and critical value of the largest t of a family."""
        side, pairs = self.families[kind - len(self.design.lead)]
        rows = np.array([s * self.design.lead[k] for k, s in pairs])
        root = np.linalg.cholesky(self.covariance)
        rows = rows @ root / np.sqrt(np.square(rows @ root).sum(axis=1, keepdims=True))
        if side is Side.BOTH:
            law = maximum_law(rows @ rows.T)
            each = np.vectorize(lambda c: law.tail(float(c), self.df), otypes=[float])
            return each, lambda alpha: law.critical(alpha, self.df)
        if kind not in self._laws:
            self._laws[kind] = _one_sided_law(rows)
        one_sided = self._laws[kind]

        def tail(t: Array) -> Array:
            c = np.maximum(t, 0.0)[..., None]
            square = c * c * one_sided.stretch
            p = self._radius_tail(one_sided.rank, square) @ one_sided.weight
            low = 1.0 - two_sided_p(np.maximum(-t, 0.0), self.df)
            return np.asarray(np.where(t < 0, p + (1.0 - p) * low, p), dtype=np.float64)

        def critical(alpha: float) -> float:
            from scipy.optimize import brentq

            end = float(critical_t(alpha / len(rows), self.df)) + 1.0
            return float(brentq(lambda c: float(tail(np.array(c))) - alpha, 0.0, end, xtol=1e-12))

        return tail, critical

    def _radius_tail(self, rank: int, square: Array) -> Array:
        """P(squared length of the scaled normal vector exceeds square)."""
        if np.isinf(self.df):
            return np.asarray(special.chdtrc(rank, square), dtype=np.float64)
        return np.asarray(special.fdtrc(rank, self.df, square / rank), dtype=np.float64)


def _one_sided_law(rows: Array) -> DirectionLaw:
    """Law of the largest of several signed t values by direction; rows of length 1."""
    _, size, turned = np.linalg.svd(rows, full_matrices=False)
    rows = rows @ turned[size > 1e-9 * size[0]].T
    rank = rows.shape[1]
    count, total = np.zeros(_BINS), np.zeros(_BINS)
    shifts = shifted_directions(rank) if rank > 1 else iter([np.ones((1, 1))])
    for _, way in zip(range(_SHIFTS), shifts, strict=False):
        inner = rows @ way
        largest = np.concatenate([inner.max(axis=0), -inner.min(axis=0)])
        largest = np.clip(largest[largest > 0], 0.0, 1.0)
        place = np.minimum(np.arccos(largest) / (0.5 * np.pi) * _BINS, _BINS - 1).astype(np.intp)
        count += np.bincount(place, minlength=_BINS)
        total += np.bincount(place, weights=largest, minlength=_BINS)
        drawn = 2 * way.shape[1]
    used = count > 0
    times = _SHIFTS if rank > 1 else 1
    return DirectionLaw(
        rank=rank,
        stretch=np.square(count[used] / total[used]),
        weight=count[used] / (times * drawn),
        error=0.0,
    )


# ---- laws kept by their content ----------------------------------------------------------------
_tables: OrderedDict[bytes, LevelTable] = OrderedDict()
_lock = Lock()


def _table(design: LevelDesign, scatter: float, families: tuple[Kind, ...]) -> LevelTable:
    """The table of a design, from the store if it was made before."""
    digest = hashlib.blake2b(repr((scatter, families)).encode())
    for array in (design.lead, design.known, design.parts, *design.joint):
        digest.update(repr(array.shape).encode() + np.ascontiguousarray(array).tobytes())
    key = digest.digest()
    with _lock:
        if key in _tables:
            _tables.move_to_end(key)
            return _tables[key]
    made = _make_table(design, scatter, families)
    with _lock:
        _tables[key] = made
        while len(_tables) > _KEPT:
            _tables.popitem(last=False)
    return made


def _make_table(design: LevelDesign, scatter: float, families: tuple[Kind, ...]) -> LevelTable:
    unit = float(np.mean(np.diag(design.known)[design.lead.shape[1] :])) or 1.0
    known = design.known / unit
    axes = grid_axes(design, scatter)
    full = LevelGrid(design.lead.shape[1], known, design.parts, axes)
    loose = ContrastGrid(design, *loosened(known, design.parts), axes)
    return LevelTable(design, known, full, loose, axes, families)
