"""Take one quantity of a study for a rate model, level by level of a factor.

A percentile the sieves do not bracket has no value.  Leaving out only the runs at fault would keep
those that happened to stay inside the stack, so every run of that group and time is left out.
The known covariance is that at the mean curve of the runs of one time (and level), so that the
weight of a run does not follow its own error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from psdstats.errors import ModelError
from psdstats.rate.levels import by_level, runs_without_level
from psdstats.rate.run_sizes import RunSizes, run_sizes
from psdstats.study.records import Study
from psdstats.uncertainty import Propagation, choose_sources, mean_curve_covariance, propagate
from psdstats.uncertainty.sources.run_to_run import RunToRun

__all__ = ["LevelSizes", "sizes_by_level", "without_run_to_run"]

RUN_TO_RUN = RunToRun.name
_TIME = "milling_time_min"
_NOT_FACTORS = ("run", "group", "replicate", "sample_mass_g", "balance", _TIME)


@dataclass(frozen=True, kw_only=True, eq=False)
class LevelSizes:
    """The sizes of the runs at one level.

    Parameters
    ----------
    label : str
        For example "ball_ratio 2"; empty where runs are not divided.
    frame : DataFrame
        run, group, milling_time_min, size_um of the runs used.
    data : RunSizes
        The same as arrays with their covariance.
    notes : tuple of str
        What was left out.
    """

    label: str
    frame: pd.DataFrame
    data: RunSizes
    notes: tuple[str, ...]


def without_run_to_run(study: Study, seed: int) -> Propagation:
    """Joint uncertainty of a study without the part that the rate model estimates itself."""
    sources = [one for one in choose_sources(study).included if one.name != RUN_TO_RUN]
    return propagate(study, seed=seed, sources=sources)


def sizes_by_level(
    study: Study, propagation: Propagation, *, quantity: str, by: str | None
) -> tuple[LevelSizes, ...]:
    """Divide the runs by a factor and take the quantity of each.

    Raises
    ------
    ModelError
        If the factor or the quantity is not known, or the propagation is of other runs or counts
        run-to-run variation.
    """
    if RUN_TO_RUN in propagation.sources:
        raise ModelError(
            "The propagation given holds the run-to-run source, which the rate model estimates "
            "itself; make it without that source."
        )
    if quantity not in propagation.quantities or quantity == "span":
        raise ModelError(f"There is no size {quantity!r} to fit; choose D10, D50 or D90.")
    frame = study.runs_frame()
    _same_runs(study, propagation)
    size = propagation.value[:, propagation.quantities.index(quantity)]
    frame = frame.assign(size_um=size)
    parts = by_level(frame, by)
    alike = [_TIME] if by is None else [_TIME, by]
    joint = mean_curve_covariance(study, propagation, alike, quantity=quantity).to_numpy()
    others = (
        *runs_without_level(frame, by),
        *_other_factors(frame, by),
        *_tail(quantity, str(propagation.rule)),
    )
    return tuple(_level(label, part, joint, quantity, others) for label, part in parts)


def _same_runs(study: Study, propagation: Propagation) -> None:
    runs = tuple(run.name for run in study.runs)
    if propagation.runs != runs:
        first = next((one for one in runs if one not in propagation.runs), None)
        found = "in another order" if first is None else f"without {first}"
        raise ModelError(
            f"The propagation given is of other runs than the study ({len(propagation.runs)} runs "
            f"for {len(runs)}, {found}); make it from this study."
        )


def _other_factors(frame: pd.DataFrame, by: str | None) -> tuple[str, ...]:
    return tuple(
        f"{column} differs between runs and is not in the rate model; fit by {column} to keep its "
        "levels apart."
        for column in frame.columns
        if column not in (*_NOT_FACTORS, by, "size_um") and len(frame[column].dropna().unique()) > 1
    )


def _tail(quantity: str, rule: str) -> tuple[str, ...]:
    """What a straight line between two sieves costs where the undersize curve bends."""
    if quantity == "D50" or rule in ("logprobit", "monotone"):
        return ()
    return (
        f"{quantity} lies where the undersize curve bends between two sieves, which the rule "
        f"{rule} does not follow: in simulated trials 95 % intervals of D10 held the truth in 83 "
        "to 97 %, with the rule logprobit in 91 to 99 %.",
    )


def _level(
    label: str, part: pd.DataFrame, covariance: np.ndarray, quantity: str, notes: tuple[str, ...]
) -> LevelSizes:
    is_open = ~np.isfinite(part["size_um"].to_numpy())
    cells = list(zip(part["group"], part[_TIME], strict=True))
    open_cells = {cell for cell, flag in zip(cells, is_open, strict=True) if flag}
    kept = np.array([cell not in open_cells for cell in cells], dtype=bool)
    if open_cells:
        where = ", ".join(f"{group} at {time:g} min" for group, time in sorted(open_cells))
        notes = (
            *notes,
            f"{quantity} is not bracketed by the sieves in {where}; those runs are left out, "
            "so the curve rests on the other times.",
        )
    used = part[kept]
    rows = used.index.to_numpy()
    try:
        data = run_sizes(
            used[_TIME],
            used["size_um"],
            group=used["group"],
            known_covariance=covariance[np.ix_(rows, rows)],
        )
    except ModelError as error:
        raise ModelError(f"{label + ': ' if label else ''}{quantity}: {error}") from error
    columns = ["run", "group", _TIME, "size_um"]
    return LevelSizes(
        label=label,
        frame=used[columns].reset_index(drop=True),
        data=data,
        notes=(*notes, *_thin(data)),
    )


def _thin(data: RunSizes) -> tuple[str, ...]:
    """What few runs or groups mean for the intervals; shares from simulated trials."""
    if data.groups == 1 and len(data.times) == len(data.ln_size):
        return (
            "Each time has one run, so run-to-run variation is judged by the deviations from the "
            "curve alone; 95 % intervals held the truth in 93 to 98 % of simulated trials.",
        )
    if data.groups == 2:
        return (
            "Two groups show their difference once only, so intervals of sizes and times are wide; "
            "a third group narrows them most.",
        )
    return ()
