"""Breakage as interpolation rule: its curves by another route, what its ensemble finds."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.linalg import expm
from scipy.special import ndtr, ndtri

from psdstats.distribution.breakage import PRIOR, _crossing, _Mill, breakage_law
from psdstats.distribution.percentiles import LEVELS, bracketed_sizes
from psdstats.distribution.trial_curves import (
    TrialRuns,
    elementary_errors,
    half_width,
    merged,
)

STACK = np.log([45, 90, 180, 355, 710.0])
MINUTES = np.array([0, 1, 2, 4, 8.0])


def rows_of(undersize):
    """Rows of one bench at the five times."""
    n, shape = len(STACK), (len(MINUTES), len(STACK))
    runs = TrialRuns(
        undersize=undersize,
        ln_aperture=np.broadcast_to(STACK, shape),
        u_ln_aperture=np.full(shape, 0.004),
        real=np.ones(shape, bool),
        sieve=np.broadcast_to(np.arange(n), shape),
        covariance=np.zeros((*shape, n)),
        smallest=np.full(len(MINUTES), 2e-4),
        bench=np.zeros(len(MINUTES), int),
        condition=np.zeros(len(MINUTES), int),
        minutes=MINUTES,
    )
    return merged(runs, np.arange(len(MINUTES)), elementary_errors(runs))


@pytest.fixture
def mill():
    start = ndtr((STACK - np.log(250)) / 0.4)
    return _Mill(rows_of(np.tile(start, (len(MINUTES), 1))))


@pytest.mark.parametrize("seed", range(3))
def test_curves_are_the_exponential_of_the_rates(mill, seed):
    """Against the matrix of rates and fragments, written out class by class."""
    p = PRIOR[:, 0] + 0.7 * PRIOR[:, 1] * np.random.default_rng(seed).standard_normal(len(PRIOR))
    middle = mill.edge + mill.step / 2
    x = middle - mill.d50
    rate = np.exp(p[5] + p[6] * x + p[12] * x**2)
    part, fine, coarse = 1 / (1 + np.exp(-p[7])), np.exp(p[8]), np.exp(p[9])
    n = len(mill.edge)
    matrix = np.zeros((n + 1, n + 1))  # the first class is all below the first edge
    for j in range(n):
        matrix[j + 1, j + 1] -= rate[j]
        below = mill.edge[: j + 1] - mill.edge[j]  # share finer than each edge up to its own
        finer = part * np.exp(fine * below) + (1 - part) * np.exp(coarse * below)
        matrix[: j + 1, j + 1] += rate[j] * np.diff(finer, prepend=0)
    feed = mill.feed(p[None])[0]
    mass = np.diff(np.concatenate([[0], feed, [1]]))
    expected = [(expm(matrix * t) @ mass).cumsum()[:-1] for t in mill.when]
    assert_allclose(mill.curves(p[None])[0], np.clip(expected, 1e-9, 1), atol=2e-6)


def test_undersize_rises_with_size_and_with_time(mill):
    p = PRIOR[:, 0] + 0.5 * PRIOR[:, 1] * np.random.default_rng(5).standard_normal((20, len(PRIOR)))
    q = mill.curves(p)
    assert (np.diff(q, axis=2) > -1e-6).all()
    assert (np.diff(q, axis=1) > -1e-6).all()


@pytest.fixture(scope="module")
def found():
    """A narrow feed, hidden in one class, broken by a law of the form: law, places, true sizes."""
    p = PRIOR[:, 0].copy()
    p[[0, 1, 2, 4]] = 0.0, np.log(0.22), 0.0, 4.0
    start = rows_of(np.tile(ndtr((STACK - np.log(260)) / 0.22), (len(MINUTES), 1)))
    mill = _Mill(start)
    mill.d50 = np.log(260)
    z = ndtri(mill.curves(p[None])[0])
    rows = rows_of(ndtr([np.interp(STACK, mill.edge, one) for one in z]))
    places = bracketed_sizes(
        rows.undersize, rows.ln_aperture, rows.u_ln_aperture, rows.real, LEVELS
    )
    true = [
        np.interp(ndtri(LEVELS[m]), z[rows.time[k]], mill.edge)
        for k, m in zip(places.row, places.level, strict=True)
    ]
    return rows, places, np.array(true), breakage_law(rows, places, 0, -np.inf)


def test_a_peak_hidden_in_one_class_is_found_from_its_decay(found):
    _, _, true, law = found
    u = half_width(law.table)
    assert len(true) > 10
    assert (np.abs(law.mean - true) < 2.5 * u).all()
    assert np.sqrt(np.mean((law.mean - true) ** 2)) < 0.03
    assert np.median(u) < 0.05


def test_sensitivities_are_those_of_the_moved_curves(mill):
    """A curve moved onto readings: its crossings against a small change of each reading."""
    rng = np.random.default_rng(8)
    curves = mill.curves(PRIOR[:, 0] + 0.3 * PRIOR[:, 1] * rng.standard_normal((4, len(PRIOR))))
    z = ndtri(curves)
    misses = np.array([0.02, -0.03, 0.04, -0.02, 0.0])
    read = np.interp(STACK, mill.edge, z[0, 2]) + misses
    undersize = np.tile(ndtr(read), (len(MINUTES), 1))
    rows = rows_of(undersize)
    places = bracketed_sizes(
        rows.undersize, rows.ln_aperture, rows.u_ln_aperture, rows.real, LEVELS
    )
    for p in range(3, 6):
        at, _, _, by_undersize = _crossing(rows, places, p, mill, z, np.full(4, 0.05))
        for i in np.flatnonzero(rows.informative[places.row[p]]):
            step = np.zeros_like(undersize)
            step[:, i] = 1e-4
            moved = _crossing(rows_of(undersize + step), places, p, mill, z, np.full(4, 0.05))[0]
            assert_allclose((moved - at) / 1e-4, by_undersize[:, i], rtol=0.05, atol=0.01)


def test_a_rival_far_ahead_ends_the_search(found):
    rows, places, _, law = found
    assert breakage_law(rows, places, 0, law.log_evidence + 1000) is None
