"""Mandel's h and k, Cochran and Grubbs: exact cases and simulated size."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from psdstats.comparison.consistency import (
    cochran_limit,
    consistency,
    grubbs_critical,
    mandel_h_limit,
    mandel_k_limit,
    outliers,
)
from psdstats.errors import ModelError


def tidy(cells: dict[str, list[float]]) -> pd.DataFrame:
    return pd.DataFrame(
        [{"bench": bench, "y": y} for bench, results in cells.items() for y in results]
    )


CLEAN = {"A": [10.0, 10.2], "B": [10.1, 9.9], "C": [10.2, 10.3], "D": [9.8, 10.0]}


def test_h_and_k_by_hand():
    table = consistency(tidy(CLEAN), value="y", group="bench", scale="raw")
    means = np.array([10.1, 10.0, 10.25, 9.9])
    np.testing.assert_allclose(table["h"], (means - means.mean()) / means.std(ddof=1))
    variances = np.array([0.02, 0.02, 0.005, 0.02])
    np.testing.assert_allclose(table["k"], np.sqrt(variances / variances.mean()))
    assert (table["finding"] == "").all()
    assert (table["k"] ** 2).sum() == pytest.approx(4)
    assert table["h"].sum() == pytest.approx(0, abs=1e-9)


def test_a_far_group_and_a_scattered_group_are_found():
    far = CLEAN | {"E": [13.0, 13.2], "F": [10.0, 10.1], "G": [10.2, 10.0]}
    table = consistency(tidy(far), value="y", group="bench").set_index("bench")
    assert table.loc["E", "finding"] == "h beyond the 1 % limit"
    tests = outliers(tidy(far), value="y", group="bench").set_index("test")
    assert tests.loc["Grubbs", "group"] == "E"
    assert tests.loc["Grubbs", "finding"] == "outlier"

    rough = CLEAN | {"E": [8.0, 12.0], "F": [10.0, 10.1]}
    table = consistency(tidy(rough), value="y", group="bench").set_index("bench")
    assert table.loc["E", "finding"] == "k beyond the 1 % limit"
    tests = outliers(tidy(rough), value="y", group="bench").set_index("test")
    assert tests.loc["Cochran", "group"] == "E"
    assert tests.loc["Cochran", "finding"] == "outlier"


def test_p_and_critical_values_agree():
    tests = outliers(tidy(CLEAN | {"E": [10.9, 11.1]}), value="y", group="bench", scale="raw")
    for row in tests.to_dict("records"):
        assert (row["p"] < 0.05) == (row["statistic"] > row["critical_5"])
        assert (row["p"] < 0.01) == (row["statistic"] > row["critical_1"])


def test_unequal_numbers_judge_each_group_by_its_own_share():
    cells = {"A": [1.0, 2.0], "B": [1.0, 1.1, 0.9, 1.05, 0.95, 1.0], "C": [1.0, 1.1]}
    table = consistency(tidy(cells), value="y", group="bench", scale="raw")
    assert table["k_limit_5"].nunique() == 2
    weights = table["n"] - 1
    assert float((weights * table["k"] ** 2).sum()) == pytest.approx(float(weights.sum()))
    row = outliers(tidy(cells), value="y", group="bench", scale="raw").iloc[0]
    assert row["group"] == "A"


@pytest.mark.parametrize(
    ("cells", "reasons"),
    [
        ({"A": [1.0], "B": [2.0]}, ["fewer than 2 replicated groups", "fewer than 3 groups"]),
        (
            {"A": [1.0, 1.0], "B": [1.0, 1.0], "C": [1.0, 1.0]},
            ["no scatter within groups", "no scatter between groups"],
        ),
    ],
)
def test_impossible_tests_say_why(cells, reasons):
    tests = outliers(tidy(cells), value="y", group="bench", scale="raw")
    assert list(tests["finding"]) == reasons
    table = consistency(tidy(cells), value="y", group="bench", scale="raw")
    assert table[["h", "k"]].isna().all().all()


def test_an_exact_outlier_among_equal_means():
    cells = {"A": [1.0], "B": [1.0], "C": [1.0], "D": [2.0]}
    row = outliers(tidy(cells), value="y", group="bench", scale="raw").iloc[1]
    assert row["group"] == "D"
    assert row["p"] == pytest.approx(0, abs=1e-6)


def test_too_few_groups_for_a_limit():
    with pytest.raises(ModelError, match="at least 3 groups and there are 2"):
        mandel_h_limit(2, 0.05)
    with pytest.raises(ModelError, match="at least 3 groups and there are 2"):
        grubbs_critical(2, 0.05)


def test_limits_hold_their_probability_by_simulation():
    """200,000 groups of normal results, seed 5: Monte Carlo error 0.0005 for one group of five."""
    rng = np.random.default_rng(5)
    p, n, draws = 5, 3, 40_000
    y = rng.normal(size=(draws, p, n))
    means = y.mean(axis=2)
    h = (means - means.mean(axis=1, keepdims=True)) / means.std(axis=1, ddof=1, keepdims=True)
    variances = y.var(axis=2, ddof=1)
    k = np.sqrt(variances / variances.mean(axis=1, keepdims=True))
    error = 4 * np.sqrt(0.05 * 0.95 / draws)
    assert np.mean(np.abs(h[:, 0]) > mandel_h_limit(p, 0.05)) == pytest.approx(0.05, abs=error)
    assert np.mean(k[:, 0] > mandel_k_limit(n - 1, (p - 1) * (n - 1), 0.05)) == pytest.approx(
        0.05, abs=error
    )
    share = variances.max(axis=1) / variances.sum(axis=1)
    limit = cochran_limit(n - 1, (p - 1) * (n - 1), p, 0.05)
    assert np.mean(share > limit) == pytest.approx(0.05, abs=error)
    assert np.mean(np.abs(h).max(axis=1) > grubbs_critical(p, 0.05)) == pytest.approx(
        0.05, abs=error
    )
