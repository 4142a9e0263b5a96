"""Apertures, particle numbers and losses against their formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from psdstats.simulate import TrialDesign
from psdstats.simulate.curve import mean_curves
from psdstats.simulate.design import lay_out
from psdstats.simulate.trial import (
    draw_apertures,
    gather,
    lose_powder,
    sample_particles,
    true_classes,
)


def test_particle_number_covariance_is_gys() -> None:
    """First-order covariance of shares, formula of `sample_particles` (Gy 1982, from memory)."""
    fraction = np.array([0.2, 0.5, 0.3])
    particle_g = np.array([1e-5, 1e-4, 1e-3])
    mass_g, draws = 20.0, 200_000
    net_g = sample_particles(
        np.tile(fraction, (draws, 1)), np.tile(particle_g, (draws, 1)), np.full(draws, mass_g),
        np.random.default_rng(5),
    )  # fmt: skip
    assert net_g.sum(axis=1) == pytest.approx(np.full(draws, mass_g))
    w, mu = fraction, particle_g
    expected = np.diag(w * mu) - np.outer(w, w) * (mu[:, None] + mu - w @ mu)
    found = np.cov(net_g.T / mass_g) * mass_g
    # four standard errors of a covariance, sqrt((c_ii c_kk + c_ik²) / n), plus 1/N second order
    error = np.sqrt((np.outer(np.diag(expected), np.diag(expected)) + expected**2) / draws)
    assert np.all(np.abs(found - expected) < 4 * error + 1e-3 * np.abs(expected))


def test_uncounted_classes_are_taken_as_expected() -> None:
    net_g = sample_particles(
        np.array([0.25, 0.75]), np.zeros(2), np.array(40.0), np.random.default_rng(1)
    )
    assert net_g == pytest.approx([10.0, 30.0])


def test_particle_mass_of_a_narrow_class_is_that_of_its_size(design: TrialDesign) -> None:
    """A class between 240 and 260 µm: density × shape × x³ with x = 250 µm, to the grid (3 %)."""
    design = replace(design, powder=replace(design.powder, density_g_per_cm3=2.71))
    curves = mean_curves(design, lay_out(design))
    ends_um = np.broadcast_to([0.0, 240.0, 260.0], (*curves.shift.shape, 3))
    _, particle_g = true_classes(curves, ends_um)
    assert particle_g[0, :, 1] == pytest.approx(2.71 * 0.5 * (250e-4) ** 3, rel=0.06)


def test_true_classes_sum_to_one_and_skip_missing_sieves(design: TrialDesign) -> None:
    layout = lay_out(design)
    curves = mean_curves(design, layout)
    fraction, _ = true_classes(curves, gather(layout.plate_um[None], layout, pad=np.inf))
    assert fraction.sum(axis=-1) == pytest.approx(1.0, abs=1e-12)
    assert np.all(fraction[:, ~layout.used] == 0)


def test_a_sieve_coarser_than_the_one_above_keeps_nothing(design: TrialDesign) -> None:
    curves = mean_curves(design, lay_out(design))
    ends_um = np.broadcast_to([0.0, 130.0, 125.0, 250.0], (*curves.shift.shape, 4))
    fraction, _ = true_classes(curves, ends_um)
    assert np.all(fraction[..., 1] == 0)
    assert fraction[..., 0] == pytest.approx(curves.at(ends_um)[0][..., 2])


def test_shared_sieves_have_one_aperture(design: TrialDesign) -> None:
    layout = lay_out(design)
    apertures = draw_apertures(design, layout, 400, np.random.default_rng(2))
    by_run = gather(apertures.true_um, layout, pad=np.inf)
    alder, birch, cedar = (by_run[:, layout.bench == b] for b in range(3))
    assert np.all(alder == alder[:, :1])
    assert np.all(alder == birch)
    assert not np.any(cedar[:, :, 1:8] == alder[:, :, 1:8])


def test_apertures_lie_within_tolerance_and_certificates_near_the_truth(
    design: TrialDesign,
) -> None:
    """Y = w^0.98/27 + 1.6 µm (ISO 3310-1, from memory): 45 µm 3.14, 500 µm 17.95; SD Y/√3."""
    layout = lay_out(design)
    apertures = draw_apertures(design, layout, 4000, np.random.default_rng(2))
    error = apertures.true_um - layout.plate_um
    for key, tolerance in (("common 45 µm", 3.14), ("common 500 µm", 17.95)):
        mine = error[:, layout.plate_keys.index(key)]
        assert np.abs(mine).max() <= tolerance + 0.005
        assert mine.std() == pytest.approx(tolerance / np.sqrt(3), rel=0.04)
    plate = layout.plate_keys.index("own 212 µm")
    assert apertures.expanded_um[plate] == pytest.approx(2.1)
    deviation = apertures.certified_um[:, plate] - apertures.true_um[:, plate]
    assert deviation.std() == pytest.approx(2.1 / 2, rel=0.05)
    assert np.isnan(apertures.certified_um[:, layout.plate_keys.index("common 250 µm")]).all()
    assert np.all(apertures.true_um[:, layout.plate_um == 0] == 0)


def test_losses_stay_in_range_between_the_pan_and_all_classes() -> None:
    net_g = np.tile([5.0, 15.0, 30.0], (20_000, 1))
    left = lose_powder(net_g, (1.0, 4.0), np.random.default_rng(3))
    lost = 1 - left.sum(axis=1) / 50
    assert 0.01 <= lost.min() < 0.0102
    assert 0.0398 < lost.max() <= 0.04
    assert lost.mean() == pytest.approx(0.025, abs=4 * 0.03 / np.sqrt(12 * 20_000))
    kept = left / net_g
    assert kept[:, 1] == pytest.approx(kept[:, 2])
    assert np.all(kept[:, 0] <= kept[:, 1] + 1e-12)


def test_a_loss_never_leaves_less_than_nothing_in_the_pan() -> None:
    left = lose_powder(np.array([[0.01, 50.0]] * 50), (5.0, 5.0), np.random.default_rng(4))
    assert left.min() == 0.0
