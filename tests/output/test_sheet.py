"""The recording sheet: filled in, it is a study; its formulas give what psdstats gives."""

import importlib.util
import random
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import openpyxl
import pytest

from psdstats.errors import OutputError, StudyError
from psdstats.output import recording_sheet
from psdstats.output.sheet import recording_labels
from psdstats.sieves import Sieve
from psdstats.study import Balance, SheetPlan, TareHandling, check_file, check_study, read_study

_spec = importlib.util.spec_from_file_location("formulas", Path(__file__).parent / "formulas.py")
formulas = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(formulas)


def make_plan(**changes):
    given = {
        "title": "Invented trial & <test>",
        "groups": ("Alder", "=Birch()"),
        "times_min": (0.0, 6.0),
        "apertures_um": (180.0, 45.0, 90.0),
        "replicates": 2,
        "factors": {"ball_ratio": (5.0, 10.0)},
        "sample_mass_g": 50.0,
        "shaking_time_min": 10.0,
        "balance": Balance(name="fine", resolution_g=0.01, repeatability_g=0.01, capacity_g=2000),
        "material": "calcite",
    }
    return SheetPlan(**{**given, **changes})


def columns(sheet):
    return {cell.value: cell.column for cell in sheet[1]}


def fill(path, *, skip_last=0):
    """Fill in a workbook as a person would: only cells that are not locked."""
    rng = random.Random(7)
    book = openpyxl.load_workbook(path)
    sheet = book["weighings"]
    names = columns(sheet)
    for row in range(2, sheet.max_row + 1 - skip_last):
        tare = sheet.cell(row, names["tare_g"])
        start = 300 + 10 * (row % 4)
        if not tare.protection.locked:
            tare.value = start
        gross = sheet.cell(row, names["gross_g"])
        assert not gross.protection.locked
        gross.value = round(start + rng.uniform(5, 15), 2)
    runs = book["runs"]
    for row in range(2, runs.max_row + 1):
        cell = runs.cell(row, columns(runs)["sample_mass_g"])
        assert not cell.protection.locked
        cell.value = round(rng.uniform(38, 45), 2)
    book.save(path)
    return path


@pytest.fixture(scope="module", params=list(TareHandling))
def filled(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("filled") / "sheet.xlsx"
    return fill(recording_sheet(make_plan(tares=request.param), path))


def test_filled_workbook_is_a_study(filled):
    study = read_study(filled)
    plan = make_plan()
    assert [run.name for run in study.runs] == [run.name for run in plan.runs()]
    assert len(study.runs) == 16
    assert study.runs[0].factors == {"shaking_time_min": 10.0, "ball_ratio": 5.0}
    assert [reading.aperture_um for reading in study.runs[0].readings] == [0.0, 45.0, 90.0, 180.0]
    assert study.balances["fine"].capacity_g == 2000
    assert study.notes == ()
    assert study.title == plan.title
    assert study.compare == {}
    assert [run.charge for run in study.runs] == [run.charge for run in plan.runs()]
    one = [run for run in study.runs if run.charge == "Alder-5-a"]
    assert [(run.milling_time_min, run.replicate) for run in one] == [(0, "a"), (6, "a")]
    assert not [flag for flag in check_file(filled).flags if flag.check == "charge"]
    assert check_file(filled).exit_code in (0, 1)


def recalculated_by_office(path, folder):
    """Values as a spreadsheet program computes them, by sheet and address."""
    subprocess.run(
        ["soffice", f"-env:UserInstallation=file://{folder}/profile", "--headless", "--convert-to",
         "xlsx:Calc MS Excel 2007 XML", "--outdir", str(folder / "again"), str(path)],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    book = openpyxl.load_workbook(folder / "again" / path.name, data_only=True)
    return lambda sheet, address: book[sheet][address].value


def computed_values(path, folder, *, by_office):
    if by_office and shutil.which("soffice"):
        return recalculated_by_office(path, folder)
    return formulas.Evaluator(openpyxl.load_workbook(path)).value


@pytest.mark.parametrize("by_office", [False, True])
def test_computed_columns_agree(filled, tmp_path, by_office):
    """Net masses and losses of the sheet's formulas against those of psdstats.

    Computed by LibreOffice where it is installed, always by a small evaluator of its own.
    """
    value = computed_values(filled, tmp_path, by_office=by_office)
    study = read_study(filled)
    book = openpyxl.load_workbook(filled)
    letters = {cell.value: cell.column_letter for cell in book["weighings"][1]}
    for run in study.runs:
        for reading in run.readings:
            row = reading.place.row
            assert value("weighings", f"{letters['net_g']}{row}") == pytest.approx(reading.net_g)
            assert value("weighings", f"{letters['tare_g']}{row}") == reading.tare_g
    letters = {cell.value: cell.column_letter for cell in book["runs"][1]}
    for row, run in enumerate(study.runs, start=2):
        loss = run.sample_mass_g - run.total_g
        percent = 100 * loss / run.sample_mass_g
        assert value("runs", f"{letters['recovered_g']}{row}") == pytest.approx(run.total_g)
        assert value("runs", f"{letters['loss_g']}{row}") == pytest.approx(loss)
        assert value("runs", f"{letters['loss_percent']}{row}") == pytest.approx(percent)


def test_unfilled_rows_wait(tmp_path):
    path = fill(recording_sheet(make_plan(), tmp_path / "sheet.xlsx"), skip_last=4)
    study = read_study(path)
    assert len(study.runs) == 15
    assert study.notes == ("Not weighed yet and left out: =Birch()-10-6-b.",)
    value = formulas.Evaluator(openpyxl.load_workbook(path)).value
    letters = {cell.value: cell.column_letter for cell in openpyxl.load_workbook(path)["runs"][1]}
    assert value("runs", f"{letters['recovered_g']}17") == ""
    assert value("runs", f"{letters['loss_percent']}17") == ""


def test_empty_sheet_says_so(tmp_path):
    path = recording_sheet(make_plan(), tmp_path / "sheet.xlsx")
    with pytest.raises(StudyError, match="no run is weighed yet"):
        read_study(path)


def test_what_may_be_typed(tmp_path):
    book = openpyxl.load_workbook(recording_sheet(make_plan(), tmp_path / "sheet.xlsx"))
    for sheet in book:
        assert sheet.protection.sheet
        assert sheet.page_setup.paperSize == 9  # A4
        assert sheet.page_setup.fitToWidth == 1
        assert all(cell.protection.locked for cell in sheet[1])
    sheet, names = book["weighings"], columns(book["weighings"])
    assert sheet.print_title_rows == "$1:$1"
    locked = {name: sheet.cell(2, column).protection.locked for name, column in names.items()}
    unlocked = {name for name in names if not locked[name]}
    assert unlocked == {"tare_g", "gross_g", "remark"}
    checks = {str(each.sqref): each for each in sheet.data_validations.dataValidation}
    last = sheet.max_row
    assert checks[f"D2:D{last}"].formula2 == "2000"
    assert checks[f"E2:E{last}"].formula1 == "=AND(ISNUMBER(E2),E2>=D2,E2<=2000)"
    assert checks[f"E2:E{last}"].errorStyle == "warning"
    assert sheet.cell(2, names["net_g"]).number_format == "0.00"
    prompts = [each.prompt for each in book["runs"].data_validations.dataValidation]
    assert prompts == ["Mass put on the stack in g (about 50)."]


def test_nothing_from_the_plan_becomes_a_formula(tmp_path):
    plan = make_plan(groups=("=1+1", "@cmd", "+x"), title='=HYPERLINK("http://x")')
    path = recording_sheet(plan, tmp_path / "sheet.xlsx")
    formula = re.compile(r"=(IF)\(")
    for sheet in openpyxl.load_workbook(path):
        for row in sheet:
            for cell in row:
                if cell.data_type == "f":
                    assert formula.match(cell.value), cell.value
    with zipfile.ZipFile(path) as archive:
        assert not [name for name in archive.namelist() if "external" in name.lower()]
    folder = recording_sheet(plan, tmp_path / "sheet", form="folder")
    for file in folder.glob("*.csv"):
        for line in file.read_text(encoding="utf-8").splitlines():
            assert not any(cell.startswith(("=", "@", "+")) for cell in line.split(","))


def test_folder_form(tmp_path):
    folder = recording_sheet(make_plan(tares=TareHandling.ONCE), tmp_path / "sheet", form="folder")
    text = (folder / "weighings.csv").read_text(encoding="utf-8").splitlines()
    filled_in = [text[0]]
    seen = set()
    for number, line in enumerate(text[1:]):
        run, sieve, size, _, _, remark = line.split(",")
        tare = "" if sieve in seen else f"{300 + len(seen)}.00"
        seen.add(sieve)
        filled_in.append(f"{run},{sieve},{size},{tare},{400 + number}.00,{remark}")
    (folder / "weighings.csv").write_text("\n".join(filled_in), encoding="utf-8")
    study = read_study(folder)
    assert study.tares is TareHandling.ONCE
    assert study.runs[5].readings[-1].tare_g == 300.0


def test_splits_are_rows_of_their_own(tmp_path):
    plan = make_plan(splits=2)
    study = read_study(fill(recording_sheet(plan, tmp_path / "splits.xlsx")))
    assert [run.split for run in study.runs[:2]] == ["1", "2"]
    assert study.runs[0].sample == study.runs[1].sample != study.runs[2].sample
    assert study.runs[0].name.endswith("-1")
    assert len(study.runs) == 2 * len(make_plan().runs())
    assert not [flag for flag in check_study(study).flags if flag.check == "charge"]


def test_own_sieves_and_shared_stack(tmp_path):
    own = (Sieve(key="S1", nominal_um=45.0, certified_um=45.3, expanded_uncertainty_um=0.8),
           Sieve(key="S2", nominal_um=90.0, standard="ASTM E11"))  # fmt: skip
    plan = make_plan(sieves={"Alder": own}, one_stack=True, second_shaking=True)
    assert [sieve.key for sieve in plan.stack("Alder")] == ["S2", "S1"]
    assert plan.pan("Alder") == "Alder pan"
    assert [sieve.key for sieve in plan.stack("=Birch()")] == [
        "stack 180 µm", "stack 90 µm", "stack 45 µm"
    ]  # fmt: skip
    study = read_study(fill(recording_sheet(plan, tmp_path / "own.xlsx")))
    assert study.sieves["S1"] == own[0]
    assert study.sieves["S2"] == own[1]
    assert {reading.sieve for reading in study.runs[-1].readings} >= {"stack pan", "stack 90 µm"}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"groups": ()}, "recording sheet, column groups: there is none. Give at least one."),
        ({"groups": ("A", "A")}, "recording sheet, column groups: a value is there twice. Give "
                                 "each value once."),
        ({"times_min": (0.0, -1.0)}, "recording sheet, column times_min: a time is negative or no "
                                     "number. Give times in min from 0."),
        ({"tares": "twice"}, "recording sheet, column tares: the value is not known. Give one of "
                             "each run, once."),
        ({"splits": 0}, "recording sheet, column splits: there is none. Give at least 1."),
        ({"replicates": 0}, "recording sheet, column replicates: there is none. Give at least 1."),
        ({"apertures_um": (), "groups": ("A",)},
         "recording sheet, column apertures_um: group A has no sieves. Give its apertures or "
         "sieves."),
        ({"apertures_um": (90.0, 90.0), "groups": ("A",)},
         "recording sheet, column apertures_um: group A has an aperture twice. Give each once."),
        ({"apertures_um": (0.09,), "groups": ("A",)},
         "recording sheet, column apertures_um: group A has an aperture outside 1 µm to 125 mm. "
         "Give apertures in µm, without the pan."),
        ({"factors": {"tare_g": (1.0,)}}, "recording sheet, column factors.tare_g: the sheet uses "
                                          "this name. Rename the factor."),
        ({"factors": {"x": ()}}, "recording sheet, column factors.x: levels are missing or there "
                                 "twice. Give each once."),
        ({"sample_mass_g": 0.0}, "recording sheet, column sample_mass_g: the number is not above "
                                 "zero. Give a number above zero."),
        ({"replicates": 100_000}, "recording sheet, column replicates: the sheet would have more "
                                  "than 200000 rows. Plan less."),
    ],
)  # fmt: skip
def test_plans_that_contradict_themselves(changes, message):
    with pytest.raises(StudyError) as caught:
        make_plan(**changes)
    assert str(caught.value) == message


def test_targets(tmp_path):
    with pytest.raises(OutputError, match=r"sheet\.csv should end in \.xlsx"):
        recording_sheet(make_plan(), tmp_path / "sheet.csv")
    with pytest.raises(OutputError, match="has no form 'flat'"):
        recording_sheet(make_plan(), tmp_path / "sheet.csv", form="flat")
    recording_sheet(make_plan(), tmp_path / "sheet.xlsx")
    with pytest.raises(OutputError, match="exists already"):
        recording_sheet(make_plan(), tmp_path / "sheet.xlsx")


def test_labels(tmp_path):
    plan = make_plan(groups=("<script>alert(1)</script>", "Birch"))
    page = recording_labels(plan, tmp_path / "labels.html").read_text(encoding="utf-8")
    assert page.count("<li>") == len(plan.runs()) == 16
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert not re.search(r"(src|href)=|url\(|@import", page)
    assert "A4" in page


def test_tares_may_be_given_as_text():
    assert make_plan(tares="once").tares is TareHandling.ONCE


def test_run_names():
    names = [run.name for run in make_plan(replicates=28).runs()]
    assert len(set(names)) == len(names)
    assert names[:2] == ["Alder-5-0-a", "Alder-5-0-b"]
    assert names[25:28] == ["Alder-5-0-z", "Alder-5-0-aa", "Alder-5-0-ab"]
    assert make_plan(replicates=1, factors={}).runs()[1].name == "Alder-6"
    assert make_plan(replicates=1).runs()[0].replicate is None


def test_charges(tmp_path):
    """The plan's own default is one filling sampled at all times; sheet and labels say which."""
    one, fresh = make_plan(splits=2), make_plan(splits=2, fresh_charges=True)
    assert len({run.charge for run in one.runs()}) == 2 * 2 * 2  # group, ball ratio, replicate
    assert {run.charge for run in fresh.runs()} == {run.name[:-2] for run in fresh.runs()}
    for plan, words in ((one, "sampled at all times"), (fresh, "a fresh filling of the jar")):
        book = openpyxl.load_workbook(recording_sheet(plan, tmp_path / f"{words}.xlsx"))
        assert words in " ".join(str(row[0].value) for row in book["guide"])
        cell = book["runs"].cell(2, columns(book["runs"])["charge"])
        assert (cell.value, cell.protection.locked) == (plan.runs()[0].charge, False)
    page = recording_labels(one, tmp_path / "labels.html").read_text(encoding="utf-8")
    assert page.count("charge Alder-5-a") == 4


def test_cautions_are_on_the_sheet(tmp_path):
    book = openpyxl.load_workbook(recording_sheet(make_plan(), tmp_path / "sheet.xlsx"))
    text = " ".join(str(row[0].value) for row in book["guide"])
    for word in ("explode", "breathe", "hearing", "rollers", "Local rules"):
        assert word in text
