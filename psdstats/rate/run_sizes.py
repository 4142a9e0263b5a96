"""Divide the runs of a trial by the levels of one column of the run table.

Sizes of the runs of one trial as a rate model sees them: arrays and a covariance.

Time in min, sizes as ln of µm.

Take one quantity of a study for a rate model, level by level of a factor.

A percentile the sieves do not bracket has no value.  Leaving out only the runs at fault would keep
those that happened to stay inside the stack, so every run of that group and time is left out.
The known covariance is that at the mean curve of the runs of one time (and level), so that the
weight of a run does not follow its own error.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from psdstats.columns import BOOKKEEPING, GROUP, TIME, without_value
from psdstats.errors import ModelError
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.study.records import Study
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.means import mean_curve_covariance
from psdstats.uncertainty.propagation import Propagation
from psdstats.uncertainty.registry import choose_sources
from psdstats.uncertainty.sources.run_to_run import RunToRun


def by_level(frame: pd.DataFrame, by: str | None) -> list[tuple[str, pd.DataFrame]]:
    """Rows of each level with a label, numbers by size and texts by alphabet.

    Runs without a value are in none of them; `runs_without_level` says so.

    Examples
    --------
    >>> runs = pd.DataFrame({"run": ["a", "b"], "ball_ratio": [10.0, 5.0]})
    >>> [label for label, _ in by_level(runs, "ball_ratio")]
    ['ball_ratio 5', 'ball_ratio 10']
    """
    if by is None:
        return [("", frame)]
    if by not in frame.columns:
        known = ", ".join(name for name in frame.columns if name != "run")
        raise ModelError(f"The run table has no column {by!r}. Name one of: {known}.")
    if frame[by].isna().all():
        raise ModelError(
            f"Column {by!r} has no value for any run; fill it in, or do not divide the runs by it."
        )
    return [(f"{by} {level_text(value)}", part) for value, part in frame.groupby(by, sort=True)]


def runs_without_level(frame: pd.DataFrame, by: str | None) -> tuple[str, ...]:
    """A note on the runs that have no value in a column, or none where all have one."""
    lost = [] if by is None else frame.loc[frame[by].isna(), "run"].tolist()
    return (without_value(lost, str(by)),) if lost else ()


@dataclass(frozen=True, kw_only=True, eq=False)
class RunSizes:
    """One percentile of n runs.

    Parameters
    ----------
    time_min, ln_size : ndarray, shape (n,)
        Milling time and ln of the size in µm.
    known : ndarray, shape (n, n), or None
        Known covariance of ``ln_size`` from the measurement.
    same_group : ndarray, shape (n, n)
        1 where two runs belong to one group, else 0.
    groups : int
        Number of groups that can be told from runs: 1 where no group has a second run, since
        differences between groups are then differences between runs.
    """

    time_min: Array
    ln_size: Array
    known: Array | None
    same_group: Array
    groups: int

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                value.setflags(write=False)

    @property
    def times(self) -> Array:
        """Distinct times, increasing."""
        return np.unique(self.time_min)


def run_sizes(
    time_min: ArrayLike,
    size_um: ArrayLike,
    *,
    group: ArrayLike | None = None,
    known_covariance: ArrayLike | None = None,
) -> RunSizes:
    """Check and gather arrays for the rate models.

    Shapes: time_min, size_um (n,), group (n,), known_covariance (n, n).
    """
    time = np.array(time_min, dtype=float).ravel()
    size = np.array(size_um, dtype=float).ravel()
    if time.size != size.size:
        raise ModelError(f"there are {time.size} times for {size.size} sizes; give one each.")
    for name, values, bad in (
        ("milling time", time, ~np.isfinite(time) | (time < 0)),
        ("size", size, ~np.isfinite(size) | (size <= 0)),
    ):
        if bad.any():
            at = int(np.flatnonzero(bad)[0])
            raise ModelError(
                f"{name} number {at + 1} is {values[at]:g}; leave out runs without a usable value."
            )
    if len(np.unique(time)) < 2:
        raise ModelError(
            f"all {time.size} runs have one milling time; a rate needs two times or more."
        )
    labels = np.zeros(time.size) if group is None else np.asarray(group).ravel()
    if labels.size != time.size:
        raise ModelError(f"there are {labels.size} groups for {time.size} runs; give one each.")
    known = None
    if known_covariance is not None:
        known = np.array(known_covariance, dtype=float)
        if known.shape != (time.size, time.size):
            raise ModelError(
                f"the known covariance has shape {known.shape} for {time.size} runs; give one row "
                "and one column a run."
            )
        known = 0.5 * (known + known.T)
    groups = len(np.unique(labels))
    return RunSizes(
        time_min=time,
        ln_size=np.log(size),
        known=known,
        same_group=(labels[:, None] == labels[None, :]).astype(float),
        groups=1 if groups == labels.size else groups,
    )


RUN_TO_RUN = RunToRun.name
_NOT_FACTORS = (*BOOKKEEPING, GROUP, TIME)


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
    """Divide the runs by a factor and take the quantity of each."""
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
    alike = [TIME] if by is None else [TIME, by]
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
    cells = list(zip(part["group"], part[TIME], strict=True))
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
            used[TIME],
            used["size_um"],
            group=used["group"],
            known_covariance=covariance[np.ix_(rows, rows)],
        )
    except ModelError as error:
        raise ModelError(f"{label + ': ' if label else ''}{quantity}: {error}") from error
    columns = ["run", "group", TIME, "size_um"]
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
