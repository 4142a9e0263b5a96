"""Variation of a study against a reference library and the analysis of variance."""

from __future__ import annotations

import dataclasses
import warnings

import numpy as np
import pytest
import statsmodels.formula.api
from psdstats_datasets import demo_study

from psdstats.errors import PlanError
from psdstats.planning import power, variation_of
from psdstats.study import read_study
from psdstats.uncertainty import propagate
from psdstats.uncertainty.law import at_mean_curve, prepare
from psdstats.words.planning import power_sentences
from psdstats.words.remarks import sentence


@pytest.fixture(scope="module")
def demo():
    study = read_study(demo_study("four_benches"))
    return study, propagate(study, method="linear", sources=["rounding", "aperture"])


def made_up(propagation, study, *, run_sd, group_sd, cell_sd, drift_sd=0.0):
    """The demo's design with D50 drawn from stated components and no measurement error."""
    rng = np.random.default_rng(4)
    runs = study.runs_frame()
    cell = runs.groupby(["group", "milling_time_min", "ball_ratio"], sort=False).ngroup()
    group = runs.groupby("group", sort=False).ngroup()
    place = runs["milling_time_min"].rank(method="dense") - 1
    ln_size = (
        5
        + group_sd * rng.standard_normal(4)[group]
        + cell_sd * rng.standard_normal(40)[cell]
        + run_sd * rng.standard_normal(80)
        + drift_sd * rng.standard_normal(4)[group] * place / 4
    )
    value = propagation.value.copy()
    value[:, 1] = np.exp(ln_size)
    return dataclasses.replace(propagation, value=value, sources=()), runs.assign(
        y=ln_size,
        place=place,
        condition=runs["milling_time_min"].astype(str) + runs["ball_ratio"].astype(str),
    )


def test_components_are_those_of_a_reference_library(demo):
    """MixedLM of statsmodels with variance components for lines and cells, by REML.

    Run to run is, besides, the mean square within cells (exact in balanced data).
    """
    study, propagation = demo
    drawn, frame = made_up(
        propagation, study, run_sd=0.02, group_sd=0.08, cell_sd=0.04, drift_sd=0.1
    )
    found = variation_of(study, propagation=drawn)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the reference: it warns of flat likelihoods
        reference = statsmodels.formula.api.mixedlm(
            "y ~ condition",
            frame,
            groups="group",
            re_formula="1",
            vc_formula={"cell": "0 + condition", "line": "0 + place"},
        ).fit(reml=True)
    cell, line = reference.vcomp
    assert found.group_percent == pytest.approx(
        100 * np.sqrt(reference.cov_re.iloc[0, 0]), rel=1e-3
    )
    assert found.group_time_percent == pytest.approx(100 * np.sqrt(cell), rel=1e-3)
    assert found.drift_percent == pytest.approx(4 * 100 * np.sqrt(line), rel=1e-3)
    within = frame["y"] - frame.groupby(["group", "condition"])["y"].transform("mean")
    assert found.run_percent == pytest.approx(100 * np.sqrt((within**2).sum() / 40), rel=1e-4)
    assert (found.measurement_percent, found.sieves_percent) == (0.0, 0.0)


def test_without_lines_components_are_those_of_the_analysis_of_variance(demo):
    """Two of the benches: too few for lines; all components positive, so REML is the moments'."""
    study, propagation = demo
    drawn, frame = made_up(propagation, study, run_sd=0.02, group_sd=0.08, cell_sd=0.04)
    two = frame["group"].isin(sorted(frame["group"].unique())[:2]).to_numpy()
    value = np.where(two[:, None], drawn.value, np.nan)
    found = variation_of(study, propagation=dataclasses.replace(drawn, value=value))
    own = frame[two]
    cells = own.groupby(["group", "condition"])["y"].mean().unstack()
    within = own["y"] - own.groupby(["group", "condition"])["y"].transform("mean")
    ms_run = (within**2).sum() / 20
    middle = cells.to_numpy().mean()
    rest = cells.sub(cells.mean(axis=1), axis=0).sub(cells.mean(axis=0), axis=1) + middle
    ms_cell = 2 * (rest.to_numpy() ** 2).sum() / 9
    ms_group = 20 * ((cells.mean(axis=1) - middle) ** 2).sum()
    assert found.run_percent == pytest.approx(100 * np.sqrt(ms_run), rel=1e-5)
    assert found.group_time_percent == pytest.approx(
        100 * np.sqrt((ms_cell - ms_run) / 2), rel=1e-4
    )
    assert found.group_percent == pytest.approx(100 * np.sqrt((ms_group - ms_cell) / 20), rel=1e-4)
    assert found.drift_percent == 0.0


def test_measurement_is_split_into_own_and_shared_part(demo):
    study, propagation = demo
    found = variation_of(study, propagation=propagation)
    alike = ["milling_time_min", "ball_ratio"]
    law = prepare(study, sources=propagation.sources, rule=propagation.rule)
    covariance = at_mean_curve(law, alike)["D50"][0]
    total = 100 * np.sqrt(np.diag(covariance).mean())
    assert np.hypot(found.measurement_percent, found.sieves_percent) == pytest.approx(total)
    assert found.sieves_percent > 0
    assert "80 runs in 4 groups" in sentence(found.source[0])


def test_variation_feeds_the_power(demo):
    study, propagation = demo
    variation = variation_of(study, propagation=propagation)
    result = power(variation, groups=4, times=5, replicates=2, change_percent=-20, trials=500)
    assert result.to_frame()["power"][0] > 0.9
    assert "invented demo" in power_sentences(result)[-2]


def test_single_runs_take_their_variation_from_smooth_courses_or_cannot_tell():
    study = read_study(demo_study("one_bench"))
    sizes = propagate(study, method="linear")
    found = variation_of(study, propagation=sizes)
    assert found.run_percent > 0
    assert "about smooth courses" in sentence(found.source[0])
    few = np.arange(len(sizes.value)) < 3
    value = np.where(few[:, None], sizes.value, np.nan)
    with pytest.raises(PlanError, match="variation from; state it instead, as run_percent"):
        variation_of(study, propagation=dataclasses.replace(sizes, value=value))


def test_refusals(demo):
    study, propagation = demo
    with pytest.raises(PlanError, match="no quantity 'D60'"):
        variation_of(study, quantity="D60", propagation=propagation)
    declared = dataclasses.replace(study, uncertainty={"run_to_run_percent": 2.0})
    with pytest.raises(PlanError, match="holds the run-to-run source"):
        variation_of(study, propagation=propagate(declared, method="linear"))
