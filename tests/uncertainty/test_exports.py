"""Joint results leave whole: numbers with what they share, the covariance as a table."""

import sys
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from psdstats_datasets import demo_study
from uncertainties import nominal_value, std_dev

import psdstats
from psdstats.errors import UncertaintyError
from psdstats.output.bundle import write_tables
from psdstats.output.pages import sizes as pages


@pytest.fixture(scope="module")
def sizes():
    return psdstats.propagate(psdstats.read_study(demo_study("four_benches")), method="linear")


def test_a_difference_of_two_sizes_has_the_uncertainty_of_the_joint_covariance(sizes):
    numbers = sizes.to_ufloats()
    first, other = numbers.index[[2, 9]]
    found = numbers.loc[first, "D50"] - numbers.loc[other, "D90"]
    matrix = sizes.covariance_matrix
    at = 4 * np.array([2, 9]) + [1, 2]
    variance = matrix[np.ix_(at, at)] @ [1, -1] @ [1, -1]
    assert std_dev(found) == pytest.approx(variance**0.5, rel=1e-6)
    assert nominal_value(found) == pytest.approx(sizes.value[2, 1] - sizes.value[9, 2])
    alone = np.hypot(sizes.u[2, 1], sizes.u[9, 2])
    assert std_dev(found) < 0.95 * alone


def test_a_size_that_is_not_bracketed_is_no_number(sizes):
    numbers = sizes.to_ufloats()
    is_open = np.isnan(sizes.value)
    assert is_open.any()
    assert (numbers.isna().to_numpy() == is_open).all()


def test_the_package_that_is_missing_is_named(sizes, monkeypatch):
    monkeypatch.setitem(sys.modules, "uncertainties", None)
    with pytest.raises(UncertaintyError, match="pip install uncertainties"):
        sizes.to_ufloats()


def test_the_covariance_is_a_square_table_for_machines(sizes, tmp_path):
    written = write_tables(tmp_path, pages.covariance_tables(sizes))
    names = [
        "covariance-d10.csv",
        "covariance-d50.csv",
        "covariance-d90.csv",
        "covariance-span.csv",
    ]
    assert [path.name for path in written[:4]] == names
    found = pd.read_csv(tmp_path / "covariance-d50.csv", index_col="run")
    pd.testing.assert_frame_equal(
        found, sizes.covariance("D50"), rtol=1e-9, check_names=False, check_dtype=False
    )


def test_a_run_may_have_the_name_of_the_first_column(sizes):
    renamed = replace(sizes, runs=("run", *sizes.runs[1:]))
    assert pages.covariance_tables(renamed)[0].frame.columns[0] == "name of run"


def test_very_many_runs_have_no_table_and_a_note_says_so(sizes, monkeypatch):
    monkeypatch.setattr(pages, "MOST_AT_ONCE", 79)
    assert pages.covariance_tables(sizes) == ()
    assert any("joint covariance of 80 runs" in note for note in pages.sizes_notes(sizes))
