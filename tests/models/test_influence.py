"""What single groups do to a verdict: refits, and the two reasons why a verdict may be lost."""

import numpy as np
import pandas as pd
import pytest

from psdstats.errors import ModelError
from psdstats.models import MixedModel, leave_one_group_out
from psdstats.words.models import influence_sentence


@pytest.fixture
def fit(trial):
    return MixedModel(
        trial, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()


def _paired(differences):
    """Groups measured before and after milling, with these differences of ln size."""
    rows = [
        {"group": name, "time": time, "ln_d50": 5.0 + 0.1 * number + change * (time > 0)}
        for number, (name, change) in enumerate(differences.items())
        for time in (0, 24)
    ]
    return MixedModel(
        pd.DataFrame(rows), response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()


def test_effect_left_is_the_ratio_of_the_mean_differences():
    """Two times: the effect is the mean of the groups' differences, so shares follow by hand."""
    found = leave_one_group_out(_paired({"a": -0.2, "b": -0.3, "c": -0.4}), "time")
    assert found.table["effect_left"].to_numpy() == pytest.approx(
        [1.0, 0.35 / 0.30, 0.30 / 0.30, 0.25 / 0.30], rel=1e-6
    )


def test_lost_for_want_of_evidence_alone():
    """Differences 0.14, 0.18 and 0.22: t = 0.18 sqrt(3)/0.04 = 7.8 on 2 degrees of freedom (p =
    0.016); of any two groups t is 8, 10 or 4.5 (half the sum over half the gap) on 1 (p > 0.06).
    """
    found = leave_one_group_out(_paired({"a": -0.14, "b": -0.18, "c": -0.22}), "time")
    assert found.table["p"].iloc[0] == pytest.approx(0.016, abs=5e-4)
    assert found.decided_by == ()
    assert found.needed_by_number == ("a", "b", "c")
    assert influence_sentence(found) == (
        "The verdict on time hangs on no single level of group, but on their number: p = 0.016 "
        "with all; without any one the effect hardly moves (89 to 111 % of that with all), yet the "
        "rest are too few to show it (p up to 0.14)."
    )


def test_a_group_that_hides_the_effect_decides():
    """Six groups agree on 0.010 to 0.012; g, at 0.2, makes the scatter so large that p > 0.2."""
    small = {name: -0.01 - 0.001 * (number % 3) for number, name in enumerate("abcdef")}
    found = leave_one_group_out(_paired({**small, "g": -0.2}), "time", alpha=0.2)
    assert found.table["p"].iloc[0] > 0.2
    assert "g" in found.decided_by
    assert found.needed_by_number == ()


def test_influence_refits_without_each_group(fit, trial):
    found = leave_one_group_out(fit, "time")
    assert list(found.table["left_out"]) == ["none", "a", "b", "c"]
    rest = trial[trial["group"] != "b"]
    again = MixedModel(
        rest, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()
    row = found.table.set_index("left_out").loc["b"]
    assert row["p"] == pytest.approx(again.test("time").p, rel=1e-9)
    assert found.decided_by == ()
    assert "No single level of group decides" in influence_sentence(found)


def test_one_group_that_decides_is_named(trial):
    """Groups a and c do not change, group b changes steadily: without b nothing is left."""
    rng = np.random.default_rng(3)
    time = trial["time"].to_numpy()
    change = np.where(trial["group"] == "b", -0.02 * time, 0.0)
    frame = trial.assign(ln_d50=6 + change + rng.normal(0, 0.02, 12))
    fit = MixedModel(frame, response="ln_d50", fixed=["time"], random=["group"]).fit()
    found = leave_one_group_out(fit, "time", alpha=0.1)
    assert found.table["p"].iloc[0] < 0.1
    assert "b" in found.decided_by
    assert "hangs on one level of group" in influence_sentence(found)
    assert found.table.set_index("left_out")["effect_left"]["b"] < 0.5


def test_influence_needs_a_grouping(trial):
    fit = MixedModel(trial, response="ln_d50", fixed=["time"]).fit()
    with pytest.raises(ModelError, match="name the column"):
        leave_one_group_out(fit, "time")


def test_influence_says_why_a_refit_fails(trial):
    two = trial[trial["group"] != "c"]
    fit = MixedModel(
        two, response="ln_d50", fixed=["time"], random=["group"], factors=["time"]
    ).fit()
    found = leave_one_group_out(fit, "time")
    assert found.table["p"].iloc[1:].isna().all()
    assert "one level only" in found.table["status"].iloc[1]
    assert "cannot be tested without" in influence_sentence(found)
