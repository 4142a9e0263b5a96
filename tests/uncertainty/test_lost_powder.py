"""Lost powder: half of it is expected in the pan, unless the pan cannot have held it."""

import numpy as np
import pytest

from psdstats.uncertainty import propagate
from psdstats.uncertainty.law import prepare
from psdstats.words.sizes import notes_in_words

APERTURES = (0, 90, 180, 360)


def _pan_shift(study):
    """What is added to the pan, g, and its standard uncertainty."""
    ready = prepare(study, sources=["lost_powder"])
    added = ready.table.net_g - ready.arrays.net_g
    assert not added[:, 1:].any()
    return added[0, 0], sum(ready.table.on_mass.coefficient)


def test_lost_powder_enters_the_estimate_by_half(make_run, make_study):
    study = make_study(make_run("x", (2.0, 5.0, 3.0), (0, 90, 180), sample_mass_g=10.6))
    lost = propagate(study, method="linear", sources=["lost_powder"])
    added = make_study(make_run("x", (2.3, 5.0, 3.0), (0, 90, 180)))
    np.testing.assert_allclose(lost.value, propagate(added, method="linear").value, rtol=1e-12)
    assert any("lost in 1 run (0.6 g)" in note for note in notes_in_words(lost.notes))
    drawn = propagate(study, seed=1, sources=["lost_powder"], draws=50_000)
    ends = [
        propagate(make_study(make_run("x", (2.0 + gain, 5.0, 3.0), (0, 90, 180))), method="linear")
        for gain in (0.6 * 0.025, 0.6 * 0.975)
    ]
    # D50 falls as the pan gains, so the ends of the interval are those of the gain
    assert drawn.upper[0, 1] == pytest.approx(ends[0].value[0, 1], rel=2e-4)
    assert drawn.lower[0, 1] == pytest.approx(ends[1].value[0, 1], rel=2e-4)


def test_a_gain_is_left_alone(make_run, make_study):
    study = make_study(make_run("x", (2.0, 5.0, 3.0), (0, 90, 180), sample_mass_g=9.9))
    assert propagate(study, method="linear", sources=["lost_powder"]).u[0, 1] == 0


def test_a_pan_swept_empty_can_have_held_its_share_of_a_straight_curve(make_run, make_study):
    """Q3 = x/360 puts 2.5 g of 10 g below 90 µm; lost whole, it is the most the rule allows."""
    nets, lost = (0.0, 2.5, 5.0, 0.0), 2.5
    study = make_study(make_run("x", nets, APERTURES, sample_mass_g=10.0))
    np.testing.assert_allclose(_pan_shift(study), [lost / 2, lost / np.sqrt(12)], rtol=1e-9)
    more = make_study(make_run("x", nets, APERTURES, sample_mass_g=12.0))
    np.testing.assert_allclose(_pan_shift(more), [lost / 2, lost / np.sqrt(12)], rtol=1e-9)
    notes = notes_in_words(prepare(more, sources=["lost_powder"]).table.notes)
    assert any("lost in x, where the pan was found empty" in note for note in notes)


def test_a_coarse_powder_without_fines_loses_in_proportion(make_run, make_study):
    """Nothing in the pan and nothing beside it: the fractions stand."""
    run = make_run("x", (0.0, 0.0, 6.0, 3.4), APERTURES, sample_mass_g=10.0)
    assert _pan_shift(make_study(run)) == (0.0, 0)
    lost = propagate(make_study(run), method="linear", sources=["lost_powder"])
    plain = propagate(make_study(run), method="linear", sources=["rounding"])
    np.testing.assert_array_equal(lost.value, plain.value)
    assert lost.u[0, 1] == 0


@pytest.mark.parametrize(("times_u", "gain"), [(2.9, 0.05), (3.1, 0.5)])
def test_a_pan_holds_powder_above_three_u_of_its_net_mass(make_run, make_study, times_u, gain):
    """A net mass is two readings, each d/√12 and s_r; for the 3 common practice, no source."""
    u_net = np.sqrt(2 * (0.01**2 / 12 + 0.004**2))
    pan = times_u * u_net
    sample = pan + 9.1 + 1.0  # 1 g is lost
    study = make_study(make_run("x", (pan, 0.1, 6.0, 3.0), APERTURES, sample_mass_g=sample))
    assert _pan_shift(study)[0] == pytest.approx(gain, rel=1e-9)


def test_one_sieve_has_no_neighbour_to_judge_by(make_run, make_study):
    study = make_study(make_run("x", (0.0, 9.0), (0, 90), sample_mass_g=10.0))
    assert _pan_shift(study)[0] == pytest.approx(0.5)
