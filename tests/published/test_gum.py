"""Worked examples of JCGM 100:2008 (GUM) through the functions the product uses."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from psdstats.models import MixedModel
from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Reading, Run, Study
from psdstats.uncertainty import propagate, ratio_intervals
from psdstats.uncertainty.linear import coverage_factor

# H.1, end gauge (inputs and answers as quoted in public files): nm, and the degrees of freedom
STANDARD_NM, STANDARD_DF = 25.0, 18
COMPARATOR_NM, COMPARATOR_DF = (5.8, 3.9, 6.7), (24, 5, 8)
LENGTH_NM = 50.000_623e6
ALPHA, U_ALPHA = 11.5e-6, 1.2e-6
THETA, U_THETA = -0.1, 0.41
U_DELTA_ALPHA, DELTA_ALPHA_DF = 0.58e-6, 50
U_DELTA_THETA, DELTA_THETA_DF = 0.029, 2


def _end_gauge(combine):
    """First-order budget: standard, comparator (3 parts), expansion difference, temperature."""
    sensitivity = [1, 1, 1, 1, -LENGTH_NM * THETA, -LENGTH_NM * ALPHA, 0.0, 0.0]
    u = [STANDARD_NM, *COMPARATOR_NM, U_DELTA_ALPHA, U_DELTA_THETA, U_ALPHA, U_THETA]
    freedom = [STANDARD_DF, *COMPARATOR_DF, DELTA_ALPHA_DF, DELTA_THETA_DF, np.inf, np.inf]
    return combine(sensitivity, u, freedom)


def test_h1_end_gauge(combine):
    """u_c 32 nm, effective degrees of freedom 16.7 → 16, t99 2.92, U99 93 nm."""
    result = _end_gauge(combine)
    assert result.u[0] == pytest.approx(32, abs=0.5)
    assert result.u[0] ** 2 == pytest.approx(1002, abs=4)  # parts printed to two digits
    assert result.effective_df[0] == pytest.approx(16.7, abs=0.1)
    k = coverage_factor(0.99, np.floor(result.effective_df))
    assert k[0] == pytest.approx(2.92, abs=0.005)
    # the document rounds u_c to 32 nm before multiplying: 2.92 × 32 = 93, unrounded 92.5
    assert k[0] * result.u[0] == pytest.approx(93, abs=0.7)


def test_h1_comparator_parts_together(combine):
    """The three comparator parts are 9.7 nm together with 25.6 degrees of freedom."""
    result = combine([1, 1, 1], COMPARATOR_NM, COMPARATOR_DF)
    assert result.u[0] == pytest.approx(9.7, abs=0.05)
    assert result.effective_df[0] == pytest.approx(25.6, abs=0.2)


def test_h1_second_order_shows_in_monte_carlo(adaptive_monte_carlo):
    """Products of two errors raise u_c to 34 nm (H.1.7, from memory); the linear law has none."""
    generator = np.random.default_rng(1)

    def draw(_):
        z = generator.standard_normal((8, 10_000))
        length = STANDARD_NM * z[0]
        comparator = sum(u * z[1 + part] for part, u in enumerate(COMPARATOR_NM))
        delta_alpha, delta_theta = U_DELTA_ALPHA * z[4], U_DELTA_THETA * z[5]
        alpha, theta = ALPHA + U_ALPHA * z[6], THETA + U_THETA * z[7]
        expansion = LENGTH_NM * (delta_alpha * theta + alpha * delta_theta)
        return (length + comparator - expansion)[None]

    result = adaptive_monte_carlo(draw, min_blocks=40, max_blocks=40)
    assert result.u[0] == pytest.approx(34, abs=0.5)


def test_g41_welch_satterthwaite(combine):
    """G.4.1 (from memory): u_c 1.03 %, 19.0 degrees of freedom, t95 2.09, U 2.2 %."""
    percent, freedom = [0.25, 0.57, 0.82], [9, 4, 14]
    result = combine([1, 1, 1], percent, freedom)
    assert result.u[0] == pytest.approx(1.03, abs=0.005)
    assert result.effective_df[0] == pytest.approx(19.0, abs=0.05)
    k = coverage_factor(0.95, result.effective_df)
    assert k[0] == pytest.approx(2.09, abs=0.005)
    assert k[0] * result.u[0] == pytest.approx(2.2, abs=0.05)


def _sieving(*stacks, **bench):
    """Runs of 3, 4 and 3 g, so that ln D50 is the mean of the two ln apertures.

    Each stack is two times a standard uncertainty of ln x in per cent, degrees of freedom and
    further fields of the sieve; D50 takes half of each.
    """
    sieves, runs = {}, []
    for number, stack in enumerate(stacks):
        for aperture, (percent, freedom, more) in zip((90.0, 180.0), stack, strict=True):
            key = f"{number} {aperture:g}"
            sieves[key] = Sieve(
                key=key,
                nominal_um=aperture,
                certified_um=aperture,
                expanded_uncertainty_um=2.5 * 2 * percent / 100 * aperture,
                coverage_factor=2.5,
                degrees_of_freedom=freedom,
                **more,
            )
        masses = {"pan": (0.0, 3.0), f"{number} 90": (90.0, 4.0), f"{number} 180": (180.0, 3.0)}
        readings = tuple(
            Reading(sieve=key, aperture_um=um, tare_g=400.0, gross_g=400.0 + net)
            for key, (um, net) in masses.items()
        )
        name = f"run {number}"
        runs.append(Run(name=name, group="g", milling_time_min=0, readings=readings, balance="b"))
    balance = Balance(name="b", **{"resolution_g": 1e-9, "repeatability_g": 1e-12} | bench)
    return Study(title="GUM", runs=tuple(runs), sieves=sieves, balances={"b": balance})


def test_g41_as_a_sieving():
    """G.4.1 (from memory): 0.25 % (9), 0.57 % (4) of two sieves, 0.82 % (14) of the balance.

    U_c 1.03 %, 19.0 degrees of freedom, t95 2.09, U 2.2 %.  The balance is one estimate from 15
    weighings, though a size rests on six readings; by hand ∂ln D50/∂m is ln 2/8 (-1, 0 and 1 for
    pan, class and sieve; each net mass of two readings), so u = ln 2/4 s_r.
    """
    stack = ((0.25, 9, {}), (0.57, 4, {}))
    study = _sieving(stack, repeatability_g=0.0082 * 4 / np.log(2), repeatability_weighings=15)
    found = propagate(study, method="linear", sources=["repeatability", "aperture"], rule="semilog")
    u = 100 * found.u[0, 1] / found.value[0, 1]
    assert u == pytest.approx(1.03, abs=0.005)
    assert found.effective_df[0, 1] == pytest.approx(19.0, abs=0.05)
    assert found.k[0, 1] == pytest.approx(2.09, abs=0.005)
    assert found.k[0, 1] * u == pytest.approx(2.2, abs=0.05)
    half = 100 * (found.upper - found.lower)[0, 1] / 2 / found.value[0, 1]
    assert half == pytest.approx(2.2, abs=0.05)


def test_h1_as_a_ratio_of_sievings():
    """H.1 with 1 nm as 0.01 %: four sieves carry 25 (18), 9.7 (25.6), 2.9 (50) and 16.6 (2) nm.

    U_c 32, 16.7 → 16 degrees of freedom, t99 2.92, U99 93; ours lies between t of 17 and of 16.
    """
    study = _sieving(((0.25, 18, {}), (0.097, 25.6, {})), ((0.029, 50, {}), (0.166, 2, {})))
    found = ratio_intervals(
        study,
        [("run 0", "run 1")],
        quantities=["D50"],
        method="linear",
        sources=["aperture"],
        rule="semilog",
        coverage=0.99,
    )
    u = 1e4 * found.u_log[0, 0]
    assert u == pytest.approx(32, abs=0.5)
    assert found.effective_df[0, 0] == pytest.approx(16.7, abs=0.1)
    assert stats.t.ppf(0.995, 17) < found.k[0, 0] < stats.t.ppf(0.995, 16)
    assert 1e4 * np.log(found.upper / found.ratio)[0, 0] == pytest.approx(found.k[0, 0] * u)
    floored = coverage_factor(0.99, np.floor(found.effective_df))[0, 0]
    assert floored == pytest.approx(2.92, abs=0.005)
    assert floored * u == pytest.approx(93, abs=0.7)


def test_h2_two_correlated_inputs():
    """H.2 (from memory): V 4.9990 (0.0032) V, I 19.6610 (0.0095) mA, r = -0.36; Z = V/I.

    Z = 254.26 Ω with u 0.236 Ω.  ln Z = ln V - ln I, so two sieves of one certificate whose errors
    add with r = +0.36 have the same u as the quotient with -0.36.
    """
    percent = {"V": 100 * 0.0032 / 4.9990, "I": 100 * 0.0095 / 19.6610}
    shared = {"certificate": "one bridge", "certificate_correlation": 0.36}
    study = _sieving(tuple((one, None, shared) for one in percent.values()))
    found = propagate(study, method="linear", sources=["aperture"], rule="semilog")
    ohm = 1000 * 4.9990 / 19.6610
    assert ohm == pytest.approx(254.26, abs=0.005)
    assert ohm * found.u[0, 1] / found.value[0, 1] == pytest.approx(0.236, abs=0.0015)
    alone = _sieving(tuple((one, None, {}) for one in percent.values()))
    apart = propagate(alone, method="linear", sources=["aperture"], rule="semilog")
    assert ohm * apart.u[0, 1] / apart.value[0, 1] < 0.21


def test_h3_straight_line(combine):
    """H.3 (data from memory, reproducing every printed digit): intercept, slope, b(30 °C)."""
    t = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    design = np.column_stack([np.ones(11), t - 20])
    estimate = np.linalg.pinv(design)  # both parameters are linear in the readings
    parameters = estimate @ b
    s = np.sqrt(((b - design @ parameters) ** 2).sum() / 9)
    at_30 = np.array([1.0, 10.0]) @ estimate
    result = combine(np.vstack([estimate, at_30]), np.full(11, s))
    assert s == pytest.approx(0.0035, abs=5e-5)
    printed = [(parameters[0], -0.1712, 5e-5), (parameters[1], 0.00218, 5e-6)]
    printed += zip(result.u, [0.0029, 0.00067, 0.0041], [5e-5, 5e-6, 5e-5], strict=True)
    for found, value, half_digit in printed:
        assert found == pytest.approx(value, abs=half_digit)
    correlation = result.covariance[0, 1] / (result.u[0] * result.u[1])
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert at_30 @ b == pytest.approx(-0.1494, abs=5e-5)


def test_h5_days_as_clusters():
    """H.5 (from memory): ten days of five readings; mean 10.000097 V, u 18 µV, F 2.25 > 2.12."""
    day_mean = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41.0])
    day_s = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86.0])
    # five readings with exactly that mean and standard deviation
    shape = np.array([-2, -1, 0, 1, 2.0])
    readings = day_mean[:, None] + day_s[:, None] * shape / shape.std(ddof=1)
    days = np.repeat([f"day {number}" for number in range(1, 11)], 5)
    frame = pd.DataFrame({"microvolt": readings.ravel(), "day": days})
    fit = MixedModel(frame, response="microvolt", random=["day"]).fit()
    mean, u, degrees_of_freedom = fit.to_frame().iloc[0][
        ["estimate", "standard_error_adjusted", "df"]
    ]
    assert mean == pytest.approx(97, abs=0.5)
    assert u == pytest.approx(18, abs=0.5)
    assert degrees_of_freedom == pytest.approx(9, rel=1e-6)
    s_days = u * np.sqrt(10)
    assert s_days == pytest.approx(57, abs=0.5)
    s_within = np.sqrt((day_s**2).mean())
    assert s_within == pytest.approx(85, abs=0.5)
    # the document rounds to (128/85)² = 2.25 (57 × √5 = 128); unrounded 2.26
    assert 5 * s_days**2 / s_within**2 == pytest.approx(2.25, abs=0.02)
    assert stats.f.ppf(0.95, 9, 40) == pytest.approx(2.12, abs=0.005)


def test_four_rectangular_inputs_have_unit_dispersion(combine):
    """Width 2√3 each, so u = 1 each and 2 together."""
    assert combine(np.ones(4), np.full(4, 2 * np.sqrt(3) / np.sqrt(12))).u[0] == pytest.approx(2)


def test_coverage_factors_of_table_g2():
    """Table G.2 (from memory): t95 for 1, 10 and infinitely many degrees of freedom."""
    np.testing.assert_allclose(
        coverage_factor(0.95, [1, 10, np.inf]), [12.71, 2.23, 1.96], atol=0.005
    )
