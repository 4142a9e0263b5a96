"""Fits of a study: covariance of the curve against Monte Carlo, and refusals as results."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import weibull_min

from psdstats.comparison.whole import curve_points, fit_study
from psdstats.sieves.standards import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study

APERTURES = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0)


def make_study(nets: list[list[float]], *, certified: bool = False, **balance) -> Study:
    def sieve(um):
        if certified:
            return Sieve(
                key=f"{um:g}", nominal_um=um, certified_um=um, expanded_uncertainty_um=0.02 * um
            )
        return Sieve(key=f"{um:g}", nominal_um=um)

    runs = tuple(
        Run(
            name=f"run-{number}",
            group="A",
            milling_time_min=0.0,
            balance="b",
            readings=tuple(
                Reading(
                    sieve=f"{um:g}",
                    aperture_um=um,
                    tare_g=300.0,
                    gross_g=300.0 + net,
                    place=Place("w", 2),
                )
                for um, net in zip((0.0, *APERTURES), masses, strict=True)
            ),
        )
        for number, masses in enumerate(nets)
    )
    return Study(
        title="made for a test",
        rule="semilog",
        runs=runs,
        sieves={f"{um:g}": sieve(um) for um in APERTURES},
        balances={"b": Balance(name="b", resolution_g=0.01, **balance)},
    )


def rosin_rammler_masses(size=120.0, exponent=1.4, total=50.0):
    curve = weibull_min(exponent, scale=size)
    return list(total * np.diff(np.concatenate([[0], curve.cdf(APERTURES), [1]])))


def test_covariance_of_the_undersize_against_monte_carlo():
    """Readings with normal errors drawn 100,000 times (seed 3); covariances agree to 3 %."""
    masses = rosin_rammler_masses(total=5.0)
    study = make_study([masses], repeatability_g=0.02)
    points = curve_points(study, sources=["repeatability"])[0]
    rng = np.random.default_rng(3)
    drawn = np.array(masses) + rng.normal(0, 0.02 * np.sqrt(2), (100_000, 7))
    finer = np.cumsum(drawn, axis=1)[:, :-1] / drawn.sum(axis=1, keepdims=True)
    seen = np.cov(finer.T)
    scale = np.sqrt(np.outer(np.diag(seen), np.diag(seen)))
    np.testing.assert_allclose(points.covariance / scale, seen / scale, atol=0.02)


def test_aperture_covariance_is_the_certificate():
    study = make_study([rosin_rammler_masses()], certified=True)
    points = curve_points(study, sources=["aperture"])[0]
    expected = np.diag([(0.01 * um) ** 2 for um in APERTURES])
    np.testing.assert_allclose(points.aperture_covariance_um2, expected, rtol=1e-9)
    np.testing.assert_allclose(points.covariance, 0, atol=1e-15)


def test_fit_study_recovers_the_parameters():
    found = fit_study(make_study([rosin_rammler_masses()], repeatability_g=0.005))
    table = found.to_frame()
    mine = table[table["family"] == "rosin-rammler-bennett"].set_index("parameter")
    assert mine.loc["characteristic_um", "value"] == pytest.approx(120, rel=1e-6)
    assert mine.loc["exponent", "value"] == pytest.approx(1.4, rel=1e-6)
    assert list(table["run"].unique()) == ["run-0"]
    families = found.families_frame().set_index("family")
    assert families.loc["rosin-rammler-bennett", "described"] == 1
    sizes = found.sizes_frame()
    assert len(sizes) == 9
    assert sizes["extrapolated"].dtype == bool


def test_a_run_that_cannot_be_fitted_is_a_result():
    coarse = [0.0, 0, 0, 0, 0, 0.0, 50.0]
    found = fit_study(make_study([coarse]), families=["log-normal"])
    assert not found.fits
    row = found.to_frame().iloc[0]
    assert "a fit of two parameters needs at least 2" in row["status"]
    assert found.sizes_frame().empty
    assert found.families_frame().loc[0, "refused"] == 1


def test_misfit_is_what_the_curve_misses_at_each_sieve():
    """Masses of an exact curve, but half a gram of 50 g moved below the third sieve."""
    exact, moved = rosin_rammler_masses(), rosin_rammler_masses()
    moved[2] += 0.5
    moved[3] -= 0.5
    study = make_study([exact, moved])
    fits = fit_study(study, families=["rosin-rammler-bennett"])
    frame = fits.misfit_frame(curve_points(study), study.runs_frame())
    assert list(frame["aperture_um"]) == [*APERTURES, *APERTURES]
    assert list(frame["milling_time_min"]) == [0.0] * 12
    fitted = fits.fits["run-1", frame["family"].iloc[0]].undersize(np.array(APERTURES))
    measured = np.cumsum(moved)[:-1] / np.sum(moved)
    own = frame[frame["run"] == "run-1"]
    assert own["misfit_percent"].tolist() == pytest.approx((100 * (measured - fitted)).tolist())
    assert frame["misfit_percent"][:6].abs().max() < 0.01
