"""Fitted distributions of every run of a study, weighted by the study's own uncertainty sources.

The covariance of the undersize fractions of one run comes from the same elementary inputs as the
uncertainty of its percentiles: errors of the readings move mass between classes (fractions stay a
whole), aperture errors move points along ln x.  Sources that act on percentiles directly
(interpolation, run to run) have no part in a fit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.columns import TIME
from psdstats.distribution.fit_families import Family
from psdstats.distribution.fits import DistributionFit, fit_distribution
from psdstats.errors import ModelError, SizeError
from psdstats.frozen import Array
from psdstats.limits import LEVEL
from psdstats.present import Shown
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import Source
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.linear import undersize_law


@dataclass(frozen=True, kw_only=True, eq=False)
class CurvePoints:
    """Undersize of one run with the covariance of its points.

    Parameters
    ----------
    run : str
        Name of the run.
    aperture_um, undersize : ndarray, shape (n,)
        Points of the curve, finest first.
    covariance : ndarray, shape (n, n)
        Covariance of the undersize from errors of the masses.
    aperture_covariance_um2 : ndarray, shape (n, n)
        Covariance of the apertures.
    """

    run: str
    aperture_um: Array
    undersize: Array
    covariance: Array
    aperture_covariance_um2: Array


@dataclass(frozen=True, kw_only=True, repr=False)
class StudyFits(Shown):
    """Fits of every run and family.

    Parameters
    ----------
    fits : dict of (str, Family) to DistributionFit
        By run and family, in the order of the study.
    refused : dict of (str, Family) to str
        Why a run could not be fitted.
    """

    fits: dict[tuple[str, Family], DistributionFit]
    refused: dict[tuple[str, Family], str]

    def to_frame(self) -> pd.DataFrame:
        """One row a run, family and parameter; refused fits have no value and say why."""
        rows = [_with_run(run, fit.to_frame()) for (run, _), fit in self.fits.items()]
        rows += [
            pd.DataFrame({"run": [run], "family": [str(family)], "status": [reason]})
            for (run, family), reason in self.refused.items()
        ]
        return pd.concat(rows, ignore_index=True)

    def sizes_frame(self) -> pd.DataFrame:
        """One row a run, family and percentile, extrapolated ones marked."""
        rows = [_with_run(run, fit.sizes_frame()) for (run, _), fit in self.fits.items()]
        none = pd.DataFrame(columns=["run", "family", "level", "size_um", "extrapolated"])
        return pd.concat(rows, ignore_index=True) if rows else none

    def misfit_frame(self, points: Iterable[CurvePoints], runs: pd.DataFrame) -> pd.DataFrame:
        """Measured undersize less that of the fitted curve, in percentage points."""
        measured, rows = {one.run: one for one in points}, []
        for (run, family), fit in self.fits.items():
            own = measured[run]
            misfit = 100 * (own.undersize - fit.undersize(own.aperture_um))
            columns = {"aperture_um": own.aperture_um, "misfit_percent": misfit}
            rows.append(pd.DataFrame({"run": run, "family": str(family), **columns}))
        return pd.concat(rows, ignore_index=True).merge(runs[["run", TIME]], on="run")

    def families_frame(self) -> pd.DataFrame:
        """One row a family: runs fitted, runs described within their uncertainty, total χ², df."""
        rows = []
        for family in dict.fromkeys(family for _, family in [*self.fits, *self.refused]):
            mine = [fit for (_, one), fit in self.fits.items() if one == family]
            rows.append(
                {
                    "family": str(family),
                    "fitted": len(mine),
                    "refused": sum(one == family for _, one in self.refused),
                    "described": sum(fit.describes is True for fit in mine),
                    "chi_squared": sum(fit.chi_squared for fit in mine),
                    "df": sum(fit.df for fit in mine),
                }
            )
        return pd.DataFrame(rows)


def _with_run(run: str, table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(run=run)[["run", *table.columns]]


def curve_points(
    study: Study, *, sources: Iterable[str | Source] | None = None
) -> list[CurvePoints]:
    """Undersize points of every run with their covariance."""
    law = prepare(study, sources=sources, rule="semilog")  # any rule: a fit needs no sizes
    arrays = law.arrays
    undersize, of_mass, of_aperture = undersize_law(law.table)
    found = []
    for row in law.order.tolist():
        real = np.flatnonzero(arrays.real[row, 1:])
        rows = undersize.shape[1] * row + real
        found.append(
            CurvePoints(
                run=arrays.runs[row],
                aperture_um=arrays.aperture_um[row, real],
                undersize=undersize[row, real],
                covariance=of_mass.rows(rows).covariance,
                aperture_covariance_um2=of_aperture.rows(rows).covariance,
            )
        )
    return found


def fit_study(
    study: Study,
    *,
    families: Sequence[Family | str] = tuple(Family),
    sources: Iterable[str | Source] | None = None,
    levels: Sequence[float] = (0.1, 0.5, 0.9),
    coverage: float = 0.95,
    misfit: bool = True,
) -> StudyFits:
    """Fit distributions to every run of a study.

    Parameters
    ----------
    study : Study
        The weighings.
    families : sequence of str, default=all three
        Distributions to be fitted.
    sources : iterable of str or Source, optional
        As in `propagate`; by default those the study switches on.
    levels : sequence of float, default=(0.1, 0.5, 0.9)
        Percentiles wanted.
    coverage : float, default=0.95
        Coverage probability of the intervals.
    misfit : bool, default=True
        Allow for a curve that misses the points (`fit_distribution`).

    Returns
    -------
    StudyFits
        Fits, and the reasons where one was refused.

    Raises
    ------
    SizeError, UncertaintyError
        As `propagate`.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> fits = psdstats.comparison.fit_study(study, families=["log-normal"])
    >>> fits.families_frame()[["family", "fitted", "described"]]
           family  fitted  described
    0  log-normal       5          1
    """
    LEVEL.require("coverage", coverage, ModelError)
    fits: dict[tuple[str, Family], DistributionFit] = {}
    refused: dict[tuple[str, Family], str] = {}
    for points in curve_points(study, sources=sources):
        for family in map(Family, families):
            try:
                fits[points.run, family] = fit_distribution(
                    points.aperture_um,
                    points.undersize,
                    covariance=points.covariance,
                    aperture_covariance_um2=points.aperture_covariance_um2,
                    family=family,
                    levels=levels,
                    coverage=coverage,
                    misfit=misfit,
                )
            except SizeError as error:
                refused[points.run, family] = str(error)
    return StudyFits(fits=fits, refused=refused)
