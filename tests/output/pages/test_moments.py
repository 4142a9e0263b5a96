"""Mean sizes on their page, against sums written out here."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from psdstats.output.pages.sizes import moments_page


def test_means_are_sums_over_the_classes(bench):
    """Sizes written out here: middle of two sieves, half the finest, and the top class."""
    (table,) = moments_page(bench.study).tables
    run = next(run for run in bench.study.runs if run.readings[-1].net_g <= 0.0)
    net = np.clip([reading.net_g for reading in run.readings], 0.0, None)
    edges = [reading.aperture_um for reading in run.readings]
    size = [edges[1] / 2, *(np.sqrt(a * b) for a, b in itertools.pairwise(edges[1:])), np.inf]
    share = net / net.sum()
    row = table.frame.set_index("run").loc[run.name]
    assert row["geometric_mean_um"] == pytest.approx(np.exp(share[:-1] @ np.log(size[:-1])))
    assert row["surface_mean_um"] == pytest.approx(1 / (share @ (1 / np.array(size))))


def test_surface_is_that_of_spheres_and_needs_a_density(bench):
    dense = dataclasses.replace(bench.study, density_g_per_cm3=2.7)
    frame = moments_page(dense).tables[0].frame
    expected = 6 / (2.7 * frame["surface_mean_um"])
    assert frame["specific_surface_m2_per_g"].to_numpy() == pytest.approx(expected.to_numpy())
    bare = moments_page(dataclasses.replace(bench.study, density_g_per_cm3=None)).tables[0]
    assert "specific surface, m²/g" not in [column.full_heading for column in bare.columns]


def test_a_run_without_powder_is_a_note(bench):
    first = bench.study.runs[0]
    nothing = tuple(dataclasses.replace(one, gross_g=one.tare_g) for one in first.readings)
    run = dataclasses.replace(first, readings=nothing)
    page = moments_page(dataclasses.replace(bench.study, runs=(run, *bench.study.runs[1:])))
    assert page.tables == ()
    assert page.notes[0].startswith("No mean sizes are given: ")
    assert first.name in page.notes[0]
