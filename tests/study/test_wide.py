"""Wide tables of a laboratory: five unlike layouts are read, whatever is open is asked about."""

import datetime
import importlib.util
import random
import time
import tomllib
from decimal import Decimal
from pathlib import Path

import openpyxl
import openpyxl.comments
import pytest

from psdstats.errors import StudyError
from psdstats.study import check_file, read_study
from psdstats.study.reader import read_wide_study
from psdstats.words.study import mapping_lines, mapping_text

_spec = importlib.util.spec_from_file_location(
    "wide_tables", Path(__file__).with_name("wide_tables.py")
)
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)
NAMES = 'names = "{group}-{milling_time_min}"\n'
LAYOUTS = {
    "pairs_across": "", "samples_down": NAMES, "shared_tares": "", "two_rows_a_sample": "",
    "powder_and_shares": "",
}  # fmt: skip
GROUPED = ("pairs_across", "samples_down", "two_rows_a_sample")


@pytest.mark.parametrize("ending", ["xlsx", "ods", "csv"])
@pytest.mark.parametrize("layout", LAYOUTS)
def test_five_layouts_are_read(tmp_path, layout, ending):
    path = made.save(getattr(made, layout)(), tmp_path / f"t.{ending}")
    answers = tmp_path / "m.toml"
    answers.write_text(LAYOUTS[layout])
    study, table = read_wide_study(path, mapping=answers)
    shared = layout == "shared_tares"
    assert len(study.runs) == len(made.SAMPLES)
    for n, run in enumerate(study.runs):
        group, minutes = made.SAMPLES[n]
        assert run.milling_time_min == minutes
        assert run.group == (group if layout in GROUPED else "all")
        for k, reading in enumerate(reversed(run.readings)):
            empty = made.TARES[k] if shared else made.tare(n, k)
            assert reading.aperture_um == made.APERTURES[k]
            assert reading.tare_g == pytest.approx(empty, abs=1e-9)
            assert reading.gross_g == pytest.approx(made.gross(n, k, empty), abs=1e-9)
    assert str(study.tares) == ("once" if shared else "each run")
    assert study.balances["balance"].resolution_g == 0.01
    assert [name for name, _ in table.samples] == [run.name for run in study.runs]


def changed(layout, *edits):
    """Rows of a layout with some cells (row, column, value) changed."""
    rows = [list(row) for row in getattr(made, layout)()]
    for row, column, value in edits:
        cells = rows[row - 1]
        cells += [None] * (column - len(cells))
        cells[column - 1] = value
    return rows


def refused(tmp_path, rows, ending="xlsx", mapping=None, **how):
    answers = None
    if mapping is not None:
        answers = tmp_path / "m.toml"
        answers.write_text(mapping, encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        read_wide_study(made.save(rows, tmp_path / f"t.{ending}", **how), mapping=answers)
    return str(caught.value).replace("t.xlsx, sheet Sieving", "HERE").split("\n")


def put(*lines, hint=""):
    told = f"{hint} Or put" if hint else "Put"
    return [f"{told} into the mapping file (--mapping FILE.toml):", *(f"    {s}" for s in lines)]


def asked(fault, *lines, hint=""):
    first, *rest = put(*lines, hint=hint)
    return [f"HERE: {fault}. {first}", *rest]


TIMES = [f'"S{n}" = {{ milling_time_min = ? }}' for n in range(1, 7)]
FOREIGN = [*((6, 2 + c, ("Leer", "Voll")[c % 2]) for c in range(12)), (11, 1, "Boden"),
           (6, 1, "Masche mm"), (5, 1, "Probe"), (13, 1, "Summe")]  # fmt: skip
QUESTIONS = {
    "times": (
        [(4, c, None) for c in range(1, 14)],
        asked("the milling time of 6 samples cannot be told (B5 'S1'; D5 'S2'; F5 'S3'; H5 'S4'; "
              "J5 'S5'; L5 'S6')", "[samples]", *TIMES),
    ),
    "merged headings that may be read in two ways": (
        [(3, 8, None), (3, 6, "Birch")],
        asked("what the blank cells say is not clear (D3, H3, J3, L3: group of the sample below, "
              "or the same as to its left)", 'blank_headings = "as to its left"',
              hint="Fill in the cells."),
    ),
    "a line that may be a factor": (
        [(2, 1, "Moisture"), *((2, 2 + 2 * n, 1.5) for n in range(6))],
        asked("it is not known what A2 'Moisture' says of the samples", "[words]",
              'moisture = ["Moisture"]    # a factor of the trial, or', 'skip = ["Moisture"]'),
    ),
    "a column of numbers": (
        [(6, 14, "Delta"), *((r, 14, 1.5) for r in range(7, 12))],
        asked("it is not known what the numbers in column N are", "[lines]",
              '"column N" = "skip"    # or "tare_g", "gross_g"'),
    ),
    "a loaded sieve without the empty one": (
        [(6, 4, None), *((r, 4, None) for r in range(7, 12))],
        ["HERE: the masses of empty sieves that belong to column E (loaded) are missing. Empty and "
         "loaded sieves of a sample stand side by side: add or head the column."],
    ),
    "unit of the apertures": (
        [(6, 1, "Sieve"), *((7 + k, 1, a) for k, a in enumerate((90, 63, 45, 20)))],
        asked("the unit of the apertures in column A cannot be told",
              'aperture_unit = "µm" or "mm"', hint="Write it into the heading."),
    ),
    "unit of the times": (
        [(4, 1, "Milling time")],
        asked("the unit of the numbers in row 4 is not given", 'time_unit = "min" or "h"',
              hint="Write it into the heading."),
    ),
    "two units": (
        [(6, 5, "Full, mg")],
        ["HERE: the unit of the masses is g and mg. Use one unit in all headings and in the "
         "mapping file."],
    ),
    "words of another language": (
        FOREIGN,
        asked("no heading says which masses stand in column B to M",
              "balance_zeroed = true    # powder alone: 0 was shown with the empty sieve on it, or",
              "[words]", 'tare_g = ["Leer"]    # if that is the empty sieve',
              'gross_g = ["Voll"]'),
    ),
    "order": (
        [(8, 1, 0.063), (10, 1, 0.25)],
        ["HERE: the aperture A8 '0.063' is out of order or there twice. Write every sieve once, "
         "from coarse to fine."],
    ),
    "twice": (
        [(8, 1, 0.5)],
        ["HERE: the aperture A8 '0.5' is out of order or there twice. Write every sieve once, from "
         "coarse to fine."],
    ),
    "pan": (
        [(11, c, None) for c in range(1, 14)],
        ["HERE: no pan stands below or above A10 '0.063'. Weigh the pan and add it, headed pan."],
    ),
    "a last line that is not the pan": (
        [(11, 1, "< 0.125")],
        ["HERE: A11 '< 0.125' is not below the finest sieve. Name the pan pan."],
    ),
    "names": (
        [(5, 4, "S1")],
        ["HERE: samples have the same name (B5 'S1'; D5 'S1'). Give each its own."],
    ),
    "text among the masses": (
        [(8, 5, "412.3 g")],
        ["HERE, E8: this is not a number (found '412.3 g'). Write the number alone, or empty the "
         "cell."],
    ),
    "a mass below the tare": (
        [(8, 5, 397.5)],
        ["HERE, row 8 (D8:E8): run S2, sieve Alder 250 µm: gross 397.5 g is below its tare 398.12 "
         "g (net −0.62 g). Weigh the sieve with its powder again, or correct the tare if it "
         "belongs to another sieve."],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", QUESTIONS)
def test_what_is_open_is_asked_naming_cells(tmp_path, name):
    edits, message = QUESTIONS[name]
    assert refused(tmp_path, changed("pairs_across", *edits)) == message


def test_names_are_asked_about_once(tmp_path):
    names = [f'"{g}-{t}" = {{ milling_time_min = ? }}' for g, t in made.SAMPLES]
    assert refused(tmp_path, made.samples_down()) == asked(
        "the milling time of 6 samples cannot be told (A3 'Alder-0'; A4 'Alder-6'; A5 'Alder-24'; "
        "A6 'Birch-0'; A7 'Birch-6'; A8 'Birch-24'), and the names begin with Alder, Birch, which "
        "may be groups or not",
        'names = "{group}-{milling_time_min}"    # if the names follow it; otherwise',
        "one_group = true    # they are not groups", "[samples]", *names,
    )  # fmt: skip


def test_powder_alone_is_refused_with_the_reason_unless_the_balance_was_zeroed(tmp_path):
    rows = [["Sample", "x 6 min", "y 12 min"], ["Sieve, µm", "Powder, g", "Powder, g"]]
    rows += [[a or "pan", 5.25, 6.5] for a in made.APERTURES]
    assert refused(tmp_path, rows) == asked(
        "only masses of powder are given (column B to C); without the empty and the loaded sieves "
        "nobody can tell a sieve that was swapped or a tare that was wrong, and the balance counts "
        "twice in the uncertainty",
        "balance_zeroed = true    # powder alone: 0 was shown with the empty sieve on it",
        hint="Head columns Empty, g and Full, g.",
    )
    (tmp_path / "m.toml").write_text("balance_zeroed = true\none_group = true\n")
    study, _ = read_wide_study(tmp_path / "t.xlsx", mapping=tmp_path / "m.toml")
    assert [(r.tare_g, r.gross_g) for r in study.runs[1].readings] == [(0.0, 6.5)] * 5


def test_decimal_signs_that_cannot_be_told_are_refused(tmp_path):
    rows = [[f'"{cell}"' if cell == "451,51" else cell for cell in row] for row in
            changed("shared_tares", (1, 3, "a 0 min"), (2, 3, "451,51"))]  # fmt: skip
    rows[0] = [str(cell).replace(", ", " ") for cell in rows[0]]
    said = refused(tmp_path, rows, "csv", separator=",", comma=False)
    assert said == [
        "t.csv, row 2, column 3: a decimal comma in a comma-separated file could also be a "
        "thousands separator (found '451,51'). Write a decimal point, or separate the columns with "
        "semicolons."
    ]
    said = refused(tmp_path, changed("pairs_across", (8, 5, "408.35")), "csv")
    assert said == [
        "t.csv, row 8, column 5: decimal points and commas are mixed (see row 7, column 2 "
        "'421,34') (found '408.35'). Write all numbers of the table with the same decimal sign."
    ]


def test_empty_and_loaded_sieves_in_two_halves(tmp_path):
    rows = [["", "Empty, g", None, "Full, g", None], ["Sieve, µm", *["a 0 min", "b 6 min"] * 2]]
    rows += [[a or "pan", *(each(n, k) for each in (made.tare, made.gross) for n in (0, 1))]
             for k, a in enumerate(made.APERTURES)]  # fmt: skip
    (tmp_path / "m.toml").write_text("one_group = true\n")
    study, _ = read_wide_study(made.save(rows, tmp_path / "t.xlsx"), mapping=tmp_path / "m.toml")
    assert [run.name for run in study.runs] == ["a 0 min", "b 6 min"]
    assert study.runs[1].readings[-1].tare_g == made.tare(1, 0)
    assert study.runs[1].readings[-1].gross_g == made.gross(1, 0)
    rows[1][4] = "c 6 min"
    assert refused(tmp_path, rows, mapping="one_group = true\n") == [
        "HERE: C2 'b 6 min' and E2 'c 6 min' do not name one sample. Head both columns of a sample "
        "alike."
    ]


def test_full_and_powder_without_empty_is_not_enough(tmp_path):
    rows = [["Sieve, µm", "Full, g", "Powder, g"], *([a or "pan", 401.5, 1.5] for a in (90, 45, 0))]
    assert refused(tmp_path, rows)[0] == (
        "HERE: the masses of empty sieves that belong to column B (loaded), column C (powder) are "
        "missing. Empty and loaded sieves of a sample stand side by side: add or head the column."
    )


def test_two_tables_are_not_taken_for_one(tmp_path):
    rows = made.pairs_across()
    assert refused(tmp_path, rows[:12] + rows[3:12]) == [
        "HERE: apertures begin at A7 and at A16. Keep one table on a sheet."
    ]
    made.save_ods({"May": rows, "June": rows}, tmp_path / "two.ods")
    with pytest.raises(StudyError) as caught:
        read_wide_study(tmp_path / "two.ods")
    assert str(caught.value).split("\n") == [
        "two.ods: the sheets May, June each hold a wide table. Put one of these into the mapping "
        "file (--mapping FILE.toml):", '    sheet = "May"', '    sheet = "June"',
    ]  # fmt: skip
    (tmp_path / "m.toml").write_text('sheet = "June"\n')
    study, _ = read_wide_study(tmp_path / "two.ods", mapping=tmp_path / "m.toml")
    assert study.notes[0] == "Sheets of two.ods not read: May."


def test_the_mapping_file_is_checked(tmp_path):
    rows = made.pairs_across()
    wrong = 'units = "mm"\nsieves = "down"\nwords = 3\n[samples]\nx = 4\n'
    assert refused(tmp_path, rows, mapping=wrong) == [
        "m.toml, column units: the key is not known. Known keys are sheet, sieves, aperture_unit, "
        "mass_unit, time_unit, balance_zeroed, blank_headings, names, one_group, words, lines, "
        "samples.",
        "m.toml, column sieves: the value 'down' is not known. Write one of 'rows', 'columns'.",
        "m.toml, column words: the value 3 is of the wrong kind. Write a table [words].",
        "m.toml, column samples: a value is of the wrong kind. Write a text, a list of texts, or "
        "for a sample { milling_time_min = 24 }.",
    ]
    for wrong in ('names = "{group}-{group}"', "[samples]\nS1 = { milling_time_min = true }",
                  "[words]\nrun = [3]", "[lines]\n3 = []"):  # fmt: skip
        assert len(refused(tmp_path, rows, mapping=wrong)) == 1, wrong
    assert refused(tmp_path, rows, mapping='aperture_unit = "µm"\n') == [
        "HERE: the unit of the apertures in column A is mm and µm, by the headings and the mapping "
        "file. Use one unit in all headings and in the mapping file."
    ]
    assert refused(tmp_path, rows, mapping='sheet = "May"\n') == [
        "t.xlsx: the workbook has no sheet 'May', which the mapping file names. It has Sieving."
    ]


def test_answers_are_kept_for_the_next_table(tmp_path):
    """A table in other words is read by a few lines, and the file written then needs no others."""
    answers = tmp_path / "m.toml"
    answers.write_text(
        '[words]\ntare_g = "Leer"\ngross_g = "Voll"\npan = "Boden"\naperture_um = "Masche mm"\n'
        'run = "Probe"\nskip = ["Summe"]\nmoisture = "Feuchte"\n', encoding="utf-8",
    )  # fmt: skip
    moisture = [(2, 1, "Feuchte"), *((2, 2 + 2 * n, 1.5 + n) for n in range(6))]
    path = made.save(changed("pairs_across", *FOREIGN, *moisture), tmp_path / "t.xlsx")
    study, table = read_wide_study(path, mapping=answers)
    assert [run.factors["moisture"] for run in study.runs] == [1.5 + n for n in range(6)]
    kept = tmp_path / "kept.toml"
    kept.write_text(mapping_text(table), encoding="utf-8")
    again, second = read_wide_study(path, mapping=kept)
    assert again == study
    assert second.rules == table.rules == tomllib.loads(mapping_text(second))


def test_what_was_found_is_said(tmp_path):
    path = made.save(made.powder_and_shares(), tmp_path / "t.xlsx")
    _, table = read_wide_study(path)
    assert mapping_lines(table) == [
        "t.xlsx, sheet Sieving was read as a wide table:",
        "  sieves in rows; apertures in column A, in µm: 500 µm, 250 µm, 125 µm, 63 µm, pan (row "
        "8)",
        "  6 samples (empty, with powder, powder alone; in g): P1: columns C, D and E; P2: columns "
        "G, H and I; P3: columns K, L and M; P4: columns O, P and Q; and 2 more",
        "  milling time from row 2 'Time'",
        "  sample mass from row 9 'Sample mass, g'",
        "  run from row 1",
        "  not read: B8 'pan'; column B 'Sieve mm'; column F '%' and 5 more",
    ]


def test_dates_status_and_sieves_that_were_not_used(tmp_path):
    edits = [(1, 1, "Date"), (2, 1, "Status"), (2, 12, "abandoned"), (9, 13, None)]
    edits += [(1, 2 + 2 * n, datetime.date(2026, 3, 2 + n)) for n in range(6)]
    edits += [(7, 4, None), (7, 5, None), *((r, 11, None) for r in range(7, 12))]
    path = made.save(changed("pairs_across", *edits), tmp_path / "t.xlsx")
    study, table = read_wide_study(path)
    assert [run.noted["weighed_on"] for run in study.runs][:2] == ["2026-03-02", "2026-03-03"]
    assert [(run.name, run.status) for run in study.aside] == [
        ("S5", "planned"),
        ("S6", "abandoned"),
    ]
    assert [r.aperture_um for r in study.runs[1].readings] == [0, 63, 125, 250]
    assert table.unused == ("D7:E7 of S2",)


def test_comments_of_cells_are_kept_as_notes(tmp_path):
    path = made.save(made.pairs_across(), tmp_path / "t.xlsx")
    book = openpyxl.load_workbook(path)
    book.active["D8"].comment = openpyxl.comments.Comment("mesh torn", "bench")
    book.save(path)
    assert read_wide_study(path)[0].notes[0] == "Sieving, D8: mesh torn"


@pytest.mark.parametrize("ending", ["xlsx", "ods", "csv"])
def test_reading_a_wide_table_as_it_stands_gives_the_way_in(tmp_path, ending):
    path = made.save(made.two_rows_a_sample(), tmp_path / f"my table.{ending}")
    (flag,) = check_file(path).flags
    assert flag.says == (
        "this is a wide table (apertures in row 1, 6 samples beside them), not one row a reading"
    )
    assert flag.remedy == (
        f'Turn it into a study first: psdstats convert "my table.{ending}" my-trial --layout wide'
    )


def test_tables_below_each_other_are_told_for_what_they_are(tmp_path):
    rows = made.pairs_across()
    path = made.save(rows[:12] + rows[3:12], tmp_path / "may.xlsx")
    (flag,) = check_file(path).flags
    assert flag.says.startswith("this is a wide table (apertures in column A, ")
    with pytest.raises(StudyError, match=r"begin at A7 and at A16\. Keep one table on a sheet"):
        read_wide_study(path)


def test_a_flat_table_that_lacks_a_column_is_not_taken_for_a_wide_one(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("run,Aperture µm,Empty g,With powder g\na,90,400,405\na,45,390,395\n"
                    "a,pan,300,301\nb,90,400,405\nb,45,390,395\nb,pan,300,301\n")  # fmt: skip
    assert [flag.says for flag in check_file(path).flags] == [
        "column milling_time_min: the column is missing"
    ]


def test_an_ods_workbook_is_a_study_like_any_other(tmp_path, sound):
    runs = [["run", "group", "milling_time_min"], ["a", "A", 0], ["b", "A", 6.5]]
    weighings = [["run", "aperture_um", "tare_g", "gross_g"]]
    weighings += [[r, a, 300.5, 301.75] for r in "ab" for a in (90, 0)]
    made.save_ods({"study": [["key", "value"], ["title", "Trial 7"]], "runs": runs,
                   "weighings": weighings}, tmp_path / "t.ods")  # fmt: skip
    study = read_study(tmp_path / "t.ods")
    assert (study.title, [run.milling_time_min for run in study.runs]) == ("Trial 7", [0, 6.5])
    assert study.runs[1].readings[1].gross_g == 301.75


def test_an_ods_workbook_cannot_fill_the_machine(tmp_path):
    cell = '<table:table-cell table:number-columns-repeated="900" office:value-type="float" '
    cell += 'office:value="1"><text:p>1</text:p></table:table-cell>'
    rows = f'<table:table-row table:number-rows-repeated="150000">{cell}</table:table-row>'
    made.save_ods({"S": [["run"]]}, tmp_path / "t.ods", raw=rows)
    start = time.process_time()
    (flag,) = check_file(tmp_path / "t.ods").flags
    assert flag.says == "the sheet has 150001 rows and 900 columns"
    assert time.process_time() - start < 1
    (tmp_path / "bad.ods").write_bytes(b"no zip")
    (flag,) = check_file(tmp_path / "bad.ods").flags
    assert flag.says == "the workbook is damaged or not an ODS file (BadZipFile)"


@pytest.mark.parametrize("seed", range(3))
def test_damaged_tables_are_read_rightly_or_refused(tmp_path, seed):
    """Lines deleted, turned, put in, cells overwritten: a mass read is one of the table."""
    chance = random.Random(seed)
    odd = [None, "", 0, "pan", "Empty", "Full", "Total", "S1", "24 min", "5:1", 0.5, "x", -3, 1e300,
           "> 500", "µm", "%", "Time", "nan", "\u202e", True]  # fmt: skip
    for _ in range(15):
        rows = [list(row) for row in getattr(made, chance.choice([*LAYOUTS]))()]
        typed = {str(cell) for row in rows for cell in row}
        damage = chance.randrange(5)
        if damage == 0:
            del rows[chance.randrange(len(rows))]
        elif damage == 1:
            column = chance.randrange(8)
            rows = [row[:column] + row[column + 1 :] for row in rows]
        elif damage == 2:
            rows = [list(row) for row in zip(*(row + [None] * (26 - len(row)) for row in rows),
                                             strict=True)]  # fmt: skip
        elif damage == 3:
            rows.insert(chance.randrange(len(rows)), chance.choices(odd, k=8))
        for row in filter(None, chance.choices(rows, k=chance.randrange(3))):
            row[chance.randrange(len(row))] = chance.choice(odd)
        path = made.save(rows, tmp_path / "t.csv", separator="\t", comma=False)
        check_file(path)
        try:
            study, table = read_wide_study(path)
        except StudyError:
            continue
        shift = {"g": 0, "kg": -3, "mg": 3}[table.mass_unit]
        for reading in (reading for run in study.runs for reading in run.readings):
            mass = f"{Decimal(repr(reading.gross_g)).scaleb(shift):f}"
            assert {mass, mass + "0", mass + "00"} & (typed | {*map(str, odd)}), mass


def test_headings_in_another_language_are_asked_for_and_said_once(tmp_path):
    rows = ["Sieb µm;0 min;;30 min;", ";leer g;voll g;leer g;voll g"]
    rows += [f"{um};300,0;{300 + um // 50},0;300,0;{301 + um // 90},0" for um in (500, 250, 125)]
    path = tmp_path / "lab.csv"
    path.write_text("\n".join([*rows, "Boden;200,0;209,0;200,0;219,0"]) + "\n", encoding="utf-8")
    with pytest.raises(StudyError, match="no line of apertures is found") as caught:
        read_wide_study(path)
    assert 'aperture_um = ["the heading"]' in str(caught.value)
    assert 'pan = ["what the pan is called"]' in str(caught.value)
    answers = tmp_path / "m.toml"
    words = {"aperture_um": "Sieb µm", "pan": "Boden", "tare_g": "leer g", "gross_g": "voll g"}
    told = "".join(f'{name} = ["{word}"]\n' for name, word in words.items())
    answers.write_text(f"[words]\n{told}", encoding="utf-8")
    study, _ = read_wide_study(path, mapping=answers)
    assert [run.milling_time_min for run in study.runs] == [0.0, 30.0]
    untimed = path.read_text(encoding="utf-8").replace("0 min;;30 min;", "soon;;later;", 1)
    path.write_text(f"Milling;by hand\n{untimed}", encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        read_wide_study(path, mapping=answers)
    once = "this is no milling time (found 'by hand')"
    assert sum(once in str(one) for one in caught.value.problems) == 2
    assert str(caught.value).count(once) == 1


def test_a_title_with_a_word_of_a_heading_says_nothing_of_the_samples(tmp_path):
    """Cut at its comma, "Milling trial 7, spring" is a heading and a cell beside it."""
    rows = [["Milling trial 7", "spring (invented)"], *made.pairs_across()]
    study, table = read_wide_study(made.save(rows, tmp_path / "t.csv"))
    assert [run.milling_time_min for run in study.runs] == [time for _, time in made.SAMPLES]
    assert any("Milling trial 7" in cell for cell in table.skipped)


@pytest.mark.parametrize(("first", "second"), [("sieve", "µm"), ("sieve µm", "")])
def test_milling_times_beside_the_heading_of_the_sieves_are_no_apertures(tmp_path, first, second):
    top = f"{first};0 min;;6 min;;12 min;\n{second};{';'.join(['empty g;full g'] * 3)}"
    masses = ("250;310,1;315,2", "125;290,0;310,4", "pan;350,0;352,1")
    rows = (f"{row}{';310,1;311,2' * 2}" for row in masses)
    path = tmp_path / "t.csv"
    path.write_text("\n".join([top, *rows]), encoding="utf-8")
    (tmp_path / "m.toml").write_text('[words]\nskip = ["µm"]\n', encoding="utf-8")
    study, _ = read_wide_study(path, mapping=tmp_path / "m.toml")
    assert [run.milling_time_min for run in study.runs] == [0, 6, 12]
