"""Permutation tests of a fixed term where the design makes rows exchangeable.

Under the hypothesis two rows may be exchanged if they agree in everything else the model knows: the
rest of the fixed part, every random grouping, and the known covariance.  The statistic is the F of
the restricted fit, the permutations are made within such blocks of rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations, product
from math import factorial, prod
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import ModelError
from psdstats.models.bootstrap import restricted_design
from psdstats.models.design_fixed import TermSpec
from psdstats.models.engine import fit_batch
from psdstats.models.exchangeable import exchangeable_blocks

if TYPE_CHECKING:
    from psdstats.models.mixed_model_fit import MixedModelFit

__all__ = ["PermutationTest", "permutation_test"]

Array = NDArray[np.float64]
Order = NDArray[np.intp]

_CHUNK_NUMBERS = 5_000_000
"""Numbers in the responses arranged at a time."""


@dataclass(frozen=True, kw_only=True)
class PermutationTest:
    """Permutation test of a term.

    Parameters
    ----------
    term : str
        What was tested.
    f : float
        Observed F with the plain covariance of the coefficients.
    p : float
        Share of arrangements with an F at least as large, the observed one included.
    monte_carlo_error : float
        Standard error of ``p``; 0 when every arrangement was tried.
    arrangements : int
        Arrangements tried, the observed one included.
    exhaustive : bool
        Whether these are all there are.
    smallest_p : float
        Smallest p the design allows.
    """

    term: str
    f: float
    p: float
    monte_carlo_error: float
    arrangements: int
    exhaustive: bool
    smallest_p: float


def permutation_test(
    fit: MixedModelFit,
    term: TermSpec,
    *,
    draws: int = 1999,
    seed: int | np.random.Generator = 0,
) -> PermutationTest:
    """Permute responses within blocks of exchangeable rows.

    Parameters
    ----------
    fit : MixedModelFit
        REML fit.
    term : str or tuple of str
        Term of the fixed part.
    draws : int
        Random arrangements, unless there are no more than that in all.
    seed : int or Generator
        Source of randomness.

    Raises
    ------
    ModelError
        If no rows are exchangeable under the hypothesis.
    """
    contrast = fit.fixed.hypothesis(term)
    label = fit.fixed.term(term).label
    small = restricted_design(fit.fixed.matrix, contrast)
    known, n = fit.random.parts.known, len(small)
    within = None if known is None else known.reshape(n, n)
    blocks = exchangeable_blocks(small, fit.random.groupings, within)
    if not any(len(block) > 1 for block in blocks):
        raise ModelError(
            f"No rows can be exchanged if {label} has no effect: the other terms, the groupings or "
            f"the known covariance tell all of them apart; use the bootstrap test."
        )
    total = prod(factorial(len(block)) for block in blocks)
    exhaustive = total <= draws + 1
    if exhaustive:
        f = _statistics(fit.response[_all_orders(blocks)], fit, contrast)
    else:
        f = _random_statistics(blocks, draws, np.random.default_rng(seed), fit, contrast)
    reached = f >= f[0] * (1 - 1e-9)
    p = float(reached.mean())
    error = 0.0 if exhaustive else float(np.sqrt(p * (1 - p) / len(f)))
    return PermutationTest(
        term=label,
        f=float(f[0]),
        p=p,
        monte_carlo_error=error,
        arrangements=len(f),
        exhaustive=exhaustive,
        smallest_p=1.0 / len(f),
    )


def _all_orders(blocks: list[Order]) -> Order:
    n = sum(len(block) for block in blocks)
    orders = []
    for chosen in product(*(permutations(block.tolist()) for block in blocks)):
        order = np.empty(n, dtype=np.intp)
        for block, mixed in zip(blocks, chosen, strict=True):
            order[block] = mixed
        orders.append(order)
    return np.array(orders)


def _random_orders(blocks: list[Order], draws: int, rng: np.random.Generator) -> Order:
    n = sum(len(block) for block in blocks)
    orders = np.tile(np.arange(n, dtype=np.intp), (draws, 1))
    for block in blocks:
        orders[:, block] = rng.permuted(np.tile(block, (draws, 1)), axis=1)
    return orders


def _random_statistics(
    blocks: list[Order], draws: int, rng: np.random.Generator, fit: MixedModelFit, contrast: Array
) -> Array:
    """F of the rows as they are and of random arrangements, some of these at a time."""
    found = [_statistics(fit.response[None], fit, contrast)]
    chunk = max(1, _CHUNK_NUMBERS // len(fit.response))
    for low in range(0, draws, chunk):
        orders = _random_orders(blocks, min(chunk, draws - low), rng)
        found.append(_statistics(fit.response[orders], fit, contrast))
    return np.concatenate(found)


def _statistics(responses: Array, fit: MixedModelFit, contrast: Array) -> Array:
    refit = fit_batch(
        responses, fit.fixed.matrix, fit.random.parts, free=fit.batch.free, tolerance=1e-7
    )
    difference = refit.beta @ contrast.T
    spread = contrast @ refit.beta_covariance @ contrast.T
    solved = np.linalg.solve(spread, difference[:, :, None])[:, :, 0]
    f: Array = (difference * solved).sum(axis=1) / len(contrast)
    return f
