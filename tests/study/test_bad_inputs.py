"""Every wrong input of the catalogue gives exactly the message expected, and nothing else."""

import importlib.util
import tomllib
from pathlib import Path

import pytest

from psdstats.errors import StudyError
from psdstats.study import check_file, read_study

HERE = Path(__file__).parent
EXPECTED = tomllib.loads((HERE / "bad_inputs_expected.toml").read_text(encoding="utf-8"))
_spec = importlib.util.spec_from_file_location("bad_inputs", HERE / "bad_inputs.py")
CATALOGUE = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(CATALOGUE)


def cases():
    for name, (file, old, new) in CATALOGUE.EDITS.items():
        text = CATALOGUE.SOUND[file]
        yield name, {file: text.replace(old, new, 1)}, old in text
    for name, changes in CATALOGUE.FILES.items():
        yield name, changes, True


CASES = list(cases())


def test_catalogue_is_complete():
    assert len(CASES) >= 280
    assert {name for name, _, _ in CASES} == set(EXPECTED)
    assert all(applies for _, _, applies in CASES), "an edit does not apply to the sound study"


def test_the_sound_study_is_read(sound):
    assert [run.name for run in sound.runs] == ["a-0", "a-6", "b-0"]


@pytest.mark.parametrize(
    ("name", "changes"), [case[:2] for case in CASES], ids=lambda v: str(v)[:40]
)
def test_bad_input(name, changes, write_folder):
    folder = write_folder(changes)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(StudyError) as caught:
        read_study(folder)
    assert str(caught.value).split("\n") == EXPECTED[name]
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert check_file(folder).exit_code == 2


def test_several_problems_are_raised_at_once(write_folder, catalogue):
    text = catalogue.SOUND["weighings.csv"].replace("403.00", "x").replace("304.80", "y")
    with pytest.raises(StudyError) as caught:
        read_study(write_folder({"weighings.csv": text}))
    assert [(each.row, each.value) for each in caught.value.problems] == [(2, "x"), (9, "y")]


def test_a_thousand_problems_are_counted(write_folder):
    rows = "".join(f"a-0,s{number},{number + 1},x,y\n" for number in range(1000))
    text = "run,sieve,aperture_um,tare_g,gross_g\n" + rows
    with pytest.raises(StudyError) as caught:
        read_study(write_folder({"weighings.csv": text}))
    assert len(caught.value.problems) == 201
    assert "further problems are not listed" in str(caught.value)


FLAT = "run,milling_time_min,aperture_um,tare_g,gross_g\na,0,90,400.0,410.0\na,0,0,300.0,305.0\n"
BAD_FLAT = {
    "two times for one run": (
        FLAT.replace("a,0,0,", "a,6,0,"),
        "flat.csv, row 3, column milling_time_min: run a has '0' further up (found '6'). Make it "
        "the same on every row of the run, or give another run another name.",
    ),
    "run name left out": (
        FLAT.replace("a,0,0,", ",0,0,"),
        "flat.csv, row 3, column run: the cell is empty. Repeat the name on every row.\n"
        "flat.csv, row 2: run a: the pan (aperture 0) is missing. Weigh the pan and add its row.",
    ),
    "settings are no TOML": (
        "# trial of spring\n" + FLAT,
        "flat.csv: the settings are not well-formed TOML: Expected '=' after a key in a key/value "
        'pair (at line 1, column 7). Write one key = value a line, with texts in "quotation '
        'marks".',
    ),
    "nothing below the header": (
        FLAT.split("\n", 1)[0] + "\n",
        "flat.csv: no run is listed. Write one row a run.",
    ),
    "no header": (
        FLAT.split("\n", 1)[1],
        "flat.csv, row 1, column run: the column is missing. Add it, or rename one of the columns "
        "found: a, 0, 90, 400.0, 410.0.",
    ),
}


@pytest.mark.parametrize("name", BAD_FLAT)
def test_bad_flat_file(name, tmp_path):
    text, message = BAD_FLAT[name]
    path = tmp_path / "flat.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        read_study(path)
    assert message in str(caught.value)


def test_bad_places(tmp_path):
    (tmp_path / "trial.ods").write_bytes(b"x")
    (tmp_path / "trial.pdf").write_bytes(b"x")
    (tmp_path / "trial.xlsx").write_bytes(b"no workbook")
    big = tmp_path / "big.csv"
    with big.open("wb") as file:
        file.truncate(50_000_001)
    (tmp_path / "empty.csv").write_bytes(b"")
    expected = {
        tmp_path / "nowhere": f"{tmp_path / 'nowhere'}: there is no such file or folder. Give the "
        "folder of the study, its flat CSV file or its workbook.",
        tmp_path / "trial.pdf": "trial.pdf: files of the kind .pdf are not read. Save it as CSV "
        "(UTF-8), XLSX or ODS.",
        tmp_path / "trial.ods": "trial.ods: the workbook is damaged or not an ODS file "
        "(BadZipFile). Open it in a spreadsheet program and save it again as ODS.",
        tmp_path / "trial.xlsx": "trial.xlsx: the workbook is damaged or not an XLSX file "
        "(BadZipFile). Open it in a spreadsheet program and save it again as XLSX.",
        big: "big.csv: the file is larger than 50 MB. Split the study, or delete what is not part "
        "of it.",
        tmp_path / "empty.csv": "empty.csv: the table is empty. Write a header and one row.",
    }
    for path, message in expected.items():
        with pytest.raises(StudyError) as caught:
            read_study(path)
        assert str(caught.value) == message


def test_links_do_not_leave_the_folder(write_folder, tmp_path, catalogue):
    secret = tmp_path / "secret.csv"
    secret.write_text(catalogue.SOUND["runs.csv"], encoding="utf-8")
    folder = write_folder({"runs.csv": None})
    (folder / "runs.csv").symlink_to(secret)
    with pytest.raises(StudyError, match=r"runs\.csv: the file is a link that leaves the study"):
        read_study(folder)


@pytest.mark.parametrize("name", ["klingon", "base64", "idna", "unicode-escape", "undefined"])
def test_unknown_encoding(write_folder, name):
    with pytest.raises(StudyError, match=rf"no such text encoding is known \(found '{name}'\)"):
        read_study(write_folder(), encoding=name)
