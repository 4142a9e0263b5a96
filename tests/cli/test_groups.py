"""psdstats groups: verdicts in the terminal, JSON in full precision, files."""

import json

import pytest

from psdstats import propagate, read_study
from psdstats.comparison.groups import group_agreement
from psdstats.uncertainty.inputs import measurement_sources

LINEAR = ("--method", "linear")


def test_a_verdict_a_group_in_full_precision(psdstats, trial):
    said = json.loads(psdstats("groups", trial, *LINEAR, "--json").out)
    study = read_study(trial)
    sizes = propagate(study, method="linear", sources=measurement_sources(study))
    expected = group_agreement(study, sizes, margin_percent=5.0).to_frame()
    assert [row["group"] for row in said["group_agreement"]] == ["Birch", "Cedar", "Rowan"]
    for row, one in zip(said["group_agreement"], expected.to_dict("records"), strict=True):
        assert row["rate_ratio"] == pytest.approx(one["rate_ratio"], rel=1e-12)
        assert row["verdict"] == one["verdict"]


def test_tables_fit_a_terminal(psdstats, trial):
    said = psdstats("groups", trial, *LINEAR, "--quiet", "--all-tables")
    assert said.code == 0
    assert "s_R, %" in said.out
    groups = read_study(trial).runs_frame()["group"].unique()
    tables = [line for line in said.out.splitlines() if line.startswith(tuple(groups))]
    assert all(len(line) <= 100 or line.endswith(".") for line in tables)
    assert len([line for line in tables if len(line) <= 100]) >= len(groups)


def test_margin_of_the_command_comes_before_that_of_the_study(psdstats, trial):
    wide = json.loads(psdstats("groups", trial, *LINEAR, "--json", "--margin", "20").out)
    assert {row["verdict"] for row in wide["group_agreement"]} == {"equivalent"}


def test_whole_and_fits_add_tables_and_figures(psdstats, few_runs, tmp_path, contents):
    said = psdstats("groups", few_runs, *LINEAR, "--whole", "--fits", "--out", "out", "--quiet")
    assert said.code == 0
    assert "The whole distribution changes with milling time" in said.out
    assert "Fineness by the step rule (Ph. Eur.)" in said.out
    written = set(contents(tmp_path / "out"))
    assert written >= {
        "tables/group-agreement.csv",
        "tables/group-precision.csv",
        "tables/group-consistency.csv",
        "tables/moved-classes-by-milling-time.csv",
        "tables/fitted-parameters.csv",
        "tables/fineness.csv",
        "tables/mean-sizes.csv",
        "figures/deviation-of-each-group.svg",
        "figures/moved-classes.svg",
        "figures/misfit-of-fitted-curves.png",
    }


def test_one_group_is_told_not_refused(psdstats, bench):
    said = psdstats("groups", bench, *LINEAR, "--whole")
    assert said.code == 0
    assert "because no other group has results at the same milling time." in said.out
    assert "changes with milling time cannot be told" in said.out


def test_unknown_column_is_one_sentence(psdstats, bench):
    said = psdstats("groups", bench, *LINEAR, "--whole", "--by", "operator", "--quiet")
    assert said.code == 2
    assert "The run table has no column 'operator'" in said.err
    assert said.err.count("\n") == 1
