"""Uncertainty of the cumulative undersize curve itself, for drawing a band around it.

The band at the stated aperture x_j holds what the readings do to the mass below the sieve and what
the sieve's aperture error does: a sieve wider by δ passes about (dQ3/dx) δ more.  Linear
propagation (JCGM 100, 5.1.2); sources that act on percentiles directly (interpolation, run to run)
have no part in it.  The joint results for D10, D50, D90 come from `propagate`, never from a band.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from scipy import sparse

from psdstats.columns import TIME
from psdstats.distribution.arrays import StudyArrays
from psdstats.distribution.curves import undersize_of_masses
from psdstats.frozen import Array
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import Action, InputTable, Weighings, collect_inputs
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.registry import choose_sources
from psdstats.uncertainty.sources.base import Source


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
        One row a run and sieve, finest first: run, milling_time_min, sieve, aperture_um,
        undersize, u, lower, upper; fractions of one, limits kept within 0 and 1.

    Raises
    ------
    SizeError, UncertaintyError
        As `propagate`.
    """
    chosen = choose_sources(study, sources).included
    weighings = Weighings.of(study, study.runs, study.rule)
    table = collect_inputs(
        weighings, [(source.name, list(source.inputs(weighings))) for source in chosen]
    )
    arrays = weighings.arrays
    undersize = undersize_of_masses(table.net_g)
    u = _standard_uncertainty(table, arrays, undersize)
    half = coverage_factor(coverage) * u
    run, place = np.nonzero(arrays.real[:, 1:])
    names = np.array(arrays.runs, dtype=object)
    times = np.array([one.milling_time_min for one in study.runs], dtype=float)
    return pd.DataFrame(
        {
            "run": names[run],
            TIME: times[run],
            "sieve": [arrays.sieves[r][p + 1] for r, p in zip(run, place, strict=True)],
            "aperture_um": arrays.aperture_um[run, place],
            "undersize": undersize[run, place],
            "u": u[run, place],
            "lower": np.clip(undersize - half, 0.0, 1.0)[run, place],
            "upper": np.clip(undersize + half, 0.0, 1.0)[run, place],
        }
    )


def _standard_uncertainty(table: InputTable, arrays: StudyArrays, undersize: Array) -> Array:
    """Standard uncertainty of each undersize value, shape (R, K - 1)."""
    n_runs, n_classes = table.net_g.shape
    below = np.arange(n_classes - 1)[:, None] >= np.arange(n_classes)
    by_mass = (below - undersize[:, :, None]) / table.net_g.sum(axis=1)[:, None, None]
    slope = _slope(arrays, undersize)
    by_aperture = -slope[:, :, None] * np.eye(n_classes - 1)
    shape = (n_runs, n_classes - 1, len(table.kind))
    of_mass = _contributions(table.on_mass, by_mass, shape)
    of_aperture = _contributions(table.on_aperture, by_aperture, shape)
    contributions = of_mass + of_aperture
    squares = np.asarray(contributions.multiply(contributions).sum(axis=1))
    return np.asarray(np.sqrt(squares.reshape(n_runs, n_classes - 1)))


def _contributions(
    action: Action, derivative: Array, shape: tuple[int, int, int]
) -> sparse.csr_array:
    """What a standard deviation of each input adds to each undersize value."""
    n_runs, n_sieves, n_inputs = shape
    run = np.array(action.run, dtype=np.intp)
    place = np.array(action.place, dtype=np.intp)
    part = derivative[run, :, place] * np.array(action.coefficient, dtype=float)[:, None]
    rows = n_sieves * run[:, None] + np.arange(n_sieves)
    columns = np.repeat(np.array(action.input, dtype=np.intp), n_sieves)
    return sparse.csr_array(
        (part.ravel(), (rows.ravel(), columns)), shape=(n_runs * n_sieves, n_inputs)
    )


def _slope(arrays: StudyArrays, undersize: Array) -> Array:
    """Slope of the undersize curve at each aperture by central differences in ln x, per µm."""
    slopes = np.zeros_like(undersize)
    for row, x in enumerate(arrays.ln_aperture):
        places = np.flatnonzero(arrays.real[row, 1:])
        if len(places) > 1:
            slopes[row, places] = np.gradient(undersize[row, places], x[places])
    return slopes / arrays.aperture_um
