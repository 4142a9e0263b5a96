"""Variance components and fixed effects of many responses that share one design.

Model: y_b ~ N(X β_b, V_b), V_b = V_known + Σ θ_bk G_k, fitted by REML or ML.  Arrays only: what the
columns and matrices mean is the business of `design_fixed` and `design_random`.  Units: whatever
the responses have; θ in their squares.  No testing here (`kenward_roger`, `satterthwaite`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.models.covariance import CovarianceParts
from psdstats.models.engine_batch import BatchFit, finish
from psdstats.models.engine_criterion import (
    Criterion,
    LikelihoodValue,
    Outside,
    Problem,
    build_problem,
)
from psdstats.models.engine_edges import let_free, settle_edges
from psdstats.models.engine_solver import Bounds, Solution, maximise

__all__ = ["BatchFit", "CovarianceParts", "fit_batch"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_CHUNK_NUMBERS = 2_000_000
"""Numbers held by one working array of a chunk of responses: about 16 MB, which stays fast."""


def fit_batch(
    responses: ArrayLike,
    design: ArrayLike,
    parts: CovarianceParts,
    *,
    criterion: Criterion | str = Criterion.REML,
    free: bool = False,
    tolerance: float = 1e-10,
) -> BatchFit:
    """Fit one design to many responses.

    Parameters
    ----------
    responses : array_like, shape (B, n)
        One response a row.
    design : array_like, shape (n, p)
        X, of full column rank.
    parts : CovarianceParts
        V_known and the G_k.
    criterion : {"reml", "ml"}
        Likelihood to maximise.
    free : bool
        Let variances that would be zero go below it, as long as V stays positive definite: one
        scoring step beyond the boundary, which gives unbiased estimates.
    tolerance : float
        Relative size of the last step; 1e-5 is enough for simulations.

    Returns
    -------
    BatchFit

    Raises
    ------
    ModelError
        If nothing is left to estimate variances from, or V_known alone is not positive definite
        and nothing else is in the model.
    """
    y = np.atleast_2d(np.asarray(responses, dtype=float))
    x = np.asarray(design, dtype=float)
    criterion = Criterion(criterion)
    # residuals of a first fit carry no large mean, which would cost digits
    first = np.linalg.lstsq(x, y.T, rcond=None)[0].T
    y, x, outside = _in_span(y - first @ x.T, x, parts)
    widest = max(len(parts.matrices), 1) * len(x) ** 2
    chunk = max(1, _CHUNK_NUMBERS // widest)
    pieces = [
        _fit_chunk(
            y[low : low + chunk],
            x,
            parts.rows(slice(low, low + chunk)),
            replace(outside, squares=outside.squares[low : low + chunk]),
            criterion,
            free=free,
            tolerance=tolerance,
        )
        for low in range(0, len(y), chunk)
    ]
    fit = pieces[0] if len(pieces) == 1 else pieces[0].joined(pieces[1:], parts)
    return replace(fit, beta=fit.beta + first)


def _in_span(y: Array, x: Array, parts: CovarianceParts) -> tuple[Array, Array, Outside]:
    """Responses and X in the coordinates of the matrices, and what lies outside them."""
    outside = np.zeros(len(parts.matrices)) if parts.outside is None else parts.outside
    squares = np.zeros(len(y))
    if parts.span is not None:
        inside = parts.span.coordinates(y)
        squares = parts.span.squares_outside(y, inside)
        y, x = inside, parts.span.coordinates(x.T).T
    return (
        y,
        x,
        Outside(count=parts.n_outside, slopes=outside, known=parts.outside_known, squares=squares),
    )


def _fit_chunk(
    y: Array,
    x: Array,
    parts: CovarianceParts,
    outside: Outside,
    criterion: Criterion,
    *,
    free: bool,
    tolerance: float,
) -> BatchFit:
    n, p = len(x) + outside.count, x.shape[1]
    if not len(parts.matrices):
        return _known_only(y, x, parts, outside, criterion)
    if n <= p:
        raise ModelError(
            f"The model has {p} fixed effects for {n} rows, so nothing is left to estimate "
            f"variances from; take terms out, add replicates, or declare the covariance."
        )
    problem = build_problem(
        y,
        x,
        parts.matrices,
        parts.known,
        criterion=criterion,
        blocks=parts.blocks,
        guard=free or _is_singular(parts.known),
        outside=outside,
    )
    solution = _maximum(problem, parts, len(y), free=free, tolerance=tolerance)
    return finish(
        y,
        x,
        parts,
        theta=problem.theta(solution.theta),
        value=problem.back(solution.value),
        on_edge=solution.on_edge,
        converged=solution.converged,
        criterion=criterion,
        free=free,
        strata_only=not problem.quadratic.has_dense,
    )


def _maximum(
    problem: Problem, parts: CovarianceParts, rows: int, *, free: bool, tolerance: float
) -> Solution:
    """The maximum of each response inside the bounds, or one step beyond them."""
    alone = parts.is_variance.copy()
    alone[[i for block in parts.blocks for i in block]] = False
    bounds = Bounds(variance=alone, blocks=parts.blocks)
    first = maximise(problem, np.tile(_start(parts), (rows, 1)), bounds, tolerance=tolerance)
    solution = settle_edges(problem, first, bounds, tolerance=tolerance)
    return let_free(problem, solution) if free else solution


def _start(parts: CovarianceParts) -> Array:
    """Equal shares of the variance, no covariance."""
    return np.where(parts.is_variance, 1.0 / max(int(parts.is_variance.sum()), 1), 0.0)


def _is_singular(known: Array | None) -> bool:
    if known is None:
        return False
    size = np.linalg.eigvalsh(known)
    return bool(np.any(size[..., 0] <= 1e-12 * size[..., -1]))


def _known_only(
    y: Array, x: Array, parts: CovarianceParts, outside: Outside, criterion: Criterion
) -> BatchFit:
    """Generalised least squares: V is V_known and nothing is estimated."""
    bare = outside.count > 0 and outside.known <= 0
    if parts.known is None or _is_singular(parts.known) or bare:
        raise ModelError(
            "The model estimates no variance and its known covariance is missing or not positive "
            "definite; give a known covariance that covers every row, or add a residual variance."
        )
    rows = len(y)
    empty = np.zeros((rows, 0, 0))
    value = LikelihoodValue(
        log_likelihood=np.zeros(rows), score=np.zeros((rows, 0)), expected=empty, observed=empty
    )
    none = np.zeros((rows, 0), dtype=bool)
    fit = finish(
        y,
        x,
        parts,
        theta=np.zeros((rows, 0)),
        value=value,
        on_edge=none,
        converged=np.ones(rows, dtype=bool),
        criterion=criterion,
        free=False,
        strata_only=True,
    )
    v = np.broadcast_to(parts.known, (rows, len(x), len(x)))
    residual = y - fit.beta @ x.T
    quadratic = np.einsum("bi,bij,bj->b", residual, fit.precision, residual)
    n_free = fit.n_rows if criterion is Criterion.ML else fit.n_rows - x.shape[1]
    if outside.count:
        quadratic = quadratic + outside.squares / outside.known
        quadratic = quadratic + outside.count * np.log(outside.known)
    level = n_free * np.log(2 * np.pi) + np.linalg.slogdet(v)[1] + quadratic
    if criterion is Criterion.REML:
        level = level - np.linalg.slogdet(fit.beta_covariance)[1]
    return replace(fit, log_likelihood=-0.5 * level)
