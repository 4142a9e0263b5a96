"""Mixed models against 12-digit fits in R (lme4, lmerTest, pbkrtest) of public data.

Source: datasets/published/mixed_models/reference.json (its README names the data); REML optima
there were polished with exact derivatives, so agreement is asked to 8 digits in estimates and 7 in
tests.  Maximum likelihood variances of the file are good to about 8 digits less one.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from psdstats.models import MixedModel, RandomSlope
from psdstats.models.mixed_model import FitRemark
from psdstats.models.resampling import bootstrap_test

FOLDER = Path(__file__).parents[2] / "datasets" / "published" / "mixed_models"
REFERENCE = json.loads((FOLDER / "reference.json").read_text())

MODELS = {
    "sleepstudy_slope": {
        "response": "Reaction",
        "fixed": ["Days"],
        "random": [RandomSlope("Subject", "Days")],
    },
    "sleepstudy_int": {"response": "Reaction", "fixed": ["Days"], "random": ["Subject"]},
    "sleepstudy_cat": {
        "response": "Reaction",
        "fixed": ["DaysF"],
        "random": ["Subject"],
        "factors": ["DaysF"],
    },
    "beets_sugpct": {
        "response": "sugpct",
        "fixed": ["block", "sow", "harvest"],
        "random": [("block", "harvest")],
    },
    "beets_yield": {
        "response": "yield",
        "fixed": ["block", "sow", "harvest"],
        "random": [("block", "harvest")],
    },
    "Pastes": {"response": "strength", "random": ["batch", ("batch", "cask")]},
    "Penicillin": {"response": "diameter", "random": ["plate", "sample"]},
    "Penicillin_samplefixed": {
        "response": "diameter",
        "fixed": ["sample"],
        "random": ["plate"],
    },
}
TERMS = [
    (name, term)
    for name in MODELS
    for term in REFERENCE[name]["tests"] and (REFERENCE[name]["tests"]["type3"]["kenward-roger"])
]
NAMES_IN_R = {
    "sample": "batch:cask",
    "plate": "plate",
    "batch": "batch",
    "block:harvest": "block:harvest",
    "Residual": "residual",
}


def fitted(name, criterion="reml"):
    frame = pd.read_csv(FOLDER / REFERENCE[name]["data"])
    if "Subject" in frame:
        frame["Subject"] = frame["Subject"].astype(str)
    return MixedModel(frame, **MODELS[name]).fit(criterion=criterion)


def component_name(entry, name):
    if entry["grp"] == "Subject":
        if entry["var2"]:
            return "Subject[(Intercept), Days]"
        return "Subject" if entry["var1"] == "(Intercept)" else f"Subject[{entry['var1']}]"
    if name == "Penicillin":
        return {"Residual": "residual"}.get(entry["grp"], entry["grp"])
    return NAMES_IN_R[entry["grp"]]


@pytest.mark.parametrize("name", MODELS)
def test_estimates_and_variances_to_eight_digits(name):
    fit, known = fitted(name), REFERENCE[name]["REML"]
    assert fit.reml_log_likelihood == pytest.approx(known["logLik"], rel=1e-10)
    table = fit.to_frame()
    assert table["estimate"].to_numpy() == pytest.approx(list(known["fixef"].values()), rel=1e-8)
    assert table["standard_error"].to_numpy() == pytest.approx(list(known["se"].values()), rel=1e-8)
    for entry in known["varcomp"]:
        found = fit.variance_components[component_name(entry, name)]
        assert found == pytest.approx(entry["vcov"], rel=1e-8, abs=0)


@pytest.mark.parametrize("name", MODELS)
def test_covariances_of_the_fixed_effects(name):
    fit, known = fitted(name), REFERENCE[name]["REML"]
    size = np.abs(known["vcov"]).max()
    for field, found in (
        ("vcov", fit.covariance.plain),
        ("vcov_KR", fit.covariance.adjusted),
    ):
        assert found.ravel() == pytest.approx(np.ravel(known[field]), rel=1e-8, abs=1e-9 * size)


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
def test_coefficients_to_seven_digits(name, method):
    blocks = REFERENCE[name]["coefficients"]
    known = blocks[method]
    table = fitted(name).to_frame(method=method)
    exact = blocks.get("satterthwaite_analytic", {}) if method == "satterthwaite" else known
    for row, one in zip(table.itertuples(), known.values(), strict=True):
        position = list(known.values()).index(one)
        best = list(exact.values())[position] if exact else one
        assert row.df == pytest.approx(best["df"], rel=1e-7)
        assert row.t == pytest.approx(best["t"], rel=1e-7)
        assert row.p == pytest.approx(best["p"], rel=1e-6)
        # lmerTest's own interval rests on numerical derivatives
        assert (row.lower, row.upper) == pytest.approx((one["lower"], one["upper"]), rel=1e-6)


@pytest.mark.parametrize(("name", "term"), TERMS)
def test_terms_by_kenward_roger(name, term):
    known = REFERENCE[name]["tests"]["type3"]["kenward-roger"][term]
    found = fitted(name).test(term)
    assert found.df_num == known["num_df"]
    assert found.df_den == pytest.approx(known["den_df"], rel=1e-7)
    assert found.f == pytest.approx(known["F"], rel=1e-7)
    assert found.p == pytest.approx(known["p"], rel=1e-6)


@pytest.mark.parametrize(("name", "term"), TERMS)
def test_terms_by_satterthwaite(name, term):
    block = REFERENCE[name]["tests"]["type3"]
    known = block.get("satterthwaite_analytic", block["satterthwaite"])[term]
    found = fitted(name).test(term, method="satterthwaite")
    assert found.df_den == pytest.approx(known["den_df"], rel=1e-7)
    assert found.f == pytest.approx(known["F"], rel=1e-7)
    assert found.p == pytest.approx(known["p"], rel=1e-6)


@pytest.mark.parametrize("name", MODELS)
def test_maximum_likelihood(name):
    known = REFERENCE[name]["ML"]
    fit = fitted(name, criterion="ml")
    assert fit.reml_log_likelihood == pytest.approx(known["logLik"], rel=1e-10)
    for entry in known["varcomp"]:
        found = fit.variance_components[component_name(entry, name)]
        assert found == pytest.approx(entry["vcov"], rel=1e-6, abs=1e-6 * known["sigma"] ** 2)


def test_beets_yield_at_the_boundary():
    """The variance is exactly zero; the closed form of the balanced split plot is negative."""
    fit = fitted("beets_yield")
    assert fit.variance_components["block:harvest"] == 0.0
    assert fit.status == (FitRemark.AT_ZERO(component="block:harvest"),)
    frame = pd.read_csv(FOLDER / "beets.csv")
    free = MixedModel(frame, **MODELS["beets_yield"], boundary="free").fit()
    closed_form = REFERENCE["beets_yield"]["REML"]["varcomp_closed_form"]
    assert free.variance_components.to_numpy() == pytest.approx(closed_form, rel=1e-9)
    assert free.status == (FitRemark.BELOW_ZERO(component="block:harvest"),)
    assert free.test("harvest").df_den == pytest.approx(2.0, rel=1e-9)


CONTRASTS = [
    (name, term)
    for name in MODELS
    if REFERENCE[name]["dunnett_multcomp"]
    for term in (REFERENCE[name]["dunnett_multcomp"])
]


@pytest.mark.parametrize(("name", "term"), CONTRASTS)
def test_comparisons_with_the_first_level(name, term):
    """Exact field of the file: equicorrelated Dunnett p by quadrature."""
    known = REFERENCE[name]["dunnett_multcomp"][term]["kenward-roger"]
    found = fitted(name).contrasts(term, kind="against first")
    assert found.estimate == pytest.approx(known["estimate"], rel=1e-7)
    assert found.standard_error == pytest.approx(known["se"], rel=1e-7)
    assert found.p_adjusted == pytest.approx(known["p_exact_equicorrelated"], rel=1e-5, abs=1e-12)


@pytest.mark.parametrize(("name", "term"), CONTRASTS)
def test_all_pairs_and_marginal_means(name, term):
    known = REFERENCE[name]["emmeans"][term]["kenward-roger"]
    fit = fitted(name)
    pairs = fit.contrasts(term, kind="all pairs").to_frame()
    by_name = {(row.high, row.low): row for row in pairs.itertuples()}
    for row in known["pairs_tukey"]:
        low, high = row["contrast"].split(" - ")
        if term == "DaysF":  # numeric levels carry the name of the factor in R
            low, high = low.removeprefix(term), high.removeprefix(term)
        found = by_name[(high, low)]
        assert found.estimate == pytest.approx(-row["estimate"], rel=1e-7)
        assert found.p_adjusted == pytest.approx(row["p.value"], rel=1e-5, abs=1e-9)
        assert found.upper == pytest.approx(-row["lower.CL"], rel=1e-5)
    means = fit.marginal_means(term)
    for row, one in zip(means.itertuples(), known["means"], strict=True):
        assert row.estimate == pytest.approx(one["emmean"], rel=1e-8)
        assert row.standard_error == pytest.approx(one["SE"], rel=1e-8)
        assert row.df == pytest.approx(one["df"], rel=1e-7)
        assert row.lower == pytest.approx(one["lower.CL"], rel=1e-7)


def test_bootstrap_of_the_beets_harvest():
    """The file's PBtest p of 0.041 comes from 2,000 draws of which ratios of zero were left out.

    R's own refits of 3,000 draws from the same null model gave 0.0323 (standard error 0.0032).
    """
    test = bootstrap_test(fitted("beets_sugpct"), "harvest", draws=4000, seed=1)
    known = REFERENCE["beets_sugpct"]["PBmodcomp"]["harvest"]["table"][0]
    assert test.statistic == pytest.approx(known["stat"], rel=1e-9)
    assert test.p == pytest.approx(0.0323, abs=3 * np.hypot(0.0032, test.monte_carlo_error))
