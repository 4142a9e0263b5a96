"""The numbers of a result, from the linear law or from merged blocks of draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from psdstats.distribution.sizes import LEVELS, QUANTITIES
from psdstats.uncertainty.blocks import BlockSummary
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.monte_carlo import Accumulator, validate_linear

if TYPE_CHECKING:
    from psdstats.uncertainty.engine import Prepared

__all__ = ["Parts", "linear_parts", "monte_carlo_parts", "reorder", "unsettled_note"]

Array = NDArray[np.float64]
Validity = tuple[tuple[bool | None, ...], ...]

# the class that holds a percentile must weigh this many of its own u for the slope to be steady
_THIN = 5.0

# beyond JCGM 101, clause 8 with one digit of u: ends and u of the linear law within this share
_AGREEMENT = 0.1


@dataclass(kw_only=True)
class Parts:
    """What differs between the methods; arrays of shape (R, 4) unless `Propagation` says more."""

    u: Array
    lower: Array
    upper: Array
    shortest_lower: Array
    shortest_upper: Array
    k: Array
    share_unbracketed: Array
    linear_valid: Validity
    mean: Array
    tolerance: Array
    share_negative: Array
    covariance: Array
    log_covariance: Array
    draws: int
    settled: bool
    notes: tuple[str, ...]


_BY_RUN = (
    "u",
    "lower",
    "upper",
    "shortest_lower",
    "shortest_upper",
    "k",
    "share_unbracketed",
    "mean",
    "tolerance",
    "share_negative",
)


def reorder(parts: Parts, order: NDArray[np.intp]) -> dict[str, Any]:
    """Fields of `Propagation` that go by run, in another order of runs."""
    found: dict[str, Any] = {name: getattr(parts, name)[order] for name in _BY_RUN}
    found["linear_valid"] = tuple(parts.linear_valid[row] for row in order)
    return found


def linear_parts(ready: Prepared, coverage: float) -> Parts:
    """Value ± k u with k from the effective degrees of freedom."""
    sensitivities, sizes = ready.sensitivities, ready.sizes
    covariance = sensitivities.covariance(log=False)
    u = np.sqrt(np.diag(covariance)).reshape(sizes.value.shape)
    k = coverage_factor(coverage, sensitivities.effective_df(ready.table))
    known = ~np.isnan(sizes.value)
    nothing = np.full(sizes.value.shape, np.nan)
    lower = np.where(known, sizes.value - k * u, sizes.lower)
    upper = np.where(known, sizes.value + k * u, sizes.upper)
    doubts = _doubts(ready, lower, upper)
    return Parts(
        u=u,
        lower=lower,
        upper=upper,
        shortest_lower=nothing,
        shortest_upper=nothing,
        k=np.where(known, k, np.nan),
        share_unbracketed=nothing,
        linear_valid=tuple(tuple(False if doubt else None for doubt in row) for row in doubts),
        mean=nothing,
        tolerance=nothing,
        share_negative=np.full(len(sizes.runs), np.nan),
        covariance=covariance,
        log_covariance=sensitivities.covariance(log=True),
        draws=0,
        settled=True,
        notes=_doubt_notes(ready, doubts),
    )


def monte_carlo_parts(
    ready: Prepared, linear: Parts, accumulator: Accumulator, total: BlockSummary
) -> Parts:
    """Results of the draws, with the linear law validated against them."""
    shape = ready.sizes.value.shape
    known = ~np.isnan(ready.sizes.value)
    u = np.where(known, total.moments.u.reshape(shape), np.nan)
    lower, upper, shortest_lower, shortest_upper = _closed_ends(ready, accumulator.ends)
    share = (total.below + total.above).reshape(shape) / total.draws
    valid = _validated(ready.sizes.value, linear, u, lower, upper)
    log_moments = total.log_moments or total.moments
    gap = np.where(known.ravel(), 1.0, np.nan)
    notes = [] if accumulator.settled or accumulator.blocks == 1 else [unsettled_note(accumulator)]
    return Parts(
        u=u,
        lower=lower,
        upper=upper,
        shortest_lower=shortest_lower,
        shortest_upper=shortest_upper,
        k=np.full(shape, np.nan),
        share_unbracketed=share,
        linear_valid=tuple(
            tuple(bool(one) if has else None for one, has in zip(row, there, strict=True))
            for row, there in zip(valid, known, strict=True)
        ),
        mean=total.moments.mean.reshape(shape),
        tolerance=accumulator.tolerance.reshape(shape),
        share_negative=np.asarray(total.negative) / total.draws,
        covariance=total.moments.covariance * np.outer(gap, gap),
        log_covariance=log_moments.covariance * np.outer(gap, gap),
        draws=total.draws,
        settled=accumulator.settled,
        notes=(*notes, *_share_notes(ready, share)),
    )


def _validated(
    value: Array, linear: Parts, u: Array, lower: Array, upper: Array
) -> NDArray[np.bool_]:
    """Clause 8 of JCGM 101 with one digit of u, and two things more.

    One digit of u may be half of it, so the ends must also agree within a share of the expanded
    uncertainty, and u itself, which the standard leaves open, within that share of u.
    """
    expanded = linear.k * linear.u
    valid = validate_linear(value=value, expanded=expanded, lower=lower, upper=upper, u=u)
    with np.errstate(invalid="ignore"):
        off = np.maximum(np.abs(value - expanded - lower), np.abs(value + expanded - upper))
        close = (off <= _AGREEMENT * expanded) & (np.abs(u - linear.u) <= _AGREEMENT * u)
    return valid & close


def _closed_ends(ready: Prepared, ends: Array) -> tuple[Array, Array, Array, Array]:
    """Ends of both intervals; an end without a value becomes what the sieves still say."""
    finest = ready.arrays.finest_um[:, None]
    coarsest = ready.arrays.coarsest_um[:, None]
    result = []
    for number, end in enumerate(ends.reshape(4, *ready.sizes.value.shape)):
        if number % 2 == 0:
            end = np.where(np.isneginf(end), 0.0, np.where(np.isposinf(end), coarsest, end))
        else:
            end = np.where(np.isneginf(end), finest, end)
        result.append(end)
    return result[0], result[1], result[2], result[3]


def _doubts(ready: Prepared, lower: Array, upper: Array) -> NDArray[np.bool_]:
    """Quantities whose linear interval is known to be doubtful before any draw is made."""
    arrays, value = ready.arrays, ready.sizes.value
    beyond = (lower < arrays.finest_um[:, None]) | (upper > arrays.coarsest_um[:, None])
    variance = np.zeros(arrays.net_g.shape)
    action = ready.table.on_mass
    np.add.at(variance, (action.run, action.place), np.square(action.coefficient))
    thin = ready.table.net_g < _THIN * np.sqrt(variance)
    doubts = np.zeros(value.shape, dtype=bool)
    for level in range(LEVELS.size):
        above = arrays.aperture_um < value[:, level, None] * (1 - 1e-9)
        holding = above.sum(axis=1)
        rows = np.arange(len(value))
        doubts[:, level] = beyond[:, level] | thin[rows, holding]
    doubts[:, LEVELS.size] = doubts[:, : LEVELS.size].any(axis=1)
    return np.asarray(doubts & ~np.isnan(value))


def _doubt_notes(ready: Prepared, doubts: NDArray[np.bool_]) -> tuple[str, ...]:
    return tuple(
        f"Run {ready.arrays.runs[row]!r}: the linear interval of {QUANTITIES[quantity]} is "
        "doubtful (it leaves the sieves, or the class that holds it is nearly empty); use Monte "
        "Carlo."
        for row, quantity in np.argwhere(doubts[:, : LEVELS.size])
    )


def _share_notes(ready: Prepared, share: Array) -> tuple[str, ...]:
    return tuple(
        f"Run {ready.arrays.runs[row]!r}: {100 * share[row, level]:.2g} % of the draws of "
        f"{QUANTITIES[level]} lie beyond the sieves; its u is that of the others."
        for row, level in np.argwhere((share > 0) & ~np.isnan(ready.sizes.value))
        if level < LEVELS.size
    )


def unsettled_note(accumulator: Accumulator) -> str:
    """Sentence on draws that have run out."""
    return (
        f"{accumulator.draws} draws did not settle every result to {accumulator.digits} "
        "significant digits of its uncertainty; allow more draws, or ask for one digit."
    )
