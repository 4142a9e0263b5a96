"""Intercept-slope blocks at the edge of their cone: correlation of ±1, or a variance at zero.

At the edge a block [[a, c], [c, b]] is v vᵀ with v = (v₁, v₂), and the likelihood is maximised over
v with the chain rule.  Used only for the responses whose maximum lies there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from psdstats.models.engine_criterion import LikelihoodValue
from psdstats.models.engine_solver import Target

__all__ = ["RankOneTarget", "rank_one_jacobian"]

Array = NDArray[np.float64]
Block = tuple[int, int, int]


@dataclass(frozen=True, kw_only=True, eq=False)
class RankOneTarget:
    """A likelihood in which the first two places of one block hold v₁ and v₂.

    The place of the covariance is unused: its score is zero and its information one.
    """

    inner: Target
    block: Block

    def theta(self, loose: Array) -> Array:
        """θ that belongs to v."""
        first, second, cross = self.block
        theta = loose.copy()
        theta[:, first] = loose[:, first] ** 2
        theta[:, second] = loose[:, second] ** 2
        theta[:, cross] = loose[:, first] * loose[:, second]
        return theta

    def start(self, theta: Array) -> Array:
        """V nearest to a block inside the cone: its leading eigenvector."""
        first, second, cross = self.block
        loose = theta.copy()
        pairs = np.stack([theta[:, [first, cross]], theta[:, [cross, second]]], axis=1)
        size, vectors = np.linalg.eigh(pairs)
        leading = vectors[:, :, 1] * np.sqrt(np.maximum(size[:, 1], 1e-6))[:, None]
        loose[:, first], loose[:, second], loose[:, cross] = leading[:, 0], leading[:, 1], 0.0
        return loose

    def value(self, theta: Array, rows: NDArray[np.intp]) -> LikelihoodValue:
        """Value, score and information in v."""
        first, second, cross = self.block
        value = self.inner.value(self.theta(theta), rows)
        jacobian = rank_one_jacobian(theta, self.block)
        across = jacobian.transpose(0, 2, 1)
        expected = across @ value.expected @ jacobian
        observed = across @ value.observed @ jacobian
        observed[:, first, first] -= 2 * value.score[:, first]
        observed[:, second, second] -= 2 * value.score[:, second]
        observed[:, first, second] -= value.score[:, cross]
        observed[:, second, first] -= value.score[:, cross]
        expected[:, cross, cross] = observed[:, cross, cross] = 1.0
        return LikelihoodValue(
            log_likelihood=value.log_likelihood,
            score=(across @ value.score[:, :, None])[:, :, 0],
            expected=expected,
            observed=observed,
        )


def rank_one_jacobian(loose: Array, block: Block) -> Array:
    """∂θ/∂(v, rest), shape (B, q, q); the column of the covariance's place is zero."""
    first, second, cross = block
    rows, q = loose.shape
    jacobian = np.tile(np.eye(q), (rows, 1, 1))
    jacobian[:, cross, cross] = 0.0
    jacobian[:, first, first] = 2 * loose[:, first]
    jacobian[:, second, second] = 2 * loose[:, second]
    jacobian[:, cross, first] = loose[:, second]
    jacobian[:, cross, second] = loose[:, first]
    return jacobian
