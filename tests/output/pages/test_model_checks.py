"""The page of checks on the models of a comparison."""

import numpy as np

from psdstats.models.judged import Question
from psdstats.output.pages.checks import (
    attained_page,
    levels_p,
    model_checks_page,
    resampled_page,
)
from psdstats.planning.attained import Attained, AttainedKind, AttainedShare


def test_page_shows_residuals_common_tests_and_refits(benches):
    page = model_checks_page(benches.comparison)
    assert [table.name for table in page.tables] == [
        "common tests",
        "largest moves",
        "without each run",
        "independent refit",
        "refit without measurement",
    ]
    assert [drawing.name for drawing in page.drawings] == [
        "residuals D50",
    ]
    assert len(page.drawings[0].figure.axes) == 2
    assert page.front() is None
    assert page.back().blocks[0].items == page.sentences
    assert len(page.sentences) == 3  # what is said of several sizes is said once
    assert sum("Refitted by statsmodels (" in line for line in page.sentences) == 1
    assert any("which it cannot take" in line for line in page.sentences)
    assert any("Replicates of a group at a level were averaged." in note for note in page.notes)
    assert {"first levels", "milling time 6, ball ratio 5"} & set(page.tables[3].frame["name"])


def test_common_tests_stand_beside_the_analysis_at_each_level(benches, monkeypatch):
    short = model_checks_page(benches.comparison)
    assert set(short.tables[0].frame["quantity"]) == {"D50"}  # the others where it is thorough
    monkeypatch.setattr("psdstats.output.pages.checks._DRAWS", 200)
    page = model_checks_page(benches.comparison, thorough=True)
    frame = page.tables[0].frame.set_index(["quantity", "where"])
    assert {where for _, where in frame.index} == {"5", "10"}
    tests = frame[["p", "anova_p", "friedman_p"]]
    assert (tests.loc[["D50", "D90"]] < 0.05).all(axis=None)
    assert frame["anova_df"]["D50", "10"] == 4
    assert frame["anova_df"]["D10", "10"] == 3  # Rowan's sieves leave D10 open at 48 min
    assert frame["anova_told"]["D10", "10"].startswith("F(3, 9) = ")
    assert frame["p"]["D10", "10"] < 0.05
    one = benches.comparison.analysis["D50"]
    found = levels_p(one)
    assert frame["p"]["D50", "5"] == found["5"]
    rows = [one.design.mean_row(t, "5") - one.design.mean_row("0", "5") for t in ("6", "12")]
    pair = one.judge(Question(contrasts=np.array(rows), jointly=((0, 1),)))
    assert 0 < float(pair.joint_p(0)) < 0.05


def test_three_largest_moves_are_told(benches):
    page = model_checks_page(benches.comparison)
    largest, every = page.tables[1:3]
    assert len(largest.frame) == 3
    with_it, without = (
        np.log1p(every.frame[name] / 100) for name in ("change_percent", "change_without_percent")
    )
    moved = np.abs(without - with_it)
    assert moved.iloc[0] == moved.max()
    first = largest.frame.iloc[0]
    told = f"Without {first['column']} {first['left_out']} {first['quantity']} changes by "
    assert any(line.startswith(told) for line in page.sentences)


def test_headlines_have_intervals_by_resampling(benches, bench):
    (table,) = resampled_page(benches.comparison).tables
    frame = table.frame.set_index(["quantity", "contrast"])
    row = frame.loc[("D50", "48 - 0 at 5")]
    assert row["resampled"] == "replicates, bootstrap of their residuals"
    assert row["units"] == 40
    assert row["lower"] < row["effect"] < row["upper"]
    (single,) = resampled_page(bench.comparison).tables
    assert set(single.frame["resampled"]) == {"readings alone, by their uncertainty"}
    assert single.frame["units"].isna().all()


def test_thorough_page_has_intervals_of_variances_and_resampled_tests(benches, monkeypatch):
    from psdstats.output.pages import checks as model_checks

    monkeypatch.setattr(model_checks, "_DRAWS", 200)
    page = model_checks_page(benches.comparison, thorough=True)
    variances, resampled = page.tables[-2:]
    assert variances.name == "variance intervals D50"
    assert "group, drift per step of milling time" in variances.frame["component"].tolist()
    assert (variances.frame["lower"] <= variances.frame["upper"]).all()
    assert resampled.name == "resampled tests D50"
    assert resampled.frame["test"].tolist() == ["bootstrap"]  # two arrangements are too few


def test_a_comparison_without_models_says_so(bench):
    small = bench.comparison
    assert all(one.fit is None for one in small.results)
    page = model_checks_page(small)
    assert page.blocks == ()
    assert page.notes == ("No mixed model was fitted, so there is none to check.",)


def test_page_of_simulated_trials_tells_shares_with_their_error():
    found = Attained(
        level=0.95,
        trials=100,
        failed=1,
        seed=0,
        shares=tuple(
            AttainedShare(kind=kind, quantity="D50", where=where, hits=hits, trials=99)
            for kind, where, hits in (
                (AttainedKind.CHANGE, "5", 94),
                (AttainedKind.CHANGE, "10", 99),
                (AttainedKind.FALL, "", 2),
                (AttainedKind.STOP, "", 3),
                (AttainedKind.FALLEN_AGAIN, "5", 99),
            )
        ),
    )
    page = attained_page(found)
    assert page.sentences == (
        "In 100 simulated trials like this one the 95 % intervals of the changes by the end hold "
        "the truth in 94.9 ± 2.3 % to 100.0 ± 0.7 %.",
        "No kind of false claim comes in more than 3.0 ± 1.8 % of the trials (the most: something "
        "false is said of when to stop, D50).",
        "What is said of the end comes out again in 100.0 ± 0.7 %.",
        "1 of the trials could not be compared and do not count.",
    )
    first, again = page.tables
    assert first.frame["share"].tolist() == [94 / 99, 1.0, 2 / 99, 3 / 99]
    assert again.frame["what"].tolist() == ["change by the end comes out as here"]
