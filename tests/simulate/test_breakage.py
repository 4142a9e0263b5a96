"""Breakage against the exact top class, the matrix exponential and Reid's closed solution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import expm

from psdstats.errors import SizeError
from psdstats.simulate.design import Breakage, breakage_rates, mill, rate_matrix, size_edges

EDGES_UM = size_edges(1000, 4, per_octave=8)
FEED = np.append(np.diff(np.linspace(0, 1, EDGES_UM.size)), 0.0)
CASES = [
    Breakage(rate_per_min=0.05),
    Breakage(rate_per_min=0.1, size_exponent=2.0, fines_share=0.25, fines_exponent=0.8),
    Breakage(rate_per_min=0.1, size_exponent=1.5, falloff_um=600.0, falloff_exponent=4.0),
    Breakage(rate_per_min=0.02, size_exponent=0.0),
]


@pytest.mark.parametrize("breakage", CASES)
@pytest.mark.parametrize("time_min", [0.0, 0.5, 6.0, 48.0])
def test_matrix_exponential(breakage: Breakage, time_min: float) -> None:
    """exp(At) M(0) by scipy.linalg.expm, an independent route."""
    expected = expm(rate_matrix(EDGES_UM, breakage) * time_min) @ FEED
    assert mill(FEED, EDGES_UM, breakage, time_min=time_min) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("breakage", CASES[:2])
def test_reid_closed_solution(breakage: Breakage) -> None:
    """Reid, Chem. Eng. Sci. 20 (1965) 953 (from memory): M_i = Σ_j a_ij exp(-S_j t)."""
    rates = breakage_rates(EDGES_UM, breakage)
    n, time_min = rates.size, 17.0
    product = (rate_matrix(EDGES_UM, breakage) + np.diag(rates)) / np.where(rates > 0, rates, 1.0)
    a = np.zeros((n, n))
    for i in range(n):
        for j in range(i):
            a[i, j] = sum(rates[k] * product[i, k] * a[k, j] for k in range(j, i)) / (
                rates[i] - rates[j]
            )
        a[i, i] = FEED[i] - a[i, :i].sum()
    expected = a @ np.exp(-rates * time_min)
    assert mill(FEED, EDGES_UM, breakage, time_min=time_min) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("breakage", CASES)
def test_top_class_decays_exponentially(breakage: Breakage) -> None:
    """Nothing breaks into the top class, so w1(t) = w1(0) exp(-S1 t)."""
    times_min = np.array([0.0, 1.0, 10.0, 40.0])
    top = mill(FEED, EDGES_UM, breakage, time_min=times_min)[:, 0]
    exact = FEED[0] * np.exp(-breakage_rates(EDGES_UM, breakage)[0] * times_min)
    assert top == pytest.approx(exact, rel=1e-9)


@pytest.mark.parametrize("breakage", CASES)
def test_mass_is_kept_and_powder_only_gets_finer(breakage: Breakage) -> None:
    milled = mill(FEED, EDGES_UM, breakage, time_min=np.linspace(0, 60, 25))
    assert milled.sum(axis=1) == pytest.approx(np.ones(25), abs=1e-12)
    assert milled.min() >= 0
    coarser = np.cumsum(milled, axis=1)
    assert np.all(np.diff(coarser, axis=0) <= 1e-12)


def test_two_steps_equal_one() -> None:
    first = mill(FEED, EDGES_UM, CASES[0], time_min=5.0)
    both = mill(first, EDGES_UM, CASES[0], time_min=7.0)
    assert both == pytest.approx(mill(FEED, EDGES_UM, CASES[0], time_min=12.0), abs=1e-12)


def test_reference_size_breaks_at_the_stated_rate() -> None:
    """S = s at the class whose geometric mean is x_ref; the exponent holds between two classes."""
    breakage = Breakage(rate_per_min=0.08, reference_um=np.sqrt(400 * 200.0), size_exponent=1.5)
    rates = breakage_rates([400.0, 200.0, 100.0], breakage)
    assert rates == pytest.approx([0.08, 0.08 / 2**1.5, 0.0])


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Breakage(rate_per_min=0.0), "rate_per_min is 0.0"),
        (lambda: Breakage(rate_per_min=1.0, fines_share=1.2), "fines_share is 1.2"),
        (lambda: Breakage(rate_per_min=1.0, falloff_um=-3.0), "falloff_um is -3.0"),
        (lambda: size_edges(10, 20), "10 µm down to 20 µm"),
        (lambda: size_edges(20, 10, per_octave=0), "per_octave is 0"),
        (lambda: mill([1.0, 0.0], EDGES_UM, CASES[0], time_min=1.0), "feed has 2 classes"),
        (lambda: mill(FEED, EDGES_UM, CASES[0], time_min=[1.0, -2.0]), "-2.0 min"),
    ],
)
def test_refusals_name_the_value(call: object, words: str) -> None:
    with pytest.raises(SizeError, match=words):
        call()  # type: ignore[operator]
