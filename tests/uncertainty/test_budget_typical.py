"""The typical run of a budget against the linear propagation; changes against exact scaling."""

import numpy as np
import pytest

from psdstats.uncertainty import budget, propagate
from psdstats.uncertainty.budget import combined_percent, typical_run
from psdstats.words.budget import labelled_shares


def test_typical_run_is_the_root_mean_square_of_the_propagation(milling):
    result = propagate(milling, method="linear")
    found = combined_percent(typical_run(budget(milling)))
    relative = 100 * result.u / result.value
    assert found.index.tolist() == list(result.quantities)
    assert found.tolist() == pytest.approx(np.sqrt((relative**2).mean(axis=0)).tolist())


def test_shares_of_the_typical_run_sum_to_one(milling):
    shares = typical_run(budget(milling)).groupby("quantity")["share"].sum()
    assert shares.tolist() == pytest.approx([1.0] * 4)


def test_one_difference_combined_is_that_of_the_joint_covariance(milling):
    joint = propagate(milling, method="linear").covariance("D50", log=True).to_numpy()
    weight = np.array([-0.5, -0.5, 0.5, 0.5])
    found = combined_percent(budget(milling).differences)
    assert found["D50"] == pytest.approx(100 * np.sqrt(weight @ joint @ weight))


def test_a_finer_balance_leaves_a_tenth_of_rounding_in_every_mean(milling):
    found = budget(milling, sources=["rounding"]).changes_frame()
    finer = found[found["change"] == "balance ten times finer"]
    assert sorted(set(finer["scope"])) == ["difference", "run"]
    assert finer["u_then_percent"].tolist() == pytest.approx((finer["u_now_percent"] / 10).tolist())


def test_changes_start_from_the_uncertainties_that_are_divided(milling):
    found = budget(milling)
    shares, changes = found.to_frame(), found.changes_frame()
    for scope in ("run", "difference"):
        whole = combined_percent(shares[shares["scope"] == scope])
        own = changes[changes["scope"] == scope]
        for quantity, now in own.groupby("quantity")["u_now_percent"]:
            assert now.tolist() == pytest.approx([whole[quantity]] * len(now))
        assert set(own["quantity"]) == set(whole.index)


def test_runs_without_a_value_count_in_no_mean(make_run, make_study):
    """Next to all powder of the second run is in the pan: it has no D50, the first one has."""
    open_run = make_run("b", nets=(90.0, 3.0, 2.0, 1.0, 1.0, 1.0, 1.0, 0.5, 0.5))
    alone = combined_percent(typical_run(budget(make_study(make_run("a")))))
    both = combined_percent(typical_run(budget(make_study(make_run("a"), open_run))))
    assert both["D50"] == pytest.approx(alone["D50"])


def test_shares_to_be_drawn_are_those_of_the_run_and_of_the_last_difference(milling):
    found = budget(milling)
    frame = found.to_frame()
    run = frame[frame["scope"] == "run"].reset_index(drop=True)
    assert run["share"].tolist() == typical_run(found)["share"].tolist()
    own = frame[(frame["scope"] == "difference") & (frame["quantity"] == "D50")]
    times = milling.runs_frame()["milling_time_min"]
    assert set(labelled_shares(own)["label"]) == {
        f"D50, {times.max():g} against {times.min():g} min"
    }
    assert own["share"].sum() == pytest.approx(1.0)
