"""The curves law of a trial: conditioning written out, sensitivities by differences."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import ndtr

from psdstats.distribution.percentiles import LEVELS, bracketed_sizes
from psdstats.distribution.trial_curves import (
    TrialRuns,
    _Batch,
    _Readings,
    _Scale,
    _settings,
    curves_law,
    elementary_errors,
    merged,
)

STACK = np.log([45, 63, 90, 125, 180, 250, 355, 500.0])
MINUTES = np.array([0, 2, 8.0])


def rows_of(shift=0.0, change=0.0):
    """Three times of a powder that is no straight line on any scale."""
    t = STACK + shift
    q = [
        0.6 * ndtr((t - np.log(160) + fall) / 0.35) + 0.4 * ndtr((t - np.log(230) + fall) / 0.5)
        for fall in (0.0, 0.2, 0.5)
    ]
    shape = (len(MINUTES), len(STACK))
    runs = TrialRuns(
        undersize=np.array(q) + change,
        ln_aperture=np.broadcast_to(STACK, shape),
        u_ln_aperture=np.full(shape, 0.004),
        real=np.ones(shape, bool),
        sieve=np.broadcast_to(np.arange(len(STACK)), shape),
        covariance=np.broadcast_to(1e-8 * np.eye(len(STACK)), (*shape, len(STACK))),
        smallest=np.full(len(MINUTES), 2e-4),
        bench=np.zeros(len(MINUTES), int),
        condition=np.zeros(len(MINUTES), int),
        minutes=MINUTES,
    )
    return merged(runs, np.arange(len(MINUTES)), elementary_errors(runs))


def places_of(rows):
    return bracketed_sizes(rows.undersize, rows.ln_aperture, rows.u_ln_aperture, rows.real, LEVELS)


@pytest.mark.parametrize("link", [0, 3, 7, 12])
def test_a_component_is_gaussian_conditioning(link):
    """Mean and variance at new points against one large covariance with a very wide line."""
    data = _Readings(rows_of())
    batch = _Batch(data, _Scale(data, link), _settings(link, 0.005, 0.2))
    t, row = np.log([110.0, 150.0, 200.0]), np.array([0, 1, 2])
    p = batch.predict(t, row)
    mean, variance = p[0], batch.variance(t, row, p)
    every = np.concatenate([data.t, t]), np.concatenate([data.row, row])
    line = batch._line(*every)
    wide = batch.kernel(every, every) + 1e6 * line @ line.T
    n = len(data.t)
    for c in range(0, len(mean), 5):
        seen = wide[c, :n, :n] + batch.scale.noise
        gain = np.linalg.solve(seen, wide[c, :n, n:]).T
        assert_allclose(mean[c], gain @ batch.scale.z, atol=2e-4)
        left = np.diag(wide[c, n:, n:] - gain @ wide[c, :n, n:])
        assert_allclose(variance[c], left, rtol=0.02, atol=2e-5)


def test_sizes_move_as_their_sensitivities_say():
    rows = rows_of()
    law = curves_law(rows, places_of(rows))
    more = rows_of(change=1e-4)
    moved = curves_law(more, places_of(more))
    said = law.by_undersize.sum((1, 2)) * 1e-4
    assert_allclose(moved.mean - law.mean, said, rtol=0.3, atol=5e-5)


def test_a_powder_shifted_in_size_is_shifted_in_its_sizes():
    """Readings as on a stack 3 % finer: every size 3 % finer, apart from what the places change."""
    rows, moved = rows_of(), rows_of(shift=0.03)
    first, second = curves_law(rows, places_of(rows)), curves_law(moved, places_of(moved))
    assert_allclose(second.mean - first.mean, -0.03, atol=0.004)


def test_covariance_is_positive_and_agrees_with_the_tables():
    rows = rows_of()
    law = curves_law(rows, places_of(rows))
    assert np.linalg.eigvalsh(law.covariance)[0] > 0
    middle = law.table[:, 32]
    u = (law.table[:, 48] - law.table[:, 16]) / 4
    assert (np.abs(law.mean - middle) < u).all()
    assert_allclose(np.sqrt(np.diag(law.covariance)), u, rtol=0.4)
