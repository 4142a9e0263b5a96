"""A laboratory's wide table becomes a study: what was found is shown, kept, and used again."""

import importlib.util
from pathlib import Path

import pytest

from psdstats.study import read_study

_spec = importlib.util.spec_from_file_location(
    "wide_tables", Path(__file__).parents[1] / "study" / "wide_tables.py"
)
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)
WIDE = ("--layout", "wide")


@pytest.fixture
def table(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return made.save(made.pairs_across(), tmp_path / "march.xlsx")


def test_a_wide_table_becomes_a_study_and_its_mapping_is_kept(psdstats, table):
    before = table.read_bytes()
    said = psdstats("convert", table.name, "trial", *WIDE)
    assert said.code == 0
    assert "milling time from row 4 'Milling time, h'" in said.out
    assert "not read: A1 'Sieve trial of spring (invented)'" in said.out
    assert table.read_bytes() == before
    assert [run.group for run in read_study("trial").runs] == ["Alder"] * 3 + ["Birch"] * 3
    kept = Path("trial.mapping.toml").read_text(encoding="utf-8")
    assert 'tare_g = ["Empty, g"]' in kept
    said = psdstats("convert", table.name, "next.csv", *WIDE, "--mapping", "trial.mapping.toml")
    assert "Mapping file for the next table: trial.mapping.toml" in said.out
    assert not Path("next.mapping.toml").exists()
    assert read_study("next.csv").runs == read_study("trial").runs


def test_a_file_beside_the_target_is_never_covered(psdstats, table):
    Path("trial.mapping.toml").write_text("no TOML: [", encoding="utf-8")
    said = psdstats("convert", table.name, "trial", *WIDE)
    assert said.code == 0
    assert "trial.mapping.toml was there already and is unchanged" in said.out
    assert Path("trial.mapping.toml").read_text(encoding="utf-8") == "no TOML: ["


def test_questions_stop_before_anything_is_written(psdstats, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = made.save(made.samples_down(), tmp_path / "march.csv")
    said = psdstats("convert", path.name, "trial", *WIDE)
    assert said.code == 2
    assert '    names = "{group}-{milling_time_min}"    # if the names follow it' in said.err
    assert [each.name for each in tmp_path.iterdir()] == ["march.csv"]
    hint = psdstats("check", path.name)
    assert "psdstats convert march.csv my-trial --layout wide" in hint.out
    said = psdstats("convert", path.name, "trial", "--mapping", "m.toml")
    assert "--mapping goes with --layout wide. Add that, or leave it out." in said.err
