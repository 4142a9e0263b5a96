"""Random streams known by a key, so that a draw does not depend on what else is drawn.

A stream belongs to (seed, source, identity, stripe).  A stripe is a fixed group of blocks of draws;
within it a stream is read on and on.  So results are the same for any chunk size, any number of
workers and any order of runs, and switching one source off leaves the draws of the others as they
were (common random numbers).
"""

from __future__ import annotations

from hashlib import blake2b

import numpy as np
from numpy.typing import NDArray

from psdstats.errors import UncertaintyError
from psdstats.uncertainty.inputs import Kind

__all__ = ["fill", "keyed_generator"]


def keyed_generator(seed: int, *key: str | int) -> np.random.Generator:
    """Generator of the stream with that seed and key.

    Parameters
    ----------
    seed : int
        Not negative.
    *key : str or int
        Names and numbers; their order and number count.

    Raises
    ------
    UncertaintyError
        If the seed is not a whole number of 0 or more.

    Examples
    --------
    >>> a, b = keyed_generator(1, "rounding", "x", 0), keyed_generator(1, "rounding", "x", 0)
    >>> bool(a.random() == b.random())
    True
    """
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise UncertaintyError(f"seed is {seed!r}; give a whole number of 0 or more.")
    # length before text, so that ("ab", "c") and ("a", "bc") differ
    text = "".join(f"{len(part)}:{part}" for part in map(str, (int(seed), *key)))
    digest = blake2b(text.encode(), digest_size=16).digest()
    return np.random.Generator(np.random.SFC64(int.from_bytes(digest, "little")))


def fill(
    generator: np.random.Generator, kind: Kind, shape: float, out: NDArray[np.float64]
) -> None:
    """Fill `out` with raw draws: uniform on [0, 1), standard normal, gamma or t."""
    if kind is Kind.UNIFORM:
        generator.random(out=out)
    elif kind is Kind.NORMAL:
        generator.standard_normal(out=out)
    elif kind is Kind.GAMMA:
        generator.standard_gamma(shape, out=out)
    else:
        out[:] = generator.standard_t(shape, size=out.shape)
