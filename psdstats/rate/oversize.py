"""Share of each run coarser than each sieve, with the variance the balance gives it.

Shares are of the sum of the net masses of a run; apertures are nominal, µm.  A run enters for a
sieve while the mass above it is at least 20 times its standard uncertainty; a run that holds no
powder never does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.rate.levels import by_level
from psdstats.rate.run_sizes import RunSizes, run_sizes
from psdstats.study.records import Run, Study

__all__ = ["Oversize", "oversize_of"]

LEAST_OVER_U = 20.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Oversize:
    """The runs that hold a weighable mass above one sieve.

    Parameters
    ----------
    series : str
        Level of the factor, or empty.
    aperture_um : float
        Nominal aperture.
    data : RunSizes or None
        ``ln_size`` holds ln R; None where fewer than two times are left.
    group : tuple of str
        Group of each run.
    """

    series: str
    aperture_um: float
    data: RunSizes | None
    group: tuple[str, ...]


def oversize_of(study: Study, *, by: str | None = None) -> list[Oversize]:
    """Shares above every aperture, coarsest first, level by level of a factor.

    Raises
    ------
    ModelError
        If the factor is not a column of the run table, or has no value for any run.
    """
    rows = {run.name: _run_rows(study, run) for run in study.runs if run.total_g > 0}
    found = []
    for label, runs in by_level(study.runs_frame(), by):
        own = [row for name in runs["run"] for row in rows.get(name, ())]
        found += _of_level(label, pd.DataFrame(own)) if own else []
    return found


def _of_level(series: str, frame: pd.DataFrame) -> list[Oversize]:
    """Shares above every aperture at one level, coarsest first."""
    found = []
    for aperture_um, part in frame.groupby("aperture_um", sort=True):
        used = part[part["share"] > 0]
        used = used[used["share"] >= LEAST_OVER_U * used["u_share"]]
        data = None
        if len(used["time_min"].unique()) > 1:
            data = run_sizes(
                used["time_min"],
                used["share"],
                group=used["group"],
                known_covariance=np.diag((used["u_share"] / used["share"]) ** 2),
            )
        found.append(
            Oversize(
                series=series,
                aperture_um=float(aperture_um),  # type: ignore[arg-type]
                data=data,
                group=tuple(used["group"]),
            )
        )
    return found[::-1]


def _run_rows(study: Study, run: Run) -> list[dict[str, object]]:
    """Share above each sieve of a run and its standard uncertainty from the balance."""
    balance = study.balances[run.balance]
    one_net = 2 * (balance.resolution_g**2 / 12 + balance.repeatability_g**2)
    readings = sorted(run.readings, key=lambda reading: -reading.aperture_um)
    total = run.total_g
    rows: list[dict[str, object]] = []
    above = 0.0
    for number, reading in enumerate(readings[:-1], start=1):
        above += reading.net_g
        share = above / total
        below = len(readings) - number
        variance = one_net * ((1 - share) ** 2 * number + share**2 * below) / total**2
        rows.append(
            {
                "run": run.name,
                "group": run.group,
                "time_min": run.milling_time_min,
                "aperture_um": reading.aperture_um,
                "share": share,
                "u_share": float(np.sqrt(variance)),
            }
        )
    return rows
