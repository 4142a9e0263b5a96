"""D10, D50, D90 and span of every run of a study.

Sizes in µm; span = (D90 - D10) / D50 has no unit.  Values only: their uncertainty comes from
`psdstats.uncertainty.propagate`.  Nothing is extrapolated beyond the sieves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.distribution.arrays import StudyArrays, study_arrays
from psdstats.distribution.inverse import ln_sizes, undersize_of_masses
from psdstats.distribution.percentiles import bound_text
from psdstats.distribution.rules import InterpolationRule, as_rule
from psdstats.frozen import freeze_arrays
from psdstats.study.records import Study

__all__ = ["LEVELS", "QUANTITIES", "STATUSES", "UNITS", "SizeTable", "sizes", "span_bounds"]

Array = NDArray[np.float64]

LEVELS = np.array([0.1, 0.5, 0.9])
LEVELS.setflags(write=False)
QUANTITIES = ("D10", "D50", "D90", "span")
UNITS = ("µm", "µm", "µm", "1")
STATUSES = ("bracketed", "below the finest sieve", "above the coarsest sieve")


@dataclass(frozen=True, kw_only=True, eq=False)
class SizeTable:
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
    rule : InterpolationRule
        Shape of the undersize curve between apertures.
    notes : tuple of str
        What had to be assumed.
    """

    runs: tuple[str, ...]
    value: Array
    lower: Array
    upper: Array
    status: tuple[tuple[str, ...], ...]
    rule: InterpolationRule
    quantities: tuple[str, ...] = QUANTITIES
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a run and quantity: run, quantity, unit, value, lower, upper, status, text."""
        n_runs, n_quantities = self.value.shape
        bounds = zip(self.value.flat, self.lower.flat, self.upper.flat, strict=True)
        return pd.DataFrame(
            {
                "run": np.repeat(np.array(self.runs, dtype=object), n_quantities),
                "quantity": list(self.quantities) * n_runs,
                "unit": list(UNITS) * n_runs,
                "value": self.value.ravel(),
                "lower": self.lower.ravel(),
                "upper": self.upper.ravel(),
                "status": [status for row in self.status for status in row],
                "text": [bound_text(*bound) for bound in bounds],
            }
        )

    def to_wide_frame(self) -> pd.DataFrame:
        """One row a run: run, D10_um, D50_um, D90_um, span; NaN where not bracketed."""
        names = ["D10_um", "D50_um", "D90_um", "span"]
        frame = pd.DataFrame(self.value, columns=names)
        frame.insert(0, "run", list(self.runs))
        return frame


def sizes(study: Study, *, rule: str | InterpolationRule | None = None) -> SizeTable:
    """D10, D50, D90 and span of every run.

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
        If the rule is unknown or a run cannot be read as a distribution (no pan, no mass, …).
    """
    chosen = as_rule(study.rule if rule is None else rule)
    return sizes_of_arrays(study_arrays(study), rule=chosen)


def sizes_of_arrays(
    arrays: StudyArrays, *, rule: InterpolationRule, net_g: Array | None = None
) -> SizeTable:
    """Sizes of runs already arranged as arrays, with other net masses if given; see `sizes`."""
    undersize = undersize_of_masses(arrays.net_g if net_g is None else net_g)
    size = np.exp(ln_sizes(undersize, arrays.ln_aperture, LEVELS, rule))
    finest, coarsest = arrays.finest_um[:, None], arrays.coarsest_um[:, None]
    below, above = size == 0.0, np.isposinf(size)
    lower = np.concatenate([np.where(above, coarsest, size), np.empty((len(size), 1))], axis=1)
    upper = np.concatenate([np.where(below, finest, size), np.empty((len(size), 1))], axis=1)
    lower[:, 3], upper[:, 3] = span_bounds(lower[:, :3], upper[:, :3])
    code = np.where(below, 1, np.where(above, 2, 0))
    code = np.concatenate([code, code.max(axis=1, keepdims=True)], axis=1)
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
