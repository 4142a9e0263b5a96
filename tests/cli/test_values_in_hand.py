"""psdstats compare and report on a table of values: found by its columns, or told what is what."""

import json

import pytest

SIZES = """milling_time_min;D50_um;u_D50_um;D90_um
0;250,1;2,0;390
0;247,3;2,0;395
12;180,2;1,5;301
12;176,8;1,5;297
48;131,0;1,1;222
48;134,2;1,1;<230
"""
STRENGTH = "no,binder,strength,su\n1,a,9.8,0.1\n2,a,10.1,0.1\n3,b,12.2,0.1\n4,b,12.0,0.1\n"
FORCE = """run;milling_time_min;force;u_force
a1;0;186,2;4,1
a2;0;184,0;4,1
b1;10;150,1;3
b2;10;148,0;3
c1;30;120,0;2,5
c2;30;118,4;2,5
"""
COVARIANCE = "run,1,2,3,4\n1,.04,.01,0,0\n2,.01,.04,0,0\n3,0,0,.04,.01\n4,0,0,.01,.04\n"


@pytest.fixture
def files(tmp_path):
    texts = {"sizes": SIZES, "strength": STRENGTH, "covariance": COVARIANCE, "force": FORCE}
    for name, text in texts.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    return tmp_path


def test_sizes_are_found_by_their_names(psdstats, files):
    said = psdstats("compare", files / "sizes.csv", "--json")
    told = json.loads(said.out)
    assert said.code == 0
    assert told["sentences"][0].startswith("By 48 min D50 fell from 248.7 to 132.6 µm")
    assert list(told["provenance"]["inputs"]) == ["sizes.csv"]
    assert {one["quantity"] for one in told["courses"]} == {"D50", "D90"}


def test_other_values_are_named_and_may_have_a_covariance(psdstats, files):
    named = ("--columns", "value=strength,u=su,run=no")
    said = psdstats("compare", files / "strength.csv", *named)
    assert said.code == 0
    assert "Strength at binder b is 22 % higher than that at binder a" in said.out
    joint = ("--covariance-files", str(files / "covariance.csv"))
    said = psdstats(
        "report", str(files / "strength.csv"), "--columns", "value=strength,run=no", *joint,
        "--out", str(files / "report"),
    )  # fmt: skip
    assert said.code == 0
    record = json.loads((files / "report" / "provenance.json").read_text(encoding="utf-8"))
    assert list(record["inputs"]) == ["strength.csv", "covariance.csv"]
    assert "--covariance-files" in record["repeat_with"]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (("strength.csv",), "this is neither a study nor a table of sizes (columns no, binder"),
        (("strength.csv", "--columns", "value=force"), "neither a study nor a table of force"),
        (("force.csv", "--columns", "value=forc"), "neither a study nor a table of forc (columns"),
        (("strength.csv", "--columns", "colour=no"), "colour=no does not say what a column is"),
        (("sizes.csv", "--attained", "3"), "--attained needs the weighings of a study"),
        (("sizes.csv", "--covariance-files", "covariance.csv"),
         "1 covariances are given and 2 quantities compared (D50, D90)"),
        (("strength.csv", "--columns", "value=strength", "--covariance-files", "covariance.csv"),
         "The covariance of strength does not name run row 1"),
    ],
)  # fmt: skip
def test_what_is_no_table_of_values_is_refused(psdstats, files, monkeypatch, given, says):
    monkeypatch.chdir(files)
    said = psdstats("compare", *given)
    assert said.code != 0
    assert says in " ".join(said.err.split())
