"""50 random designs against R: lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 (R 4.2.2).

``random_designs/designs.csv`` holds invented data (unbalanced, crossed, nested, missing rows,
slopes), ``results.csv`` what ``fit_designs.R`` found; where Rscript with these packages is present
the fits are made again.  lmer stops at about 1e-8 in its parameters, hence the tolerances.
"""

import shutil
import subprocess
from pathlib import Path

import pandas as pd
import pytest

from psdstats.models import MixedModel, RandomSlope

FOLDER = Path(__file__).parent / "random_designs"
MODELS = {
    "group": {"fixed": ["time"], "random": ["group"], "factors": ["time"]},
    "nested": {"fixed": ["time"], "random": ["group", ("group", "time")], "factors": ["time"]},
    "crossed": {"fixed": ["time"], "random": ["group", "day"], "factors": ["time"]},
    "interaction": {"fixed": [("time", "ball")], "random": ["group"], "factors": ["time"]},
    "slope": {"fixed": ["time"], "random": [RandomSlope("group", "time", correlated=False)]},
    "correlated": {"fixed": ["time"], "random": [RandomSlope("group", "time")]},
}


def has_r() -> bool:
    if shutil.which("Rscript") is None:
        return False
    code = "q(status = !all(c('lme4', 'lmerTest', 'pbkrtest') %in% rownames(installed.packages())))"
    return subprocess.run(["Rscript", "-e", code], check=False).returncode == 0


@pytest.fixture(scope="module")
def designs():
    frame = pd.read_csv(FOLDER / "designs.csv")
    return dict(iter(frame.groupby("design")))


@pytest.fixture(scope="module", params=["committed", "live"])
def results(request, tmp_path_factory):
    """R's results: those committed, and live ones where R is present (else committed again)."""
    path = FOLDER / "results.csv"
    if request.param == "live" and has_r():
        path = tmp_path_factory.mktemp("r") / "results.csv"
        script = str(FOLDER / "fit_designs.R")
        command = ["Rscript", script, str(FOLDER / "designs.csv"), str(path)]
        subprocess.run(command, check=True, capture_output=True)
    return pd.read_csv(path)


def test_every_design_agrees_with_r(designs, results):
    assert results["design"].nunique() == 50
    improved = []
    for number, rows in results.groupby("design"):
        kind = rows["kind"].iloc[0]
        fit = MixedModel(designs[number], response="y", **MODELS[kind]).fit()
        gain = fit.reml_log_likelihood - rows["log_likelihood"].iloc[0]
        assert gain > -1e-7, f"design {number}: the likelihood is lower than R's"
        if gain > 1e-7:
            improved.append((number, kind, bool(rows["singular"].iloc[0])))
            continue
        for row in rows.itertuples():
            term = tuple(row.term.replace("timef", "time").split(":"))
            exact = fit.test(term)
            assert exact.df_num == row.num_df
            assert exact.df_den == pytest.approx(row.kr_df, rel=1e-6), f"design {number}"
            assert exact.f == pytest.approx(row.kr_f, rel=3e-6)
            assert exact.p == pytest.approx(row.kr_p, rel=3e-5)
            other = fit.test(term, method="satterthwaite")
            assert other.f == pytest.approx(row.sat_f, rel=3e-6)
            assert other.df_den == pytest.approx(row.sat_df, rel=3e-6)
    # lmer stops at correlation ±1 in a few slope models although the likelihood is higher inside
    assert len(improved) <= 3
    assert all(kind == "correlated" and singular for _, kind, singular in improved)
