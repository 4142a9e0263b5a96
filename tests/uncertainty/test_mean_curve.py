"""Covariance at the mean curve: exact on small stacks, by the formula of the semilog rule."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Reading, Run, Study
from psdstats.uncertainty import propagate
from psdstats.uncertainty.law import at_mean_curve, mean_curves, prepare

APERTURES = (0.0, 63.0, 125.0, 250.0)
U_UM = {63.0: 1.0, 125.0: 2.0, 250.0: 4.0}


def run(name, time, nets, *, apertures=APERTURES, group="a"):
    readings = tuple(
        Reading(sieve=f"s{x:g}", aperture_um=x, tare_g=300.0 + x, gross_g=300.0 + x + net)
        for x, net in zip(apertures, nets, strict=True)
    )
    return Run(name=name, group=group, milling_time_min=time, readings=readings, balance="b")


def study_of(*runs):
    apertures = {r.aperture_um for one in runs for r in one.readings} - {0.0}
    return Study(
        title="invented",
        rule="semilog",
        runs=runs,
        sieves={
            f"s{x:g}": Sieve(
                key=f"s{x:g}",
                nominal_um=x,
                certified_um=x,
                expanded_uncertainty_um=2 * U_UM.get(x, 1.0),
                coverage_factor=2.0,
            )
            for x in apertures
        },
        balances={"b": Balance(name="b", resolution_g=0.01)},
    )


TWO = (run("r1", 0.0, (10.0, 25.0, 10.0, 5.0)), run("r2", 0.0, (22.0, 50.0, 20.0, 8.0)))


def _at_mean(study, sizes, quantity):
    """Covariance of ln of a quantity at the mean curves of equal times, of the sources of sizes."""
    return at_mean_curve(prepare(study, sources=sizes.sources), ["milling_time_min"])[quantity][0]


def test_runs_alike_get_their_mean_shares_and_keep_everything_else():
    other = run("r3", 12.0, (30.0, 12.0, 6.0, 2.0))
    study = study_of(*TWO, other)
    law = prepare(study)
    found = mean_curves(law, ["milling_time_min"]).arrays
    mean = (np.array([10, 25, 10, 5]) / 50 + np.array([22, 50, 20, 8]) / 100) / 2
    for given, net, total in zip(study.runs[:2], found.net_g[:2], found.total_g[:2], strict=True):
        assert total == pytest.approx(given.total_g, rel=1e-12)
        assert net / given.total_g == pytest.approx(mean, rel=1e-12)
    np.testing.assert_array_equal(found.tare_g, law.arrays.tare_g)
    np.testing.assert_allclose(found.gross_g - found.tare_g, found.net_g, rtol=1e-12)
    assert found.net_g[2] == pytest.approx([r.net_g for r in other.readings], rel=1e-12)


def test_other_apertures_are_not_alike_and_own_curves_are_kept():
    narrow = run("r3", 0.0, (30.0, 15.0, 5.0), apertures=(0.0, 90.0, 180.0))
    study = study_of(*TWO, narrow)
    law = prepare(study)
    found = mean_curves(law, ["milling_time_min"], own=["r1"]).arrays
    np.testing.assert_array_equal(found.net_g[0], law.arrays.net_g[0])
    assert np.abs(found.net_g[1] - law.arrays.net_g[1]).max() > 0.1
    assert found.net_g[2, law.arrays.real[2]] == pytest.approx([30.0, 15.0, 5.0])


def test_shared_apertures_give_the_covariance_of_the_mean_position():
    """Semilog: ln D50 = (1 - a) ln x1 + a ln x2, so cov = (1 - a)² u1² + a² u2² for every pair.

    a is where 50 % lies between the two apertures, on the mean curve; u relative.
    """
    study = study_of(*TWO)
    sizes = propagate(study, method="linear", sources=["aperture"])
    found = _at_mean(study, sizes, "D50")
    below = (10 / 50 + 22 / 100) / 2
    within = (25 / 50 + 50 / 100) / 2
    a = (0.5 - below) / within
    expected = (1 - a) ** 2 * (1.0 / 63) ** 2 + a**2 * (2.0 / 125) ** 2
    assert found == pytest.approx(np.full((2, 2), expected), rel=1e-9)
    own = sizes.covariance("D50", log=True).to_numpy()
    assert own[0, 0] != pytest.approx(own[1, 1], rel=1e-3)


def test_one_run_a_kind_is_its_own_mean_curve():
    study = study_of(TWO[0], replace(TWO[1], milling_time_min=6.0))
    sizes = propagate(study, method="linear")
    found = _at_mean(study, sizes, "D90")
    own = sizes.covariance("D90", log=True).to_numpy()
    assert found == pytest.approx(own, rel=1e-9, nan_ok=True)


def test_a_run_whose_mean_curve_is_open_keeps_its_own_and_open_runs_have_none():
    """D50 of r1 is bracketed; the coarse pan of its fellow puts that of their mean in the pan."""
    fine = run("r2", 0.0, (45.0, 4.0, 1.0, 0.0))
    study = study_of(run("r1", 0.0, (20.0, 20.0, 7.0, 3.0)), fine)
    sizes = propagate(study, method="linear")
    found = _at_mean(study, sizes, "D50")
    own = sizes.covariance("D50", log=True).to_numpy()
    assert found[0, 0] == pytest.approx(own[0, 0], rel=1e-9)
    assert np.isnan(found[[0, 1, 1], [1, 0, 1]]).all()


def test_one_law_gives_every_quantity_and_its_values_without_draws():
    """As many quantities as `propagate` knows, in the order of the study, values as there."""
    study = study_of(*TWO[::-1], run("r0", 12.0, (30.0, 12.0, 6.0, 2.0)))
    law = prepare(study)
    sizes = propagate(study, method="linear")
    found = at_mean_curve(law, ["milling_time_min"])
    assert tuple(found) == sizes.quantities
    np.testing.assert_array_equal(law.value, sizes.value)
    alone = [one.name for one in study.runs].index("r0")
    for quantity, (covariance, _) in found.items():
        own = sizes.covariance(quantity, log=True).to_numpy()
        assert covariance[alone, alone] == pytest.approx(own[alone, alone], rel=1e-9, nan_ok=True)
