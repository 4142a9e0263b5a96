"""Sizes below which given fractions of the mass lie, from one cumulative undersize curve.

Apertures and sizes in µm, undersize and levels as fractions (0 to 1).  D50 is the size at level
0.5 (ISO 9276-1 writes x50,3).  A level that no two apertures bracket has no size: `percentiles`
gives NaN and `percentile_bounds` the open interval it lies in.

D10, D50, D90 and span of every run of a study.

Sizes in µm; span = (D90 - D10) / D50 has no unit.  Values only: their uncertainty comes from
`psdstats.uncertainty.propagate`.  Nothing is extrapolated beyond the sieves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import QUANTITIES, QUANTITY_UNITS, signed
from psdstats.distribution.curves import (
    InterpolationRule,
    StudyArrays,
    find_brackets,
    ln_sizes,
    study_arrays,
    undersize_of_masses,
)
from psdstats.errors import SizeError
from psdstats.findings import Remark
from psdstats.frozen import Array, Flags, Indices, Still
from psdstats.present import Shown
from psdstats.study.records import Study

# a curve typed with four decimals may fall by its rounding only if it truly falls
_FALL = 1e-12


@dataclass(frozen=True, kw_only=True, eq=False)
class PercentileBounds(Still):
    """Percentiles of one curve, each with what is known where it has no value.

    Attributes
    ----------
    levels : ndarray, shape (n_levels,)
        Undersize fractions.
    size_um : ndarray, shape (n_levels,)
        Sizes; NaN where not bracketed.
    lower_um, upper_um : ndarray, shape (n_levels,)
        Both equal to the size where there is one; otherwise 0 and the finest aperture, or the
        coarsest aperture and infinity.
    """

    levels: Array
    size_um: Array
    lower_um: Array
    upper_um: Array


def percentiles(
    aperture_um: ArrayLike,
    undersize: ArrayLike,
    levels: ArrayLike,
    rule: str | InterpolationRule = InterpolationRule.SEMILOG,
) -> Array:
    """Sizes at which a cumulative undersize curve first reaches the given levels.

    Parameters
    ----------
    aperture_um : array_like, shape (n_apertures,)
        Apertures in µm, in rising or falling order.  A pan row (aperture 0, undersize 0) is
        dropped.
    undersize : array_like, shape (n_apertures,)
        Mass fraction finer than each aperture, 0 to 1, not falling with aperture; flat steps
        (empty classes) are allowed.
    levels : array_like, shape (n_levels,) or scalar
        Wanted fractions, 0 < level < 1; 0.5 gives D50.
    rule : {"semilog", "linear", "logprobit", "monotone"}, default="semilog"
        Shape of the curve between apertures, see `InterpolationRule`.

    Returns
    -------
    ndarray, shape (n_levels,)
        Sizes in µm; NaN where no two apertures bracket the level (nothing is extrapolated).

    Raises
    ------
    SizeError
        If lengths differ, a value is out of range, or a curve is out of order; names index and
        value.

    Examples
    --------
    >>> percentiles([63, 125], [0.30, 0.70], [0.5, 0.9]).round(2)
    array([88.74,   nan])
    >>> percentiles([125, 63, 0], [0.70, 0.30, 0.0], 0.5, rule="linear").round(2)
    array([94.])
    """
    return percentile_bounds(aperture_um, undersize, levels, rule).size_um.copy()


def percentile_bounds(
    aperture_um: ArrayLike,
    undersize: ArrayLike,
    levels: ArrayLike,
    rule: str | InterpolationRule = InterpolationRule.SEMILOG,
) -> PercentileBounds:
    """Percentiles as `percentiles` gives them, with the open interval of each that has no size.

    Shapes: aperture_um, undersize (n_sieves,), levels (n_levels,).

    Examples
    --------
    >>> found = percentile_bounds([63, 125], [0.30, 0.70], [0.1, 0.5, 0.9])
    >>> found.lower_um.round(2), found.upper_um.round(2)
    (array([  0.  ,  88.74, 125.  ]), array([63.  , 88.74,   inf]))
    """
    chosen = InterpolationRule(rule)
    aperture, passing = _ordered_curve(aperture_um, undersize)
    wanted = _checked_levels(levels)
    ln_size = ln_sizes(passing[None, :], np.log(aperture)[None, :], wanted, chosen)[0]
    below, above = np.isneginf(ln_size), np.isposinf(ln_size)
    size = np.exp(np.where(below | above, np.nan, ln_size))
    return PercentileBounds(
        levels=wanted,
        size_um=size,
        lower_um=np.where(below, 0.0, np.where(above, aperture[-1], size)),
        upper_um=np.where(below, aperture[0], np.where(above, np.inf, size)),
    )


def _ordered_curve(aperture_um: ArrayLike, undersize: ArrayLike) -> tuple[Array, Array]:
    """Curve by rising aperture, checked, without its pan row."""
    aperture = np.atleast_1d(np.asarray(aperture_um, dtype=float))
    passing = np.atleast_1d(np.asarray(undersize, dtype=float))
    if aperture.ndim != 1 or aperture.shape != passing.shape:
        raise SizeError(
            f"aperture_um has shape {aperture.shape} and undersize {passing.shape}; "
            "give one undersize for each aperture."
        )
    _refuse(~np.isfinite(aperture) | (aperture < 0), "aperture_um", aperture, "finite sizes in µm")
    outside = ~((passing >= -_FALL) & (passing <= 1 + _FALL))
    _refuse(outside, "undersize", passing, "fractions from 0 to 1 (divide per cent by 100)")
    pan = aperture == 0
    _refuse(pan & (passing > _FALL), "undersize", passing, "0 where the aperture is 0 (the pan)")
    place = np.flatnonzero(~pan)
    if place.size == 0:
        raise SizeError("aperture_um holds no sieve, only a pan; give at least one aperture.")
    if aperture[place[0]] > aperture[place[-1]]:
        place = place[::-1]
    aperture, passing = aperture[place], np.clip(passing[place], 0.0, 1.0)
    for values, name, wrong in (
        (aperture, "aperture_um", np.diff(aperture) <= 0),
        (passing, "undersize", np.diff(passing) < -_FALL),
    ):
        if wrong.any():
            at = int(np.flatnonzero(wrong)[0])
            raise SizeError(
                f"{name}[{place[at + 1]}] is {signed(values[at + 1])} and its finer neighbour "
                f"{name}[{place[at]}] is {signed(values[at])}; {name} must not fall with "
                "aperture, and each aperture may stand only once."
            )
    return aperture, np.maximum.accumulate(passing)


def _checked_levels(levels: ArrayLike) -> Array:
    wanted = np.atleast_1d(np.asarray(levels, dtype=float))
    if wanted.ndim != 1:
        raise SizeError(f"levels has shape {wanted.shape}; give one row of fractions.")
    outside = ~((wanted > 0) & (wanted < 1))
    _refuse(outside, "levels", wanted, "fractions between 0 and 1 (0.5 for D50)")
    return wanted


def _refuse(wrong: Flags, name: str, values: Array, rule: str) -> None:
    if wrong.any():
        at = int(np.flatnonzero(wrong)[0])
        raise SizeError(f"{name}[{at}] is {signed(values[at])}; {name} holds {rule}.")


LEVELS = np.array([0.1, 0.5, 0.9])
LEVELS.setflags(write=False)
STATUSES = ("bracketed", "below the finest sieve", "above the coarsest sieve", "in one class")
"""A span is in one class where nothing tells D10 from D90; a size never is."""
LEAST_WIDTH = 1e-6
"""D90 - D10 over D50 below which there is no span."""


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SizeTable(Still, Shown):
    """Sizes of R runs.

    Attributes
    ----------
    runs : tuple of str
        Run names.
    quantities : tuple of str
        D10, D50, D90, span.
    value : ndarray, shape (R, 4)
        Sizes in µm and span; NaN where the sieves do not bracket them.
    lower, upper : ndarray, shape (R, 4)
        Both equal to the value where there is one, else the interval it lies in (0 or inf: open).
    status : tuple of tuple of str
        One of `STATUSES` for each run and quantity.
    rule : InterpolationRule or None
        Shape of the undersize curve between apertures; None where the law of the curve gave sizes.
    notes : tuple of Remark
        What had to be assumed.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> psdstats.distribution.sizes(study, rule="semilog").value[0].round(1)
    array([145.9, 247.1, 409.9,   1.1])
    """

    runs: tuple[str, ...]
    value: Array
    lower: Array
    upper: Array
    status: tuple[tuple[str, ...], ...]
    rule: InterpolationRule | None
    quantities: tuple[str, ...] = QUANTITIES
    notes: tuple[Remark, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row a run and quantity: run, quantity, unit, value, lower, upper, status.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> table = psdstats.distribution.sizes(study, rule="semilog").to_frame()
        >>> table[["run", "quantity", "value", "status"]].head(2).round(1)
              run quantity  value     status
        0  mill-0      D10  145.9  bracketed
        1  mill-0      D50  247.1  bracketed
        """
        n_runs, n_quantities = self.value.shape
        return pd.DataFrame(
            {
                "run": np.repeat(np.array(self.runs, dtype=object), n_quantities),
                "quantity": list(self.quantities) * n_runs,
                "unit": list(QUANTITY_UNITS) * n_runs,
                "value": self.value.ravel(),
                "lower": self.lower.ravel(),
                "upper": self.upper.ravel(),
                "status": [status for row in self.status for status in row],
            }
        )


def sizes(study: Study, *, rule: str | InterpolationRule | None = None) -> SizeTable:
    """D10, D50, D90 and span of every run by a rule.

    Parameters
    ----------
    study : Study
        The weighings.
    rule : str, optional
        Interpolation rule; the study's own if left out.

    Returns
    -------
    SizeTable
        One row a run; percentiles that the sieves do not bracket are NaN with an open interval.

    Raises
    ------
    SizeError
        If no rule is given, it is unknown, or a run cannot be read as a distribution (no pan, no
        mass, …).

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> psdstats.distribution.sizes(study, rule="monotone").value[0].round(1)
    array([152.8, 247.1, 395.3,   1. ])
    """
    wanted = study.rule if rule is None else rule
    if wanted is None:
        raise SizeError(
            f"study {study.title!r} prescribes no rule; the powder's own sizes come with their "
            f'uncertainty from psdstats.propagate, or give rule="semilog" for sizes by that rule.'
        )
    return sizes_of_arrays(study_arrays(study), rule=InterpolationRule(wanted))


def sizes_of_arrays(
    arrays: StudyArrays,
    *,
    rule: InterpolationRule | None,
    net_g: Array | None = None,
    ln_size: Array | None = None,
) -> SizeTable:
    """Sizes of runs already arranged as arrays, with other net masses if given; see `sizes`.

    Shapes: ln_size (R, 3), sizes by the law of the curve, taken where two sieves bracket a level.
    """
    undersize = undersize_of_masses(arrays.net_g if net_g is None else net_g)
    if ln_size is None:
        by_rule = ln_sizes(undersize, arrays.ln_aperture, LEVELS, rule or InterpolationRule.SEMILOG)
    else:
        found = find_brackets(undersize, LEVELS)
        by_rule = np.where(found.below, -np.inf, np.where(found.above, np.inf, ln_size))
    size = np.exp(by_rule)
    finest, coarsest = arrays.aperture_um[:, :1], arrays.aperture_um[:, -1:]
    below, above = size == 0.0, np.isposinf(size)
    lower = np.concatenate([np.where(above, coarsest, size), np.empty((len(size), 1))], axis=1)
    upper = np.concatenate([np.where(below, finest, size), np.empty((len(size), 1))], axis=1)
    lower[:, 3], upper[:, 3] = span_bounds(lower[:, :3], upper[:, :3])
    code = np.where(below, 1, np.where(above, 2, 0))
    code = np.concatenate([code, code.max(axis=1, keepdims=True)], axis=1)
    if ln_size is not None:
        at_one = (code[:, 3] == 0) & (size[:, 2] <= size[:, 0] + LEAST_WIDTH * size[:, 1])
        rows = np.flatnonzero(at_one)
        ends = arrays.aperture_um[rows, found.upper[rows, 0] - 1]
        upper[rows, 3] = arrays.aperture_um[rows, found.upper[rows, 2]] / ends - 1
        lower[rows, 3], code[rows, 3] = 0.0, 3
    return SizeTable(
        runs=arrays.runs,
        value=np.where(code == 0, lower, np.nan),
        lower=lower,
        upper=upper,
        status=tuple(tuple(STATUSES[each] for each in row) for row in code),
        rule=rule,
        notes=arrays.notes,
    )


def span_bounds(lower: Array, upper: Array) -> tuple[Array, Array]:
    """Least and largest span that bounds on D10, D50, D90 (last axis) allow.

    Both are the span itself where the bounds are equal.  Sizes are ordered, D10 ≤ D50 ≤ D90, so
    the least span is never below 0.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        least = np.maximum((lower[..., 2] - upper[..., 0]) / upper[..., 1], 0.0)
        most = (upper[..., 2] - lower[..., 0]) / lower[..., 1]
    return np.nan_to_num(least, nan=0.0), np.nan_to_num(most, nan=np.inf, posinf=np.inf)


@dataclass(frozen=True, kw_only=True, eq=False)
class BracketedSizes:
    """Sizes that two sieves bracket: P places, their row (or run), level, and the sieves around."""

    row: Indices
    level: Indices
    lower: Indices
    upper: Indices
    left: Array
    right: Array


def bracketed_sizes(
    undersize: Array, ln_aperture: Array, u: Array, real: Flags, levels: Array
) -> BracketedSizes:
    """Where every level lies between two sieves, with four standard uncertainties on both sides."""
    below = real[:, None] & (undersize[:, None] < levels[:, None])  # (K, L, n)
    above = real[:, None] & (undersize[:, None] > levels[:, None])
    count = real.sum(1)[:, None]
    lower = np.clip(below.sum(-1) - 1, 0, np.maximum(count - 2, 0))
    upper = np.clip(count - above.sum(-1), lower + 1, np.maximum(count - 1, 1))
    equal = real[:, None] & (undersize[:, None] == levels[:, None])
    found = ((below | equal).any(-1) & (above | equal).any(-1)) & (count > 1)
    row, level = np.nonzero(found)
    i, j = lower[row, level], upper[row, level]
    left = ln_aperture[row, i] - 4 * u[row, i]
    right = ln_aperture[row, j] + 4 * u[row, j]
    return BracketedSizes(row=row, level=level, lower=i, upper=j, left=left, right=right)
