"""Log-ratio coordinates and zero replacement: algebra, and scikit-bio as reference."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.distance import pdist

from psdstats.comparison.classes import (
    log_ratio_coordinates,
    replace_zeros,
    sequential_basis,
)
from psdstats.errors import ModelError

REFERENCE = json.loads(
    (Path(__file__).parent / "reference" / "scikit_bio.json").read_text(encoding="utf-8")
)

parts = st.lists(st.floats(1e-4, 1.0), min_size=3, max_size=9)


@pytest.mark.parametrize("classes", [2, 3, 8, 15])
def test_basis_is_orthonormal_and_blind_to_the_total(classes):
    basis = sequential_basis(classes)
    np.testing.assert_allclose(basis @ basis.T, np.eye(classes - 1), atol=1e-14)
    np.testing.assert_allclose(basis.sum(axis=1), 0, atol=1e-14)


def test_coordinates_against_scikit_bio():
    """Its default basis is the same sequence of balances, up to the sign of a coordinate."""
    own = log_ratio_coordinates(REFERENCE["parts"])
    np.testing.assert_allclose(np.abs(own), np.abs(REFERENCE["ilr"]), rtol=1e-9)
    np.testing.assert_allclose(pdist(own), pdist(REFERENCE["ilr"]), rtol=1e-9)


def test_replacement_against_scikit_bio():
    own = replace_zeros(REFERENCE["holed"], REFERENCE["delta"])
    np.testing.assert_allclose(own, REFERENCE["replaced"], rtol=1e-12)


def test_distance_is_the_centred_log_ratio_distance():
    a, b = np.array([0.2, 0.3, 0.5]), np.array([0.1, 0.6, 0.3])
    centred = [np.log(x) - np.log(x).mean() for x in (a, b)]
    points = log_ratio_coordinates([a, b])
    assert np.linalg.norm(points[0] - points[1]) == pytest.approx(
        np.linalg.norm(centred[0] - centred[1])
    )


@given(parts)
def test_round_trip(values):
    """Nothing is lost: the basis takes coordinates back to the logarithms, up to a constant."""
    share = np.array([values]) / np.sum(values)
    parts = np.exp(log_ratio_coordinates(share) @ sequential_basis(len(values)))
    np.testing.assert_allclose(parts / parts.sum(), share, rtol=1e-9)


@given(parts, st.integers(0, 8), st.floats(1e-7, 1e-3))
def test_replacement_keeps_ratios_and_the_total(values, hole, delta):
    share = np.array(values)
    share[hole % len(share)] = 0
    filled = replace_zeros([share], delta)[0]
    assert filled.sum() == pytest.approx(1)
    kept = share > 0
    assert filled[~kept] == pytest.approx(delta)
    np.testing.assert_allclose(filled[kept] / filled[kept][0], share[kept] / share[kept][0])


def test_negative_net_mass_counts_as_empty():
    filled = replace_zeros([[0.5, 0.5, -0.001]], 0.002)[0]
    assert filled[2] == pytest.approx(0.002)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: sequential_basis(1), "1 class has nothing to compare"),
        (lambda: log_ratio_coordinates([[0.5, 0.5], [1, 0]]), r"Row 1, class 1 holds 0\.0"),
        (lambda: replace_zeros([[1.0, 0.0]], 0.0), "must be positive"),
        (lambda: replace_zeros([[1.0, 0.0, 0.0]], 0.5), "leave room"),
        (lambda: replace_zeros([[1.0, 1.0], [0.0, 0.0]], 0.1), "Row 1 has no mass"),
    ],
)
def test_refusals(call, message):
    with pytest.raises(ModelError, match=message):
        call()
