"""The recording sheet: filled in, it is a study; its formulas give what psdstats gives."""

import datetime
import importlib.util
import itertools
import random
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from openpyxl.formula.translate import Translator

from psdstats.distribution import percentiles
from psdstats.errors import OutputError, StudyError
from psdstats.output import recording_sheet
from psdstats.output.sheet import recording_labels
from psdstats.sieves import Sieve
from psdstats.study import Balance, SheetPlan, TareHandling, check_file, check_study, read_study
from psdstats.study.aside import every_note
from psdstats.study.tares import lowest_net_g

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


def blocks(book):
    """Blocks of the bench sheet, found by what stands in it: cells by heading, readings by row."""
    sheet, found, readings = book["bench"], [], False
    for row in sheet.iter_rows(min_row=2):
        first = row[0].value
        if first == "Run":
            found.append({"sieves": []})
        if first == "Sieve":
            readings, head = True, [cell.value for cell in row]
        elif readings and first == "Total":
            readings, (_, *total) = False, row
            found[-1]["total"] = total[head.index("Powder, g") - 1]
        elif readings:
            found[-1]["sieves"].append(dict(zip(head, row, strict=True)))
        else:
            for cell in row:
                if isinstance(cell.value, str) and not cell.value.startswith("="):
                    right = {"Loss, g": 1, "Loss, %": 1, "Bench D50 (chord), µm": 2}.get(cell.value)
                    place = (
                        (cell.row, cell.column + right) if right else (cell.row + 1, cell.column)
                    )
                    found[-1].setdefault(cell.value, sheet.cell(*place))
    return found


def fill(path, *, skip_last=False):
    """Fill in a workbook as a person would: only cells that are not locked."""
    rng = random.Random(7)
    book = openpyxl.load_workbook(path)
    found = blocks(book)
    for block in found[: len(found) - skip_last]:
        for place, row in enumerate(block["sieves"]):
            start = 300 + 10 * place
            if not row["Empty, g"].protection.locked:
                row["Empty, g"].value = start
            row["With powder, g"].value = round(start + rng.uniform(5, 15), 2)
        block["Sample mass, g"].value = round(rng.uniform(38, 45), 2)
        block["Weighed on"].value = datetime.date(2026, 5, 31)
        block["Weighed by"].value = "N. N."
        typed = [block[name] for name in ("Sample mass, g", "Weighed on", "Weighed by")]
        typed += [row["With powder, g"] for row in block["sieves"]]
        assert not [cell.coordinate for cell in typed if cell.protection.locked]
    book.save(path)
    return path


def changed(path, change):
    """A filled workbook after a change of its bench sheet and first block."""
    book = openpyxl.load_workbook(path)
    change(book, blocks(book)[0])
    again = path.with_name("changed.xlsx")
    book.save(again)
    return again


@pytest.fixture(scope="module", params=list(TareHandling))
def filled(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("filled") / "sheet.xlsx"
    return fill(recording_sheet(make_plan(tares=request.param), path))


@pytest.fixture(scope="module")
def few(tmp_path_factory):
    """Four runs, filled in."""
    path = tmp_path_factory.mktemp("few") / "sheet.xlsx"
    plan = make_plan(margin_percent=5.0, groups=("Alder",), replicates=1)
    return fill(recording_sheet(plan, path))


def test_filled_workbook_is_a_study(filled):
    study = read_study(filled)
    plan = make_plan()
    assert [run.name for run in study.runs] == [run.name for run in plan.runs()]
    assert len(study.runs) == 16
    assert study.runs[0].factors == {
        "shaking_time_min": 10.0, "ball_ratio": plan.runs()[0].factors["ball_ratio"]
    }  # fmt: skip
    assert study.runs[0].noted == {
        "weighed_on": "2026-05-31", "weighed_by": "N. N.", "run_order": "1"
    }  # fmt: skip
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


def by_office(path, folder, kind):
    """The workbook as a spreadsheet program saves it."""
    subprocess.run(
        ["soffice", f"-env:UserInstallation=file://{folder}/profile", "--headless", "--convert-to",
         kind, "--outdir", str(folder / "again"), str(path)],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    return folder / "again" / f"{path.stem}.{kind.partition(':')[0]}"


def agree(path, value):
    """Whether what the formulas of a filled sheet compute is what psdstats computes."""
    found = [*zip(read_study(path).runs, blocks(openpyxl.load_workbook(path)), strict=True)]
    for run, block in found:
        stack = [reading for reading in run.readings if reading.aperture_um > 0]
        finer = np.cumsum([reading.net_g for reading in run.readings])[:-1] / run.total_g
        d50 = percentiles([one.aperture_um for one in stack], finer, 0.5, rule="semilog")[0]
        loss = run.sample_mass_g - run.total_g
        top_down = sorted(run.readings, key=lambda one: -one.aperture_um)
        running = np.cumsum([reading.net_g for reading in top_down])
        assert value(block["total"]) == pytest.approx(run.total_g)
        assert value(block["Loss, g"]) == pytest.approx(loss)
        assert value(block["Loss, %"]) == pytest.approx(100 * loss / run.sample_mass_g)
        assert value(block["Bench D50 (chord), µm"]) == pytest.approx(d50, rel=1e-9)
        for row, reading, so_far in zip(block["sieves"], top_down, running, strict=True):
            assert reading.place.row == row["Sieve"].row
            assert value(row["Empty, g"]) == reading.tare_g
            assert value(row["Powder, g"]) == pytest.approx(reading.net_g)
            assert value(row["Running total, g"]) == pytest.approx(so_far)
            assert value(row["Share, %"]) == pytest.approx(100 * reading.net_g / run.total_g)
            share = 100 * (1 - so_far / run.total_g)
            assert value(row["Finer, %"]) == pytest.approx(share, abs=1e-9)
    return len(found)


def test_computed_columns_agree(filled):
    """Formulas of the sheet, by a small evaluator of its own, against what psdstats gives."""
    evaluator = formulas.Evaluator(openpyxl.load_workbook(filled))
    assert agree(filled, lambda cell: evaluator.value("bench", cell.coordinate)) == 16


@pytest.mark.skipif(not shutil.which("soffice"), reason="no spreadsheet program")
def test_a_spreadsheet_program_computes_and_saves_the_same(few, tmp_path):
    again = by_office(few, tmp_path, "xlsx:Calc MS Excel 2007 XML")
    assert read_study(again) == read_study(few)
    computed = openpyxl.load_workbook(again, data_only=True)
    assert agree(again, lambda cell: computed["bench"][cell.coordinate].value) == 4
    shown = [cell.value for sheet in computed for row in sheet for cell in row]
    assert not [text for text in shown if str(text).startswith(("#", "Err:"))]
    listed = [row[1].value for row in computed["run list"].iter_rows(min_row=2)]
    assert listed == [run.name for run in read_study(few).runs]


def test_bench_size_outside_the_stack_is_said(tmp_path):
    plan = make_plan(times_min=(0.0,), groups=("Alder",), replicates=1)
    book = openpyxl.load_workbook(recording_sheet(plan, tmp_path / "sheet.xlsx"))
    block = blocks(book)[0]

    def value_of(nets):
        for row, net in zip(block["sieves"], nets, strict=True):
            row["Empty, g"].value, row["With powder, g"].value = 300.0, 300.0 + net
        return formulas.Evaluator(book).value("bench", block["Bench D50 (chord), µm"].coordinate)

    assert value_of([60, 20, 10, 10]) == "above 180"
    assert value_of([10, 10, 20, 60]) == "below 45"
    assert value_of([50, 0, 50, 0]) == pytest.approx(90.0)  # where it is first reached, from below
    assert value_of([0, 50, 50, 0]) == pytest.approx(90.0)
    assert value_of([0, 0, 0, 0]) == ""


def test_an_empty_sheet_computes_nothing_and_no_error(tmp_path):
    path = recording_sheet(make_plan(second_shaking=True), tmp_path / "sheet.xlsx")
    book = openpyxl.load_workbook(path)
    evaluator = formulas.Evaluator(book)
    cells = [cell for row in book["bench"] for cell in row if cell.data_type == "f"]
    assert len(cells) == 16 * (4 * 4 + 5)
    assert {evaluator.value("bench", cell.coordinate) for cell in cells} == {""}
    with pytest.raises(StudyError, match="no run is weighed yet"):
        read_study(path)


def test_runs_not_weighed_wait_and_abandoned_ones_are_kept(tmp_path):
    path = fill(recording_sheet(make_plan(), tmp_path / "sheet.xlsx"), skip_last=True)

    def abandon(_, block):
        block["Status"].value = "Abandoned"
        block["Run remark"].value = "power cut"
        block["sieves"][2]["With powder, g"].value = None
        block["sieves"][0]["Remark"].value = "brush used"

    study = read_study(changed(path, abandon))
    names = [run.name for run in make_plan().runs()]
    assert [run.name for run in study.runs] == names[1:-1]
    assert every_note(study) == (
        f"Not weighed yet and left out: {names[-1]}.", f"Abandoned and left out: {names[0]}."
    )  # fmt: skip
    kept = study.aside[0]
    assert (kept.status, kept.noted["run_remark"]) == ("abandoned", "power cut")
    assert [reading.gross_g is None for reading in kept.readings] == [False, True, False, False]
    assert kept.readings[-1].remark == "brush used"


def test_a_block_may_be_copied_for_one_run_more(few):
    """Copied as a spreadsheet does it, a block computes its own totals and reads as a run."""

    def copy_block(book, block):
        sheet, start, below = book["bench"], block["Run"].row - 1, book["bench"].max_row + 2
        for row in sheet.iter_rows(min_row=start, max_row=block["total"].row + 1):
            for cell in row:
                other = sheet.cell(below + cell.row - start, cell.column)
                other.value = cell.value
                if cell.data_type == "f":
                    shift = Translator(cell.value, cell.coordinate)
                    other.value = shift.translate_formula(other.coordinate)
        sheet.cell(below + 1, 1).value = "one more"
        sheet.cell(below + 7, 4).value += 4.0

    path = changed(few, copy_block)
    assert [run.name for run in read_study(path).runs][4:] == ["one more"]
    evaluator = formulas.Evaluator(openpyxl.load_workbook(path))
    assert agree(path, lambda cell: evaluator.value("bench", cell.coordinate)) == 5


def put(name, value, row=1):
    """A change: one cell of the first block."""
    return lambda _, block: setattr(
        block["sieves"][row][name] if name in block["sieves"][0] else block[name], "value", value
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (put("With powder, g", "31O.2"),
         "bench, row 10, column With powder, g: this is not a number (found '31O.2')"),
        (put("Sample mass, g", "about 40"),
         "bench, row 5, column Sample mass, g: this is not a number (found 'about 40')"),
        (put("Status", "lost"), "bench, row 5, column Status: the status is not known"),
        (put("Weighed on", "31 May"), "bench, row 7, column Weighed on: this is no date"),
        (put("ball ratio", datetime.date(2026, 5, 10)),
         "bench, row 3, column ball ratio: a cell holds a date or time (found '2026-05-10')"),
        (put("With powder, g", 2.0), "bench, row 10: run "),
        (put("With powder, g", None),
         "bench, row 10, column With powder, g: 1 run is weighed in part: missing is With powder"),
        (lambda book, _: setattr(book["bench"]["A15"], "value", "note"),
         "bench, row 15: the row belongs to no run (found 'note')"),
        (lambda book, _: setattr(book["bench"]["A8"], "value", "Sieves"),
         "bench, row 9, column Sieve: the cell is empty."),
        (lambda book, _: book.create_sheet("weighings").append(["run"]),
         "bench: the workbook has this sheet of runs and also weighings"),
        (lambda book, _: setattr(book["study"]["B8"], "value", -5),
         "study, column compare.margin_percent: the value is not allowed (found '-5.0')"),
    ],
)  # fmt: skip
def test_messages_point_into_the_bench_sheet(few, change, message):
    with pytest.raises(StudyError) as caught:
        read_study(changed(few, change))
    assert message in str(caught.value)


def test_settings_stand_in_words_with_a_hint(few):
    study = read_study(few)
    assert study.compare == {"margin_percent": 5.0}
    rows = [[cell.value for cell in row] for row in openpyxl.load_workbook(few)["study"]]
    assert rows[0] == ["Setting", "Value", "Hint"]
    assert next(r[:2] for r in rows if "matter" in r[0]) == ["Too small to matter, %", 5]
    assert ["Balance fine: repeatability, g", 0.01] in [row[:2] for row in rows]
    assert all(row[2] for row in rows)
    words = " ".join(str(row[0]) for row in rows)
    assert "_" not in words
    assert "." not in words

    def fill_in(book, _):
        sheet = book["study"]
        for row in sheet.iter_rows(min_row=2):
            given = {"Particle density, g/cm³": 2.7, "Size to reach, µm": 120,
                     "Date of the trial": datetime.date(2026, 5, 31),
                     "Balance fine: weighings behind the repeatability": 10}  # fmt: skip
            row[1].value = given.get(row[0].value, row[1].value)

    again = read_study(changed(few, fill_in))
    assert (again.density_g_per_cm3, again.date) == (2.7, "2026-05-31")
    assert again.compare == {"margin_percent": 5.0, "target_um": 120.0}
    assert again.balances["fine"].repeatability_weighings == 10


def test_what_may_be_typed(tmp_path):
    book = openpyxl.load_workbook(recording_sheet(make_plan(), tmp_path / "sheet.xlsx"))
    for sheet in book:
        assert sheet.protection.sheet
        assert sheet.page_setup.paperSize == 9  # A4
        assert all(cell.protection.locked for cell in sheet[1])
    sheet, found = book["bench"], blocks(book)
    assert sheet.freeze_panes == "B2"
    assert [cell.value for cell in sheet[1]][:4] == ["Sieve", "Aperture, µm", "Empty, g",
                                                     "With powder, g"]  # fmt: skip
    block = found[0]
    row = block["sieves"][0]
    unlocked = {name for name, cell in row.items() if not cell.protection.locked}
    assert unlocked == {"Empty, g", "With powder, g", "Remark"}
    free = {n for n, c in block.items() if n not in ("sieves", "total") and not c.protection.locked}
    assert free == {"Charge", "ball ratio", "Balance", "Shaking time, min", "Sample mass, g",
                    "Status", "Weighed on", "Weighed by", "Run remark"}  # fmt: skip
    checks = {}
    for each in sheet.data_validations.dataValidation:
        assert each.showErrorMessage
        assert each.errorStyle in (None, "stop")
        assert each.error
        checks |= {str(part): each for part in each.sqref.ranges}
    for block in found:
        first, last = (block["sieves"][at]["Empty, g"].row for at in (0, -1))
        assert checks[f"C{first}:C{last}"].formula2 == "2000"
        assert checks[f"D{first}:D{last}"].type == "custom"
        assert checks[block["Weighed on"].coordinate].type == "date"
        assert checks[block["Status"].coordinate].formula1 == '"done,planned,abandoned"'
    first = found[0]["sieves"][0]["Empty, g"].row
    # 0.01 g repeatability: what check calls noise may be below the tare
    lowest = -lowest_net_g(make_plan().balance)
    assert checks[f"D{first}:D{first + 3}"].formula1 == (
        f"AND(ISNUMBER(D{first}),D{first}<=2000,D{first}>=N(C{first})-{lowest:.10g})"
    )
    assert row["Powder, g"].number_format == "0.00"
    assert checks[found[0]["Sample mass, g"].coordinate].prompt == (
        "Mass put on the stack in g (about 50)."
    )


@pytest.mark.parametrize(
    ("changes", "pages"),
    [({"replicates": 3, "groups": ("Alder", "Birch", "Cedar"), "times_min": (0.0, 6.0, 12.0, 24.0),
       "factors": {}, "apertures_um": (500, 355, 250, 180, 125, 90, 63, 45)}, 18),
     ({"apertures_um": tuple(20.0 * 1.12**k for k in range(40)), "replicates": 1}, 8),
     ({"apertures_um": tuple(20.0 * 1.12**k for k in range(14))}, 8),
     ({}, 6)],
)  # fmt: skip
def test_no_block_is_cut(tmp_path, changes, pages):
    """Breaks stand between blocks, and what is between two breaks fits A4 at the scale."""
    plan = make_plan(**changes)
    book = openpyxl.load_workbook(recording_sheet(plan, tmp_path / "sheet.xlsx"))
    sheet = book["bench"]
    starts = [block["Run"].row - 1 for block in blocks(book)]
    breaks = [each.id + 1 for each in sheet.row_breaks.brk]
    assert set(breaks) <= set(starts)
    ends = [2, *breaks, sheet.max_row + 1]
    assert len(ends) - 1 == pages
    scale = sheet.page_setup.scale / 100
    room = (11.69 - sheet.page_margins.top - sheet.page_margins.bottom) * 72
    for start, end in itertools.pairwise(ends):
        assert scale * sum(sheet.row_dimensions[row].height for row in range(start, end)) <= room
    groups = {start: run.group for start, run in zip(starts, plan.runs(), strict=True)}
    assert all(
        groups[end] == groups[start] or end in breaks for start, end in itertools.pairwise(starts)
    )
    width = sum(sheet.column_dimensions[letter].width for letter in "ABCDEFGHI")
    assert scale * width * 9 / 96 <= 8.27 - 2 * sheet.page_margins.left  # the widest letters


def test_proposed_order():
    """Replicates are blocks, charges come at random, times of a charge stay in order."""
    plan = make_plan(times_min=(12.0, 0.0, 6.0), splits=2, groups=("Alder", "Birch"))
    runs = plan.runs()
    assert [run.order for run in runs] == [*range(1, 25)] * 2
    assert [run.replicate for run in runs] == (["a"] * 12 + ["b"] * 12) * 2
    for _, own in itertools.groupby(runs, key=lambda run: run.charge):
        assert [(run.milling_time_min, run.split) for run in own] == [
            (time, part) for time in (0.0, 6.0, 12.0) for part in "12"
        ]
    assert plan.runs() == runs
    fresh = [
        make_plan(times_min=(0, 6, 12, 24), fresh_charges=True, seed=seed) for seed in range(9)
    ]
    orders = {tuple(run.name for run in each.runs()) for each in fresh}
    assert len(orders) == 9
    first = {each.runs()[0].milling_time_min for each in fresh}
    assert len(first) > 2
    assert {run.replicate for run in fresh[0].runs()[:8]} == {"a"}
    shared = make_plan(one_stack=True).runs()
    assert [run.order for run in shared] == [*range(1, 17)]
    assert {run.group for run in shared[:8]} == {"Alder", "=Birch()"}


def test_nothing_from_the_plan_becomes_a_formula(tmp_path):
    plan = make_plan(groups=("=1+1", "@cmd", "+x"), replicates=1, title='=HYPERLINK("http://x")')
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
    plan = make_plan(splits=2, groups=("Alder",), replicates=1)
    study = read_study(fill(recording_sheet(plan, tmp_path / "splits.xlsx")))
    assert [run.split for run in study.runs[:2]] == ["1", "2"]
    assert study.runs[0].sample == study.runs[1].sample != study.runs[2].sample
    assert study.runs[0].name.endswith("-1")
    assert len(study.runs) == 2 * 4
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
    other = next(run for run in study.runs if run.group == "=Birch()")
    assert {reading.sieve for reading in other.readings} >= {"stack pan", "stack 90 µm"}


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
        ({"replicates": 100_000}, "recording sheet, column replicates: the sheet would have "
                                  "800,000 runs, more than 1,000. Plan less, or a sheet for "
                                  "each group."),
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
    first = recording_sheet(make_plan(), tmp_path / "sheet.xlsx").read_bytes()
    assert recording_sheet(make_plan(), tmp_path / "same.xlsx").read_bytes() == first
    with pytest.raises(OutputError, match="exists already"):
        recording_sheet(make_plan(), tmp_path / "sheet.xlsx")


def test_labels(tmp_path):
    plan = make_plan(groups=("<script>alert(1)</script>", "Birch"))
    page = recording_labels(plan, tmp_path / "labels.html").read_text(encoding="utf-8")
    assert page.count("<li>") == len(plan.runs()) == 16
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)" in page
    for room in ("sample", "taken at", "date", "by"):
        assert page.count(f"<b>{room}</b><i>") == 16
    assert not re.search(r"(src|href)=|url\(|@import", page)
    assert "A4" in page


def test_tares_may_be_given_as_text():
    assert make_plan(tares="once").tares is TareHandling.ONCE


def test_run_names():
    names = [run.name for run in make_plan(replicates=28).runs()]
    assert len(set(names)) == len(names)
    assert {"Alder-5-0-a", "Alder-5-0-z", "Alder-5-0-aa", "Alder-5-0-ab"} <= set(names)
    assert make_plan(replicates=1, factors={}).runs()[1].name == "Alder-6"
    assert make_plan(replicates=1).runs()[0].replicate is None


def test_charges(tmp_path):
    """The plan's own default is one filling sampled at all times; sheet and labels say which."""
    one, fresh = make_plan(splits=2), make_plan(splits=2, fresh_charges=True)
    assert len({run.charge for run in one.runs()}) == 2 * 2 * 2  # group, ball ratio, replicate
    assert {run.charge for run in fresh.runs()} == {run.name[:-2] for run in fresh.runs()}
    for fresh_charges, words in (
        (False, "sampled at all times"), (True, "a fresh filling of the jar")
    ):  # fmt: skip
        plan = make_plan(fresh_charges=fresh_charges, groups=("Alder",), replicates=1)
        book = openpyxl.load_workbook(recording_sheet(plan, tmp_path / f"{words}.xlsx"))
        assert words in " ".join(str(row[0].value) for row in book["guide"])
        cell = blocks(book)[0]["Charge"]
        assert (cell.value, cell.protection.locked) == (plan.runs()[0].charge, False)
    page = recording_labels(one, tmp_path / "labels.html").read_text(encoding="utf-8")
    assert page.count("charge Alder-5-a") == 4


def test_cautions_are_on_the_sheet(tmp_path):
    book = openpyxl.load_workbook(recording_sheet(make_plan(), tmp_path / "sheet.xlsx"))
    text = " ".join(str(row[0].value) for row in book["guide"])
    for word in ("explode", "breathe", "hearing", "rollers", "Local rules"):
        assert word in text
