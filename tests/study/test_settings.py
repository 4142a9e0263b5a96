"""Settings of a comparison: each can be stated in every form of file, and nothing else can."""

import math

import openpyxl
import pytest

from psdstats.errors import StudyError
from psdstats.study import read_study, save_study
from psdstats.study.settings import Declared, declared_spread

FLAT = """\
run,group,milling_time_min,replicate,charge,mill,aperture_um,tare_g,gross_g
a,Alder,0,1,1,x,90,400.1,405.2
a,Alder,0,1,1,x,0,300,302
b,Birch,6,1,2,y,90,400.1,404.2
b,Birch,6,1,2,y,0,300,303
"""
COMPARE = {
    "direction": ("rising", '"rising"'),
    "run_to_run_percent": (2.5, "2.5"),
    "run_to_run_df": (12.0, "12"),
    "drift_percent": (1.5, "1.5"),
    "drift_df": (6.5, "6.5"),
    "one_family": (True, "true"),
    "target_um": (120.0, "120"),
    "leave_out": (["drift", ("group", "milling_time_min"), "mill"],
                  '["drift", ["group", "milling_time_min"], "mill"]'),
    "margin_percent": (3.0, "3"),
    "at_each": (["mill", "replicate"], '["mill", "replicate"]'),
    "also": ("mill", '"mill"'),
    "spread": ("pooled", '"pooled"'),
}  # fmt: skip


def stated(**given):
    return {name: value for name, (value, _) in COMPARE.items()} | given


def flat_file(path, lines):
    path.write_text("".join(f"# {line}\n" for line in lines) + FLAT, encoding="utf-8")
    return path


def test_every_setting_stands_above_a_flat_table(tmp_path):
    lines = ["[compare]", *(f"{name} = {text}" for name, (_, text) in COMPARE.items())]
    study = read_study(flat_file(tmp_path / "flat.csv", lines))
    assert study.compare == stated()


@pytest.mark.parametrize(
    ("typed", "read"), [("2026-05-01", "2026-05-01"), ('"1 to 3 May"', "1 to 3 May")]
)
def test_the_date_of_the_trial_is_text_or_a_date(tmp_path, typed, read):
    study = read_study(
        flat_file(tmp_path / "flat.csv", [f"date = {typed}", 'author = "B. Miller"'])
    )
    assert (study.author, study.date) == ("B. Miller", read)
    for name in ("saved", "saved.xlsx"):
        save_study(study, tmp_path / name)
        assert read_study(tmp_path / name) == study


def test_a_date_that_is_none_is_refused(tmp_path):
    with pytest.raises(StudyError, match="column date: the value is not allowed"):
        read_study(flat_file(tmp_path / "flat.csv", ["date = 2026"]))


def test_every_setting_stands_above_a_flat_table_as_a_spreadsheet_saves_it(tmp_path):
    lines = [f"compare.{name} = {text}" for name, (_, text) in COMPARE.items()]
    quoted = "".join('"# {}",,,,,,,,\n'.format(line.replace('"', '""')) for line in lines)
    (tmp_path / "flat.csv").write_text(quoted + FLAT, encoding="utf-8")
    assert read_study(tmp_path / "flat.csv").compare == stated()


def test_every_setting_stands_on_the_sheet_of_a_workbook(tmp_path):
    book = openpyxl.Workbook()
    table, study = book.active, book.create_sheet("study")
    for row in FLAT.splitlines():
        table.append([float(c) if c[0].isdigit() else c for c in row.split(",")])
    for name, (value, text) in COMPARE.items():
        study.append([f"compare.{name}", text if isinstance(value, list | bool) else value])
    book.save(tmp_path / "trial.xlsx")
    found = read_study(tmp_path / "trial.xlsx")
    assert found.compare == stated()
    assert [run.charge for run in found.runs] == ["1", "2"]


@pytest.mark.parametrize("form", ["folder", "flat", "workbook"])
def test_settings_and_charges_come_back(tmp_path, form):
    lines = ["[compare]", *(f"{name} = {text}" for name, (_, text) in COMPARE.items())]
    study = read_study(flat_file(tmp_path / "flat.csv", lines))
    ending = {"folder": "", "flat": ".csv", "workbook": ".xlsx"}[form]
    again = read_study(save_study(study, tmp_path / f"again{ending}", form=form))
    assert again == study
    assert again.runs_frame()["charge"].tolist() == ["1", "2"]


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (['direction = "down"'], 'compare.direction: .*Write one of "falling", "rising"'),
        (["run_to_run_percent = -1"], "compare.run_to_run_percent: .*from 0 to 100"),
        (["run_to_run_df = 5"], "run_to_run_df: no spread is stated.*run_to_run_percent"),
        (["drift_df = 5"], "drift_df: no spread is stated.*Add drift_percent"),
        (["drift_percent = 1", "drift_df = 0"], "drift_df: .*a number from 1"),
        (['one_family = "yes"'], "one_family: .*true or false"),
        (["target_um = 0"], "target_um: .*from 0.1 to 125,000"),
        (['leave_out = ["moon"]'], "leave_out: the run table has no .*mill, cell, drift"),
        (["leave_out = []"], "leave_out: .*a column name or a list"),
        (['by = "drift"'], "by: the run table has no such column.*mill."),
    ],
)  # fmt: skip
def test_what_is_refused(tmp_path, lines, message):
    with pytest.raises(StudyError, match=message):
        read_study(flat_file(tmp_path / "flat.csv", ["[compare]", *lines]))


def test_the_spread_between_runs_is_one_whichever_table_states_it(tmp_path):
    for lines, expected in (
        (["[uncertainty]", "run_to_run_percent = 2"], Declared(percent=2.0, df=math.inf)),
        (["[compare]", "run_to_run_percent = 2"], Declared(percent=2.0, df=math.inf)),
        (["uncertainty.run_to_run_percent = 2", "compare.run_to_run_df = 9"],
         Declared(percent=2.0, df=9.0)),
        (["[compare]", "run_to_run_percent = 0"], None),
        (["[compare]", "drift_percent = 2"], None),
    ):  # fmt: skip
        study = read_study(flat_file(tmp_path / "flat.csv", lines))
        assert declared_spread(study) == expected, lines
    assert declared_spread(study, "drift") == Declared(percent=2.0, df=math.inf)
    lines = ["uncertainty.run_to_run_percent = 2", "compare.run_to_run_percent = 3"]
    with pytest.raises(StudyError, match=r"run_to_run_percent: .* is 2 % in \[uncertainty\]"):
        read_study(flat_file(tmp_path / "flat.csv", lines))
