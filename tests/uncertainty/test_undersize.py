"""The band around the undersize curve against its own formulas written out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.uncertainty import undersize_bands

NETS = np.array([2.0, 5.0, 4.0, 1.0])
APERTURES = (0, 90, 180, 360)


def test_readings_act_through_the_masses_below_and_the_sum(make_run, make_study):
    study = make_study(make_run("a", tuple(NETS), APERTURES))
    band = undersize_bands(study, sources=["repeatability"])
    s_r = study.balances[study.runs[0].balance].repeatability_g
    undersize = NETS.cumsum()[:-1] / NETS.sum()
    below = np.tril(np.ones((3, 4)))
    expected = np.sqrt(2) * s_r * np.linalg.norm(below - undersize[:, None], axis=1) / NETS.sum()
    np.testing.assert_allclose(band["undersize"], undersize, rtol=1e-12)
    np.testing.assert_allclose(band["u"], expected, rtol=1e-9)


def test_an_aperture_acts_through_the_slope_of_the_curve(make_run, make_study):
    """Equal masses on a stack of ratio 2: the inner slope is one class per ln 2."""
    study = make_study(make_run("a", (2.0, 2.0, 2.0, 2.0), APERTURES))
    band = undersize_bands(study, sources=["aperture"])
    tolerance = 180**0.98 / 27 + 1.6
    expected = 0.25 / np.log(2) * tolerance / np.sqrt(3) / 180
    assert band["u"].iloc[1] == pytest.approx(expected, rel=1e-9)


def test_limits_stay_within_zero_and_one(make_run, make_study):
    study = make_study(make_run("a", (0.001, 5.0, 5.0, 0.0), APERTURES))
    band = undersize_bands(study)
    assert (band["lower"] >= 0).all()
    assert (band["upper"] <= 1).all()
