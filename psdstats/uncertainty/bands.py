"""Cumulative undersize of every run with pointwise intervals, by the linear law."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from scipy import sparse

from psdstats.distribution.arrays import StudyArrays, study_arrays
from psdstats.errors import UncertaintyError
from psdstats.frozen import Array
from psdstats.limits import LEVEL
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import InputTable, Source, Weighings, collect_inputs
from psdstats.uncertainty.law import MOST_AT_ONCE
from psdstats.uncertainty.linear import Contributions, coverage_factor, undersize_law
from psdstats.uncertainty.registry import choose_sources


def undersize_bands(
    study: Study,
    *,
    sources: Iterable[str | Source] | None = None,
    coverage: float = 0.95,
) -> pd.DataFrame:
    """Cumulative undersize of every run with a pointwise interval.

    Parameters
    ----------
    study : Study
        The weighings.
    sources : iterable of str or Source, optional
        As in `propagate`; by default those the study switches on.
    coverage : float, default=0.95
        Coverage probability of each interval.

    Returns
    -------
    DataFrame
        One row a run and sieve, finest first: run, milling_time_min, sieve, aperture_um (with its
        certificate), nominal_um (as weighed), undersize, u, lower, upper; fractions of one, limits
        kept within 0 and 1.

    Raises
    ------
    SizeError, UncertaintyError
        As `propagate`.

    Notes
    -----
    The band at the stated aperture x_j holds what the readings do to the mass below the sieve and
    what the sieve's aperture error does: a sieve wider by δ passes about (dQ3/dx) δ more.  Sources
    that act on percentiles directly (between sieves, run to run) have no part in it.  The joint
    results for D10, D50, D90 come from `propagate`, never from a band.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> bands = psdstats.uncertainty.undersize_bands(study)
    >>> bands[["run", "aperture_um", "undersize", "u"]].head(2).round(3)
          run  aperture_um  undersize      u
    0  mill-0         45.0       -0.0  0.000
    1  mill-0         63.0        0.0  0.001
    """
    LEVEL.require("coverage", coverage, UncertaintyError)
    chosen = choose_sources(study, sources).included
    rows = sorted(study.runs, key=lambda run: run.name)
    blocks = (rows[at : at + MOST_AT_ONCE] for at in range(0, len(rows), MOST_AT_ONCE))
    bands = pd.concat([_bands(study, block, chosen, coverage) for block in blocks])
    place = {run.name: number for number, run in enumerate(study.runs)}
    order = np.argsort(bands["run"].map(place).to_numpy(), kind="stable")
    return bands.iloc[order].reset_index(drop=True)


def _bands(
    study: Study, runs: Sequence[Run], sources: Sequence[Source], coverage: float
) -> pd.DataFrame:
    """The bands of some runs, in their order."""
    arrays = study_arrays(study, runs)
    table = collect_inputs(Weighings(study=study, runs=tuple(runs), arrays=arrays), sources)
    undersize, both = undersize_contributions(arrays, table)
    u = both.u.reshape(undersize.shape)
    half = coverage_factor(coverage) * u
    run, place = np.nonzero(arrays.real[:, 1:])
    times = np.array([one.milling_time_min for one in runs], dtype=float)
    nominal = [{one.sieve: one.aperture_um for one in own.readings} for own in runs]
    sieves = [arrays.sieves[r][p + 1] for r, p in zip(run, place, strict=True)]
    return pd.DataFrame(
        {
            "run": np.array(arrays.runs, dtype=object)[run],
            "milling_time_min": times[run],
            "sieve": sieves,
            "aperture_um": arrays.aperture_um[run, place],
            "nominal_um": [nominal[r][sieve] for r, sieve in zip(run, sieves, strict=True)],
            "undersize": undersize[run, place],
            "u": u[run, place],
            "lower": np.clip(undersize - half, 0.0, 1.0)[run, place],
            "upper": np.clip(undersize + half, 0.0, 1.0)[run, place],
        }
    )


def undersize_contributions(arrays: StudyArrays, table: InputTable) -> tuple[Array, Contributions]:
    """Undersize at every stated aperture, (R, K - 1), and what inputs add to it, in its order."""
    undersize, of_mass, of_aperture = undersize_law(table)
    slope = sparse.diags_array(-_slope(arrays, undersize).ravel())
    both = sparse.csr_array(of_mass.matrix + slope @ of_aperture.matrix)
    return undersize, replace(of_mass, matrix=both)


def _slope(arrays: StudyArrays, undersize: Array) -> Array:
    """Slope of the undersize curve at each aperture by central differences in ln x, per µm."""
    slopes = np.zeros_like(undersize)
    for row, x in enumerate(arrays.ln_aperture):
        places = np.flatnonzero(arrays.real[row, 1:])
        if len(places) > 1:
            slopes[row, places] = np.gradient(undersize[row, places], x[places])
    return slopes / arrays.aperture_um
