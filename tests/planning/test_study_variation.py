"""Variation of a study against the analysis of variance of balanced data."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from psdstats_datasets import demo_study

from psdstats.planning import PlanError, power, variation_of
from psdstats.study import read_study
from psdstats.uncertainty import propagate


@pytest.fixture(scope="module")
def demo():
    study = read_study(demo_study("four_benches"))
    return study, propagate(study, method="linear", sources=["rounding", "aperture"])


def made_up(propagation, study, *, run_sd, group_sd, cell_sd):
    """The demo's design with D50 drawn from stated components and no measurement error."""
    rng = np.random.default_rng(4)
    runs = study.runs_frame()
    cell = runs.groupby(["group", "milling_time_min", "ball_ratio"], sort=False).ngroup()
    group = runs.groupby("group", sort=False).ngroup()
    ln_size = (
        5
        + group_sd * rng.standard_normal(4)[group]
        + cell_sd * rng.standard_normal(40)[cell]
        + run_sd * rng.standard_normal(80)
    )
    value = propagation.value.copy()
    value[:, 1] = np.exp(ln_size)
    return dataclasses.replace(
        propagation,
        value=value,
        log_covariance_matrix=np.zeros_like(propagation.log_covariance_matrix),
    ), runs.assign(y=ln_size, cell=cell)


def test_components_are_those_of_the_analysis_of_variance(demo):
    """Balanced data, all components positive: REML equals the method of moments."""
    study, propagation = demo
    drawn, frame = made_up(propagation, study, run_sd=0.02, group_sd=0.08, cell_sd=0.04)
    found = variation_of(study, propagation=drawn)
    condition = frame["milling_time_min"].astype(str) + frame["ball_ratio"].astype(str)
    cells = frame.groupby([frame["group"], condition])["y"].mean().unstack()
    within = frame["y"] - frame.groupby([frame["group"], condition])["y"].transform("mean")
    ms_run = (within**2).sum() / 40
    middle = cells.to_numpy().mean()
    rest = cells.sub(cells.mean(axis=1), axis=0).sub(cells.mean(axis=0), axis=1) + middle
    ms_cell = 2 * (rest.to_numpy() ** 2).sum() / 27
    ms_group = 20 * ((cells.mean(axis=1) - middle) ** 2).sum() / 3
    assert found.run_percent == pytest.approx(100 * np.sqrt(ms_run), rel=1e-5)
    assert found.group_time_percent == pytest.approx(
        100 * np.sqrt((ms_cell - ms_run) / 2), rel=1e-4
    )
    assert found.group_percent == pytest.approx(100 * np.sqrt((ms_group - ms_cell) / 20), rel=1e-4)
    assert (found.measurement_percent, found.sieves_percent) == (0.0, 0.0)


def test_measurement_is_split_into_own_and_shared_part(demo):
    study, propagation = demo
    found = variation_of(study, propagation=propagation)
    covariance = propagation.covariance("D50", log=True).to_numpy()
    total = 100 * np.sqrt(np.diag(covariance).mean())
    assert np.hypot(found.measurement_percent, found.sieves_percent) == pytest.approx(total)
    assert found.sieves_percent > 0
    assert "80 runs in 4 groups" in found.source


def test_variation_feeds_the_power(demo):
    study, propagation = demo
    variation = variation_of(study, propagation=propagation)
    result = power(variation, groups=4, times=5, replicates=2, change_percent=-20, trials=500)
    assert result.to_frame()["power"][0] > 0.9
    assert "invented demo" in result.sentences()[-1]


def test_one_bench_without_replicates_cannot_tell():
    study = read_study(demo_study("one_bench"))
    with pytest.raises(PlanError, match="leaves nothing to tell run-to-run variation from"):
        variation_of(study, propagation=propagate(study, method="linear"))


def test_refusals(demo):
    study, propagation = demo
    with pytest.raises(PlanError, match="no quantity 'D60'"):
        variation_of(study, quantity="D60", propagation=propagation)
    declared = dataclasses.replace(study, uncertainty={"run_to_run_percent": 2.0})
    with pytest.raises(PlanError, match="holds the run-to-run source"):
        variation_of(study, propagation=propagate(declared, method="linear"))
