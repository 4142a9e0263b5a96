"""Closed forms of the three fitted families, through the fit itself.

Rosin-Rammler-Bennett: residue R = exp(-(d/d')^n), so R(d') = 36.788 % and
D_p = d'(-ln(1-p))^(1/n); log-normal: span = 2 sinh(1.28155 ln s_g); Gates-Gaudin-Schuhmann:
D_p = k p^(1/m).  (DIN 66145, ISO 9276-5 and Gaudin 1926; relations from memory.)
"""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.distribution.fits import fit_distribution

APERTURES = np.array([45.0, 63, 90, 125, 180, 250, 355])
NOISE = 1e-6 * np.eye(7)


def sizes_of(fit):
    return [one.size_um for one in fit.sizes]


def test_rosin_rammler_bennett_with_exponent_1():
    finer = 1 - np.exp(-APERTURES / 100)
    fit = fit_distribution(APERTURES, finer, covariance=NOISE)
    d10, d50, d90 = sizes_of(fit)
    assert [d10, d50, d90] == pytest.approx([10.536, 69.315, 230.259], abs=5e-4)
    assert (d90 - d10) / d50 == pytest.approx(3.1699, abs=5e-5)
    assert 1 - fit.undersize(100.0).item() == pytest.approx(0.36788, abs=5e-6)
    # D10 lies below the finest sieve
    assert [one.extrapolated for one in fit.sizes] == [True, False, False]


@pytest.mark.parametrize("geometric_sd", [1.4, 2.0, 3.0])
def test_log_normal_span(geometric_sd):
    from statistics import NormalDist

    finer = [NormalDist().cdf(np.log(x / 140) / np.log(geometric_sd)) for x in APERTURES]
    fit = fit_distribution(APERTURES, finer, covariance=NOISE, family="log-normal")
    d10, d50, d90 = sizes_of(fit)
    assert (d90 - d10) / d50 == pytest.approx(2 * np.sinh(1.28155 * np.log(geometric_sd)), rel=1e-5)


@pytest.mark.parametrize("exponent", [0.6, 1.0, 1.7])
def test_gates_gaudin_schuhmann_percentiles(exponent):
    finer = np.minimum(1, (APERTURES / 300) ** exponent)
    fit = fit_distribution(APERTURES, finer, covariance=NOISE, family="gates-gaudin-schuhmann")
    expected = [300 * p ** (1 / exponent) for p in (0.1, 0.5, 0.9)]
    assert sizes_of(fit) == pytest.approx(expected, rel=1e-6)
    assert fit.parameters == pytest.approx([300, exponent], rel=1e-6)
