"""One-way layouts certified by NIST (StRD analysis of variance): two measured, six generated.

Certified values are read from the data files.  In balanced data REML gives the mean-square
estimates: residual = MS within, group = (MS between - MS within) / n.  Sets with seven constant
leading digits keep only so many digits when read as doubles that nine are left in the results;
those with thirteen, which no result in doubles reproduces to nine digits, are left out.
"""

import gzip
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from psdstats.models import MixedModel

FOLDER = Path(__file__).parents[2] / "datasets" / "published" / "mixed_models"
COMPRESSED = Path(__file__).parent / "data"

SMALL = ("SiRstv", "AtmWtAg", "SmLs01", "SmLs04")
LARGE = ("SmLs02", "SmLs05", "SmLs03", "SmLs06")


def read(name):
    """Data, mean squares and F as certified."""
    path = FOLDER / f"{name}.dat"
    packed = COMPRESSED / f"{name}.dat.gz"
    text = path.read_text() if path.exists() else gzip.decompress(packed.read_bytes()).decode()
    lines = text.splitlines()
    between = next(line for line in lines if line.startswith("Between")).split()
    within = next(line for line in lines if line.startswith("Within")).split()
    rows = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    frame = pd.DataFrame({"treatment": rows[:, 0].astype(int).astype(str), "y": rows[:, 1]})
    return frame, float(between[-2]), float(within[-1]), float(between[-1])


@pytest.mark.parametrize("name", [*SMALL, *LARGE])
def test_fixed_treatment_gives_the_certified_f(name):
    frame, _, within, f = read(name)
    fit = MixedModel(frame, response="y", fixed=["treatment"]).fit()
    test = fit.test("treatment")
    levels = frame["treatment"].nunique()
    assert test.f == pytest.approx(f, rel=1e-9)
    assert (test.df_num, test.df_den) == (levels - 1, pytest.approx(len(frame) - levels, rel=1e-9))
    assert fit.variance_components["residual"] == pytest.approx(within, rel=1e-9)


@pytest.mark.parametrize("name", [*SMALL, *LARGE])
def test_random_treatment_gives_the_mean_squares(name):
    frame, between, within, _ = read(name)
    per_level = len(frame) / frame["treatment"].nunique()
    fit = MixedModel(frame, response="y", random=["treatment"]).fit()
    assert fit.variance_components["residual"] == pytest.approx(within, rel=1e-9)
    expected = (between - within) / per_level
    assert fit.variance_components["treatment"] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("name", ["SmLs02", "SmLs03"])
def test_one_leading_digit_costs_no_digits(name):
    """With few digits in the data the certified values come back to twelve digits."""
    frame, between, within, f = read(name)
    fixed = MixedModel(frame, response="y", fixed=["treatment"]).fit()
    assert fixed.test("treatment").f == pytest.approx(f, rel=1e-12)
    random = MixedModel(frame, response="y", random=["treatment"]).fit()
    group = (between - within) / (len(frame) / 9)
    assert random.variance_components["treatment"] == pytest.approx(group, rel=1e-12)
    assert random.variance_components["residual"] == pytest.approx(within, rel=1e-12)


def test_eighteen_thousand_rows_take_less_than_a_second():
    """Processor time of fit and F test, so that other work on the machine does not count."""
    frame, *_ = read("SmLs03")
    start = time.process_time()
    MixedModel(frame, response="y", fixed=["treatment"]).fit().test("treatment")
    MixedModel(frame, response="y", random=["treatment"]).fit()
    assert time.process_time() - start < 1.0
