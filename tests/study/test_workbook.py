"""Workbooks as people make them: one sheet or several, and what is refused with which words."""

import datetime
import io
import time
import zipfile

import openpyxl
import openpyxl.chart
import pytest

from psdstats.errors import StudyError
from psdstats.study import read_study, save_study

FLAT = [
    ["run", "milling_time_min", "aperture_um", "tare_g", "gross_g"],
    ["a", 0, 90, 400.1, 405.2],
    ["a", 0, 45, 390, 399.95],
    ["a", 0, 0, 300, 302],
]


def make(path, **sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def changed(row, column, value):
    rows = [list(each) for each in FLAT]
    rows[row][column] = value
    return rows


def refused(path):
    with pytest.raises(StudyError) as caught:
        read_study(path)
    return str(caught.value)


def test_one_flat_sheet(tmp_path):
    study = read_study(make(tmp_path / "t.xlsx", Table1=FLAT))
    assert study.runs[0].readings[1].gross_g == 399.95
    assert study.runs[0].readings[0].place.file == "Table1"
    assert study.balances["balance"].resolution_g == 0.01


def test_resolution_from_the_cells_format(tmp_path):
    path = make(tmp_path / "t.xlsx", Table1=FLAT)
    book = openpyxl.load_workbook(path)
    for row in book["Table1"].iter_rows(min_row=2, min_col=4):
        for cell in row:
            cell.number_format = "0.000"
    book.save(path)
    assert read_study(path).balances["balance"].resolution_g == 0.001


def test_settings_and_sieves_beside_a_flat_sheet(tmp_path):
    settings = [["key", "value"], ["title", "Trial 7"], ["checks.overload", False],
                ["balances.x.resolution_g", "0,01"], ["compare.within", '["group"]'],
                ["density_g_per_cm3", None]]  # fmt: skip
    sieves = [["sieve", "nominal_um", "certified_um"], ["all 90 µm", 90, 90.4]]
    study = read_study(make(tmp_path / "t.xlsx", Data=FLAT, Study=settings, Sieves=sieves))
    assert study.title == "Trial 7"
    assert study.checks == {"overload": False}
    assert study.compare["within"] == ["group"]
    assert study.balances["x"].resolution_g == 0.01
    assert study.sieves["all 90 µm"].certified_um == 90.4


def test_sheets_that_are_not_read_are_named(sound, tmp_path):
    path = save_study(sound, tmp_path / "t.xlsx", form="workbook")
    book = openpyxl.load_workbook(path)
    book.create_sheet("my notes")["A1"] = "look here"
    book.create_sheet("empty")
    book.create_sheet("guide")["A1"] = "how to"
    book.save(path)
    assert read_study(path).notes == ("Sheets of t.xlsx not read: my notes.",)


def test_formulas_count_by_their_last_value(tmp_path):
    path = make(tmp_path / "t.xlsx", Table1=changed(1, 4, "=D2+5"))
    assert refused(path) == (
        "t.xlsx, sheet Table1, row 2, column gross_g: 1 run is weighed in part: missing is gross_g "
        "of sieve all 90 µm in run a (row 2). Weigh what is missing and write its mass in g; else "
        "write planned or abandoned into the column status."
    )


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (changed(1, 0, datetime.date(2026, 2, 1)),
         "Table1, row 2, column run: a cell holds a date or time (found '2026-02-01'). Write what "
         "was meant as text, or as a number, in all cells of the column."),
        (changed(1, 3, "400.1 g"),
         "Table1, row 2, column tare_g: this is not a number (found '400.1 g'). Write the number "
         "alone, its unit is in the column name."),
        (changed(2, 0, None),
         "Table1, row 3, column run: the cell is empty. Repeat the name on every row."),
        (changed(1, 3, "#DIV/0!"),
         "Table1, row 2, column tare_g: this is not a number (found '#DIV/0!'). Write a number "
         "alone, such as 12.5."),
        ([["Trial of spring"], *FLAT],
         "Table1, row 1, column run: the column is missing. Add it, or rename one of the columns "
         "found: Trial of spring."),
    ],
)  # fmt: skip
def test_bad_cells(tmp_path, rows, message):
    assert message in refused(make(tmp_path / "t.xlsx", Table1=rows))


def test_days_in_a_sheet_of_runs(tmp_path):
    """A day stands where days are noted; anywhere else a spreadsheet took something for one."""
    runs = [["run", "milling_time_min", "weighed_on"], ["a", 0, datetime.date(2026, 2, 1)]]
    weighings = [[row[0], *row[2:]] for row in FLAT]
    path = make(tmp_path / "t.xlsx", runs=runs, weighings=weighings, other=[[datetime.time(9)]])
    assert dict(read_study(path).runs[0].noted) == {"weighed_on": "2026-02-01"}
    runs = [[*row, "ratio"] if row[0] == "run" else [*row, row[2]] for row in runs]
    assert refused(make(tmp_path / "u.xlsx", runs=runs, weighings=weighings)).startswith(
        "u.xlsx, sheet runs, row 2, column ratio: a cell holds a date or time (found '2026-02-01')."
    )


def test_bad_sheets(tmp_path):
    assert refused(make(tmp_path / "a.xlsx", One=FLAT, Two=FLAT)) == (
        "a.xlsx: the workbook has the sheets One, Two. Name the tables runs and weighings, or keep "
        "one sheet with a flat table."
    )
    assert refused(make(tmp_path / "b.xlsx", One=[])) == (
        "b.xlsx: the workbook is empty. Write a flat table, or the sheets runs and weighings."
    )
    settings = [["title", "x"], ["title", "y"], ["a b = 3", 1], ["balances", 4]]
    message = refused(make(tmp_path / "c.xlsx", One=FLAT, study=settings))
    assert message.split("\n") == [
        "c.xlsx, sheet study, row 2, column key: this is not a key, or it is there twice (found "
        "'title'). Write one key a row, parts of it joined by dots.",
        "c.xlsx, sheet study, row 3, column key: this is not a key, or it is there twice (found "
        "'a b = 3'). Write one key a row, parts of it joined by dots.",
        "c.xlsx, sheet study, column balances: the value is not allowed (found '4.0'). Write "
        "a table [balances.NAME] for each.",
    ]


RUNS = [["run", "milling_time_min"], ["a", 0]]
WEIGHINGS = [[row[0], *row[2:]] for row in FLAT]


@pytest.mark.parametrize(
    ("sheets", "told"),
    [
        ({"runs": RUNS}, ["sheet runs, row 1, column aperture_um: ", "no sheet weighings, or an "]),
        ({"weighings": WEIGHINGS, "runs": []},
         ["sheet weighings, row 1, column milling_time_min: ", "no sheet runs, or an empty one."]),
        ({"runs": RUNS, "weighings": WEIGHINGS[:1]},
         ["sheet runs, row 2, column run: the run has no weighings"]),
        ({"runs": [RUNS[0], ["b", 0]], "weighings": WEIGHINGS},
         ["sheet weighings, row 2, column run: the run is not in runs (found 'a')"]),
        ({"runs": [RUNS[0], ["a", "soon"]], "weighings": WEIGHINGS},
         ["sheet runs, row 2, column milling_time_min: this is not a number (found 'soon')"]),
        ({"t": changed(1, 4, datetime.date(2026, 3, 4))},
         ["sheet t, row 2, column gross_g: this is not a number (found '2026-03-04')"]),
        ({"t": changed(1, 4, 1.0)}, ["sheet t, row 2: run a, sieve all 90 µm: gross 1 g is below"]),
        ({"t": FLAT, "study": [["tares", "often"]]},
         ["sheet study, column tares: the value is not allowed (found 'often')"]),
    ],
)  # fmt: skip
def test_every_refusal_names_the_workbook(tmp_path, sheets, told):
    path = make(tmp_path / "broken.xlsx", **sheets)
    message = refused(path)
    assert all(line.startswith("broken.xlsx") for line in message.split("\n"))
    assert all(one in message for one in told)


def repack(path, target, change):
    with zipfile.ZipFile(path) as source, zipfile.ZipFile(target, "w", 8) as out:
        for part in source.namelist():
            out.writestr(part, change(part, source.read(part)))
    return target


def test_entities_are_refused(tmp_path):
    path = make(tmp_path / "t.xlsx", Table1=FLAT)
    evil = b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
    target = repack(
        path, tmp_path / "evil.xlsx",
        lambda part, data: evil + data.partition(b"?>")[2] if part == "xl/workbook.xml" else data,
    )  # fmt: skip
    assert refused(target) == (
        "evil.xlsx: the part xl/workbook.xml declares a document type. Save the workbook again "
        "with a spreadsheet program."
    )


EXPANSION = (
    b'<?xml version="1.0"?>' + b" " * 5_000 + b'<!DOCTYPE x [<!ENTITY a0 "ha">'
    + b"".join(b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 10)) + b"]>"
)  # fmt: skip


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_an_expansion_attack_behind_blanks_is_refused(tmp_path, encoding):
    path = make(tmp_path / "t.xlsx", Table1=FLAT)

    def attack(part, data):
        if part != "xl/worksheets/sheet1.xml":
            return data
        body = data.partition(b"?>")[2] if data.startswith(b"<?xml") else data
        text = EXPANSION + body.replace(b"<v>400.1</v>", b"<v>&a9;</v>")
        return text.decode().encode(encoding)

    start = time.process_time()
    target = repack(path, tmp_path / "evil.xlsx", attack)
    fault = {"utf-8": "declares a document type", "utf-16": "is not UTF-8 XML"}[encoding]
    assert refused(target) == (
        f"evil.xlsx: the part xl/worksheets/sheet1.xml {fault}. Save the workbook again with a "
        "spreadsheet program."
    )
    assert time.process_time() - start < 1


def test_a_document_type_in_another_encoding_is_refused(tmp_path):
    path = make(tmp_path / "t.xlsx", Table1=FLAT)
    hidden = b'<?xml version="1.0" encoding="utf-7"?>+ADwAIQ-DOCTYPE x><x/>'
    target = repack(
        path, tmp_path / "evil.xlsx",
        lambda part, data: hidden if part == "xl/workbook.xml" else data,
    )  # fmt: skip
    assert "the part xl/workbook.xml is not UTF-8 XML" in refused(target)


@pytest.mark.parametrize(("rows", "filling", "cell"), [(2_000, 1, "XFD2"), (400, " ", "XFD327")])
def test_cells_in_the_last_column_are_refused_at_once(tmp_path, rows, filling, cell):
    book = openpyxl.Workbook()
    for row in FLAT:
        book.active.append(row)
    for number in range(2, rows + 2):
        book.active.cell(number, 16_384).value = filling
    book.save(tmp_path / "far.xlsx")
    start = time.process_time()
    assert refused(tmp_path / "far.xlsx") == (
        f"far.xlsx, sheet Sheet, cell {cell}: the sheet has more than 1000 columns. Delete what is "
        "not part of the study."
    )
    assert time.process_time() - start < 1


@pytest.mark.parametrize("charts", [True, False])
def test_a_chart_sheet_is_no_table(tmp_path, charts):
    book = openpyxl.Workbook()
    sheet = book.active
    for row in FLAT:
        sheet.append(row)
    chart = openpyxl.chart.ScatterChart()
    apertures, masses = (
        openpyxl.chart.Reference(sheet, min_col=column, min_row=2, max_row=4) for column in (3, 5)
    )
    chart.append(openpyxl.chart.Series(masses, apertures))
    picture = book.create_chartsheet("picture")
    if charts:
        picture.add_chart(chart)
        sheet.add_chart(openpyxl.chart.BarChart(), "H2")
    book.save(tmp_path / "t.xlsx")
    assert [run.name for run in read_study(tmp_path / "t.xlsx").runs] == ["a"]


def test_a_packed_giant_is_refused(tmp_path):
    path = make(tmp_path / "t.xlsx", Table1=FLAT)
    giant = tmp_path / "giant.xlsx"
    repack(path, giant, lambda part, data: data)
    with zipfile.ZipFile(giant, "a", 8) as out, out.open("xl/more.xml", "w") as part:
        for _ in range(310):
            part.write(b" " * 1_000_000)
    assert giant.stat().st_size < 1_000_000
    assert refused(giant) == (
        "giant.xlsx: the workbook unpacks to more than 300 MB. Delete what is not part of the "
        "study, or split it."
    )


def test_a_far_away_cell_does_no_harm(tmp_path):
    book = openpyxl.Workbook()
    for row in FLAT:
        book.active.append(row)
    book.active["A1048576"] = " "
    book.active["XFD1"] = " "
    out = io.BytesIO()
    book.save(out)
    (tmp_path / "far.xlsx").write_bytes(out.getvalue())
    assert len(read_study(tmp_path / "far.xlsx").runs) == 1
