"""Mean diameters from textbooks.

Crushed quartz: McCabe, Smith and Harriott, Unit Operations of Chemical Engineering, Table 28.2 and
Example 28.1 (6th and 7th editions, numbering from memory); the screen analysis was read in a public
copy (holooly.com/?p=1941115), the answers are from memory and agree with a recomputation to 0.1 %.
Uniform distribution: Coulson and Richardson, Chemical Engineering Vol. 2, 5th edition, Example 1.1
(from memory).
"""

import numpy as np
import pandas as pd
import pytest
from psdstats_datasets import published_path

from psdstats.distribution import moments

# the book: density 0.00265 g/mm³, a = 2, sphericity 0.571; pan left out and not renormalised
BOOK = {"density_g_per_cm3": 2.65, "sphericity": 0.571, "shape_factor": 2.0, "renormalise": False}


@pytest.fixture(scope="module")
def screens():
    """Printed mean size (mm → µm) and fraction of the twelve classes between screens."""
    table = pd.read_csv(published_path("crushed_quartz"))
    held = table[table["mean_size_um"].notna() & (table["aperture_um"] > 0)]
    return held["mean_size_um"].to_numpy(), held["mass_fraction"].to_numpy()


def test_crushed_quartz_as_in_the_book(screens):
    found = moments(*screens, **BOOK)
    assert len(screens[0]) == 12
    assert found.surface_mean_um == pytest.approx(1207, rel=1e-3)
    assert found.mass_mean_um == pytest.approx(1677, rel=1e-3)
    # recomputed from the printed table, to every digit given
    assert found.volume_mean_um == pytest.approx(484.5, abs=0.05)
    assert 1e6 * found.specific_surface_m2_per_g == pytest.approx(3282, abs=0.5)  # mm²/g
    assert found.particles_per_g == pytest.approx(1659, abs=0.5)
    assert found.fraction_counted == pytest.approx(0.9925, abs=1e-9)
    assert not found.renormalised


def test_crushed_quartz_brought_back_to_one(screens):
    """Recomputed: renormalised to the 0.9925 on the screens, all three means move."""
    found = moments(*screens)
    assert found.renormalised
    sizes = [found.surface_mean_um, found.mass_mean_um, found.volume_mean_um]
    np.testing.assert_allclose(sizes, [1199.0, 1690.2, 483.3], atol=0.06)


def test_particles_of_the_finest_class(screens):
    """Recomputed: 829.7 per gram between 150 and 200 mesh, half of all particles by number."""
    size, fraction = screens
    finest = moments(size[-1:], fraction[-1:], **BOOK).particles_per_g
    assert finest == pytest.approx(829.7, abs=0.05)
    assert finest / moments(size, fraction, **BOOK).particles_per_g == pytest.approx(
        0.5001, abs=1e-4
    )


def test_surface_mean_of_a_uniform_distribution():
    """Mass rises linearly from 1 to 101 µm: surface mean 21.7 µm, in closed form 100/ln 101."""
    edges = np.linspace(1, 101, 100_001)
    middle = (edges[1:] + edges[:-1]) / 2
    found = moments(middle, np.full(middle.size, 1 / middle.size)).surface_mean_um
    assert found == pytest.approx(21.7, abs=0.05)
    assert found == pytest.approx(100 / np.log(101), rel=1e-6)
