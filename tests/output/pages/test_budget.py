"""The page of the budget: shares that sum to one, u that agree with the propagation."""

import re
from dataclasses import replace

import numpy as np
import pytest

from psdstats.output.pages.budget import (
    budget_files,
    budget_notes,
    budget_page,
    budget_tables,
    shares_drawing,
)
from psdstats.words.sizes import budget_sentences


def test_shares_of_a_column_sum_to_one(benches):
    for table in budget_tables(benches.budget)[:2]:
        for column in table.columns[1:]:
            assert table.frame[column.name].sum() == pytest.approx(1.0)


def test_sentence_agrees_with_the_linear_propagation(benches):
    """Root mean square of u(D50) over the runs, from the propagation itself."""
    column = benches.sizes.quantities.index("D50")
    relative = benches.sizes.u[:, column] / benches.sizes.value[:, column]
    sentence = budget_sentences(benches.budget)[0]
    assert "% (root mean square over the runs)" in sentence
    found = float(re.search(r"standard uncertainty of (.+?) %", sentence)[1])
    assert found == pytest.approx(100 * np.sqrt(np.mean(relative**2)), abs=0.05)


def test_difference_uses_the_joint_covariance(bench):
    """The u of ln(D50 at 48 / D50 at 0) of two runs: v1 + v2 - 2c from the propagation."""
    covariance = bench.sizes.covariance("D50", log=True)
    first, last = bench.runs["run"].iloc[0], bench.runs["run"].iloc[-1]
    v = covariance.loc[first, first] + covariance.loc[last, last] - 2 * covariance.loc[first, last]
    sentence = budget_sentences(bench.budget)[1]
    assert sentence.startswith("D50 at 48 against 0 min: ")
    found = float(re.search(r"standard uncertainty of (.+?) %", sentence)[1])
    assert found == pytest.approx(100 * np.sqrt(v), abs=0.05)


def test_open_differences_fall_back_to_the_last_that_is_known(benches):
    note = budget_tables(benches.budget)[1].notes[0]
    assert "D10, 24 against 0 min: u = " in note
    assert "D50, 48 against 0 min: u = " in note
    notes = budget_notes(benches.budget)
    assert (
        "D10, span: 4 of 10 differences by milling time have no budget, because a run is not "
        "bracketed by its sieves."
    ) in notes
    assert len([each for each in notes if "no budget" in each]) == 1


def test_what_a_change_would_buy_starts_from_now(benches):
    frame = budget_tables(benches.budget)[2].frame
    now = frame[frame["change"] == "as it is"]
    assert list(now["scope"]) == ["size of one run", "difference"]
    for scope, own in frame.groupby("scope"):
        start = own.iloc[0]
        certified = own[own["change"].str.startswith("certified")].iloc[0]
        assert certified["u_D50_percent"] < start["u_D50_percent"], scope
        assert (own["u_D50_percent"] <= start["u_D50_percent"] * (1 + 1e-9)).all()


def test_drawn_shares_are_those_of_the_tables(benches):
    ax = shares_drawing(benches.budget).figure.axes[0]
    table = budget_tables(benches.budget)[0]
    row = [label.get_text() for label in ax.get_yticklabels()].index("D50 of one run")
    for container in ax.containers:
        source = container.get_label()
        expected = table.frame.set_index("source").loc[source, "share_D50"]
        assert container.patches[row].get_width() == pytest.approx(100 * expected)


def test_files_hold_every_run_and_difference(benches):
    files = {table.name: table.frame for table in budget_files(benches.budget)}
    assert set(files) == {
        "budget inputs", "budget runs", "budget differences", "budget what if"
    }  # fmt: skip
    assert files["budget inputs"]["run"].nunique() == 80
    assert len(files["budget runs"]) == 80 * 4 * len(benches.budget.sources)
    assert len(files["budget differences"]) == 10 * 4 * len(benches.budget.sources)


def test_study_of_one_level_has_no_differences(benches):
    """Without differences only the sizes are told."""
    whole = benches.budget
    alone = replace(
        whole,
        differences=whole.differences.iloc[:0],
        what_if=whole.what_if[whole.what_if["scope"] == "run"],
    )
    assert len(budget_sentences(alone)) == 1
    assert [table.name for table in budget_tables(alone)] == [
        "budget of sizes",
        "what a change would buy",
    ]
    assert budget_page(alone).heading == "Where the uncertainty comes from"
