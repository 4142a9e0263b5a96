"""Mass fractions and cumulative undersize, of one run or of a whole study.

Fractions are of the sum of the net masses (what was found on the sieves and in the pan), not of
the mass put on; a loss is the business of the checks and of the uncertainty.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.distribution.arrays import study_arrays
from psdstats.distribution.inverse import undersize_of_masses
from psdstats.errors import SizeError
from psdstats.study.records import Run, Study
from psdstats.wording import signed

__all__ = ["cumulative_undersize", "curve_frame", "mass_fractions"]

Array = NDArray[np.float64]


def mass_fractions(run: Run) -> Array:
    """Mass fraction of each class of a run, in the order of its readings (pan first).

    Parameters
    ----------
    run : Run
        A run with its readings, pan first.

    Returns
    -------
    ndarray, shape (n_readings,)
        Sums to 1.

    Raises
    ------
    SizeError
        If the run holds no powder.
    """
    net = np.array([reading.net_g for reading in run.readings], dtype=float)
    total = net.sum()
    if not total > 0:
        raise SizeError(
            f"run {run.name!r} has {signed(total)} g of powder in all; check its readings."
        )
    return np.asarray(net / total)


def cumulative_undersize(run: Run) -> Array:
    """Mass fraction finer than each sieve of a run (ISO 9276-1: Q3), finest sieve first.

    Parameters
    ----------
    run : Run
        A run with its readings, pan first.

    Returns
    -------
    ndarray, shape (n_readings - 1,)
        Undersize at the aperture of readings 1, 2, … (the pan itself has none).
    """
    return np.asarray(np.cumsum(mass_fractions(run))[:-1])


def curve_frame(study: Study) -> pd.DataFrame:
    """Distribution of every run, one row a class, pan first.

    Parameters
    ----------
    study : Study
        The weighings.

    Returns
    -------
    DataFrame
        Columns run, sieve, aperture_um (0 for the pan), upper_um (aperture of the next sieve; inf
        on the coarsest), net_g, fraction, undersize (finer than aperture_um; 0 for the pan).
    """
    arrays = study_arrays(study)
    undersize = undersize_of_masses(arrays.net_g)
    rows = []
    for row, run in enumerate(arrays.runs):
        places = np.flatnonzero(arrays.real[row])
        aperture = np.where(places > 0, arrays.aperture_um[row][places - 1], 0.0)
        rows.append(
            pd.DataFrame(
                {
                    "run": run,
                    "sieve": [arrays.sieves[row][place] for place in places],
                    "aperture_um": aperture,
                    "upper_um": np.append(aperture[1:], np.inf),
                    "net_g": arrays.net_g[row, places],
                    "fraction": arrays.net_g[row, places] / arrays.total_g[row],
                    "undersize": np.where(places > 0, undersize[row][places - 1], 0.0),
                }
            )
        )
    return pd.concat(rows, ignore_index=True)
