"""The page of checks on the models of a comparison."""

import numpy as np

from psdstats.output.pages.model_checks import model_checks_page


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
