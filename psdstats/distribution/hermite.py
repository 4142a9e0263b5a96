"""Monotone cubic through an undersize curve, for many curves at once, and its inverse.

Slopes follow the harmonic mean rule of F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5
(1984) 300-304, with the three-point end slopes of C. Moler (both from memory); they are the ones
`scipy.interpolate.PchipInterpolator` computes, which the tests compare with.  The functions also
accept complex undersize and ln x, so that derivatives can be taken by a complex step.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["invert_monotone", "monotone_slopes", "monotone_value"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Number = TypeVar("Number", np.float64, np.complex128)

_MAX_STEPS = 80
_TOLERANCE = 1e-15
_MET = 1e-12


def invert_monotone(undersize: Array, ln_aperture: Array, levels: Array, upper: Index) -> Array:
    """Ln x at which each monotone cubic reaches each level inside its bracket.

    Parameters
    ----------
    undersize, ln_aperture : ndarray, shape (n_curves, n_apertures)
        Curves by increasing aperture; a repeated aperture at the end is padding.
    levels : ndarray, shape (n_levels,)
        Wanted undersize.
    upper : ndarray of int, shape (n_curves, n_levels)
        Index of the upper end of each bracket, at least 1.

    Returns
    -------
    ndarray, shape (n_curves, n_levels)
        ln x.
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
        fall = _cubic_slope(place, rise[0], rise[1], width * tilt[0], width * tilt[1])
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
    upper: Index,
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


def _cubic_slope(
    place: Array, start: Array, end: Array, rise_start: Array, rise_end: Array
) -> Array:
    rest = 1.0 - place
    return (
        6.0 * place * rest * (end - start)
        + rest * (1.0 - 3.0 * place) * rise_start
        + place * (3.0 * place - 2.0) * rise_end
    )
