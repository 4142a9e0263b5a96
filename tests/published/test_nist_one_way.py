"""One-way layouts certified by NIST (StRD analysis of variance; SiRstv, AtmWtAg, SmLs01, SmLs04).

Certified values are read from the data files.  In balanced data REML gives the mean-square
estimates: residual = MS within, group = (MS between - MS within) / n.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from psdstats.models import MixedModel

FOLDER = Path(__file__).parents[2] / "datasets" / "published" / "mixed_models"


def read(name):
    """Data, mean squares and F as certified."""
    lines = (FOLDER / f"{name}.dat").read_text().splitlines()
    between = next(line for line in lines if line.startswith("Between")).split()
    within = next(line for line in lines if line.startswith("Within")).split()
    rows = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    frame = pd.DataFrame({"treatment": rows[:, 0].astype(int).astype(str), "y": rows[:, 1]})
    return frame, float(between[-2]), float(within[-1]), float(between[-1])


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", "SmLs01", "SmLs04"])
def test_fixed_treatment_gives_the_certified_f(name):
    frame, _, within, f = read(name)
    fit = MixedModel(frame, response="y", fixed=["treatment"]).fit()
    assert fit.test("treatment").f == pytest.approx(f, rel=1e-9)
    assert fit.variance_components["residual"] == pytest.approx(within, rel=1e-9)


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", "SmLs01", "SmLs04"])
def test_random_treatment_gives_the_mean_squares(name):
    frame, between, within, _ = read(name)
    per_level = len(frame) / frame["treatment"].nunique()
    fit = MixedModel(frame, response="y", random=["treatment"]).fit()
    assert fit.variance_components["residual"] == pytest.approx(within, rel=1e-9)
    expected = (between - within) / per_level
    assert fit.variance_components["treatment"] == pytest.approx(expected, rel=1e-9)
