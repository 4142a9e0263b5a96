"""Feeds: a log-normal and a curve through three percentiles, sieved as they are at 0 min."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import SizeError
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign
from psdstats.simulate.curve import coarsest_um, feed_undersize, undersize_through
from psdstats.simulate.design import Breakage
from psdstats.simulate.trial import simulate_net_masses
from psdstats.study.records import Balance

STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
SKEWED = (40.0, 150.0, 260.0)


def design_of(powder, **options):
    bench = Bench(
        name="bench",
        sieves=SieveSet(name="stack", apertures_um=STACK, **options),
        balance=Balance(name="balance", resolution_g=1e-6),
    )
    return TrialDesign(benches=(bench,), powder=powder, times_min=(0.0,), replicates=2)


def test_equal_ratios_make_the_lognormal():
    """scipy.stats.lognorm is the independent route."""
    gsd, median = 1.6, 180.0
    law = stats.lognorm(np.log(gsd), scale=median)
    three = tuple(law.ppf([0.1, 0.5, 0.9]))
    size = np.array([40.0, 100.0, 180.0, 300.0, 900.0])
    powder = Powder(breakage=None, feed_percentiles_um=three)
    assert feed_undersize(powder, size) == pytest.approx(law.cdf(size))
    same = Powder(breakage=None, feed_d50_um=median, feed_gsd=gsd)
    assert feed_undersize(same, size) == pytest.approx(law.cdf(size))
    top, same_top = (coarsest_um(one, per_octave=12) for one in (powder, same))
    assert 1 <= top / same_top < 2 ** (1 / 12)
    assert 12 * np.log2(top / median) == pytest.approx(round(12 * np.log2(top / median)))


@pytest.mark.parametrize("three", [SKEWED, (60.0, 150.0, 280.0), (110.0, 150.0, 300.0)])
def test_a_skewed_curve_goes_through_its_three_points_rises_and_has_no_kink(three):
    assert undersize_through(three, three) == pytest.approx([0.1, 0.5, 0.9])
    t = np.log(three[1]) + np.linspace(-1, 1, 401) * np.log(three[2] / three[0])
    probit = stats.norm.ppf(undersize_through(three, np.exp(t))[150:251])
    assert (np.diff(probit) > 0).all()
    # a kink of 10 % would make one second difference that large against the slope
    assert np.abs(np.diff(probit, 2)).max() < 0.05 * np.diff(probit).mean()
    feed = Powder(breakage=None, feed_percentiles_um=three)
    top = coarsest_um(feed, per_octave=12)
    assert stats.norm.isf(1 - undersize_through(three, top)) == pytest.approx(4.5, abs=0.3)
    assert undersize_through(three, top) >= stats.norm.cdf(4.5)


def test_true_percentiles_of_a_feed_are_the_three_given():
    """The curve is held on a grid of twelve classes an octave: the median on an edge."""
    masses = simulate_net_masses(
        design_of(Powder(breakage=None, feed_percentiles_um=SKEWED)), trials=3, seed=1
    )
    assert masses.true[:, :, 1] == pytest.approx(np.full((3, 2), 150.0))
    assert masses.true[:, :, :3] == pytest.approx(np.broadcast_to(SKEWED, (3, 2, 3)), rel=2e-3)
    assert masses.true[0, 0, 3] == pytest.approx((260 - 40) / 150, rel=5e-3)


def test_a_powder_without_breakage_is_the_one_at_0_min():
    breaking = Powder(breakage=Breakage(rate_per_min=0.1), feed_percentiles_um=SKEWED)
    still, at_rest = (
        simulate_net_masses(design_of(powder), trials=2, seed=5)
        for powder in (replace(breaking, breakage=None), breaking)
    )
    assert still.net_g == pytest.approx(at_rest.net_g, abs=1e-5)


def test_certificates_are_written_to_the_decimals_asked():
    powder = Powder(breakage=None, feed_percentiles_um=SKEWED)
    coarse, fine = (
        simulate_net_masses(
            design_of(powder, certificate_percent=0.6, certificate_decimals=decimals),
            trials=20,
            seed=1,
        ).aperture_um[:, 0, 1:]
        for decimals in (1, 4)
    )
    assert coarse == pytest.approx(np.round(coarse, 1), abs=1e-9)
    assert np.abs(fine - np.round(fine, 1)).max() > 0.02
    assert np.abs(fine - coarse).max() < 0.2


def test_refusals_name_the_value():
    with pytest.raises(SizeError, match="D10, D50, D90"):
        Powder(breakage=None, feed_percentiles_um=(100.0, 90.0, 200.0))
    still = design_of(Powder(breakage=None))
    with pytest.raises(SizeError, match=r"mills for 6\.0 min, but how its powder breaks"):
        replace(still, times_min=(0.0, 6.0))
