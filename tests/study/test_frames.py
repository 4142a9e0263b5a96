"""Frames read as files of the same content do, whoever made them, with the same messages."""

import csv
import dataclasses
import datetime
import io

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest

from psdstats.errors import OutputError, StudyError
from psdstats.sieves import Sieve
from psdstats.study import Balance, Study, read_study

SETTINGS = {
    "title": "Invented trial", "tares": "each run", "compare": {"by": "milling_time_min"},
    "balances": {"fine": {"resolution_g": 0.01, "repeatability_g": np.float64(0.01)}},
}  # fmt: skip
MAKERS = {
    "pandas": lambda frame: frame,
    "polars": pl.from_pandas,
    "polars, lazy": lambda frame: pl.from_pandas(frame).lazy(),
    "pyarrow": pa.Table.from_pandas,
}


def frame(text):
    return pd.read_csv(io.StringIO(text))


@pytest.fixture
def tables(catalogue):
    return {name: frame(catalogue.SOUND[f"{name}.csv"]) for name in ("weighings", "runs", "sieves")}


@pytest.fixture
def flat(tables):
    return tables["weighings"].merge(tables["runs"], on="run")


def refused(*frames, **given):
    with pytest.raises(StudyError) as caught:
        Study.from_frame(*frames, **given)
    return str(caught.value)


@pytest.mark.parametrize("make", MAKERS.values(), ids=MAKERS)
def test_a_frame_is_the_file_of_its_content(sound, tables, flat, make):
    """Equal but for the files; the digest is of the content, whichever library holds it."""
    study = Study.from_frame(**{n: make(one) for n, one in tables.items()}, settings=SETTINGS)
    assert study == sound
    names = ["sieves (frame)", "runs (frame)", "weighings (frame)", "settings"]
    assert [one.name for one in study.files] == names
    assert study.files == Study.from_frame(**tables, settings=SETTINGS).files
    changed = tables["weighings"].replace(403.0, 403.01)
    others = Study.from_frame(**{**tables, "weighings": changed}, settings=SETTINGS).files
    assert [a == b for a, b in zip(study.files, others, strict=True)] == [True, True, False, True]
    assert Study.from_frame(make(flat), sieves=make(tables["sieves"]), **SETTINGS) == sound


@pytest.mark.parametrize("library", ["pandas", "polars", "pyarrow"])
def test_a_study_comes_back_from_its_frames(sound, tmp_path, write_folder, catalogue, library):
    """With runs put aside, remarks, unknown columns, comments, notes and a class of a balance."""
    runs = catalogue.SOUND["runs.csv"].replace("ball_ratio\n", "ball_ratio,status\n")
    runs = runs.replace(",5\n", ",5,\n").replace(",10\n", ",10,\nb-6,Birch,6,1,,high,planned\n")
    weighings = catalogue.SOUND["weighings.csv"].replace("gross_g\n", "gross_g,remark,lamp\n", 1)
    weighings = weighings.replace("403.00\n", "403.00,wet,on\n")
    toml = catalogue.SOUND["study.toml"].replace("[compare]", 'accuracy_class = "II"\n[compare]')
    toml += '[[comments]]\ntable = "runs"\nrow = "a-0"\ncolumn = "group"\ntext = "in \'quotes\'"\n'
    files = {"runs.csv": runs, "weighings.csv": weighings, "study.toml": f'notes = ["a"]\n{toml}'}
    for study in (sound, read_study(write_folder(files))):
        frames = study.to_frames(library)
        assert type(frames["weighings"]).__module__.partition(".")[0] == library
        assert Study.from_frame(**frames) == study
    assert all((study.aside, study.comments, study.notes, study.runs[0].readings[-1].further))
    with pytest.raises(OutputError, match=r"^Frames of 'excel' are"):
        study.to_frames("excel")


def test_balances_and_sieves_as_records_or_tables(sound, tables):
    weighings, runs = tables["weighings"], tables["runs"]
    settings = {name: value for name, value in SETTINGS.items() if name != "balances"}
    fine = {"balance": ["fine"], "resolution_g": ["0.01"], "repeatability_g": 0.01}
    balances = pl.DataFrame(fine)
    for fine in (sound.balances, [*sound.balances.values()], sound.balances["fine"], balances):
        assert Study.from_frame(weighings, runs, fine, tables["sieves"], **settings) == sound
    for sieves in (sound.sieves, tuple(sound.sieves.values())):
        assert Study.from_frame(weighings, runs, balances, sieves, **settings) == sound


def test_cells_of_frames_mean_what_they_say(flat):
    """Missing of every kind, numbers of 32 bits and as text, days, categories, an index."""
    flat = flat.astype({"gross_g": np.float32, "tare_g": str, "group": "category"})
    flat["sample_mass_g"] = flat["sample_mass_g"].where(flat["run"] != "b-0")
    flat["weighed_on"] = pd.Timestamp("2026-03-02")
    flat["run_remark"] = [None, np.nan, pd.NA, pd.NaT] * 3
    flat["washed"] = flat["run"] == "a-0"
    study = Study.from_frame(flat.set_index(["run", "sieve"]))
    assert study.runs[0].readings[-1].gross_g == 403.0
    assert {one.gross_g for one in study.runs[1].readings} == {304.8, 388.0, 396.0, 401.0}
    assert [run.sample_mass_g for run in study.runs] == [50.0, 50.0, None]
    assert dict(study.runs[0].noted) == {"weighed_on": "2026-03-02"}
    assert [run.factors["washed"] for run in study.runs] == ["true", "false", "false"]
    assert study.runs[0].readings[0].sieve == "A pan"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda one: one.astype({"gross_g": object}).replace({"gross_g": {396.0: "many"}}),
         "weighings (frame), row 5, column gross_g: this is not a number (found 'many'). Write a "
         "number alone, such as 12.5."),
        (lambda one: one.replace({"gross_g": {396.0: -1.0}}).rename(index=lambda n: f"n{n}"),
         "weighings (frame), row n5, column gross_g: the number is negative (found '-1'). Correct "
         "the sign, or measure again."),
        (lambda one: one[one.index != 3],
         "weighings (frame), row 0: run a-0: the pan (aperture 0) is missing. Weigh the pan and "
         "add its row."),
        (lambda one: one[one.index > 0].replace({"gross_g": {400.0: 379.0}}),
         "weighings (frame), row 1: run a-0, sieve A 90: gross 379 g is below its tare 380 g "
         "(net −1 g). Weigh the sieve with its powder again, or correct the tare if it belongs to "
         "another sieve."),
        (lambda one: one.rename(columns={"gross_g": "brutto"}),
         "weighings (frame), column gross_g: the column is missing. Add it, or rename one of the "
         "columns found: run, sieve, aperture_um, tare_g, brutto, group, milling_time_min, "
         "replicate, sample_mass_g, ball_ratio."),
        (lambda one: pd.concat([one, one[["run"]]], axis=1),
         "weighings (frame), column run: two columns have this name. Rename or delete one of "
         "them."),
        (lambda one: one.assign(at=datetime.datetime(2026, 3, 2, 10, 30)),
         "weighings (frame), row 0, column at: a cell holds a date or time (found '2026-03-02 "
         "10:30:00'). Write what was meant as text, or as a number, in all cells of the column."),
        (lambda one: one.assign(parts=[[1]] * len(one)),
         "weighings (frame), row 0, column parts: a cell holds a list, no text or number (found "
         "'[1]'). Write text or numbers, or leave the column out."),
        (lambda one: one.iloc[:0],
         "weighings (frame): no run is listed. Write one row a run."),
        (lambda one: one.to_dict("list"),
         "weighings (frame): a dict is no frame that can be read. Give a frame of pandas, polars "
         "or pyarrow; read_study reads files."),
    ],
)  # fmt: skip
def test_messages_name_frame_row_and_column(flat, change, message):
    assert refused(change(flat), settings=SETTINGS) == message


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"titel": "x"}, "settings, column titel: the key is not known. Known at the top: title"),
        ({"balances": [1]}, "balances: what is of the type int is none of the balances (found "
         "'1'). Give a frame, or records or tables by name."),
        ({"balances": {"x": Balance(name="y", resolution_g=0.01)}},
         "balances: the record has another name (found 'x'). Give each under its own name."),
        ({"balances": pd.DataFrame({"balance": ["a", "a"], "resolution_g": [0, 0.01],
                                    "accuracy_class": ["IV", ""], "weight": 1})},
         "balances (frame), column weight: the column is not known. Known columns are balance, "
         "resolution_g, repeatability_g, repeatability_weighings, capacity_g, slope_u, "
         "linearity_g, drift_g, accuracy_class, verification_interval_g, certificate.\n"
         "balances (frame), row 0, column resolution_g: the value is not allowed (found '0'). "
         "Write a number from 0.0000001 to 1,000 g.\n"
         'balances (frame), row 0, column accuracy_class: the value is not allowed (found \'IV\'). '
         'Write one of "I", "II", "III", "IIII".\n'
         "balances (frame), row 1, column balance: balance a is there twice. Give each one row."),
        ({"sieves": [Sieve(key="A 90", nominal_um=90)], "settings": {"sieves": {}}},
         "settings, column sieves: they are given twice. Give them once."),
        ({"sieves": pd.DataFrame({"sieve": ["A 90"], "nominal_um": [91.0]})},
         "weighings (frame), row 1, column aperture_um: sieve A 90 has 91 µm in the sieve table "
         "(found '90'). Correct the aperture, or name the sieve that was really used."),
    ],
)  # fmt: skip
def test_messages_of_balances_sieves_and_settings(flat, given, message):
    assert refused(flat, **given).startswith(message)


def test_balances_without_a_name_are_not_called_one(flat):
    unnamed = pd.DataFrame({"balance": ["", ""], "resolution_g": [0.01, 0.1]})
    message = refused(flat, balances=unnamed)
    assert message.count("the cell is empty. Write a name.") == 2
    assert "there twice" not in message


def test_levels_are_numbers_or_words_as_in_files(sound):
    """A column of text numbers would sort 12 before 6; one word makes all of them words."""

    def with_ratios(*ratios):
        runs = [
            dataclasses.replace(run, factors={"ball_ratio": ratio})
            for run, ratio in zip(sound.runs, ratios, strict=True)
        ]
        study = dataclasses.replace(sound, runs=runs)
        return [run.factors["ball_ratio"] for run in study.runs]

    assert with_ratios("12", "6", 10) == [12.0, 6.0, 10.0]
    assert with_ratios("5:1", 6.0, 7.5) == ["5:1", "6", "7.5"]


SCRIPT = """\
import pandas as pd
import psdstats

weighings = pd.DataFrame({
    "run": ["a"] * 4 + ["b"] * 4 + ["c"] * 4 + ["d"] * 4, "milling_time_min": [0] * 8 + [6] * 8,
    "aperture_um": [355, 125, 45, 0] * 4, "tare_g": [400.0, 380.0, 360.0, 300.0] * 4,
    "gross_g": [402.1, 402.3, 375.2, 303.4, 400.9, 398.6, 381.2, 303.1,
                402.4, 402.0, 375.1, 303.6, 400.6, 398.5, 381.4, 303.2],
})
study = psdstats.Study.from_frame(weighings, title="Invented trial", tares="once")
print([flag.check for flag in psdstats.check_study(study).flags])
sizes = psdstats.propagate(study, method="linear")
print(psdstats.report(study, "my-report", propagation=sizes).path)
"""


def test_a_short_script_goes_from_a_frame_to_a_report(tmp_path, monkeypatch, capsys):
    """The whole job in at most 15 lines."""
    assert SCRIPT.count("\n") <= 15
    monkeypatch.chdir(tmp_path)
    exec(SCRIPT, {})
    assert "no_sample_mass" in capsys.readouterr().out
    page = (tmp_path / "my-report" / "report.html").read_text(encoding="utf-8")
    assert "Invented" in page
    with (tmp_path / "my-report" / "tables" / "sizes.csv").open(encoding="utf-8") as table:
        assert {row["run"] for row in csv.DictReader(table)} == {"a", "b", "c", "d"}
    assert "weighings (frame)" in (tmp_path / "my-report" / "provenance.json").read_text("utf-8")
