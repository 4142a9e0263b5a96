"""collect: an archive, asked for a chart; what it knows of runs alike serves single runs."""

import json
import shutil

import pytest
from psdstats_cli.values import run_to_run
from psdstats_datasets import demo_path

from psdstats.archive import Archive
from psdstats.archive.charts import Limits
from psdstats.comparison import compare
from psdstats.comparison.analysis import SpreadBasis
from psdstats.study import read_study, save_study


@pytest.fixture
def years(dated_trial, tmp_path):
    """Four trials on four days and a file that is none."""
    for number in range(4):
        study = dated_trial(f"2026-01-{5 + number:02d}", 0.02 * (number + 1))
        save_study(study, tmp_path / f"years/trial {number}")
    (tmp_path / "years/broken.csv").write_text("run\n1\n", encoding="utf-8")
    return tmp_path / "years"


def test_trials_verdicts_chart_and_files(psdstats, years, tmp_path):
    words = ("collect", years, "--into", "a.sqlite", "--where", "milling_time_min=0")
    said = psdstats(*words, "--out", "out", "--all-notes")
    assert said.code == 0, said.err
    assert said.out.startswith("5 trials in the archive: 5 read now, 0 unchanged; 1 cannot")
    assert "D50 of milling time 0 min: 4 points from 2026-01-05 to 2026-01-08" in said.out
    assert "Runs alike differ in D50" in said.out
    assert "broken.csv" in said.out
    assert "Note: Limits of fewer than 20 points are preliminary" in said.out
    names = {path.name for path in (tmp_path / "out").rglob("*.*")}
    assert {"control-chart.svg", "trials-over-dates.png", "points-of-the-chart.csv"} <= names
    assert {"answers.csv", "trials.csv", "runs-alike.csv", "refused-trials.csv"} <= names
    again = psdstats("collect", "--into", "a.sqlite", "--json")  # asked alone
    document = json.loads(again.out)
    assert document["trials"][0]["path"] == "years/broken.csv"
    assert len(document["answers"]) == 4 * 4
    assert any(one.startswith("No control chart: the runs differ") for one in document["notes"])


def test_a_verdict_says_what_compare_says(psdstats, tmp_path):
    shutil.copy(demo_path("one_bench") / "one_bench.csv", tmp_path / "t.csv")
    said = json.loads(psdstats("compare", "t.csv", "--json").out)["courses"]
    words = ("collect", "t.csv", "--into", "a.sqlite", "--verdicts", "--json")
    kept = json.loads(psdstats(*words).out)["answers"]
    same = {"start_size": "start_value", "end_size": "end_value", "place": "where"}
    same |= {f"{at}_{end}": f"{at}_{end}" for at in ("start", "end") for end in ("lower", "upper")}
    names = ("quantity", "ratio", "ratio_lower", "ratio_upper", "p", "verdict")
    same |= {name: name for name in names}
    assert len(kept) == len(said) == 4
    for row, course in zip(kept, said, strict=True):
        assert {name: row[name] for name in same} == {k: course[v] for k, v in same.items()}
        assert (row["since"] and float(row["since"])) == course["since_min"]


def test_refusals_say_what_to_do(psdstats, years):
    psdstats("collect", years, "--into", "a.sqlite")
    ask = ("collect", "--into", "a.sqlite", "--where")
    for where, told in (
        ("mill=old", "no run has a column 'mill'. Choose from path, title, material"),
        ("milling_time_min=7", "no run has milling_time_min = 7. There is 0.0, 24.0."),
        ("run_group", "run_group names no column and level; write it like milling_time_min=0"),
    ):
        said = psdstats(*ask, where)
        assert (said.code, told in said.err) == (2, True), said.err


def test_runs_alike_of_an_archive_serve_single_runs(psdstats, years, tmp_path):
    shutil.copy(demo_path("one_bench") / "one_bench.csv", tmp_path / "t.csv")
    psdstats("collect", years, "--into", "a.sqlite", "--quiet")
    known = Archive(tmp_path / "a.sqlite").run_to_run()
    found = compare(
        read_study(tmp_path / "t.csv"),
        run_to_run=known,
        quantities=["D10", "D50"],
        families=["against first"],
    )
    for result in found.results:
        spread = found.analysis[result.quantity].spread
        own = known.of(result.quantity)
        assert spread.basis is SpreadBasis.DECLARED
        assert (spread.run, spread.df) == (own.percent / 100, own.df)
    assert known.of("D10").percent != known.of("D50").percent
    each = ",".join(f"{name}={one.percent!r}:{one.df!r}" for name, one in known.each.items())
    assert run_to_run(each).each == run_to_run("a.sqlite").each == known.each
    said = psdstats("compare", "t.csv", "--run-to-run", "D10=2,D11=3")
    assert "D11=3 is not one of D10, D50, D90, span with a standard deviation" in said.err


def test_limits_of_a_chart_are_words_of_the_library():
    from psdstats_cli.main import build_parser

    options = build_parser(["collect"]).parse_args(
        ["collect", "--into", "a", "--limits", "within", "--quiet"]
    )
    assert Limits(options.limits) is Limits.WITHIN


def test_a_fault_of_psdstats_ends_no_archive(psdstats, years, monkeypatch):
    from psdstats.archive import trial

    def fails(*_):
        raise ZeroDivisionError("no such thing")

    monkeypatch.setattr(trial, "replicate_spreads", fails)
    said = psdstats("collect", years, "--into", "a.sqlite", "--all-tables")
    assert said.code == 0
    assert "psdstats itself failed on this trial (ZeroDivisionError: no such thing)" in said.out
