"""Classical mixed-model examples: figures as published, to the printed digits.

Sources beside each test; "from memory" figures were re-run in R 4.2.2 (lme4 1.1-31, nlme 3.1-162)
and agree to all digits given.  Data: datasets/published/mixed_models.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from psdstats.models import MixedModel
from psdstats.models.mixed_model import FitRemark

FOLDER = Path(__file__).parents[2] / "datasets" / "published" / "mixed_models"


def data(name, *factors):
    frame = pd.read_csv(FOLDER / f"{name}.csv")
    return frame.assign(**{factor: frame[factor].astype(str) for factor in factors})


def test_dyestuff_by_reml_and_ml():
    """D. Bates, lme4 book draft 2010, chapter 1 (from memory)."""
    model = MixedModel(data("Dyestuff"), response="Yield", random=["Batch"])
    fit = model.fit()
    assert fit.variance_components["Batch"] == pytest.approx(1764.05, abs=0.1)
    assert fit.variance_components["residual"] == pytest.approx(2451.25, abs=0.1)
    assert fit.to_frame().loc["(Intercept)", "estimate"] == pytest.approx(1527.5, abs=1e-6)
    assert fit.to_frame().loc["(Intercept)", "standard_error"] == pytest.approx(19.383, abs=5e-4)
    assert -2 * fit.reml_log_likelihood == pytest.approx(319.7, abs=0.05)
    full = model.fit(criterion="ml")
    assert full.variance_components["Batch"] == pytest.approx(1388.3, abs=0.1)
    assert -2 * full.reml_log_likelihood == pytest.approx(327.3, abs=0.05)


def test_dyestuff2_has_a_variance_of_zero():
    """G. E. P. Box and G. C. Tiao 1973, simulated data (from memory)."""
    fit = MixedModel(data("Dyestuff2"), response="Yield", random=["Batch"]).fit()
    assert fit.variance_components["Batch"] == 0.0
    assert fit.variance_components["residual"] == pytest.approx(13.806, abs=5e-4)
    assert fit.status == (FitRemark.AT_ZERO(component="Batch"),)


def test_rail():
    """J. C. Pinheiro and D. M. Bates 2000, chapter 1 (from memory)."""
    fit = MixedModel(data("Rail", "Rail"), response="travel", random=["Rail"]).fit()
    assert np.sqrt(fit.variance_components["Rail"]) == pytest.approx(24.805, abs=5e-4)
    assert np.sqrt(fit.variance_components["residual"]) == pytest.approx(4.0208, abs=5e-5)
    assert fit.reml_log_likelihood == pytest.approx(-61.0885, abs=5e-5)
    assert fit.to_frame().loc["(Intercept)", "standard_error"] == pytest.approx(10.171, abs=5e-4)


def test_orthodont():
    """R. F. Potthoff and S. N. Roy 1964; fit as in Pinheiro and Bates 2000 (from memory)."""
    frame = data("Orthodont")
    frame["Sex"] = pd.Categorical(frame["Sex"], ["Male", "Female"])
    fit = MixedModel(
        frame, response="distance", fixed=["age", "Sex", ("age", "Sex")], random=["Subject"]
    ).fit()
    table = fit.to_frame()
    assert table["estimate"].to_numpy() == pytest.approx(
        [16.3406, 0.78438, 1.0321, -0.30483], abs=5e-5
    )
    assert table["standard_error"].to_numpy() == pytest.approx(
        [0.9813, 0.07750, 1.5374, 0.12142], abs=5e-5
    )
    last = table.iloc[-1]
    assert (last["t"], last["df"]) == pytest.approx((-2.5105, 79), abs=5e-5)
    assert last["p"] == pytest.approx(0.0141, abs=5e-5)
    assert np.sqrt(fit.variance_components.to_numpy()) == pytest.approx([1.8162, 1.3864], abs=5e-5)


def test_npk_in_blocks():
    """W. N. Venables and B. D. Ripley; R's help page of npk (from memory): F on 1 and 12 df."""
    frame = data("npk", "block", "N", "P", "K")
    pairs = [("N", "P"), ("N", "K"), ("P", "K"), ("N", "P", "K")]
    fit = MixedModel(
        frame, response="yield", fixed=["N", "P", "K", *pairs], random=["block"], boundary="free"
    ).fit()
    for term, f, p in (("N", 12.259, 0.00437), ("K", 6.166, 0.0288), ("P", 0.544, 0.4749)):
        found = fit.test(term)
        assert found.df_den == pytest.approx(12, rel=1e-9)
        assert (found.f, found.p) == pytest.approx((f, p), abs=5e-4)
    between = fit.test(("N", "P", "K"))
    assert between.df_den == pytest.approx(4, rel=1e-9)
    assert (between.f, between.p) == pytest.approx((0.483, 0.525), abs=5e-4)


def test_plant_growth():
    """A. J. Dobson 1983; R's TukeyHSD (from memory)."""
    fit = MixedModel(data("PlantGrowth"), response="weight", fixed=["group"]).fit()
    found = fit.test("group")
    assert (found.f, found.df_den, found.p) == pytest.approx((4.8461, 27, 0.01591), abs=5e-5)
    pairs = fit.contrasts("group", kind="all pairs").to_frame()
    assert pairs["estimate"].to_numpy() == pytest.approx([-0.371, 0.494, 0.865], abs=5e-4)
    assert pairs["p_adjusted"].to_numpy() == pytest.approx([0.3909, 0.1980, 0.0120], abs=5e-5)
    assert pairs["lower"].to_numpy() == pytest.approx([-1.0622, -0.1972, 0.1738], abs=5e-5)


@pytest.fixture
def trials():
    """Log risk ratios of 13 vaccine trials and their variances (Colditz and others 1994)."""
    frame = pd.read_csv(FOLDER / "bcg.csv")
    treated = frame["treated_cases"] + frame["treated_others"]
    control = frame["control_cases"] + frame["control_others"]
    ratio = np.log(frame["treated_cases"] / treated * control / frame["control_cases"])
    variance = 1 / frame["treated_cases"] - 1 / treated + 1 / frame["control_cases"] - 1 / control
    return frame.assign(log_ratio=ratio), np.diag(variance)


def test_meta_analysis_is_a_known_covariance(trials):
    """tau² = 0.3132 (SE 0.1664), tau 0.5597: read in the RoBMA vignette on CRAN, of metafor's rma.

    Further digits re-run with metafor 3.8-1 in R 4.2.2, W. Viechtbauer, J. Stat. Softw. 36(3) 2010.
    """
    frame, known = trials
    fit = MixedModel(frame, response="log_ratio", known_covariance=known).fit()
    assert fit.variance_components["residual"] == pytest.approx(0.313243258136, rel=1e-7)
    spread = fit.covariance.theta_covariance[0, 0]
    assert np.sqrt(spread) == pytest.approx(0.166425752837, rel=1e-7)
    assert fit.to_frame().loc["(Intercept)", "estimate"] == pytest.approx(-0.714532342158)
    assert fit.to_frame().loc["(Intercept)", "standard_error"] == pytest.approx(0.179781516105)


def test_meta_regression_on_latitude(trials):
    """Metafor 3.8-1, rma with moderator (re-run in R 4.2.2): tau² 0.0763."""
    frame, known = trials
    fit = MixedModel(
        frame, response="log_ratio", fixed=["latitude_degrees"], known_covariance=known
    ).fit()
    assert fit.variance_components["residual"] == pytest.approx(0.0763479639552, rel=1e-7)
    table = fit.to_frame()
    assert table["estimate"].to_numpy() == pytest.approx([0.251468210007, -0.0291017250116])
    assert table["standard_error"].to_numpy() == pytest.approx([0.249095396617, 0.0071953272209])
