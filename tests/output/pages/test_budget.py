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
    shares_drawings,
)
from psdstats.uncertainty.budget import budget, combined_percent
from psdstats.words.budget import budget_lead, budget_sentences, labelled_shares, only_source


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


def test_a_difference_of_another_factor_names_it(benches):
    (_, sentence) = budget_sentences(budget(benches.study, by="ball_ratio"))
    assert "leaves D50 at ball ratio 10 against 5 a standard uncertainty" in sentence


def test_difference_uses_the_joint_covariance(bench):
    """The u of ln(D50 at 48 / D50 at 0) of two runs: v1 + v2 - 2c from the propagation."""
    covariance = bench.sizes.covariance("D50", log=True)
    first, last = bench.runs["run"].iloc[0], bench.runs["run"].iloc[-1]
    v = covariance.loc[first, first] + covariance.loc[last, last] - 2 * covariance.loc[first, last]
    sentence = budget_sentences(bench.budget)[1]
    assert "leaves D50 at 48 against 0 min a standard uncertainty" in sentence
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


def test_bars_are_as_long_as_u_and_divided_as_the_tables_say(benches):
    (drawing,) = shares_drawings(benches.budget)
    ax = drawing.figure.axes[0]
    table = budget_tables(benches.budget)[0].frame.set_index("source")
    whole = combined_percent(benches.budget.to_frame().query("scope == 'run'"))
    row = [label.get_text() for label in ax.get_yticklabels()].index("D50 of one run")
    widths = {one.get_label(): one.patches[row].get_width() for one in ax.containers}
    assert sum(widths.values()) == pytest.approx(whole["D50"])
    assert widths["aperture"] == pytest.approx(whole["D50"] * table.loc["aperture", "share_D50"])
    limited = ["rounding", "repeatability", "calibration"]
    balance = table.loc[limited, "share_D50"].sum()
    assert widths["balance"] == pytest.approx(whole["D50"] * balance)
    assert f"D50 of one run: u = {whole['D50']:.1f} %" in drawing.alternative


def test_marks_are_what_certified_sieves_would_leave(benches):
    (drawing,) = shares_drawings(benches.budget)
    ax = drawing.figure.axes[0]
    changes = labelled_shares(benches.budget.changes_frame().assign(by=benches.budget.by))
    own = changes[changes["change"] == "certified sieves"]
    (marks,) = [one for one in ax.collections if len(one.get_offsets())]
    names = [label.get_text() for label in ax.get_yticklabels()]
    drawn = {names[round(float(y))]: float(x) for x, y in marks.get_offsets()}
    assert drawn == pytest.approx(dict(zip(own["label"], own["u_then_percent"], strict=True)))
    assert "Not marked: a balance ten times finer and twice the sample" in drawing.caption


def test_lead_tells_the_largest_source_and_the_balance_at_most(benches):
    (lead,) = budget_lead(benches.budget)
    frame = benches.budget.to_frame()
    limited = frame[frame["balance_limited"]].groupby(["scope", "quantity"])["share"].sum()
    assert lead.endswith(f"the balance makes up at most {100 * limited.max():.1f} %.")
    assert "from the sieve apertures" in lead


def test_where_one_source_is_all_a_sentence_stands_for_the_figure(bench):
    alone = budget(bench.study, sources=["aperture"])
    assert only_source(alone) == "aperture"
    page = budget_page(alone)
    assert page.drawings == ()
    assert page.lead == (
        "One source, the sieve apertures, makes up more than 99 % of the variance of every size "
        "and difference; the balance makes up at most 0 %.",
    )
    assert only_source(bench.budget) is None
    assert [one.name for one in budget_page(bench.budget).drawings] == ["uncertainty shares"]


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
