"""The weighings of a whole study as padded arrays, one row a run.

Masses in g, apertures in µm.  Classes go from the pan up: class 0 is the pan, class k lies between
aperture k - 1 and aperture k, the last class is what the coarsest sieve holds.  A run with fewer
sieves keeps its coarsest class in the last column; the columns before it hold no mass and repeat
its coarsest aperture, so that they can never bracket a percentile.  Apertures are the certified
averages where a certificate gives them (`Sieve.best_um`), else nominal.

The size that stands for all particles of a class, for means, moments and particle masses.

Between two sieves the geometric or the arithmetic mean of the apertures.  The pan has no lower and
the coarsest class no upper aperture: half the finest aperture, and the coarsest times √2, stand in
(common practice, no source).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from psdstats.columns import signed
from psdstats.errors import SizeError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, freeze_arrays
from psdstats.study.records import Reading, Run, Study

_LISTED = 3  # readings named in a note before "and … more"


class WeighingRemark(RemarkKind):
    """What had to be assumed of the readings."""

    NEGATIVE_NET = "net masses below nothing"  # found: (net_g, sieve, run) of the first, more


@dataclass(frozen=True, kw_only=True, eq=False)
class StudyArrays:
    """Weighings of R runs in K classes.

    Attributes
    ----------
    runs : tuple of str
        Run names, in the order of the study.
    sieves : tuple of tuple of str
        For each run the sieve key of each class; empty text where the column is padding.
    tare_g, gross_g, net_g : ndarray, shape (R, K)
        Readings and their differences; 0 in padding.
    real : ndarray of bool, shape (R, K)
        False in padding.
    aperture_um, ln_aperture : ndarray, shape (R, K - 1)
        Apertures and their logarithms; aperture j is that of the sieve of class j + 1.
    sieve_keys : tuple of str
        The physical sieves in use, each once, sorted by key.
    sieve_index : ndarray of int, shape (R, K - 1)
        Which of them each aperture belongs to.
    notes : tuple of Remark
        What had to be assumed.
    """

    runs: tuple[str, ...]
    sieves: tuple[tuple[str, ...], ...]
    tare_g: Array
    gross_g: Array
    net_g: Array
    real: NDArray[np.bool_]
    aperture_um: Array
    ln_aperture: Array
    sieve_keys: tuple[str, ...]
    sieve_index: NDArray[np.intp]
    notes: tuple[Remark, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)

    @property
    def total_g(self) -> Array:
        """Sum of the net masses of each run, shape (R,)."""
        return np.asarray(self.net_g.sum(axis=1))

    def take(self, rows: Sequence[int]) -> StudyArrays:
        """The same for some of the runs, with the padding and the sieves of all."""
        arrays: dict[str, Any] = {
            name: own[list(rows)] for name, own in vars(self).items() if isinstance(own, np.ndarray)
        }
        runs = tuple(self.runs[row] for row in rows)
        return replace(self, runs=runs, sieves=tuple(self.sieves[row] for row in rows), **arrays)


def study_arrays(study: Study, runs: Iterable[Run] | None = None) -> StudyArrays:
    """Arrange the readings of a study (or of some of its runs) as padded arrays."""
    chosen = study.runs if runs is None else tuple(runs)
    if not chosen:
        raise SizeError(f"study {study.title!r} has no run; add at least one to the run table.")
    ordered = [_classes(study, run) for run in chosen]
    n_classes = max(len(classes) for classes in ordered)
    shape = (len(chosen), n_classes)
    tare, gross, aperture = np.zeros(shape), np.zeros(shape), np.empty(shape)
    real = np.zeros(shape, dtype=bool)
    sieves: list[tuple[str, ...]] = []
    for row, classes in enumerate(ordered):
        places = [*range(len(classes) - 1), n_classes - 1]
        keys = [""] * n_classes
        aperture[row] = classes[-1][1]
        for place, (reading, best_um) in zip(places, classes, strict=True):
            tare[row, place], gross[row, place] = reading.tare_g, reading.gross_g
            aperture[row, place], keys[place] = best_um, reading.sieve
        real[row, places] = True
        sieves.append(tuple(keys))
    net = gross - tare
    keys_in_use = tuple(sorted({key for row in sieves for key in row[1:] if key}))
    # padding repeats the coarsest aperture, so it belongs to the coarsest sieve
    index = [[keys_in_use.index(key or row[-1]) for key in row[1:]] for row in sieves]
    return StudyArrays(
        runs=tuple(run.name for run in chosen),
        sieves=tuple(sieves),
        tare_g=tare,
        gross_g=gross,
        net_g=net,
        real=real,
        aperture_um=aperture[:, 1:].copy(),
        ln_aperture=np.log(aperture[:, 1:]),
        sieve_keys=keys_in_use,
        sieve_index=np.array(index, dtype=np.intp),
        notes=_checked_masses(chosen, sieves, net),
    )


def _classes(study: Study, run: Run) -> list[tuple[Reading, float]]:
    """Readings of a run with their best apertures, pan first, then finest to coarsest."""
    classes = [
        (one, study.sieves[one.sieve].best_um if one.aperture_um > 0 else 0.0)
        for one in run.readings
    ]
    classes.sort(key=lambda pair: pair[1])
    apertures = [best_um for _, best_um in classes]
    if not apertures or apertures[0] != 0:
        raise SizeError(f"run {run.name!r} has no pan; weigh the pan and give it aperture 0.")
    if len(apertures) == 1:
        raise SizeError(f"run {run.name!r} has a pan but no sieve; give its sieve readings.")
    for finer, coarser in itertools.pairwise(apertures):
        if finer == coarser:
            raise SizeError(
                f"run {run.name!r} has aperture {coarser:g} µm twice; keep one reading of it."
            )
    return classes


def _checked_masses(
    runs: tuple[Run, ...], sieves: list[tuple[str, ...]], net: Array
) -> tuple[Remark, ...]:
    totals = net.sum(axis=1)
    for run, total in zip(runs, totals, strict=True):
        if not total > 0:
            raise SizeError(
                f"run {run.name!r} has {signed(total)} g of powder in all; check its tare and "
                "gross readings."
            )
    found = tuple(
        (float(net[row, place]), sieves[row][place], runs[row].name)
        for row, place in np.argwhere(net < 0)
    )
    if not found:
        return ()
    more = max(len(found) - _LISTED, 0)
    return (WeighingRemark.NEGATIVE_NET(found=found[:_LISTED], more=more),)


class ClassMean(StrEnum):
    """Mean of the two apertures of a class."""

    GEOMETRIC = "geometric"
    ARITHMETIC = "arithmetic"

    @classmethod
    def _missing_(cls, value: object) -> ClassMean:
        names = " or ".join(repr(str(one)) for one in cls)
        raise SizeError(f"class mean {value!r} is not known; choose {names}.")


def class_sizes_um(aperture: Array, mean: ClassMean = ClassMean.GEOMETRIC) -> Array:
    """Size that stands for each class, shape (R, K), from the apertures, (R, K - 1), in µm."""
    size = np.empty((len(aperture), aperture.shape[1] + 1))
    size[:, 0] = aperture[:, 0] / 2
    if mean is ClassMean.GEOMETRIC:
        size[:, 1:-1] = np.sqrt(aperture[:, :-1] * aperture[:, 1:])
    else:
        size[:, 1:-1] = (aperture[:, :-1] + aperture[:, 1:]) / 2
    size[:, -1] = aperture[:, -1] * np.sqrt(2)
    return size
