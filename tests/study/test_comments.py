"""Comments on cells of a workbook, by what they are about; sheets and columns that are not read."""

import io
import zipfile

import openpyxl
import pytest
from openpyxl.comments import Comment

from psdstats.errors import OutputError, StudyError
from psdstats.output.sheet import recording_sheet
from psdstats.study import SheetPlan, read_study, save_study
from psdstats.study.aside import every_note
from psdstats.study.forms import Attached, read_comments
from psdstats.study.sheets import comments_in
from psdstats.study.tables import Origin

TARGETS = {"folder": "out", "flat": "out.csv", "workbook": "out.xlsx"}


def remark(path, **comments):
    """Attach comments to cells, named sheet_cell."""
    book = openpyxl.load_workbook(path)
    for place, text in comments.items():
        sheet, _, cell = place.rpartition("_")
        book[sheet][cell].comment = Comment(text, "B. Miller")
    book.save(path)
    return path


def told(study):
    return [(one.table, one.row, one.sieve, one.column, one.text) for one in study.comments]


@pytest.fixture
def remarked(sound, tmp_path):
    """A workbook with comments on cells of every kind."""
    path = save_study(sound, tmp_path / "remarked.xlsx", form="workbook")
    book = openpyxl.load_workbook(path)
    book.create_sheet("guide")["A1"] = "how to"
    book["study"]["C2"] = "as on the label"
    book.save(path)
    return remark(
        path, runs_A2="first of the day", weighings_E3="read twice\nby two",
        runs_C1="from the clock", sieves_B2="plate hard to read", study_B2="to be agreed",
        guide_A1="whose?", runs_H40="odd",
    )  # fmt: skip


TOLD = [
    ("guide", "", "", "A1", "whose?"),
    ("runs", "", "", "H40", "odd"),
    ("runs", "", "", "milling_time_min", "from the clock"),
    ("runs", "a-0", "", "run", "first of the day"),
    ("sieves", "A 90", "", "nominal_um", "plate hard to read"),
    ("study", "title", "", "C", "as on the label"),
    ("study", "title", "", "value", "to be agreed"),
    ("weighings", "a-0", "A 90", "gross_g", "read twice\nby two"),
]


def test_comments_are_read_by_what_they_are_about(remarked):
    study = read_study(remarked)
    assert told(study) == TOLD
    assert {one.author for one in study.comments} == {"B. Miller", ""}


@pytest.mark.parametrize("form", TARGETS)
def test_comments_go_through_every_form(remarked, tmp_path, form):
    study = read_study(remarked)
    again = read_study(save_study(study, tmp_path / TARGETS[form], form=form))
    assert again == study
    back = save_study(again, tmp_path / "back.xlsx", form="workbook")
    book = openpyxl.load_workbook(back)
    assert book["weighings"]["E3"].comment.text == "read twice\nby two"
    assert book["runs"]["A2"].comment.author == "B. Miller"
    assert [row[0].value for row in book["comments"].iter_rows(min_row=2)] == [
        "guide", "runs", "study",
    ]  # fmt: skip
    assert read_study(back) == study


def test_comments_on_a_flat_sheet(tmp_path):
    rows = [
        ["Run", "Milling time, min", "aperture_mm", "tare_g", "gross_g"],
        ["a", 6, 0.09, 400.1, 405.2], [None, None, None, None, None], ["a", 6, 0, 300, 302],
    ]  # fmt: skip
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(tmp_path / "t.xlsx")
    study = read_study(remark(tmp_path / "t.xlsx", Sheet_B2="late", Sheet_C2="worn", Sheet_E4="!"))
    assert told(study) == [
        ("runs", "a", "", "milling_time_min", "late"),
        ("weighings", "a", "all 90 µm", "aperture_um", "worn"),
        ("weighings", "a", "all pan", "gross_g", "!"),
    ]


def test_comments_in_the_blocks_of_a_recording_sheet(tmp_path):
    plan = SheetPlan(title="t", groups=("A",), times_min=(0, 6), apertures_um=(90.0, 45.0))
    path = recording_sheet(plan, tmp_path / "sheet.xlsx")
    with pytest.raises(StudyError, match="no run is weighed yet"):
        read_study(path)
    sheet = openpyxl.load_workbook(path)["bench"]
    places = {}
    for row in sheet.iter_rows():
        for cell in row:
            if str(cell.value).startswith("With powder"):
                places["gross"] = sheet.cell(cell.row + 2, cell.column).coordinate
            if str(cell.value).startswith("Sample mass"):
                places["sample"] = sheet.cell(cell.row + 1, cell.column).coordinate
    where = {f"bench_{cell}": name for name, cell in places.items()}
    study = read_study(remark(path, **where), to_carry=True)
    last = study.aside[-1].name
    assert told(study) == [
        ("runs", last, "", "sample_mass_g", "sample"),
        ("weighings", last, "A 45 µm", "gross_g", "gross"),
    ]
    assert read_study(save_study(study, tmp_path / "s"), to_carry=True) == study


def test_sheets_that_are_not_read_are_given_up_by_name(remarked, tmp_path):
    book = openpyxl.load_workbook(remarked)
    book.create_sheet("room diary")["A1"] = "damp"
    book.create_sheet("comments")["A1"] = "of another kind"
    book.save(remarked)
    study = read_study(remarked)
    assert study.unread == ("room diary", "comments")
    for form, name in TARGETS.items():
        with pytest.raises(OutputError) as refused:
            save_study(study, tmp_path / name, form=form, give_up=["comments"])
        assert str(refused.value) == (
            f"The form {form} cannot hold 1 of the things found: room diary (a table not "
            "read). Choose another form, or give up each by its name (--give-up NAME) to leave it "
            "behind."
        )
        assert not (tmp_path / name).exists()
        again = save_study(study, tmp_path / name, form=form, give_up=study.unread)
        assert read_study(again) == study
    with pytest.raises(OutputError, match=r"no 'diary' to give up: the form folder leaves only"):
        save_study(study, tmp_path / "x", give_up=["diary", *study.unread])


def test_unknown_columns_of_the_weighings_are_kept(write_folder, catalogue, tmp_path):
    header, first, *rows = catalogue.SOUND["weighings.csv"].strip().split("\n")
    text = "\n".join([f"{header},humidity", f"{first},41 %", *(f"{row}," for row in rows)])
    study = read_study(write_folder({"weighings.csv": text}))
    assert study.runs[0].readings[-1].further == {"humidity": "41 %"}
    assert "Not evaluated: column humidity." in every_note(study)
    with pytest.raises(OutputError, match=r"humidity \(a column of the weighings\)"):
        save_study(study, tmp_path / "s.csv", form="flat")
    assert read_study(save_study(study, tmp_path / "s.xlsx", form="workbook")) == study
    less = read_study(save_study(study, tmp_path / "s.csv", form="flat", give_up=["humidity"]))
    assert "humidity" not in str(less)


TYPED = """# of the spring trial
title = "trial"  # as on the label

[balances.fine]
resolution_g = 1e-2   # not 0.1
repeatability_g = 0.01
"""


@pytest.mark.parametrize("form", ["folder", "flat", "workbook"])
def test_unknown_columns_of_the_sieve_table_are_kept(write_folder, catalogue, tmp_path, form):
    sieves = catalogue.SOUND["sieves.csv"].replace("standard\n", "standard,bought on\n")
    sieves = sieves.replace("ISO 3310-1\n", "ISO 3310-1,2024-05\n").replace("E11\n", "E11,\n")
    study = read_study(write_folder({"sieves.csv": sieves}))
    assert dict(study.sieves["A 90"].further) == {"bought on": "2024-05"}
    assert "Not evaluated: column bought on." in every_note(study)
    target = tmp_path / f"kept{'.csv' if form == 'flat' else '.xlsx' * (form == 'workbook')}"
    assert read_study(save_study(study, target, form=form)) == study


def test_the_comment_of_a_retired_setting_is_kept(write_folder, catalogue, tmp_path):
    lines = "\n[uncertainty]\n# curves\ninterpolation = true  # asked for in May\nrounding = true\n"
    study = read_study(write_folder({"study.toml": catalogue.SOUND["study.toml"] + lines}))
    text = (save_study(study, tmp_path / "kept") / "study.toml").read_text(encoding="utf-8")
    assert "interpolation =" not in text
    assert "[uncertainty]\n# curves\n# asked for in May\nrounding = true\n" in text


def test_a_workbook_keeps_the_comments_of_the_settings(write_folder, tmp_path):
    study = read_study(write_folder({"study.toml": TYPED}))
    path = save_study(study, tmp_path / "s.xlsx", form="workbook")
    text = (save_study(read_study(path), tmp_path / "back") / "study.toml").read_text("utf-8")
    assert text.startswith(TYPED.partition("\n\n")[0])
    assert "resolution_g = 1e-2   # not 0.1\n" in text
    assert comments_in(text) == comments_in(TYPED)


def test_settings_changed_in_a_workbook_count_and_it_is_told(write_folder, tmp_path):
    study = read_study(write_folder({"study.toml": TYPED}))
    path = save_study(study, tmp_path / "s.xlsx", form="workbook")
    book = openpyxl.load_workbook(path)
    assert book["study"]["A2"].value == "title"
    book["study"]["B2"] = "autumn trial"
    book.save(path)
    changed = read_study(path)
    assert changed.title == "autumn trial"
    assert "study.toml: title differ, study counts." in changed.notes
    text = (save_study(changed, tmp_path / "back") / "study.toml").read_text(encoding="utf-8")
    assert 'title = "autumn trial"  # as on the label\n' in text


def test_comments_of_an_open_document_count_repeated_cells():
    cell = "table:table-cell"
    note = (
        "<office:annotation><dc:creator>B</dc:creator><text:p>read <text:s/>twice</text:p>"
        "<text:p>by two</text:p></office:annotation>"
    )
    spaces = "".join(f' xmlns:{name}="urn:{name}"' for name in ("office", "table", "text", "dc"))
    content = (
        f'<office:document{spaces}><table:table table:name="runs">'
        f'<table:table-row table:number-rows-repeated="3"><{cell}/></table:table-row>'
        f'<table:table-row><{cell} table:number-columns-repeated="4"/>'
        f"<{cell}>{note}<text:p>7</text:p></{cell}></table:table-row></table:table>"
        "</office:document>"
    )
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("content.xml", content)
    found = read_comments(packed.getvalue(), Origin("t.ods"))
    assert found == [Attached("runs", 4, 5, "read twice\nby two", "B")]


def test_comments_that_cannot_be_read_are_a_problem(tmp_path):
    problems = []
    assert read_comments(b"PK", Origin("t.xlsx", problems)) == []
    (found,) = problems
    assert "the comments of the workbook cannot be read" in str(found)
