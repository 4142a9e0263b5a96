"""Budget: shares, differences, and what a change buys, against exact scaling."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.errors import UncertaintyError
from psdstats.study.records import TareHandling
from psdstats.uncertainty import budget, propagate


def test_shares_of_runs_are_those_of_the_propagation(milling):
    found = budget(milling)
    result = propagate(milling, method="linear")
    table = found.runs.set_index(["run", "quantity", "source"])
    for row, run in enumerate(result.runs):
        for column, quantity in enumerate(result.quantities):
            for number, source in enumerate(result.sources):
                share = table.loc[(run, quantity, source), "share"]
                assert share == pytest.approx(result.source_share[row, column, number], abs=1e-12)
    whole = found.runs.groupby(["run", "quantity"]).u_percent.apply(lambda u: np.hypot.reduce(u))
    relative = 100 * result.u / result.value
    assert whole[("run-2", "D90")] == pytest.approx(relative[2, 2])
    first = found.runs.head(len(result.sources))
    assert first.balance_limited.tolist() == sorted(first.balance_limited, reverse=True)


def test_differences_are_those_of_the_joint_covariance(milling):
    found = budget(milling)
    weight = np.array([-0.5, -0.5, 0.5, 0.5])
    result = propagate(milling, method="linear")
    for quantity in ("D10", "D50", "D90", "span"):
        joint = result.covariance(quantity, log=True).to_numpy()
        rows = found.differences[found.differences.quantity == quantity]
        assert rows.level.unique().tolist() == [24.0]
        assert rows.share.sum() == pytest.approx(1)
        assert np.hypot.reduce(rows.u_percent) == pytest.approx(
            100 * np.sqrt(weight @ joint @ weight)
        )


def test_a_finer_balance_leaves_a_tenth_of_its_own_part(one_run):
    found = budget(one_run, sources=["rounding", "repeatability"]).what_if
    finer = found[found.change == "balance ten times finer"]
    np.testing.assert_allclose(finer.factor, 0.1, rtol=1e-9)
    # twice the powder halves the relative error of every net mass
    np.testing.assert_allclose(found[found.change == "twice the sample"].factor, 0.5, rtol=1e-9)


def test_certificates_of_a_quarter_of_the_tolerance(one_run):
    found = budget(one_run, sources=["aperture"]).what_if
    certified = found[found.change == "certified sieves"]
    # U = Y/4 with k = 2 against Y/√3
    np.testing.assert_allclose(certified.factor, np.sqrt(3) / 8, rtol=1e-9)


def test_reweighed_tares_only_where_they_were_weighed_once(milling):
    label = "tares weighed each run"
    assert label not in set(budget(milling).what_if.change)
    once = replace(milling, tares=TareHandling.ONCE)
    found = budget(once, sources=["rounding"]).what_if
    rows = found[(found.change == label) & (found.scope == "run")]
    np.testing.assert_allclose(rows.factor, 1, rtol=1e-12)  # no single run gains


def test_levels_of_any_column(milling):
    groups = ["alder", "birch", "alder", "birch"]
    runs = [replace(run, group=group) for run, group in zip(milling.runs, groups, strict=True)]
    found = budget(replace(milling, runs=tuple(runs)), by="group")
    assert set(found.differences.level) == {"birch"}
    with pytest.raises(UncertaintyError, match="column 'mill' is not in the run table"):
        budget(milling, by="mill")


def test_open_sizes_have_no_budget(make_run, make_study):
    study = make_study(
        make_run("fine", (8.0, 1.0, 0.5, 0.5), (0, 90, 180, 250), milling_time_min=6.0),
        make_run("good", (0.5, 9.0, 1.0, 0.5), (0, 90, 180, 250)),
    )
    found = budget(study)
    rows = found.differences.set_index("quantity")
    assert rows.loc["D10", "share"].isna().all()
    assert rows.loc["D90", "share"].sum() == pytest.approx(1)
