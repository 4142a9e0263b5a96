"""Apertures: certificates with any k, as they act, correlated, with degrees of freedom."""

import numpy as np
import pytest

from psdstats.sieves.standards import Sieve
from psdstats.uncertainty import propagate

NETS, APERTURES = (3.0, 4.0, 3.0), (0, 90, 180)  # D50 is the geometric mean of the two apertures


@pytest.fixture
def found(make_run, make_study):
    """Linear law of the apertures alone, with what is known of the two sieves."""

    def _found(of_90, of_180, method="linear", **options):
        sieves = {
            "a-90": Sieve(key="a-90", nominal_um=90, **of_90),
            "a-180": Sieve(key="a-180", nominal_um=180, **of_180),
        }
        study = make_study(make_run("x", NETS, APERTURES), sieves=sieves)
        return propagate(study, method=method, sources=["aperture"], rule="semilog", **options)

    return _found


def _certified(um, percent, **more):
    """Certificate with a relative standard uncertainty in per cent, k = 2."""
    return {"certified_um": um, "expanded_uncertainty_um": 2 * percent / 100 * um} | more


def _percent(result):
    return 100 * result.u[0, 1] / result.value[0, 1]


@pytest.mark.parametrize("k", [1.0, 2.0, 2.87, 3.0])
def test_the_coverage_factor_of_a_certificate_counts(found, k):
    of_90 = {"certified_um": 90.0, "expanded_uncertainty_um": 0.9, "coverage_factor": k}
    result = found(of_90, _certified(180.0, 1e-9))
    assert _percent(result) == pytest.approx(1.0 / k / 2, rel=1e-9)


def test_an_effective_aperture_takes_the_place_of_the_certificate(found):
    acts = {"effective_um": 93.0, "effective_u_um": 0.62}
    result = found(_certified(90.0, 5.0) | acts, _certified(180.0, 1e-9))
    assert result.value[0, 1] == pytest.approx(np.sqrt(93.0 * 180.0), rel=1e-9)
    assert _percent(result) == pytest.approx(100 * 0.62 / 93 / 2, rel=1e-9)


def test_it_may_stand_without_certificate(found):
    result = found({"effective_um": 93.0, "effective_u_um": 0.62}, _certified(180.0, 1e-9))
    assert _percent(result) == pytest.approx(100 * 0.62 / 93 / 2, rel=1e-9)


@pytest.mark.parametrize("correlation", [0.0, 0.36, 1.0])
def test_sieves_of_one_certificate_share_part_of_their_error(found, correlation):
    """U² = ¼ (u_a² + u_b² + 2 r u_a u_b)."""
    shared = {"certificate": "K 17", "certificate_correlation": correlation}
    result = found(_certified(90.0, 0.6, **shared), _certified(180.0, 0.8, **shared))
    expected = np.sqrt(0.6**2 + 0.8**2 + 2 * correlation * 0.6 * 0.8) / 2
    assert _percent(result) == pytest.approx(expected, rel=1e-9)
    drawn = found(
        _certified(90.0, 0.6, **shared), _certified(180.0, 0.8, **shared),
        method="monte carlo", seed=2, draws=100_000,
    )  # fmt: skip
    assert _percent(drawn) == pytest.approx(expected, rel=0.015)


def test_so_do_those_of_one_reference_measurement_and_no_others(found):
    """The certificates that an effective aperture replaced share nothing any more."""
    on_both = {"certificate": "K 17", "certificate_correlation": 0.9}
    beads = {"reference": "beads 2026", "reference_correlation": 0.5}
    of_90 = {"effective_um": 90.0, "effective_u_um": 0.9}
    of_180 = {"effective_um": 180.0, "effective_u_um": 1.8}
    alone = found(of_90 | on_both, of_180 | on_both)
    assert _percent(alone) == pytest.approx(np.sqrt(2) / 2, rel=1e-9)
    together = found(of_90 | beads, of_180 | beads)
    assert _percent(together) == pytest.approx(np.sqrt(3) / 2, rel=1e-9)
    apart = found(of_90 | beads, of_180 | beads | {"reference": "beads 2027"})
    assert _percent(apart) == pytest.approx(np.sqrt(2) / 2, rel=1e-9)


def test_degrees_of_freedom_of_certificates_combine(found):
    """Welch-Satterthwaite of two; sieves of one certificate stand on one estimate."""
    own = found(
        _certified(90.0, 0.6, degrees_of_freedom=5), _certified(180.0, 0.8, degrees_of_freedom=9)
    )
    assert own.effective_df[0, 1] == pytest.approx(1.0**2 / (0.36**2 / 5 + 0.64**2 / 9))
    shared = {"certificate": "K 17", "certificate_correlation": 0.5}
    one = found(
        _certified(90.0, 0.6, degrees_of_freedom=5, **shared),
        _certified(180.0, 0.8, degrees_of_freedom=9, **shared),
    )
    assert one.effective_df[0, 1] == pytest.approx(5)
    drawn = found(
        _certified(90.0, 0.6, degrees_of_freedom=5), _certified(180.0, 1e-9),
        method="monte carlo", seed=1, draws=200_000,
    )  # fmt: skip
    half = (drawn.upper - drawn.lower)[0, 1] / 2 / drawn.value[0, 1]
    assert 100 * half == pytest.approx(0.3 * 2.571, rel=0.02)  # t of 5 at 95 %
