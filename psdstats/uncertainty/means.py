"""Means of sizes over runs, with what the measurement alone contributes to them.

Geometric means on ln D with the joint covariance, so that errors shared by the runs do not average
out.  Run-to-run variation is not in these limits; it belongs to the comparison of runs.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.study.records import Study
from psdstats.uncertainty.law import prepare
from psdstats.uncertainty.linear import coverage_factor
from psdstats.uncertainty.propagation import Propagation


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


def mean_curve_covariance(
    study: Study, propagation: Propagation, alike: Sequence[str], *, quantity: str
) -> pd.DataFrame:
    """One quantity of `JointLaw.at_mean_curve`, which gives all of them at once.

    Shapes: gives (R, R).
    """
    law = prepare(study, sources=propagation.sources, rule=propagation.rule)
    known = law.at_mean_curve(alike)[quantity]
    return pd.DataFrame(known, index=propagation.runs, columns=propagation.runs)
