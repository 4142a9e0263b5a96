"""Runs put aside: planned, abandoned, weighed in part; kept with all that is written of them."""

import pytest

from psdstats import columns as col
from psdstats.errors import StudyError
from psdstats.study import check_file, read_study, save_study
from psdstats.study.aside import every_note

RUNS = """run,group,milling_time_min,ball_ratio,sample_mass_g,status,run_remark,weighed_on,run_order
a-0,A,0,5,50,,,2026-03-02,3
a-6,A,6,5,50,Abandoned,"spilt, twice",2026-03-02,1
a-6b,A,6,5,50,done,,2026-03-03,2
b-0,B,0,10,,,,,4
c-0,C,0,10,,planned,,,5
"""
WEIGHINGS = """run,sieve,aperture_um,tare_g,gross_g,remark
a-0,A 90,90,400.00,403.00,
a-0,pan,0,300.00,347.00,
a-6,A 90,90,400.00,,fell
a-6,pan,0,300.00,299.00,
a-6b,A 90,90,400.00,402.00,
a-6b,pan,0,300.00,348.00,
b-0,A 90,90,,,
b-0,pan,0,300.00,,
"""
TARGETS = {"folder": "out", "flat": "out.csv", "workbook": "out.xlsx"}


def write(folder, runs=RUNS, weighings=WEIGHINGS):
    folder.mkdir(exist_ok=True)
    (folder / "runs.csv").write_text(runs, encoding="utf-8")
    (folder / "weighings.csv").write_text(weighings, encoding="utf-8")
    return folder


def test_only_what_is_done_is_evaluated(tmp_path):
    study = read_study(write(tmp_path / "s"))
    assert [run.name for run in study.runs] == ["a-0", "a-6b"]
    assert [(run.name, run.status) for run in study.aside] == [
        ("a-6", "abandoned"), ("b-0", "planned"), ("c-0", "planned"),
    ]  # fmt: skip
    spilt = study.aside[0]
    assert spilt.noted == {
        col.STATUS: "abandoned", col.RUN_REMARK: "spilt, twice", col.WEIGHED_ON: "2026-03-02",
        col.RUN_ORDER: "1",
    }  # fmt: skip
    assert [(one.gross_g, one.remark) for one in spilt.readings] == [(299.0, ""), (None, "fell")]
    assert study.runs[0].noted == {col.WEIGHED_ON: "2026-03-02", col.RUN_ORDER: "3"}
    assert study.runs[0].factors == {"ball_ratio": 5.0}
    assert every_note(study)[-2:] == (
        "Not weighed yet and left out: b-0, c-0.", "Abandoned and left out: a-6.",
    )  # fmt: skip


@pytest.mark.parametrize("form", TARGETS)
def test_what_is_put_aside_comes_back_in_its_place(tmp_path, form):
    study = read_study(write(tmp_path / "s"))
    again = read_study(save_study(study, tmp_path / TARGETS[form], form=form))
    assert again == study
    folder = save_study(again, tmp_path / "again")
    rows = (folder / "runs.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert [row.partition(",")[0] for row in rows] == ["a-0", "a-6", "a-6b", "b-0", "c-0"]
    assert "left out" not in (folder / "study.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("form", TARGETS)
def test_a_run_weighed_in_part_is_carried_and_not_evaluated(tmp_path, form):
    runs = RUNS.replace("planned", "").replace("Abandoned", "")
    source = write(tmp_path / "s", runs)
    with pytest.raises(StudyError) as refused:
        read_study(source)
    assert str(refused.value).split("\n") == [
        "runs.csv, row 6, column run: the run has no weighings (found 'c-0'). Add its weighings, "
        "write planned or abandoned into the column status, or delete the row from the run table.",
        "weighings.csv, row 4, column gross_g: 1 run is weighed in part: missing is gross_g of "
        "sieve A 90 in run a-6 (row 4). Weigh what is missing and write its mass in g; else write "
        "planned or abandoned into the column status.",
    ]
    assert {flag.spot.row for flag in check_file(source).of_severity("error")} == {4, 6}
    study = read_study(source, to_carry=True)
    target = save_study(study, tmp_path / TARGETS[form], form=form)
    assert read_study(target, to_carry=True) == study
    with pytest.raises(StudyError, match="weighed in part"):
        read_study(target)


def test_nothing_weighed_yet_is_carried(tmp_path):
    weighings = "\n".join(
        ",".join([*line.split(",")[:3], "", "", ""]) if line[0] != "r" else line
        for line in WEIGHINGS.splitlines()
    )
    source = write(tmp_path / "s", RUNS.replace("Abandoned", "").replace("done", ""), weighings)
    with pytest.raises(StudyError, match="no run is weighed yet"):
        read_study(source)
    study = read_study(source, to_carry=True)
    assert len(study.aside) == 5
    assert read_study(save_study(study, tmp_path / "s.csv", form="flat"), to_carry=True) == study


@pytest.mark.parametrize(
    ("column", "typed", "says"),
    [
        ("status", "stopped", "the status is not known"),
        ("weighed_on", "2.3.2026", "this is no date"),
        ("weighed_on", "20260302", "this is no date"),
        ("run_order", "0", "this is no place in an order"),
        ("run_order", "2.5", "this is no place in an order"),
    ],
)
def test_a_note_that_cannot_be_so(tmp_path, column, typed, says):
    header, first, *rest = RUNS.splitlines()
    cells = dict(zip(header.split(","), first.split(","), strict=True)) | {column: typed}
    source = write(tmp_path / "s", "\n".join([header, ",".join(cells.values()), *rest]))
    with pytest.raises(StudyError, match=rf"runs\.csv, row 2, column {column}: {says}"):
        read_study(source)
