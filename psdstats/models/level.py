"""Tests and limits of contrasts that hold their level in small designs: the calibrated level.

Model: y ~ N(X b, K + Σ θ_k G_k) with K known and every θ_k >= 0 unknown. The statistic of a
contrast is a t ratio whose scale and degrees of freedom (one at least) are the first two posterior
moments of its precision over a grid of θ. Its simulated null law, averaged by the posterior, gives
an averaged p; the largest rate over the grid at which the averaged p is that small is the p that is
reported, so that the level holds whatever the variances are. Intervals, one-sided tests, families
and sets invert or share the same law. With nothing known and one variance Student's t and F hold
exactly, with no unknown variance the normal law. Levels: `tests/calibration/level_catalogue.py`.
"""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from dataclasses import dataclass, field
from functools import cached_property
from threading import Lock

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.frozen import Array, freeze_arrays
from psdstats.models.judged import Family, Judged, Question, Side, StudentJudged
from psdstats.models.level_grid import ContrastGrid, LevelGrid, design_of, grid_axes, loosened
from psdstats.models.level_table import LevelTable, joint_score, seconds_for

_MOST_SECONDS = 2.0
_KEPT = 24  # laws kept by the content of their designs
_AT_ONCE = 2048  # responses judged in one batch
_UNFELT = 1e-6  # share of the scatter below which a known part changes no figure printed


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelJudged(Judged):
    """Contrasts of one response, or of many of one design, judged by the tables of its law.

    Attributes
    ----------
    estimate, se, df : ndarray, shape (..., q)
        Estimates, the scale of the t ratio, its degrees of freedom.
    joint : tuple of ndarray, each (...,)
        The p of each set tested at once.
    law : LevelLaw
        Where they come from.
    weight : ndarray, shape (N, C)
        Posterior weights, by which the tabulated laws are averaged for each response.
    """

    estimate: Array
    se: Array
    df: Array
    joint: tuple[Array, ...]
    law: LevelLaw = field(repr=False)
    weight: Array = field(repr=False)
    # half widths by alpha, one-sided p by way and limit: the same are asked for many times
    _known: dict[tuple[float, ...], Array] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def p_below(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or more"."""
        return self._one_sided(-1.0, limit)

    def p_above(self, limit: float = 0.0) -> Array:
        """One-sided p (..., q) of "the contrast is the limit or less"."""
        return self._one_sided(1.0, limit)

    def half_width(self, alpha: float) -> Array:
        """Half width (..., q) of the two-sided interval of each contrast alone."""
        if (alpha,) not in self._known:
            table = self.law.table
            multiple = [
                table.critical(kind, alpha, self.df[..., [i]], self.weight)
                for i, kind in enumerate(self.law.design.place.tolist())
            ]
            self._known[alpha,] = np.asarray(self.se * np.concatenate(multiple, axis=-1))
            self._known[alpha,].setflags(write=False)
        return self._known[alpha,]

    def family_p(self, family: Family) -> Array:
        """Adjusted p (..., members) of the signed contrasts of a family."""
        rows, signs = list(family.members), np.asarray(family.signs, dtype=float)
        t, df = signs * self.estimate[..., rows] / self.se[..., rows], self.df[..., rows]
        kind, table = self.law.kind_of(family), self.law.table
        if family.side is Side.BOTH:
            return table.tail(kind, np.abs(t), df, self.weight)
        if kind < self.law.singles:
            return _half(table.tail(kind, np.abs(t), df, self.weight), t < 0)
        return table.tail(kind, -t, df, self.weight)

    def family_half_width(self, family: Family, alpha: float) -> Array:
        """Half widths (..., members) of limits that hold together."""
        rows = list(family.members)
        kind = self.law.kind_of(family)
        alone = family.side is Side.BELOW and kind < self.law.singles
        error = 2 * alpha if alone else alpha
        multiple = self.law.table.critical(kind, error, self.df[..., rows], self.weight)
        return np.asarray(self.se[..., rows] * multiple, dtype=np.float64)

    def joint_p(self, number: int) -> Array:
        """Test of one of the sets of the question at once: its p (...,)."""
        return self.joint[number]

    def _one_sided(self, way: float, limit: float) -> Array:
        if (way, limit) not in self._known:
            t, table = way * (self.estimate - limit) / self.se, self.law.table
            two_sided = [
                table.tail(kind, np.abs(t[..., [i]]), self.df[..., [i]], self.weight)
                for i, kind in enumerate(self.law.design.place.tolist())
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
        x, y = np.asarray(x, dtype=float), np.asarray(response, dtype=float)
        given = None if known is None else np.asarray(known, dtype=float)
        if given is not None and not _is_felt(x, given, question, y):
            given = None
        self.design = design_of(x, np.asarray(parts, dtype=float), given, question)
        self.singles = len(self.design.lead)
        kinds = dict.fromkeys(map(self.design.key, question.families))
        several = (kind for kind in kinds if len(kind[1]) > 1)
        self._kinds = {kind: self.singles + k for k, kind in enumerate(several)}
        unknown = len(self.design.parts)
        self.is_exact = unknown == 0 or (unknown == 1 and not self.design.has_known)
        self._response, self._jointly = y, question.jointly

    @property
    def is_too_large(self) -> bool:
        """Whether the table of the design would take over about two seconds.

        Incomplete designs of three unknown variances and some sixty rows are; their grid would also
        be too coarse (rates up to 8 %).  Kenward-Roger tests of the same model, variances free to
        go below zero, reject in 3 to 7 % there, 5 on average
        (`tests/calibration/level_catalogue.py`).
        """
        kinds = self.singles + len(self._kinds) + len(self.design.joint)
        return not self.is_exact and seconds_for(self.design, kinds) > _MOST_SECONDS

    def kind_of(self, family: Family) -> int:
        """Which of the laws judges a family."""
        key = self.design.key(family)
        if len(key[1]) == 1:
            return key[1][0][0]
        if key not in self._kinds:
            raise ModelError("This family was not part of the question; ask it with the others.")
        return self._kinds[key]

    def judge(self, y: ArrayLike) -> Judged:
        """Judge one response (n,), or many (..., n)."""
        y = np.asarray(y, dtype=float)
        flat = y.reshape(-1, y.shape[-1])
        fitted, r = flat @ self.design.fitted.T, flat @ self.design.residual.T
        return (self._exactly if self.is_exact else self._calibrated)(fitted, r, y.shape[:-1])

    def _exactly(self, fitted: Array, r: Array, lead: tuple[int, ...]) -> StudentJudged:
        """Student's t and F with nothing known, the normal law and chi-squared with all known."""
        design, (p, m) = self.design, (self.design.lead.shape[1], r.shape[1])
        is_known = not len(design.parts)
        v = design.known if is_known else design.parts[0]
        try:
            inverse = np.linalg.inv(np.linalg.cholesky(v[p:, p:]))
            np.linalg.cholesky(v)
        except np.linalg.LinAlgError:
            raise ModelError(
                "The model estimates no variance and its known covariance is missing or not "
                "positive definite; give one that covers every row, or add a residual variance."
            ) from None
        back = v[:p, p:] @ inverse.T @ inverse
        rows = design.factor[:, None] * design.lead[design.place]
        joint = rows @ (v[:p, :p] - back @ v[p:, :p]) @ rows.T
        own = np.sqrt(np.diagonal(joint))
        # the one unknown variance, estimated for each response
        variance = np.ones(len(r)) if is_known else np.square(r @ inverse.T).mean(axis=1)
        se = np.where(design.hidden, np.inf, np.sqrt(variance)[:, None] * own)
        return StudentJudged(
            estimate=((fitted - r @ back.T) @ rows.T).reshape(*lead, -1),
            se=se.reshape(*lead, -1),
            df=np.asarray(np.inf if is_known else float(m)),
            correlation=joint / np.outer(own, own),
            jointly=self._jointly,
        )

    def _calibrated(self, fitted: Array, r: Array, lead: tuple[int, ...]) -> LevelJudged:
        table, design = self.table, self.design
        unit = np.sqrt(self._unit)
        fitted, r = fitted / unit, r / unit
        pieces, several = [], len(design.parts) > 1
        for some in (slice(i, i + _AT_ONCE) for i in range(0, len(r), _AT_ONCE)):
            size = table.sizes(r[some])
            centred, lines = r[some] / size, fitted[some] / size
            m, scale = table.loose.moments(centred), unit * size
            joint = zip(design.joint, m.joint, strict=True)
            pieces.append(
                (
                    (lines @ design.lead.T + m.shift) * scale,
                    m.se * scale,
                    m.df,
                    table.weight(centred),
                    *(joint_score(lines @ rows.T, one, several=several) for rows, one in joint),
                )
            )
        estimate, se, df, weight, *scores = (
            np.concatenate(part) for part in zip(*pieces, strict=True)
        )
        first, place = self.singles + len(self._kinds), design.place
        p = [table.held(first + i, z[:, None], weight) for i, z in enumerate(scores)]
        # what a variance that nothing shows may move cannot be told: its scale has no end
        scale = np.where(design.hidden, np.inf, np.abs(design.factor) * se[:, place])
        return LevelJudged(
            estimate=(design.factor * estimate[:, place]).reshape(*lead, -1),
            se=scale.reshape(*lead, -1),
            df=df[:, place].reshape(*lead, -1),
            joint=tuple(one.reshape(lead) for one in p),
            law=self,
            weight=weight,
        )

    @cached_property
    def _unit(self) -> float:
        """Unit of the grid: the variance of the measurement, where any is known."""
        return float(np.mean(np.diag(self.design.known)[self.design.lead.shape[1] :])) or 1.0

    def scatter(self, y: Array) -> Array:
        """Mean square of the residual contrasts of responses (..., n), to a power of four.

        It is 1 where nothing is known beside it.
        """
        if not self.design.has_known:
            return np.ones(y.shape[:-1])
        square = np.square(y @ self.design.residual.T).mean(axis=-1) / self._unit
        if not np.isfinite(square).all():
            raise ModelError("The response holds values that are not finite; leave them out.")
        return np.asarray(4.0 ** np.round(np.log(np.clip(square, 4.0**-4, 4.0**12)) / np.log(4.0)))

    @cached_property
    def table(self) -> LevelTable:
        """The tables of the design, from the store if they were made before."""
        design, families = self.design, tuple(self._kinds)
        scatter = float(self.scatter(self._response))
        digest = hashlib.blake2b(repr((scatter, families)).encode())
        for array in (design.lead, design.known, design.parts, *design.joint):
            digest.update(repr(array.shape).encode() + np.ascontiguousarray(array).tobytes())
        key = digest.digest()
        with _lock:
            found = _tables.pop(key, None)
        if found is None:
            known, axes = design.known / self._unit, grid_axes(design, scatter)
            full = LevelGrid(design.lead.shape[1], known, design.parts, axes)
            loose = ContrastGrid(design, *loosened(known, design.parts), axes)
            found = LevelTable(design, known, full, loose, axes, families)
        with _lock:
            _tables[key] = found
            while len(_tables) > _KEPT:
                _tables.popitem(last=False)
        return found


_tables: OrderedDict[bytes, LevelTable] = OrderedDict()
_lock = Lock()


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
