"""The restricted (or full) log likelihood of B responses, with score and information.

Responses follow y ~ N(Xβ, V) with V = V_known + Σ θ_k G_k.  The restricted likelihood is that of
K'y, K an orthonormal basis of the space orthogonal to X (Patterson and Thompson 1971).  Inside,
every response is scaled to unit variance and every matrix to unit mean eigenvalue, so that log
sizes near 0.01 and raw sizes near 10 000 run through the same numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.engine_family import (
    Family,
    FamilyData,
    build_family,
    evaluate,
    family_data,
    with_stratum,
)

__all__ = ["Criterion", "LikelihoodValue", "Outside", "Problem", "build_problem"]

Array = NDArray[np.float64]


class Criterion(StrEnum):
    """Which likelihood is maximised."""

    REML = "reml"
    ML = "ml"


@dataclass(frozen=True, kw_only=True, eq=False)
class Outside:
    """Directions in which V is σ²I, of which only their number and the sums of squares count.

    ``slopes`` (q,) is what each G_k multiplies the identity by there, ``known`` the known
    variance, ``squares`` (B,) the sum of squares of each response.
    """

    count: int
    slopes: Array
    known: float
    squares: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class LikelihoodValue:
    """Log likelihood (B,), score (B, q), expected and observed information (B, q, q)."""

    log_likelihood: Array
    score: Array
    expected: Array
    observed: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem:
    """A likelihood ready to be maximised, in scaled units.

    Parameters
    ----------
    quadratic : Family
        Matrices in the space orthogonal to X, which give the quadratic form.
    whole : Family or None
        Matrices in the space of all rows: they give log|V| for ML, and for REML they guard that V
        itself stays positive definite where θ may go below zero or V_known is singular.
    data : FamilyData
        The responses in the rotated space of ``quadratic``.
    response_scale : ndarray, shape (B,)
        What each response was divided by.
    matrix_scale : ndarray, shape (q,)
        What each G_k was divided by.
    n_free : int
        Dimension of the space the likelihood is taken in (n - p for REML, n for ML).
    constant : float
        Added to the log likelihood of every response.
    criterion : Criterion
        Which likelihood it is.
    """

    quadratic: Family
    whole: Family | None
    data: FamilyData
    response_scale: Array
    matrix_scale: Array
    n_free: int
    constant: float
    criterion: Criterion

    def value(self, theta: Array, rows: NDArray[np.intp]) -> LikelihoodValue:
        """Evaluate at scaled θ (len(rows), q) for the responses ``rows``."""
        offset = self.response_scale[rows] ** -2.0
        data = FamilyData(squares=self.data.squares[rows], rest=self.data.rest[rows])
        form = evaluate(self.quadratic, theta, offset, data, rows)
        trace, positive = form, form.positive
        if self.whole is not None:
            everywhere = evaluate(self.whole, theta, offset, None, rows)
            positive = positive & everywhere.positive
            trace = everywhere if self.criterion is Criterion.ML else form
        level = -0.5 * (trace.log_determinant + form.quadratic)
        return LikelihoodValue(
            log_likelihood=np.where(positive, level, -np.inf),
            score=0.5 * (form.forms - trace.traces),
            expected=0.5 * trace.trace_pairs,
            observed=form.form_pairs - 0.5 * trace.trace_pairs,
        )

    def log_likelihood(self, scaled: Array) -> Array:
        """Log likelihood in the units of the responses, constants included."""
        level: Array = scaled - self.n_free * np.log(self.response_scale) + self.constant
        return level

    def back(self, value: LikelihoodValue) -> LikelihoodValue:
        """Value, score and information of every response in the units of the responses."""
        factor = self.matrix_scale / self.response_scale[:, None] ** 2
        pairs = factor[:, :, None] * factor[:, None, :]
        return LikelihoodValue(
            log_likelihood=self.log_likelihood(value.log_likelihood),
            score=value.score * factor,
            expected=value.expected * pairs,
            observed=value.observed * pairs,
        )

    def theta(self, scaled: Array) -> Array:
        """Variance parameters in the squared units of the responses."""
        theta: Array = scaled * self.response_scale[:, None] ** 2 / self.matrix_scale
        return theta


def build_problem(
    responses: Array,
    design: Array,
    matrices: Array,
    known: Array | None,
    *,
    criterion: Criterion = Criterion.REML,
    blocks: Sequence[tuple[int, int, int]] = (),
    guard: bool = False,
    outside: Outside | None = None,
) -> Problem:
    """Prepare a likelihood.

    Parameters
    ----------
    responses : ndarray, shape (B, n)
        Responses that share the design.
    design : ndarray, shape (n, p)
        X, of full column rank.
    matrices : ndarray, shape (q, n, n)
        The G_k, at least one.
    known : ndarray, shape (n, n) or (B, n, n), or None
        V_known in squared units of the responses.
    criterion : Criterion
        REML or ML.
    blocks : sequence of (int, int, int)
        Positions of (variance, variance, covariance) that form 2 x 2 matrices.
    guard : bool
        Whether V can stop being positive definite inside the bounds.
    outside : Outside or None
        Directions beside the n of the arrays.

    Raises
    ------
    ModelError
        If a response does not vary once the fixed effects are taken out.
    """
    outside = outside or _nothing_outside(len(responses), len(matrices))
    n, p = design.shape[0] + outside.count, design.shape[1]
    full, triangle = np.linalg.qr(design, mode="complete")
    complement = full[:, p:]
    freed = responses @ complement
    scale = _response_scale(responses, freed, outside, n - p)
    inner = complement.T @ matrices @ complement
    traces = np.trace(inner, axis1=1, axis2=2) + outside.count * outside.slopes
    matrix_scale = _matrix_scale(traces / max(n - p, 1), blocks)
    inner_known = None if known is None else complement.T @ known @ complement
    quadratic = build_family(inner / matrix_scale[:, None, None], inner_known)
    whole = None
    if criterion is Criterion.ML or guard:
        whole = build_family(matrices / matrix_scale[:, None, None], known)
    data = family_data(quadratic, freed / scale[:, None])
    if outside.count:
        stratum = (outside.slopes / matrix_scale, outside.known, outside.count)
        squares = np.column_stack([data.squares, outside.squares / scale**2])
        data = FamilyData(squares=squares, rest=data.rest)
        quadratic = with_stratum(quadratic, *stratum)
        whole = None if whole is None else with_stratum(whole, *stratum)
    n_free, log_design = n, 0.0
    if criterion is Criterion.REML:
        n_free = n - p
        log_design = 2.0 * float(np.log(np.abs(np.diagonal(triangle))).sum())
    return Problem(
        quadratic=quadratic,
        whole=whole,
        data=data,
        response_scale=scale,
        matrix_scale=matrix_scale,
        n_free=n_free,
        constant=-0.5 * (float(np.log(2 * np.pi)) * n_free + log_design),
        criterion=criterion,
    )


def _nothing_outside(n_responses: int, q: int) -> Outside:
    return Outside(count=0, slopes=np.zeros(q), known=0.0, squares=np.zeros(n_responses))


def _response_scale(responses: Array, freed: Array, outside: Outside, df: int) -> Array:
    """Root mean square of each response freed of the fixed effects."""
    rows = responses.shape[1] + outside.count
    scale = np.ones(len(responses))
    if df > 0:
        scale = np.sqrt(((freed**2).sum(axis=1) + outside.squares) / df)
    size = np.sqrt(((responses**2).sum(axis=1) + outside.squares) / rows)
    if not np.all(scale > 1e-12 * size):
        raise ModelError(
            "The fixed effects reproduce a response exactly, so no variance is left to estimate; "
            "take terms out or add replicates."
        )
    return scale


def _matrix_scale(scale: Array, blocks: Sequence[tuple[int, int, int]]) -> Array:
    """Mean eigenvalue of each matrix; a covariance takes the geometric mean of its variances."""
    for first, second, cross in blocks:
        scale[cross] = np.sqrt(max(float(scale[first] * scale[second]), 0.0))
    return np.where(scale > 0, scale, 1.0)
