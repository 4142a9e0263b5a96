"""The weighings of a whole study as padded arrays, one row a run, and their undersize curves.

Masses in g, apertures in µm.  Classes go from the pan up: class 0 is the pan, class k lies between
aperture k - 1 and aperture k, the last class is what the coarsest sieve holds.  A run with fewer
sieves keeps its coarsest class in the last column; the columns before it hold no mass and repeat
its coarsest aperture, so that they can never bracket a percentile.  Apertures are the certified
averages where a certificate gives them (`Sieve.best_um`), else nominal.  The size that stands for
all particles of a class, for means, moments and particle masses, is the geometric or the arithmetic
mean of its apertures; the pan has no lower and the coarsest class no upper aperture: half the
finest aperture, and the coarsest times √2, stand in (common practice, no source).

Monotone cubic through an undersize curve, for many curves at once, and its inverse.

Slopes follow the harmonic mean rule of F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5
(1984) 300-304, with the three-point end slopes of C. Moler (both from memory); they are the ones
`scipy.interpolate.PchipInterpolator` computes, which the tests compare with.  The functions also
accept complex undersize and ln x, so that derivatives can be taken by a complex step.

How a cumulative undersize curve runs between two sieves: the four interpolation rules.

Sizes are handled as ln x (x in µm), undersize as a mass fraction.  Linear interpolation in ln x is
common practice (no source); probit against ln x is the log-normal paper of ISO 9276-5 (from
memory); the monotone rule is the cubic of F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal.
17 (1980) 238-246 (from memory), with the harmonic slopes SciPy uses.  Nothing is extrapolated here.

Where undersize curves reach given levels: the batched core under every percentile.

Sizes are ln x (x in µm).  The general rule: the size is where the curve *first* reaches the level,
going up from the finest aperture, also where the curve has flat steps (empty classes) or falls (a
net mass below zero).  A level already passed at the finest aperture gives -inf ("finer than"), one
not reached at the coarsest gives +inf; nothing is extrapolated.

Mass fractions and cumulative undersize, of one run or of a whole study.

Fractions are of the sum of the net masses (what was found on the sieves and in the pan), not of
the mass put on; a loss is the business of the checks and of the uncertainty.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from psdstats.columns import signed
from psdstats.errors import SizeError
from psdstats.findings import Remark, RemarkKind
from psdstats.frozen import Array, Flags, Indices, Still
from psdstats.study.records import Reading, Run, Study

_LISTED = 3  # readings named in a note before "and … more"


class WeighingRemark(RemarkKind):
    """What had to be assumed of the readings."""

    NEGATIVE_NET = "net masses below nothing"  # found: (net_g, sieve, run) of the first, more


@dataclass(frozen=True, kw_only=True, eq=False)
class StudyArrays(Still):
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
    real: Flags
    aperture_um: Array
    ln_aperture: Array
    sieve_keys: tuple[str, ...]
    sieve_index: Indices
    notes: tuple[Remark, ...] = ()

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


def class_sizes_um(aperture: Array) -> Array:
    """Size that stands for each class, shape (R, K), from the apertures, (R, K - 1), in µm.

    The geometric mean of both apertures.
    """
    size = np.empty((len(aperture), aperture.shape[1] + 1))
    size[:, 0] = aperture[:, 0] / 2
    size[:, 1:-1] = np.sqrt(aperture[:, :-1] * aperture[:, 1:])
    size[:, -1] = aperture[:, -1] * np.sqrt(2)
    return size


Number = TypeVar("Number", np.float64, np.complex128)

_MAX_STEPS = 80
_TOLERANCE = 1e-15
_MET = 1e-12


def invert_monotone(undersize: Array, ln_aperture: Array, levels: Array, upper: Indices) -> Array:
    """Ln x at which each monotone cubic reaches each level inside its bracket.

    Shapes: undersize, ln_aperture (n_curves, n_apertures), levels (n_levels,), upper (n_curves,
    n_levels); gives (n_curves, n_levels).
    """
    slope = monotone_slopes(undersize, ln_aperture)
    lower = upper - 1
    rise = [np.take_along_axis(undersize, index, axis=1) for index in (lower, upper)]
    ends = [np.take_along_axis(ln_aperture, index, axis=1) for index in (lower, upper)]
    tilt = [np.take_along_axis(slope, index, axis=1) for index in (lower, upper)]
    width = ends[1] - ends[0]
    low, high = np.zeros_like(width), np.ones_like(width)
    place = np.clip((levels - rise[0]) / np.where(rise[1] > rise[0], rise[1] - rise[0], 1.0), 0, 1)
    for _ in range(_MAX_STEPS):
        gap = _cubic(place, rise[0], rise[1], width * tilt[0], width * tilt[1]) - levels
        low, high = np.where(gap < 0.0, place, low), np.where(gap < 0.0, high, place)
        rest = 1.0 - place
        fall = 6.0 * place * rest * (rise[1] - rise[0]) + width * (
            rest * (1.0 - 3.0 * place) * tilt[0] + place * (3.0 * place - 2.0) * tilt[1]
        )
        step = place - gap / np.where(fall > 0.0, fall, 1.0)
        inside = (fall > 0.0) & (step > low) & (step < high)
        following = np.where(inside, step, 0.5 * (low + high))
        done = bool(np.all(np.abs(following - place) <= _TOLERANCE))
        place = following
        if done:
            break
    # a curve that flattens onto the level has a double root there, which no iteration meets exactly
    at_start, at_end = (np.abs(end - levels) <= _MET for end in rise)
    return ends[0] + np.where(at_start, 0.0, np.where(at_end, 1.0, place)) * width


def monotone_slopes(undersize: NDArray[Number], ln_aperture: NDArray[Number]) -> NDArray[Number]:
    """Slope dQ/d(ln x) of the monotone cubic at every aperture, shape as `undersize`.

    Curves padded by repeating their last aperture are treated as the shorter curve they are.
    """
    count = 1 + np.count_nonzero(np.diff(ln_aperture.real, axis=1) > 0.0, axis=1)
    slope = np.zeros(undersize.shape, dtype=np.result_type(undersize, ln_aperture))
    for n_apertures in np.unique(count):
        rows = np.flatnonzero(count == n_apertures)
        if n_apertures > 1:
            block = np.ix_(rows, np.arange(n_apertures))
            slope[block] = _slopes(undersize[block], ln_aperture[block])
    return slope


def monotone_value(
    ln_size: NDArray[Number],
    undersize: NDArray[Number],
    ln_aperture: NDArray[Number],
    upper: Indices,
) -> NDArray[Number]:
    """Undersize of the monotone cubic at ln sizes that lie in the brackets (upper - 1, upper).

    `ln_size` and `upper` have shape (n_curves, n_levels).
    """
    slope = monotone_slopes(undersize, ln_aperture)
    lower = upper - 1
    start = np.take_along_axis(ln_aperture, lower, axis=1)
    width = np.take_along_axis(ln_aperture, upper, axis=1) - start
    return _cubic(
        (ln_size - start) / width,
        np.take_along_axis(undersize, lower, axis=1),
        np.take_along_axis(undersize, upper, axis=1),
        width * np.take_along_axis(slope, lower, axis=1),
        width * np.take_along_axis(slope, upper, axis=1),
    )


def _slopes(undersize: NDArray[Number], ln_aperture: NDArray[Number]) -> NDArray[Number]:
    width = np.diff(ln_aperture, axis=1)
    chord = np.diff(undersize, axis=1) / width
    if chord.shape[1] == 1:
        return np.repeat(chord, 2, axis=1)
    slope = np.zeros_like(undersize)
    left, right = chord[:, :-1], chord[:, 1:]
    same = left.real * right.real > 0.0
    weight_left = 2.0 * width[:, 1:] + width[:, :-1]
    weight_right = width[:, 1:] + 2.0 * width[:, :-1]
    mean = weight_left / np.where(same, left, 1.0) + weight_right / np.where(same, right, 1.0)
    slope[:, 1:-1] = np.where(same, (weight_left + weight_right) / mean, 0.0)
    slope[:, 0] = _end_slope(width[:, 0], width[:, 1], chord[:, 0], chord[:, 1])
    slope[:, -1] = _end_slope(width[:, -1], width[:, -2], chord[:, -1], chord[:, -2])
    return slope


def _end_slope(
    near_width: NDArray[Number],
    far_width: NDArray[Number],
    near: NDArray[Number],
    far: NDArray[Number],
) -> NDArray[Number]:
    slope = ((2.0 * near_width + far_width) * near - near_width * far) / (near_width + far_width)
    steep = (near.real * far.real < 0.0) & (np.abs(slope.real) > 3.0 * np.abs(near.real))
    slope = np.where(steep, 3.0 * near, slope)
    return np.where(slope.real * near.real <= 0.0, np.zeros_like(slope), slope)


def _cubic(
    place: NDArray[Number],
    start: NDArray[Number],
    end: NDArray[Number],
    rise_start: NDArray[Number],
    rise_end: NDArray[Number],
) -> NDArray[Number]:
    rest = 1.0 - place
    return (
        (1.0 + 2.0 * place) * rest**2 * start
        + place * rest**2 * rise_start
        + place**2 * (3.0 - 2.0 * place) * end
        - place**2 * rest * rise_end
    )


class InterpolationRule(StrEnum):
    """Shape of the undersize curve between neighbouring apertures.

    SEMILOG: undersize linear in ln x.  LINEAR: undersize linear in x.  LOGPROBIT: probit of the
    undersize linear in ln x (a segment that starts at 0 or ends at 1 is taken semilog, because the
    probit is infinite there).  MONOTONE: a monotone cubic in ln x through all the points.

    Examples
    --------
    >>> from psdstats.distribution import InterpolationRule
    >>> [str(rule) for rule in InterpolationRule]
    ['semilog', 'linear', 'logprobit', 'monotone']
    """

    SEMILOG = "semilog"
    LINEAR = "linear"
    LOGPROBIT = "logprobit"
    MONOTONE = "monotone"

    @classmethod
    def _missing_(cls, value: object) -> InterpolationRule:
        names = ", ".join(repr(str(known)) for known in cls)
        raise SizeError(f"rule {value!r} is not known; choose one of {names}.")


def _position(low: Array, high: Array, level: Array) -> Array:
    """Fraction of the way up; 0 without a rise, for then the start is already at the level."""
    rise = high - low
    rising = rise > 0.0
    position = np.where(rising, (level - low) / np.where(rising, rise, 1.0), 0.0)
    return np.clip(position, 0.0, 1.0)


def _semilog(low: Array, high: Array, ln_low: Array, ln_high: Array, level: Array) -> Array:
    return ln_low + _position(low, high, level) * (ln_high - ln_low)


def _linear(low: Array, high: Array, ln_low: Array, ln_high: Array, level: Array) -> Array:
    # ln(x_low + t (x_high - x_low)) without leaving the log scale
    return ln_low + np.log1p(_position(low, high, level) * np.expm1(ln_high - ln_low))


def _logprobit(low: Array, high: Array, ln_low: Array, ln_high: Array, level: Array) -> Array:
    finite = (low > 0.0) & (high < 1.0) & (high > low)
    probit_low = ndtri(np.where(finite, low, 0.25))
    probit_high = ndtri(np.where(finite, high, 0.75))
    position = np.clip((ndtri(level) - probit_low) / (probit_high - probit_low), 0.0, 1.0)
    curved: Array = ln_low + position * (ln_high - ln_low)
    return np.where(finite, curved, _semilog(low, high, ln_low, ln_high, level))


_SEGMENT: dict[InterpolationRule, Callable[[Array, Array, Array, Array, Array], Array]] = {
    InterpolationRule.SEMILOG: _semilog,
    InterpolationRule.LINEAR: _linear,
    InterpolationRule.LOGPROBIT: _logprobit,
}

# undersize is a sum of a few fractions: a level met within this counts as met
_ROUNDING = 1e-12


@dataclass(frozen=True, kw_only=True, eq=False)
class Brackets:
    """Which two apertures hold each level of each curve.

    Attributes
    ----------
    upper : ndarray of int, shape (n_curves, n_levels)
        Index of the aperture where the level is first reached; at least 1 so that upper - 1 exists.
    below, above : ndarray of bool, shape (n_curves, n_levels)
        Level passed before the finest aperture; level not reached at the coarsest.
    """

    upper: Indices
    below: Flags
    above: Flags


def undersize_of_masses(net_g: Array) -> Array:
    """Cumulative undersize at each aperture, shape (n_runs, n_classes - 1).

    Shapes: net_g (n_runs, n_classes).
    """
    cumulative = np.cumsum(net_g, axis=1)
    return cumulative[:, :-1] / cumulative[:, -1:]


def find_brackets(undersize: Array, levels: Array) -> Brackets:
    """Find, for each curve and level, the aperture where the level is first reached."""
    least = levels - _ROUNDING
    n_apertures = undersize.shape[1]
    reached = undersize[:, None, :] >= least[None, :, None]
    first = reached.argmax(axis=2)
    above: Flags = ~reached[:, :, n_apertures - 1]
    if above.any():  # a falling curve may have reached the level earlier
        above = np.logical_not(reached.any(axis=2))
    below: Flags = (first == 0) & (undersize[:, :1] > levels + _ROUNDING)
    if n_apertures == 1:  # a single sieve brackets nothing but its own undersize
        return Brackets(upper=first, below=below, above=above)
    return Brackets(upper=np.maximum(first, 1), below=below, above=above)


def ln_sizes(undersize: Array, ln_aperture: Array, levels: Array, rule: InterpolationRule) -> Array:
    """Ln x at which each curve first reaches each level, shape (n_curves, n_levels).

    Shapes: undersize, ln_aperture (n_curves, n_apertures), levels (n_levels,).
    """
    brackets = find_brackets(undersize, levels)
    upper = brackets.upper
    if undersize.shape[1] == 1:
        size = np.repeat(ln_aperture, levels.size, axis=1)
    elif rule is InterpolationRule.MONOTONE:
        size = invert_monotone(undersize, ln_aperture, levels, upper)
    else:
        low, high = (np.take_along_axis(undersize, at, axis=1) for at in (upper - 1, upper))
        start, end = (np.take_along_axis(ln_aperture, at, axis=1) for at in (upper - 1, upper))
        size = _SEGMENT[rule](low, high, start, end, levels[None, :])
    size[brackets.below] = -np.inf
    size[brackets.above] = np.inf
    return size


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

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> psdstats.distribution.mass_fractions(study.runs[0]).round(2)
    array([-0.  ,  0.  ,  0.  ,  0.03,  0.16,  0.32,  0.33,  0.14,  0.02])
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

    Examples
    --------
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> psdstats.distribution.cumulative_undersize(study.runs[0]).round(2)
    array([-0.  ,  0.  ,  0.  ,  0.03,  0.19,  0.51,  0.84,  0.98])
    """
    return np.asarray(np.cumsum(mass_fractions(run))[:-1])


def curve_frame(study: Study) -> pd.DataFrame:
    """Distribution of every run, one row a class, pan first."""
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
