"""Contrast tables against R's and against plain t tests."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from psdstats.errors import ModelError
from psdstats.findings import Contrast, ContrastKind
from psdstats.models.contrasts import ContrastMatrix, contrast_matrix, simultaneous
from psdstats.models.contrasts import contrast_table as table_of

REFERENCE = json.loads((Path(__file__).parent / "contrast_reference.json").read_text("utf-8"))
COVARIANCE = np.array([[0.04, 0.01, 0.0], [0.01, 0.09, 0.02], [0.0, 0.02, 0.05]])
BETA = np.array([4.0, 3.6, 3.5])


def contrast_table(weights, beta, covariance, df, *, pairs, kind="own", **options):
    """The table of weights whose contrasts are named by (high, low)."""
    family = ContrastKind(kind)
    contrasts = tuple(Contrast(high=high, low=low, family=family) for high, low in pairs)
    asked = ContrastMatrix(weights=np.array(weights, float), contrasts=contrasts)
    return table_of(asked, beta, covariance, df, **options)


def name_of(case):
    return f"{case['model']}-{case['term']}-{case['method']}"


@pytest.mark.parametrize("case", REFERENCE["dunnett"], ids=name_of)
def test_dunnett_against_r(case):
    """P to 6 digits; far out the reference itself carries an absolute error of about 1e-16."""
    found = simultaneous(case["t"], case["correlation"], case["df"], kind="dunnett")
    np.testing.assert_allclose(found.p_adjusted, case["p"], rtol=1e-6, atol=1e-16)
    assert found.integration_error == 0.0


@pytest.mark.parametrize("case", REFERENCE["tukey"], ids=name_of)
def test_tukey_against_r(case):
    """P to 6 digits, down to the 1e-8 that R's ptukey keeps; intervals to 7 digits."""
    levels = [str(i) for i in range(case["levels"])]
    matrix = contrast_matrix(levels, "all pairs")
    correlation = matrix.weights @ matrix.weights.T / 2.0
    df = float(np.mean(case["df"]))
    found = simultaneous(case["t"], correlation, df, kind="tukey")
    np.testing.assert_allclose(found.p_adjusted, case["p"], rtol=1e-6, atol=1e-8)
    half = (np.array(case["upper"]) - np.array(case["lower"])) / 2.0
    np.testing.assert_allclose(found.critical * np.array(case["standard_error"]), half, rtol=2e-7)


def test_table_of_single_contrasts():
    """One contrast, by the arithmetic of a t test done by hand."""
    found = contrast_table([[-1, 1, 0]], BETA, COVARIANCE, 9, pairs=["ba"])
    row = found.to_frame().iloc[0]
    error = np.sqrt(0.04 + 0.09 - 2 * 0.01)
    assert row["estimate"] == pytest.approx(-0.4)
    assert row["standard_error"] == pytest.approx(error)
    assert row["p"] == pytest.approx(2 * stats.t(9).sf(0.4 / error))
    assert row["lower"] == pytest.approx(-0.4 - stats.t(9).ppf(0.975) * error)
    assert row["upper_single"] == pytest.approx(row["upper"])


def test_joint_covariance_is_kept():
    weights = np.array([[-1, 1, 0], [-1, 0, 1]])
    found = contrast_table(weights, BETA, COVARIANCE, 9, pairs=["ba", "ca"])
    np.testing.assert_allclose(found.covariance, weights @ COVARIANCE @ weights.T)
    error = found.standard_error
    expected = simultaneous(found.t, found.covariance / np.outer(error, error), 9)
    np.testing.assert_allclose(found.p_adjusted, expected.p_adjusted)


def test_ratios_of_a_log_response():
    weights = np.array([[-1, 1, 0], [-1, 0, 1]])
    found = contrast_table(
        weights,
        BETA,
        COVARIANCE,
        9,
        pairs=["ba", "ca"],
        kind="against first",
    )
    frame = found.as_ratios()
    np.testing.assert_allclose(frame["ratio"], np.exp([-0.4, -0.5]))
    np.testing.assert_allclose(frame["ratio_lower"], np.exp(found.lower))
    np.testing.assert_allclose(frame["change_percent"], 100 * (np.exp([-0.4, -0.5]) - 1))
    assert list(frame["low"]) == ["a", "a"]
    assert found.simultaneous.adjustment == "dunnett"


def test_unit_of_the_response_does_not_matter():
    weights = np.array([[-1, 1, 0], [0, -1, 1]])
    small = contrast_table(weights, BETA, COVARIANCE, 9, pairs=["ba", "cb"])
    large = contrast_table(weights, 1e4 * BETA, 1e8 * COVARIANCE, 9, pairs=["ba", "cb"])
    np.testing.assert_allclose(large.p_adjusted, small.p_adjusted, rtol=1e-9)
    np.testing.assert_allclose(large.lower, 1e4 * small.lower, rtol=1e-9)


def test_result_is_read_only():
    found = contrast_table([[-1, 1, 0]], BETA, COVARIANCE, 9, pairs=["ba"])
    with pytest.raises(ValueError, match="read-only"):
        found.estimate[0] = 1.0


def test_faults_are_named():
    with pytest.raises(ModelError, match="No family of contrasts is called 'odd'; use one of"):
        contrast_matrix(["a", "b"], "odd")
