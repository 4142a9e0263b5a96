"""The restricted (or full) log likelihood of B responses, with score and information.

Responses follow y ~ N(Xβ, V) with V = V_known + Σ θ_k G_k.  The restricted likelihood is that of
K'y, K an orthonormal basis of the space orthogonal to X (Patterson and Thompson 1971).  Inside,
every response is scaled to unit variance and every matrix to unit mean eigenvalue, so that log
sizes near 0.01 and raw sizes near 10 000 run through the same numbers.

Newton steps up a likelihood for many responses at once, with variances kept at or above zero.

The first steps use the expected information (Fisher scoring), later ones the observed information
where it gives an ascent.  A variance that a step would carry below zero is fixed at zero and the
others are solved again, so estimates at zero are exactly zero.

A block [[a, c], [c, b]] of intercept and slope is v vᵀ + diag(0, w) with v = (v₁, v₂) and w ≥ 0:
positive semidefinite whatever v, and of correlation ±1 at the bound w = 0, which is that of a
variance.  The likelihood is maximised over v and w with the chain rule.

`let_free` lets variances go below zero while V stays positive definite, which in balanced designs
gives back the exact F tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from typing import Protocol

import numpy as np

from psdstats.errors import ModelError
from psdstats.frozen import Array, Flags, Indices


@dataclass(frozen=True, kw_only=True, eq=False)
class Forms:
    """Log determinant, quadratic form z'M⁻¹z and their derivatives for B values of θ.

    ``traces`` (B, q) holds tr(M⁻¹W_k), ``trace_pairs`` (B, q, q) tr(M⁻¹W_jM⁻¹W_k); with
    a = M⁻¹z, ``forms`` is a'W_k a and ``form_pairs`` a'W_j M⁻¹ W_k a.
    """

    positive: Flags
    log_determinant: Array
    traces: Array
    trace_pairs: Array
    quadratic: Array
    forms: Array
    form_pairs: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Space:
    """Matrices M(θ) = M₀ + Σ θ_k W_k of a space of dimension d.

    Parameters
    ----------
    matrices, known : ndarray, shapes (q, d, d) and (d, d)
        The W_k and M₀.
    n_outside : int
        Further directions, in which the last matrix is ``unit`` times the identity, all else zero.
    unit : float
        This factor.
    """

    matrices: Array
    known: Array
    n_outside: int
    unit: float

    def evaluate(
        self, theta: Array, offset_scale: Array, z: Array, squares: Array | float
    ) -> Forms:
        """At θ (B, q) with M₀ multiplied by ``offset_scale`` (B,).

        Of each response it needs its coordinates z (B, d) and its sum of squares outside.
        """
        (q, r), rows = self.matrices.shape[:2], len(theta)
        flat = self.matrices.reshape(q, r * r)
        whole = (theta @ flat).reshape(rows, r, r) + self.known * offset_scale[:, None, None]
        inverse, log_determinant, positive = invert_positive(whole)
        side = self.matrices.transpose(1, 0, 2).reshape(r, q * r)
        products = (inverse @ side).reshape(rows, r, q, r)
        left = products.transpose(0, 2, 1, 3).reshape(rows, q, r * r)
        right = products.transpose(0, 3, 1, 2).reshape(rows, r * r, q)
        solved = (inverse @ z[:, :, None])[:, :, 0]
        pushed = (solved @ side).reshape(rows, q, r)
        found = Forms(
            positive=positive,
            log_determinant=log_determinant,
            traces=inverse.reshape(rows, r * r) @ flat.T,
            trace_pairs=left @ right,
            quadratic=(z * solved).sum(axis=1),
            forms=(pushed @ solved[:, :, None])[:, :, 0],
            form_pairs=pushed @ inverse @ pushed.transpose(0, 2, 1),
        )
        if self.n_outside:
            variance = np.maximum(theta[:, -1], 0.0) * self.unit
            found.positive[variance <= 0.0] = False
            inverse = 1.0 / np.where(variance > 0.0, variance, 1.0)
            share, square = inverse * self.unit, inverse * squares
            found.log_determinant[:] -= self.n_outside * np.log(inverse)
            found.quadratic[:] += square
            found.traces[:, -1] += self.n_outside * share
            found.trace_pairs[:, -1, -1] += self.n_outside * share**2
            found.forms[:, -1] += square * share
            found.form_pairs[:, -1, -1] += square * share**2
        return found


def invert_positive(matrices: Array) -> tuple[Array, Array, Flags]:
    """Inverses and log determinants of symmetric matrices (B, r, r); False where not positive.

    A matrix that is not positive definite is replaced by the identity, and flagged.
    """
    positive = np.ones(len(matrices), dtype=bool)
    try:
        factor = np.linalg.cholesky(matrices)
    except np.linalg.LinAlgError:
        smallest = np.linalg.eigvalsh(matrices)
        positive = smallest[:, 0] > 1e-13 * np.abs(smallest).max(axis=1)
        matrices = np.where(positive[:, None, None], matrices, np.eye(matrices.shape[1]))
        factor = np.linalg.cholesky(matrices)
    diagonal = np.diagonal(factor, axis1=1, axis2=2)
    sound = diagonal.min(axis=1, initial=np.inf) > 1e-7 * diagonal.max(axis=1, initial=0.0)
    if not sound.all():
        positive = positive & sound
        matrices = np.where(sound[:, None, None], matrices, np.eye(matrices.shape[1]))
    inverse: Array = np.asarray(np.linalg.inv(matrices), dtype=np.float64)
    log_determinant: Array = 2.0 * np.log(diagonal).sum(axis=1)
    return inverse, log_determinant, positive


class Choice(StrEnum):
    """One of a few words; any other is refused with a list of them."""

    @classmethod
    def _missing_(cls, value: object) -> Choice:
        allowed = ", ".join(repr(str(one)) for one in cls)
        raise ModelError(f"The {cls.__name__.lower()} {value!r} is not one of {allowed}.")


class Criterion(Choice):
    """Which likelihood is maximised."""

    REML = "reml"
    ML = "ml"


@dataclass(frozen=True, kw_only=True, eq=False)
class LikelihoodValue:
    """Log likelihood (B,), score (B, q), expected and observed information (B, q, q)."""

    log_likelihood: Array
    score: Array
    expected: Array
    observed: Array

    def rows(self, chosen: Indices | Flags) -> LikelihoodValue:
        """The same for some of the responses."""
        return LikelihoodValue(**{name: values[chosen] for name, values in vars(self).items()})

    def put(self, rows: Indices, new: LikelihoodValue) -> None:
        """Write the values of some responses in place."""
        for name, values in vars(self).items():
            values[rows] = getattr(new, name)


@dataclass(frozen=True, kw_only=True, eq=False)
class Scaled:
    """Units in which a likelihood is maximised.

    Parameters
    ----------
    response_scale : ndarray, shape (B,)
        What each response was divided by.
    matrix_scale : ndarray, shape (q,)
        What each G_k was divided by.
    n_free : int
        Dimension of the space the likelihood is taken in (n - p for REML, n for ML).
    constant : float
        Added to the log likelihood of every response.
    """

    response_scale: Array
    matrix_scale: Array
    n_free: int
    constant: float

    def back(self, value: LikelihoodValue) -> LikelihoodValue:
        """Value, score and information of every response in the units of the responses."""
        factor = self.matrix_scale / self.response_scale[:, None] ** 2
        pairs = factor[:, :, None] * factor[:, None, :]
        level = value.log_likelihood - self.n_free * np.log(self.response_scale) + self.constant
        return LikelihoodValue(
            log_likelihood=level,
            score=value.score * factor,
            expected=value.expected * pairs,
            observed=value.observed * pairs,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Problem(Scaled):
    """A likelihood ready to be maximised, in scaled units.

    Parameters
    ----------
    inner : Space
        The space orthogonal to X, which gives the quadratic form.
    whole : Space or None
        The space of all rows: it gives log|V| for ML, and for REML it guards that V itself stays
        positive definite where θ may go below zero or V_known is singular.
    freed, squares : ndarray, shapes (B, d) and (B,)
        The responses in the inner space, and what they have outside.
    criterion : Criterion
        Which likelihood it is.
    """

    inner: Space
    whole: Space | None
    freed: Array
    squares: Array
    criterion: Criterion

    def value(self, theta: Array, rows: Indices) -> LikelihoodValue:
        """Evaluate at scaled θ (len(rows), q) for the responses ``rows``."""
        offset = self.response_scale[rows] ** -2.0
        form = self.inner.evaluate(theta, offset, self.freed[rows], self.squares[rows])
        trace, positive = form, form.positive
        if self.whole is not None:
            nothing = np.zeros((len(theta), len(self.whole.known)))
            everywhere = self.whole.evaluate(theta, offset, nothing, 0.0)
            positive = positive & everywhere.positive
            trace = everywhere if self.criterion is Criterion.ML else form
        level = -0.5 * (trace.log_determinant + form.quadratic)
        return LikelihoodValue(
            log_likelihood=np.where(positive, level, -np.inf),
            score=0.5 * (form.forms - trace.traces),
            expected=0.5 * trace.trace_pairs,
            observed=form.form_pairs - 0.5 * trace.trace_pairs,
        )


def build_problem(
    responses: Array,
    design: Array,
    matrices: Array,
    known: Array | None,
    *,
    criterion: Criterion = Criterion.REML,
    blocks: Sequence[tuple[int, int, int]] = (),
    guard: bool = False,
    n_outside: int = 0,
    squares_outside: Array | None = None,
) -> Problem:
    """Prepare a likelihood.

    Shapes: responses (B, n), design (n, p), matrices (q, n, n), known (n, n), squares_outside (B,).

    Notes
    -----
    Where the rows are coordinates in a span, ``n_outside`` further directions are outside it: the
    last matrix is the identity there, all else is zero.
    """
    rows, p = len(design) + n_outside, design.shape[1]
    full, triangle = np.linalg.qr(design, mode="complete")
    complement = full[:, p:]
    freed, scale = responses @ complement, np.ones(len(responses))
    squares = np.zeros(len(responses)) if squares_outside is None else squares_outside
    if len(matrices):
        scale = _response_scale(responses, freed, squares, rows, rows - p)
    inner = complement.T @ matrices @ complement
    matrix_scale = np.trace(inner, axis1=1, axis2=2)
    matrix_scale[-1:] += n_outside
    matrix_scale /= max(rows - p, 1)  # mean eigenvalues; of a covariance, those of its variances
    for first, second, cross in blocks:
        matrix_scale[cross] = np.sqrt(max(float(matrix_scale[first] * matrix_scale[second]), 0.0))
    matrix_scale = np.where(matrix_scale > 0, matrix_scale, 1.0)
    known = np.zeros((len(design), len(design))) if known is None else known
    last = float(1.0 / matrix_scale[-1]) if n_outside else 1.0
    space = partial(Space, n_outside=n_outside, unit=last)
    unit = matrix_scale[:, None, None]
    restricted = criterion is Criterion.REML
    n_free = rows - p if restricted else rows
    log_design = 2.0 * float(np.log(np.abs(np.diagonal(triangle))).sum()) if restricted else 0.0
    return Problem(
        inner=space(matrices=inner / unit, known=complement.T @ known @ complement),
        whole=space(matrices=matrices / unit, known=known) if guard or not restricted else None,
        freed=freed / scale[:, None],
        squares=squares / scale**2,
        response_scale=scale,
        matrix_scale=matrix_scale,
        n_free=n_free,
        constant=-0.5 * (float(np.log(2 * np.pi)) * n_free + log_design),
        criterion=criterion,
    )


def _response_scale(responses: Array, freed: Array, outside: Array, rows: int, df: int) -> Array:
    """Root mean square of each response freed of the fixed effects."""
    scale: Array = np.sqrt(((freed**2).sum(axis=1) + outside) / df)
    size = np.sqrt(((responses**2).sum(axis=1) + outside) / rows)
    if not np.all(scale > 1e-12 * size):
        raise ModelError(
            "The fixed effects reproduce a response exactly, so no variance is left to estimate; "
            "take terms out or add replicates."
        )
    return scale


Block = tuple[int, int, int]

_SCORING_STEPS, _MAX_HALVINGS, _MAX_ITERATIONS = 2, 30, 100
_NOTHING = 1e-12  # of the larger variance of a block, below which the other is zero


class Target(Protocol):
    """Anything with a likelihood value at θ for chosen responses."""

    def value(self, theta: Array, rows: Indices) -> LikelihoodValue:
        """Log likelihood, score and information at θ (len(rows), q)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Maximum found for each response, in scaled units, with what is needed for inference."""

    theta: Array
    value: LikelihoodValue
    converged: Flags
    on_edge: Flags

    def take(self, rows: Indices, other: Solution) -> None:
        """Write what another has for some responses in place."""
        self.value.put(rows, other.value.rows(rows))
        for name in ("theta", "converged", "on_edge"):
            getattr(self, name)[rows] = getattr(other, name)[rows]


def maximise(
    problem: Target, start: Array, bounded: Flags, *, tolerance: float, held: Flags | bool = False
) -> Solution:
    """Maximise a likelihood from ``start`` (B, q), scaled units.

    Shapes: bounded (q,) marks what stays at or above zero, held (q,) what stays where it is.
    """
    theta, everyone = start.copy(), np.arange(len(start))
    value = problem.value(theta, everyone)
    converged = np.zeros(len(start), dtype=bool)
    live = everyone[np.isfinite(value.log_likelihood)]
    for iteration in range(_MAX_ITERATIONS):
        if not len(live):
            break
        scoring, now = iteration < _SCORING_STEPS, value.rows(live)
        step = _bounded_step(theta[live], now.score, now.expected, bounded, held)
        if not scoring:
            newton = _bounded_step(theta[live], now.score, now.observed, bounded, held)
            gain = (newton * now.score).sum(axis=1)
            curve = (newton * (now.observed @ newton[:, :, None])[:, :, 0]).sum(axis=1)
            use = np.isfinite(newton).all(axis=1) & (gain >= 0) & (curve >= 0)
            step = np.where(use[:, None], newton, step)
        size = np.abs(step).max(axis=1, initial=0.0)
        done = size <= tolerance * np.abs(theta[live]).max(axis=1, initial=1e-8)
        converged[live[done]] = True
        live, step = live[~done], step[~done]
        moved = _search(problem, theta, value, live, step, bounded)
        live = live[moved | scoring]
    edge = bounded & (theta == 0)
    return Solution(theta=theta, value=value, converged=converged, on_edge=edge)


def _bounded_step(
    theta: Array, score: Array, information: Array, bounded: Flags, held: Flags | bool
) -> Array:
    """Solve the quadratic model with θ + step ≥ 0 for variances, fixing those that reach zero."""
    q = theta.shape[1]
    fixed = (bounded & (theta <= 0) & (score <= 0)) | held
    diagonal = np.abs(np.einsum("bii->bi", information))
    step = np.zeros_like(theta)
    for _ in range(q):
        step = np.where(fixed & ~np.asarray(held), -theta, 0.0)
        right = np.where(fixed, 0.0, score - (information @ step[:, :, None])[:, :, 0])
        inner = np.where(~fixed[:, :, None] & ~fixed[:, None, :], information, 0.0)
        ridge = 1e-14 * diagonal + np.where(fixed, 1.0, 1e-300)
        inner = inner + ridge[:, :, None] * np.eye(q)
        try:
            solved = np.linalg.solve(inner, right[:, :, None])[:, :, 0]
        except np.linalg.LinAlgError:
            solved = (np.linalg.pinv(inner, hermitian=True) @ right[:, :, None])[:, :, 0]
        step = np.where(fixed, step, solved)
        below = bounded & ~fixed & (theta + step < 0)
        if not below.any():
            break
        fixed = fixed | below
    return step


def _search(
    problem: Target,
    theta: Array,
    value: LikelihoodValue,
    live: Indices,
    step: Array,
    bounded: Flags,
) -> Flags:
    """Halve each step until the likelihood does not fall; returns which responses moved.

    θ and its values are written in place.
    """
    moved = np.zeros(len(live), dtype=bool)
    shorten = np.ones(len(live))
    pending = np.arange(len(live))
    for _ in range(_MAX_HALVINGS):
        if not len(pending):
            break
        rows = live[pending]
        trial = theta[rows] + shorten[pending, None] * step[pending]
        trial = np.where(bounded, np.maximum(trial, 0.0), trial)
        found = problem.value(trial, rows)
        level = value.log_likelihood[rows]
        good = found.log_likelihood >= level - 1e-10 * (1.0 + np.abs(level))
        theta[rows[good]] = trial[good]
        value.put(rows[good], found.rows(good))
        moved[pending[good]] = True
        pending = pending[~good]
        shorten[pending] *= 0.5
    return moved


def maximise_blocks(
    problem: Target, start: Array, bounded: Flags, blocks: Sequence[Block], *, tolerance: float
) -> Solution:
    """The same where blocks stay positive semidefinite; their members are not in ``bounded``.

    ``start`` is without covariances.
    """
    target, ends = _Rooted(problem, blocks), bounded.copy()
    ends[[cross for *_, cross in blocks]] = True
    found, *others = [  # v = 0 may be a saddle
        maximise(target, target.start(start, share), ends, tolerance=tolerance)
        for share in (0.0, 0.9, -0.9)
    ]
    for other in others:
        gain = other.value.log_likelihood - found.value.log_likelihood
        better = gain > np.where(found.converged >= other.converged, 1e-9, -1e-9)
        found.take(np.flatnonzero(better), other)
    edge, theta = found.on_edge, target.theta(found.theta)
    for first, second, cross in blocks:
        a, b, c = theta[:, first], theta[:, second], theta[:, cross]
        least = _NOTHING * np.maximum(a, b)
        edge[:, [first, second, cross]] = (a * b - c**2 <= least * np.maximum(a, b))[:, None]
        c[(a <= least) | (b <= least)] = 0.0
        a[a <= least] = b[b <= least] = 0.0
    return Solution(
        theta=theta,
        value=problem.value(theta, np.arange(len(theta))),
        converged=found.converged,
        on_edge=edge,
    )


@dataclass(frozen=True, eq=False)
class _Rooted:
    """A likelihood in v₁, v₂ and w, which stand in the places of a block's a, b and c."""

    problem: Target
    blocks: Sequence[Block]

    def start(self, theta: Array, share: float) -> Array:
        """The v and w of variances, so much of the second one being shared with the first."""
        loose = theta.copy()
        for first, second, cross in self.blocks:
            loose[:, first] = np.sqrt(theta[:, first])
            loose[:, second] = share * np.sqrt(theta[:, second])
            loose[:, cross] = (1.0 - share**2) * theta[:, second]
        return loose

    def theta(self, loose: Array) -> Array:
        """θ that belongs to v and w."""
        theta = loose.copy()
        for first, second, cross in self.blocks:
            theta[:, first] = loose[:, first] ** 2
            theta[:, second] = loose[:, second] ** 2 + loose[:, cross]
            theta[:, cross] = loose[:, first] * loose[:, second]
        return theta

    def value(self, theta: Array, rows: Indices) -> LikelihoodValue:
        """Value, score and information in v and w."""
        value = self.problem.value(self.theta(theta), rows)
        jacobian = np.broadcast_to(np.eye(theta.shape[1]), (*theta.shape, theta.shape[1]))
        for block in self.blocks:
            jacobian = jacobian @ root_jacobian(theta, block)
        observed = jacobian.mT @ value.observed @ jacobian
        for block in self.blocks:
            add_bend(observed, value.score, block)
        return LikelihoodValue(
            log_likelihood=value.log_likelihood,
            score=(jacobian.mT @ value.score[:, :, None])[:, :, 0],
            expected=jacobian.mT @ value.expected @ jacobian,
            observed=observed,
        )


def root_jacobian(loose: Array, block: Block) -> Array:
    """∂θ/∂(v, w, rest), shape (..., q, q)."""
    first, second, cross = block
    jacobian = np.broadcast_to(np.eye(loose.shape[-1]), (*loose.shape, loose.shape[-1])).copy()
    jacobian[..., cross, cross] = 0.0
    jacobian[..., second, cross] = 1.0
    jacobian[..., first, first] = 2 * loose[..., first]
    jacobian[..., second, second] = 2 * loose[..., second]
    jacobian[..., cross, first] = loose[..., second]
    jacobian[..., cross, second] = loose[..., first]
    return jacobian


def add_bend(observed: Array, score: Array, block: Block) -> None:
    """Add, in place, what the second derivatives of v vᵀ give the observed information in v.

    Shapes: observed (..., q, q), score (..., q).
    """
    first, second, cross = block
    observed[..., first, first] -= 2 * score[..., first]
    observed[..., second, second] -= 2 * score[..., second]
    observed[..., first, second] -= score[..., cross]
    observed[..., second, first] -= score[..., cross]


_SHORTENINGS = 40
_ROOM = 1e-3
"""V has to stay positive definite a little beyond the end of a step, too."""


def let_free(problem: Target, solution: Solution) -> Solution:
    """Responses at an edge carried one scoring step beyond it.

    The step I(θ)⁻¹ s(θ) from the bounded maximum, with the expected information, gives the
    quadratic unbiased estimates at the weights of that maximum; in balanced designs they are the
    mean-square estimates whatever the weights.  Steps are shortened to where V stays positive
    definite with some room.
    """
    rows = np.flatnonzero(solution.on_edge.any(axis=1) & solution.converged)
    if not len(rows):
        return solution
    old, value = solution.theta[rows], solution.value.rows(rows)
    step = np.linalg.solve(value.expected, value.score[:, :, None])[:, :, 0]
    fraction, pending = np.ones(len(rows)), np.arange(len(rows))
    for _ in range(_SHORTENINGS):
        beyond = old[pending] + (1 + _ROOM) * fraction[pending, None] * step[pending]
        good = np.isfinite(problem.value(beyond, rows[pending]).log_likelihood)
        pending = pending[~good]
        if not len(pending):
            break
        fraction[pending] *= 0.8
    fraction[pending] = 0.0
    solution.theta[rows] = old + fraction[:, None] * step
    solution.value.put(rows, problem.value(solution.theta[rows], rows))
    solution.on_edge[rows] &= (fraction == 0)[:, None]
    return solution
