"""A study of many runs: the law without matrices over all of them, and memory told beforehand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from psdstats import room
from psdstats.errors import UncertaintyError
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study.records import Balance
from psdstats.uncertainty import engine, linear, propagate, undersize_bands
from psdstats.uncertainty import law as law_module
from psdstats.uncertainty.law import prepare

APERTURES_UM = (32.0, 45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)


@pytest.fixture(scope="module")
def trial():
    """Four benches, two of them on one stack, four times, three runs each."""
    benches = tuple(
        Bench(
            name=name,
            sieves=SieveSet(name=stack, apertures_um=APERTURES_UM, certificate_percent=1.0),
            balance=Balance(name="fine", resolution_g=0.01, repeatability_g=0.01),
        )
        for name, stack in (("Alder", "Oak"), ("Birch", "Oak"), ("Cedar", "Elm"), ("Hazel", "Ash"))
    )
    design = TrialDesign(
        benches=benches,
        powder=Powder(breakage=Breakage(rate_per_min=0.07), feed_d50_um=180.0),
        times_min=(0.0, 6.0, 12.0, 24.0),
        replicates=3,
        spread=Spread(rate_run=0.05, size_run=0.01, size_bench=0.01),
    )
    return simulate_study(design, seed=4).study


@pytest.fixture(scope="module")
def both(trial):
    """The law with matrices over all runs, and the law of many runs."""
    found = []
    with pytest.MonkeyPatch.context() as patch:
        for most in (10_000, 1):
            patch.setattr(law_module, "_FOUND", {})
            patch.setattr(law_module, "MOST_AT_ONCE", most)
            found.append(prepare(trial))
    return found


def test_many_runs_have_the_sizes_of_few(both):
    few, many = both
    np.testing.assert_allclose(many.value, few.value, rtol=1e-9)
    np.testing.assert_allclose(many.curves.curve.u, few.curves.curve.u, rtol=1e-7)


def test_some_runs_at_a_time_give_what_all_give_together(both, trial, monkeypatch):
    law, backwards = both[1], replace(trial, runs=trial.runs[::-1])

    def found():
        own = law.contributions
        return [own.u, own.shares, own.effective_df, law.ends(np.full(law.sizes.value.shape, 2.0))]

    whole, expected = undersize_bands(backwards), found()
    monkeypatch.setattr(engine, "MOST_AT_ONCE", 5)
    monkeypatch.setattr(linear, "_ROWS", 7)
    pd.testing.assert_frame_equal(undersize_bands(backwards), whole, rtol=1e-12)
    assert list(dict.fromkeys(whole["run"])) == [run.name for run in backwards.runs]
    for part, of_all in zip(found(), expected, strict=True):
        np.testing.assert_allclose(part, of_all, rtol=1e-12)


def test_many_runs_have_nearly_the_covariance_of_few(both):
    """Never less than the law of the curve; means over a time within 3 % of u."""
    few, many = (one.linear() for one in both)
    known = ~np.isnan(few.value[:, :3])
    of_curve = both[1].curves.curve.u[both[1].order]
    of_ln = (many.u / many.value)[:, :3]
    assert (of_ln[known] > 0.99 * of_curve[known]).all()
    np.testing.assert_allclose(many.u[:, :3][known], few.u[:, :3][known], rtol=0.15)
    for quantity in ("D10", "D50", "D90"):
        one, two = (each.covariance(quantity, log=True).to_numpy() for each in (few, many))
        for time in (0.0, 12.0):
            weights = np.where(few.milling_time_min == time, 1 / 12, 0.0)
            ratio = np.sqrt(weights @ two @ weights / (weights @ one @ weights))
            assert ratio == pytest.approx(1, abs=0.03)


def test_covariance_is_made_for_one_quantity_as_for_all(both):
    found = both[1].linear()
    own = found.covariance("D50", log=True).to_numpy()
    np.testing.assert_allclose(own, found.log_covariance_matrix[1::4, 1::4], rtol=1e-12)


def test_what_does_not_fit_is_refused_before_the_work(trial, monkeypatch):
    monkeypatch.setattr(room, "available_bytes", lambda: 1e6)
    with pytest.raises(UncertaintyError, match=r"draws of 48 runs .*--method linear"):
        propagate(trial)
    with pytest.raises(UncertaintyError, match=r"480 readings .* prescribe a rule"):
        propagate(trial, method="linear")
