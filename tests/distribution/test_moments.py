"""Moments against the closed forms of a log-normal, exact laws, and the refusals."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import lognorm

from psdstats.distribution import moments
from psdstats.distribution.curves import class_sizes_um, study_arrays
from psdstats.distribution.moments import study_moments
from psdstats.errors import SizeError


def test_log_normal_in_the_limit_of_fine_classes():
    """Hatch-Choate relations (ISO 9276-5, from memory): means are D50 exp(± ln² s_g / 2)."""
    curve = lognorm(np.log(1.8), scale=100.0)
    edges = np.geomspace(1, 10_000, 4001)
    fraction = np.diff(curve.cdf(edges))
    found = moments(np.sqrt(edges[1:] * edges[:-1]), fraction)
    spread = np.log(1.8) ** 2
    assert found.mass_mean_um == pytest.approx(100 * np.exp(spread / 2), rel=1e-5)
    assert found.surface_mean_um == pytest.approx(100 * np.exp(-spread / 2), rel=1e-5)
    assert found.geometric_mean_um == pytest.approx(100, rel=1e-9)
    assert found.geometric_sd == pytest.approx(1.8, rel=1e-5)
    mean = found.mass_mean_um
    assert found.arithmetic_sd_um == pytest.approx(mean * np.sqrt(np.expm1(spread)), rel=1e-5)


def test_equal_spheres():
    """Spheres of 60 µm: surface 6/(ρ D), number 6/(π ρ D³)."""
    found = moments([60.0], [1.0], density_g_per_cm3=2.7, shape_factor=np.pi / 6)
    assert found.specific_surface_m2_per_g == pytest.approx(6 / (2.7 * 60))
    assert found.particles_per_g == pytest.approx(6 / (np.pi * 2.7 * (60e-4) ** 3))
    assert found.geometric_sd == pytest.approx(1)


def test_class_sizes(two_stacks):
    arrays = study_arrays(two_stacks)
    geometric = class_sizes_um(arrays.aperture_um)
    real = arrays.real[1]
    np.testing.assert_allclose(geometric[1, real], [45, 127.279, 254.558], rtol=1e-5)


def test_study_moments_say_what_was_counted(two_stacks):
    found = study_moments(two_stacks)
    assert found.pan_included.all()
    np.testing.assert_allclose(found.fraction_counted, 1)
    assert found.specific_surface_m2_per_g.isna().all()
    second = moments([45, np.sqrt(90 * 180), 180 * np.sqrt(2)], [0.1, 0.7, 0.2])
    assert found.surface_mean_um[1] == pytest.approx(second.surface_mean_um)


@pytest.mark.parametrize(
    ("size", "fraction", "options", "words"),
    [
        ([10, 0], [0.5, 0.5], {}, r"class_size_um\[1\] is 0"),
        ([10, 20], [50, 50], {}, r"fraction\[0\] is 50"),
        ([10, 20], [0.5], {}, r"shape \(2,\)"),
        ([10], [0.0], {}, "no mass"),
        ([10], [1.0], {"density_g_per_cm3": -1.0}, "density_g_per_cm3 is -1.0"),
    ],
)
def test_refusals(size, fraction, options, words):
    with pytest.raises(SizeError, match=words):
        moments(size, fraction, **options)


def test_an_empty_class_below_zero_counts_as_none(make_run, make_study):
    noisy, empty = (
        study_moments(make_study(make_run("x", [0, 63, 125], [5, net, 5]))) for net in (-0.01, 0)
    )
    pd.testing.assert_frame_equal(noisy, empty)
