"""Sieving not finished: what a second shaking moved is the size of what is still to move."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.uncertainty import propagate
from psdstats.words.sizes import notes_in_words

NETS = np.array([5.0, 9.0, 12.0, 9.0, 5.0])
APERTURES = (0, 63, 90, 125, 180)
MOVED = np.array([0.0, 0.6, 0.4, -0.4, -1.1])  # the pan gains what is missing, 0.5


def _shaken(run, scale=1.0, *, pan=False):
    readings = tuple(
        replace(one, gross_again_g=one.gross_g + scale * moved) if one.aperture_um or pan else one
        for one, moved in zip(run.readings, MOVED, strict=True)
    )
    return replace(run, readings=readings)


def _linear(study, **options):
    return propagate(study, method="linear", rule="semilog", **options)


def test_a_change_counts_as_one_standard_uncertainty(make_run, make_study):
    """Derivative of the sizes along the change, the pan taking what left the sieves."""
    run = make_run("x", NETS, APERTURES)
    found = _linear(make_study(_shaken(run, 0.1)), sources=["end_point"])
    step = 1e-5
    moved = MOVED + np.array([0.5, 0, 0, 0, 0])
    low, high = (
        _linear(make_study(make_run("x", NETS + sign * step * moved, APERTURES))).value[0]
        for sign in (1, -1)
    )
    np.testing.assert_allclose(found.u[0], abs(high - low) / (2 * step) * 0.1, rtol=1e-6)
    np.testing.assert_array_equal(found.value, _linear(make_study(run)).value)


def test_it_moves_no_size_of_the_law_of_curves(make_run, make_study):
    run = make_run("x", NETS, APERTURES)
    found = [propagate(make_study(one, rule=None), method="linear") for one in (run, _shaken(run))]
    np.testing.assert_array_equal(found[0].value, found[1].value)
    assert found[1].u[0, 1] > found[0].u[0, 1]


def test_the_pan_weighed_again_counts_as_it_was_read(make_run, make_study):
    run = make_run("x", NETS, APERTURES)
    taken, read = (
        _linear(make_study(_shaken(run, pan=pan)), sources=["end_point"]).u for pan in (False, True)
    )
    assert (taken > 1.05 * read)[0, 1] or (read > 1.05 * taken)[0, 1]


def test_it_is_on_where_a_second_shaking_was_weighed(make_run, make_study):
    run = make_run("x", NETS, APERTURES)
    twins = make_study(_shaken(run), _shaken(make_run("y", NETS, APERTURES)))
    found = _linear(twins)
    assert "end_point" in found.sources
    told = notes_in_words(found.notes)
    assert any("still moved powder in 2 runs (largest change 1.1 g to 1.1 g)" in n for n in told)
    own = _linear(twins, sources=["end_point"]).covariance("D50")
    assert own.loc["x", "y"] == 0 < own.loc["x", "x"]
    assert "end_point" in _linear(make_study(run)).sources_left_out
    off = make_study(_shaken(run), uncertainty={"end_point": False})
    assert "end_point" in _linear(off).sources_left_out


def test_draws_agree_with_the_linear_law(make_run, make_study):
    study = make_study(_shaken(make_run("x", NETS, APERTURES), 0.1))
    linear = _linear(study, sources=["end_point"])
    drawn = propagate(study, seed=1, sources=["end_point"], draws=50_000, rule="semilog")
    np.testing.assert_allclose(drawn.u, linear.u, rtol=0.02)
    assert drawn.u[0, 1] == pytest.approx(linear.u[0, 1], rel=0.02)
