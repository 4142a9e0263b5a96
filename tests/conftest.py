"""The general laws of JCGM 100 and 101 for any model, from the parts that a study's law uses."""

import numpy as np
import pytest
from scipy import sparse

from psdstats.uncertainty.linear import Contributions
from psdstats.uncertainty.monte_carlo import (
    Accumulator,
    BlockSummary,
    JointMoments,
    interval_ends,
)


def _combine(sensitivities, u, degrees_of_freedom=np.inf):
    parts = np.atleast_2d(np.asarray(sensitivities, dtype=float)) * np.asarray(u, dtype=float)
    return Contributions(
        matrix=sparse.csr_array(parts),
        known=np.ones(len(parts), dtype=bool),
        degrees_of_freedom=np.broadcast_to(np.asarray(degrees_of_freedom, float), parts.shape[1:]),
        source=np.zeros(parts.shape[1], dtype=np.intp),
    )


def _summary(values, coverage):
    ends = np.array([interval_ends(np.sort(row), coverage) for row in values]).T
    below, above = np.isneginf(values), np.isposinf(values)
    missing = below | above
    return BlockSummary(
        draws=values.shape[1],
        moments=JointMoments.of(values, ~missing if missing.any() else None),
        ends=ends,
        below=below.sum(axis=1).astype(float),
        above=above.sum(axis=1).astype(float),
        negative=np.zeros(0),
    )


def _adaptive_monte_carlo(draw_block, *, coverage=0.95, max_blocks=100, **options):
    accumulator = Accumulator(**options)
    accumulator.take(
        _summary(np.array(draw_block(number), dtype=float), coverage)
        for number in range(max_blocks)
    )
    return accumulator


@pytest.fixture
def combine():
    """Contributions of independent inputs to numbers with these sensitivities."""
    return _combine


@pytest.fixture
def adaptive_monte_carlo():
    """Draw blocks until the results have settled to the wanted digits of u."""
    return _adaptive_monte_carlo
