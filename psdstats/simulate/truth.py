"""What is true of simulated runs, in the quantities an evaluation estimates.

D10, D50 and D90 in µm and the span (D90 − D10)/D50 without unit.  Two truths are told apart: the
percentile of the true curve, and the percentile that the interpolation rule of the study gives
when apertures and class masses are known exactly; their difference is the interpolation error.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.distribution.inverse import ln_sizes, undersize_of_masses
from psdstats.distribution.rules import as_rule
from psdstats.simulate.curve import LEVELS
from psdstats.simulate.layout import Layout
from psdstats.simulate.sieving import gather
from psdstats.simulate.weighing import Readings

__all__ = ["QUANTITIES", "UNITS", "quantities_of", "rule_sizes", "truth_frame"]

QUANTITIES = ("D10", "D50", "D90", "span")
UNITS = ("µm", "µm", "µm", "1")


def quantities_of(size_um: NDArray[np.float64]) -> NDArray[np.float64]:
    """D10, D50, D90 with the span appended, shape (..., 3) → (..., 4)."""
    d10, d50, d90 = np.moveaxis(size_um, -1, 0)
    return np.stack([d10, d50, d90, (d90 - d10) / d50], axis=-1)


def rule_sizes(
    mass: NDArray[np.float64], aperture_um: NDArray[np.float64], *, rule: str
) -> NDArray[np.float64]:
    """D10, D50, D90 and span by an interpolation rule.

    Parameters
    ----------
    mass : ndarray, shape (T, R, K)
        Masses or fractions by class, pan first.
    aperture_um : ndarray, shape (T, R, K)
        Lower aperture of each class: 0 for the pan, inf where a stack has fewer classes.
    rule : str
        Interpolation rule of `psdstats.distribution`.

    Returns
    -------
    ndarray, shape (T, R, 4)
        NaN where a level is not bracketed.
    """
    trials, runs, _ = mass.shape
    size = np.full((trials, runs, len(LEVELS)), np.nan)
    classes = np.isfinite(aperture_um[0]).sum(axis=-1)
    for count in np.unique(classes):
        here = np.flatnonzero(classes == count)
        rows = trials * here.size
        undersize = undersize_of_masses(mass[:, here, :count].reshape(rows, count))
        ln_aperture = np.log(aperture_um[:, here, 1:count].reshape(rows, count - 1))
        ln_size = ln_sizes(undersize, ln_aperture, np.array(LEVELS), as_rule(rule))
        ln_size[~np.isfinite(ln_size)] = np.nan
        size[:, here] = np.exp(ln_size).reshape(trials, here.size, len(LEVELS))
    return quantities_of(size)


def truth_frame(
    layout: Layout, readings: Readings, typical: NDArray[np.float64], *, rule: str
) -> pd.DataFrame:
    """True sizes of the first of the simulated trials.

    Parameters
    ----------
    layout : Layout
        Index tables of the design.
    readings : Readings
        The simulated readings.
    typical : ndarray, shape (R, 4)
        Quantities with every random difference of benches and runs at 0.
    rule : str
        Interpolation rule of the study.

    Returns
    -------
    DataFrame
        One row for each run and quantity: run, quantity, unit, true (percentile of the run's true
        curve), by_rule (interpolated from true apertures and true fractions, NaN where not
        bracketed), typical (a run with nothing random).
    """
    true = quantities_of(readings.curves.sizes())[0]
    aperture_um = gather(readings.apertures.true_um[:1], layout, pad=np.inf)
    by_rule = rule_sizes(readings.fraction[:1], aperture_um, rule=rule)[0]
    runs = len(layout.run_names)
    return pd.DataFrame(
        {
            "run": np.repeat(layout.run_names, len(QUANTITIES)),
            "quantity": np.tile(QUANTITIES, runs),
            "unit": np.tile(UNITS, runs),
            "true": true.ravel(),
            "by_rule": by_rule.ravel(),
            "typical": typical.ravel(),
        }
    )
