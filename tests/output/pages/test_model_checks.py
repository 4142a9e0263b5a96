"""The page of checks on the models of a comparison."""

import numpy as np

from psdstats.output.pages.model_checks import attained_page, model_checks_page
from psdstats.planning.attained import Attained, AttainedKind, AttainedShare


def test_page_shows_residuals_influence_common_tests_and_a_refit(benches):
    page = model_checks_page(benches.comparison)
    assert [table.name for table in page.tables] == [
        "without each group",
        "common tests",
        "independent refit",
    ]
    assert [drawing.name for drawing in page.drawings] == [
        "residuals D50",
        "residual quantiles D50",
        "without each group D50",
    ]
    assert sum("Refitted by statsmodels" in line for line in page.sentences) == 1
    assert any("Replicates of a group at a level were averaged." in note for note in page.notes)
    tests = page.tables[1].frame.set_index(["quantity", "test"])
    assert (tests.loc[["D50", "D90"], "p"] < 0.05).all()
    open_cells = tests.loc["D10", "p"]  # Rowan's sieves leave D10 open at 48 min
    assert open_cells["mixed model"] < 0.05
    assert np.isnan(open_cells["repeated-measures analysis of variance"])
    own = benches.comparison["D50"].fit.test("milling_time_min")
    assert tests.loc[("D50", "mixed model"), "statistic"] == own.f
    assert {"first levels", "milling time 6"} <= set(page.tables[2].frame["name"])


def test_thorough_page_has_intervals_of_variances_and_resampled_tests(benches, monkeypatch):
    from psdstats.output.pages import model_checks

    monkeypatch.setattr(model_checks, "_DRAWS", 3)
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
