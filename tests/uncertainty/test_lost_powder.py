"""Lost powder widens and does not move: in proportion, or all of it from the pan."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.uncertainty import propagate
from psdstats.uncertainty.law import prepare
from psdstats.words.sizes import notes_in_words

APERTURES = (0, 90, 180, 360)


def _most_from_pan(study):
    """What the pan may lack at most, g: √3 times the standard uncertainty of its mass."""
    ready = prepare(study, sources=["lost_powder"], rule="semilog")
    np.testing.assert_array_equal(ready.table.net_g, ready.arrays.net_g)
    assert not any(ready.table.on_mass.place)
    return np.sqrt(3 * np.square(ready.table.on_mass.coefficient).sum())


def _lost(study, **options):
    given = {"method": "linear", "sources": ["lost_powder"], "rule": "semilog"} | options
    return propagate(study, **given)


def test_lost_powder_widens_and_does_not_move(make_run, make_study):
    """0.6 g of 10.6 g: u of the pan 0.6/√3 g; the interval holds all of it from the pan."""
    study = make_study(make_run("x", (2.0, 5.0, 3.0), (0, 90, 180), sample_mass_g=10.6))
    lost = _lost(study)
    plain = make_study(make_run("x", (2.0, 5.0, 3.0), (0, 90, 180)))
    bare = propagate(plain, method="linear", rule="semilog")
    np.testing.assert_array_equal(lost.value, bare.value)
    assert any("lost in 1 run (0.6 g)" in note for note in notes_in_words(lost.notes))
    step = 1e-6
    gained = make_study(make_run("x", (2.0 + step, 5.0, 3.0), (0, 90, 180)))
    slope = (propagate(gained, method="linear", rule="semilog").value - bare.value)[0, 1] / step
    assert lost.u[0, 1] == pytest.approx(abs(slope) * 0.6 / np.sqrt(3), rel=1e-4)
    whole = make_study(make_run("x", (2.6, 5.0, 3.0), (0, 90, 180)))
    all_from_pan = propagate(whole, method="linear", rule="semilog").value[0, 1]
    assert lost.lower[0, 1] < all_from_pan < lost.value[0, 1] < lost.upper[0, 1]


def test_it_moves_no_size_of_the_law_of_curves_either(make_run, make_study):
    """The curve is fitted to the readings as they are, however much powder is lost."""
    study = make_study(make_run("x", sample_mass_g=56.0), rule=None)  # 50.4 g were found
    names = ["rounding", "repeatability", "aperture", "between_sieves"]
    without, lost = (
        propagate(study, method="linear", sources=[*names, *more]) for more in ([], ["lost_powder"])
    )
    np.testing.assert_array_equal(lost.value, without.value)
    assert lost.u[0, 0] > 2 * without.u[0, 0]


def test_what_the_user_says_holds(make_run, make_study):
    run = make_run("x", (2.0, 5.0, 3.0), (0, 90, 180), sample_mass_g=10.6)
    pan, even = (
        _lost(make_study(run, uncertainty={"lost_powder": said}))
        for said in ("pan", "in proportion")
    )
    for found, masses in ((pan, (2.6, 5.0, 3.0)), (even, (2.0, 5.0, 3.0))):
        bare = make_study(make_run("x", masses, (0, 90, 180)))
        expected = propagate(bare, method="linear", rule="semilog").value
        np.testing.assert_allclose(found.value, expected, rtol=1e-12)
        assert found.u[0, 1] == 0
    told = [note for found in (pan, even) for note in notes_in_words(found.notes)]
    assert any("added to the pan, as stated" in note for note in told)
    assert any("every class in proportion, as stated" in note for note in told)


def test_half_of_the_doubt_belongs_to_the_bench(make_run, make_study):
    """Twins of one group correlate by a half, of two groups not at all."""
    nets = ((2.0, 5.0, 3.0), (0, 90, 180))
    runs = [make_run(name, *nets, sample_mass_g=10.6) for name in ("x", "y")]
    runs.append(replace(make_run("z", *nets, sample_mass_g=10.6), group="birch"))
    joint = _lost(make_study(*runs)).covariance("D50").to_numpy()
    np.testing.assert_allclose(
        joint / joint[0, 0], [[1, 0.5, 0], [0.5, 1, 0], [0, 0, 1]], atol=1e-12
    )


def test_a_gain_is_left_alone(make_run, make_study):
    study = make_study(make_run("x", (2.0, 5.0, 3.0), (0, 90, 180), sample_mass_g=9.9))
    assert _lost(study).u[0, 1] == 0


def test_a_pan_swept_empty_can_have_held_its_share_of_a_straight_curve(make_run, make_study):
    """Q3 = x/360 puts 2.5 g of 10 g below 90 µm; lost whole, it is the most the rule allows."""
    nets, lost = (0.0, 2.5, 5.0, 0.0), 2.5
    study = make_study(make_run("x", nets, APERTURES, sample_mass_g=10.0))
    assert _most_from_pan(study) == pytest.approx(lost, rel=1e-9)
    more = make_study(make_run("x", nets, APERTURES, sample_mass_g=12.0))
    assert _most_from_pan(more) == pytest.approx(lost, rel=1e-9)
    notes = notes_in_words(prepare(more, sources=["lost_powder"]).table.notes)
    assert any("lost in x, where the pan was found empty" in note for note in notes)


def test_a_coarse_powder_without_fines_loses_in_proportion(make_run, make_study):
    """Nothing in the pan and nothing beside it: the fractions stand."""
    run = make_run("x", (0.0, 0.0, 6.0, 3.4), APERTURES, sample_mass_g=10.0)
    assert _most_from_pan(make_study(run)) == 0
    lost = _lost(make_study(run))
    plain = _lost(make_study(run), sources=["rounding"])
    np.testing.assert_array_equal(lost.value, plain.value)
    assert lost.u[0, 1] == 0


@pytest.mark.parametrize(("times_u", "most"), [(2.9, 0.1), (3.1, 1.0)])
def test_a_pan_holds_powder_above_three_u_of_its_net_mass(make_run, make_study, times_u, most):
    """A net mass is two readings, each d/√12 and s_r; for the 3 common practice, no source."""
    u_net = np.sqrt(2 * (0.01**2 / 12 + 0.004**2))
    pan = times_u * u_net
    sample = pan + 9.1 + 1.0  # 1 g is lost
    study = make_study(make_run("x", (pan, 0.1, 6.0, 3.0), APERTURES, sample_mass_g=sample))
    assert _most_from_pan(study) == pytest.approx(most, rel=1e-9)


def test_one_sieve_has_no_neighbour_to_judge_by(make_run, make_study):
    study = make_study(make_run("x", (0.0, 9.0), (0, 90), sample_mass_g=10.0))
    assert _most_from_pan(study) == pytest.approx(1.0)
