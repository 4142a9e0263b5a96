"""Options that every propagation takes, checked once: method, coverage, whole numbers, draws."""

from __future__ import annotations

import numpy as np

from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.blocks import block_draws
from psdstats.uncertainty.monte_carlo import MIN_BLOCKS
from psdstats.uncertainty.propagation import Method

__all__ = [
    "CHUNK_DRAWS",
    "MAX_DRAWS",
    "as_method",
    "blocks_of",
    "digits_for",
    "fewest_blocks",
    "wanted_coverage",
    "whole_number",
]

MAX_DRAWS = 2_000_000
CHUNK_DRAWS = 5_000
_FEW = 10


def as_method(method: str | Method) -> Method:
    """Method of that name."""
    try:
        return Method(method)
    except ValueError as cause:
        names = " or ".join(repr(str(one)) for one in Method)
        raise UncertaintyError(f"method {method!r} is not known; choose {names}.") from cause


def wanted_coverage(study: Study, coverage: float | None) -> float:
    """Coverage probability: as asked, else the study's setting, else 0.95."""
    found = study.uncertainty.get("coverage", 0.95) if coverage is None else coverage
    if isinstance(found, bool) or not isinstance(found, int | float) or not 0 < found < 1:
        raise UncertaintyError(f"coverage is {found!r}; give a probability such as 0.95.")
    return float(found)


def whole_number(name: str, value: int) -> int:
    """Refuse what is not a whole number of 1 or more."""
    if isinstance(value, bool) or not isinstance(value, int | np.integer) or value < 1:
        raise UncertaintyError(f"{name} is {value!r}; give a whole number of 1 or more.")
    return int(value)


def digits_for(digits: int | None, results: int) -> int:
    """Significant digits of u: as asked, else 2 for up to ten results (runs, pairs), else 1."""
    if digits is not None:
        return digits
    return 2 if results <= _FEW else 1


def fewest_blocks(digits: int) -> int:
    """Blocks made before the test of stopping; one digit is settled by half as many."""
    return MIN_BLOCKS if digits > 1 else MIN_BLOCKS // 2


def blocks_of(draws: int | None, max_draws: int, coverage: float) -> tuple[int, int]:
    """Draws in a block and number of blocks."""
    size = block_draws(coverage)
    most = whole_number("max_draws", max_draws) if draws is None else whole_number("draws", draws)
    if most < size:
        return max(most, 2), 1
    return size, -(-most // size)
