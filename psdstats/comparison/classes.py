"""Class masses of all runs on one set of classes, merged where stacks differ (g, µm).

Only apertures that every run has remain as class limits; the masses between them are added up.
Nothing is interpolated or extrapolated.  Sieves of one nominal aperture count as the same limit;
what their true apertures differ by is an aperture uncertainty and not corrected here.

Isometric log-ratio coordinates of mass fractions, and the rule for empty classes.

Fractions of a whole carry only ratios, so they are moved to K - 1 real coordinates that keep the
distances between compositions: J. J. Egozcue, V. Pawlowsky-Glahn, G. Mateu-Figueras and
C. Barceló-Vidal, "Isometric logratio transformations for compositional data analysis",
Mathematical Geology 35 (2003) 279-300.  The basis follows size: coordinate j sets the geometric
mean of the j finest classes against the next coarser class.  An empty class has no logarithm; it is
replaced by a small stated fraction and the others are scaled down together, so that their ratios
stay (multiplicative replacement; J. A. Martín-Fernández, C. Barceló-Vidal and V. Pawlowsky-Glahn,
Mathematical Geology 35 (2003) 253-278).  Both formulas from memory.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.columns import signed
from psdstats.errors import ModelError
from psdstats.study.records import Run, Study


@dataclass(frozen=True, kw_only=True, eq=False)
class CommonClasses:
    """Class masses of runs on common limits.

    Parameters
    ----------
    runs : tuple of str
        Runs in the order of the study.
    limits_um : ndarray, shape (K - 1,)
        Apertures that separate the classes, ascending.
    mass_g : ndarray, shape (n_runs, K)
        Mass in each class, finest (through the finest common sieve) first.
    names : tuple of str
        Name of each class: "< 45 µm", "45 to 90 µm", "≥ 500 µm".
    notes : tuple of str
        What was merged, as sentences.
    """

    runs: tuple[str, ...]
    limits_um: NDArray[np.float64]
    mass_g: NDArray[np.float64]
    names: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def fractions(self) -> NDArray[np.float64]:
        """Mass fractions, shape (n_runs, K); a net mass below zero counts as zero."""
        held = np.clip(self.mass_g, 0.0, None)
        return np.asarray(held / held.sum(axis=1, keepdims=True), dtype=np.float64)

    def to_frame(self) -> pd.DataFrame:
        """One row a run and class: run, class, mass_g, mass_percent."""
        share = 100 * self.fractions
        return pd.DataFrame(
            [
                {
                    "run": run,
                    "class": name,
                    "mass_g": self.mass_g[i, k],
                    "mass_percent": share[i, k],
                }
                for i, run in enumerate(self.runs)
                for k, name in enumerate(self.names)
            ]
        )


def _apertures(run: Run) -> frozenset[float]:
    return frozenset(r.aperture_um for r in run.readings if r.aperture_um > 0)


def stack_families(study: Study) -> list[list[Run]]:
    """Sort runs into families whose distributions can share classes without losing the curve."""
    sets = [_apertures(run) for run in study.runs]
    if 2 * len(frozenset.intersection(*sets)) >= min(map(len, sets)):
        return [list(study.runs)]
    families: dict[frozenset[float], list[Run]] = {}
    for run, stack in zip(study.runs, sets, strict=True):
        families.setdefault(stack, []).append(run)
    return list(families.values())


def common_classes(runs: Sequence[Run]) -> CommonClasses:
    """Bring the class masses of runs to the apertures they share."""
    apertures = [_apertures(run) for run in runs]
    shared = frozenset.intersection(*apertures)
    every = frozenset.union(*apertures)
    if not shared:
        raise ModelError(
            "The runs have no aperture in common, so their distributions cannot be compared "
            "without guessing between sieves; compare percentiles instead."
        )
    limits = np.array(sorted(shared))
    mass = np.array([_masses(run, limits) for run in runs])
    for run, total in zip(runs, mass.sum(axis=1), strict=True):
        if total <= 0:
            raise ModelError(f"Run {run.name} has no mass on its sieves; leave it out.")
    notes = []
    if every - shared:
        notes.append(
            f"Apertures not in every stack were merged away: {_list(every - shared)}; "
            f"{len(limits) + 1} common classes remain."
        )
    limits, mass, dropped = _merge_empty(limits, mass)
    if dropped:
        notes.append(f"Limits around classes empty in every run were dropped: {_list(dropped)}.")
    return CommonClasses(
        runs=tuple(run.name for run in runs),
        limits_um=limits,
        mass_g=mass,
        names=_names(limits),
        notes=tuple(notes),
    )


def _masses(run: Run, limits: NDArray[np.float64]) -> NDArray[np.float64]:
    mass = np.zeros(len(limits) + 1)
    for reading in run.readings:
        mass[int(np.searchsorted(limits, reading.aperture_um, side="right"))] += reading.net_g
    return mass


def _merge_empty(
    limits: NDArray[np.float64], mass: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], set[float]]:
    """Join each class empty in every run to its finer neighbour (the finest to its coarser)."""
    held = np.asarray(np.any(mass > 0, axis=0), dtype=np.bool_)
    keep_limit = held[1:].copy()  # limit j separates class j from class j + 1
    if not held[0] and keep_limit.any():
        keep_limit[int(np.argmax(keep_limit))] = False
    group = np.concatenate([[0], np.cumsum(keep_limit)])
    merged = np.zeros((len(mass), int(group[-1]) + 1))
    for column, target in enumerate(group):
        merged[:, target] += mass[:, column]
    return limits[keep_limit], merged, {float(x) for x in limits[~keep_limit]}


def _names(limits: NDArray[np.float64]) -> tuple[str, ...]:
    if not len(limits):
        return ("all",)
    between = [f"{a:g} to {b:g} µm" for a, b in itertools.pairwise(limits)]
    return (f"< {limits[0]:g} µm", *between, f"≥ {limits[-1]:g} µm")


def _list(apertures: Iterable[float]) -> str:
    return ", ".join(f"{one:g}" for one in sorted(apertures)) + " µm"


def sequential_basis(classes: int) -> NDArray[np.float64]:
    """Orthonormal log-contrasts along size.

    Shapes: gives (classes - 1, classes).

    Examples
    --------
    >>> sequential_basis(3).round(3)
    array([[ 0.707, -0.707,  0.   ],
           [ 0.408,  0.408, -0.816]])
    """
    if classes < 2:
        raise ModelError(
            f"A distribution of {classes} class has nothing to compare; at least 2 are needed."
        )
    j = np.arange(1, classes)[:, None]
    column = np.arange(classes)[None, :]
    return np.where(
        column < j, np.sqrt(1 / (j * (j + 1))), np.where(column == j, -np.sqrt(j / (j + 1)), 0.0)
    )


def log_ratio_coordinates(fractions: ArrayLike) -> NDArray[np.float64]:
    """Isometric log-ratio coordinates of compositions.

    Shapes: fractions (n, K); gives (n, K - 1).

    Examples
    --------
    >>> log_ratio_coordinates([[0.5, 0.25, 0.25]]).round(3)
    array([[0.49 , 0.283]])
    """
    parts = np.asarray(fractions, dtype=np.float64)
    bad = np.argwhere(~(parts > 0))
    if len(bad):
        row, column = bad[0]
        raise ModelError(
            f"Row {row}, class {column} holds {float(parts[row, column])!r}, which has no "
            "logarithm; replace empty classes first (replace_zeros)."
        )
    return np.asarray(np.log(parts) @ sequential_basis(parts.shape[1]).T, dtype=np.float64)


def replace_zeros(fractions: ArrayLike, delta: ArrayLike) -> NDArray[np.float64]:
    """Multiplicative replacement of empty classes.

    Shapes: fractions (n, K), delta (n,); gives (n, K).

    Examples
    --------
    >>> replace_zeros([[0.5, 0.5, 0.0]], 0.01).round(3)
    array([[0.495, 0.495, 0.01 ]])
    """
    parts = np.clip(np.asarray(fractions, dtype=np.float64), 0.0, None)
    total = parts.sum(axis=1, keepdims=True)
    if not (total > 0).all():
        row = int(np.argmin(total))
        raise ModelError(f"Row {row} has no mass in any class; leave that run out.")
    parts = parts / total
    small = np.broadcast_to(np.asarray(delta, dtype=np.float64), parts.shape[:1])[:, None]
    empty = parts == 0
    taken = small * empty.sum(axis=1, keepdims=True)
    if not ((small > 0) & (taken < 1)).all():
        raise ModelError(
            f"A replacement of {signed(small.max())} (smallest {signed(small.min())}) for empty "
            "classes is not possible: it must be positive and leave room for the other classes."
        )
    return np.where(empty, small, parts * (1 - taken))
