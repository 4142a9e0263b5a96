"""Means of sizes over runs, with what the measurement alone contributes to them.

Geometric means on ln D with the joint covariance, so that errors shared by the runs do not average
out.  Run-to-run variation is not in these limits; it belongs to the comparison of runs.

Measurement covariance of ln size with the sensitivities taken at the mean curve of runs alike.

A model that weighs runs by their known covariance must not let a run's weight depend on its own
reading.  Between two apertures ln D is a straight line in the undersize, and so are its
sensitivities to the errors of the two apertures: read from each run's own curve, they follow the
very scatter that the model is to judge, which it then takes for an aperture error and "corrects"
(in data evaluation known as Peelle's puzzle; from memory).  Sensitivities at the mean curve of runs
alike do not.  What it makes of intervals is measured in tests/calibration/results/time_effect.md.

Masses in g; covariances are of natural logarithms, without unit.  Values stay those of each run.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.study.records import Run, Study
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.propagation import Method, Propagation


def mean_sizes(
    propagation: Propagation, runs: pd.DataFrame, by: Sequence[str], *, coverage: float = 0.95
) -> pd.DataFrame:
    """Geometric mean of each quantity over the runs of each cell."""
    k = coverage_factor(coverage)
    rows = []
    for column, quantity in enumerate(propagation.quantities):
        joint = propagation.covariance(quantity, log=True).to_numpy()
        value = propagation.value[:, column]
        for key, found in runs.groupby(list(by), sort=True).indices.items():
            index = np.asarray(found, dtype=np.intp)
            cell = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
            row: dict[str, object] = {**cell, "quantity": quantity, "n_runs": len(index)}
            if np.isfinite(value[index]).all():
                centre = float(np.log(value[index]).mean())
                half = k * float(np.sqrt(joint[np.ix_(index, index)].mean()))
                row |= {
                    "value": float(np.exp(centre)),
                    "lower": float(np.exp(centre - half)),
                    "upper": float(np.exp(centre + half)),
                    "side": "",
                }
            else:
                row |= _open_mean(propagation, column, index)
            rows.append(row)
    return pd.DataFrame(rows)


def _open_mean(propagation: Propagation, column: int, index: NDArray[np.intp]) -> dict[str, object]:
    """Bound of a geometric mean some of whose runs are open on one side."""
    low = propagation.bound_lower[index, column]
    high = propagation.bound_upper[index, column]
    if np.isfinite(high).all() and (low == 0).any():
        bound, side = float(np.exp(np.log(high).mean())), "<"
    elif (low > 0).all() and np.isinf(high).any():
        bound, side = float(np.exp(np.log(low).mean())), ">"
    else:
        bound, side = float("nan"), ""
    return {"value": bound, "lower": bound, "upper": bound, "side": side}


def mean_curve_study(study: Study, alike: Sequence[str], *, own: Sequence[str] = ()) -> Study:
    """The study with every run's masses replaced by those of the mean curve of runs alike."""
    table = study.runs_frame()
    levels = table[list(alike)].itertuples(index=False, name=None)
    kinds: list[Hashable] = [
        (level, tuple(reading.aperture_um for reading in run.readings))
        for level, run in zip(levels, study.runs, strict=True)
    ]
    shares = [np.array([r.net_g for r in run.readings]) / run.total_g for run in study.runs]
    mean = {
        kind: np.mean([one for one, its in zip(shares, kinds, strict=True) if its == kind], axis=0)
        for kind in set(kinds)
    }
    runs = (
        run if run.name in own else _with_shares(run, mean[kind])
        for run, kind in zip(study.runs, kinds, strict=True)
    )
    return replace(study, runs=tuple(runs))


def mean_curve_covariance(
    study: Study, propagation: Propagation, alike: Sequence[str], *, quantity: str
) -> pd.DataFrame:
    """Covariance of ln of one quantity by linear propagation at the mean curves.

    Shapes: gives (R, R).
    """
    column = propagation.quantities.index(quantity)
    has_value = np.isfinite(propagation.value[:, column])
    names = np.array(propagation.runs)
    at_mean = _linear(mean_curve_study(study, alike), propagation)
    lost = names[has_value & ~np.isfinite(at_mean.value[:, column])]
    if len(lost):
        at_mean = _linear(mean_curve_study(study, alike, own=lost.tolist()), propagation)
    known = at_mean.covariance(quantity, log=True).to_numpy(copy=True)
    known[~has_value, :] = np.nan
    known[:, ~has_value] = np.nan
    return pd.DataFrame(known, index=propagation.runs, columns=propagation.runs)


def _linear(study: Study, like: Propagation) -> Propagation:
    return propagate(study, method=Method.LINEAR, sources=like.sources, rule=like.rule)


def _with_shares(run: Run, shares: NDArray[np.float64]) -> Run:
    """The run with its total mass spread over the classes in these shares."""
    net_g = (run.total_g * shares).tolist()
    readings = tuple(
        replace(reading, gross_g=reading.tare_g + net)
        for reading, net in zip(run.readings, net_g, strict=True)
    )
    return replace(run, readings=readings)
