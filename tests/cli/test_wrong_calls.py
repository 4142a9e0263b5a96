"""What a beginner types wrong is answered in one sentence with the remedy, and exit code 2."""

import argparse
import shutil

import pytest
from psdstats_cli import options as options_of
from psdstats_cli.console import Console


def _file(folder, name, content):
    (folder / name).write_bytes(content)
    return name


@pytest.fixture
def one_bench(bench):
    return bench.read_text(encoding="utf-8")


def _refused(said, *parts):
    assert said.code == 2
    assert said.out == ""
    assert said.err.startswith("psdstats: ")
    assert said.err.count("\n") == 1
    for part in parts:
        assert part in said.err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("chek", "x"), ("COMMAND cannot be chek; did you mean check?", "See: psdstats --help")),
        (("plan", "powr"), ("PLAN cannot be powr; did you mean power?", "See: psdstats plan --")),
        (
            ("compare", "x", "--margn", "5"),
            ("compare has no option --margn; did you mean --margin?",),
        ),
        (("compare", "x", "--mar=5"), ("compare has no option --mar; did you mean --margin?",)),
        (
            ("plan", "power", "--changes", "5"),
            ("plan power has no option --changes; did you mean",),
        ),
        (
            ("check", "x", "--draws", "5"),
            ("check has no option --draws. See: psdstats check --help",),
        ),
        (("--json", "check", "x"), ("--json is no option of psdstats itself; options follow",)),
        (("sizes", "my", "trial"), ("sizes has no use for 'trial'; a name with spaces is put in",)),
        (("report",), ("Give STUDY, as in: psdstats report my-trial --out my-report.",)),
        (
            ("sheet", "--times", "0"),
            ("Give one of --apertures, --series, --sieves, as in:", " 2 --series"),
        ),
        (("compare", "x", "--margin"), ("--margin needs a value;",)),
        (("sheet", "--times", "-6,0", "--series", "R20"), ("is written --times=-1.",)),
        (
            ("groups", "x", "--quantity", "d5"),
            ("--quantity cannot be d5.", "of D10, D50, D90, span"),
        ),
        (("groups", "x", "--quantity", "D5"), ("did you mean D50?",)),
        (("sizes", "x", "--decimal", ";"), ("--decimal cannot be ;.", "one of '.', ','.")),
        (("sizes", "x", "--method", "guess"), ("It is one of monte-carlo, linear.",)),
        (
            ("sizes", "x", "--draws", "1.5"),
            ("--draws: 1.5 is not a whole number from 100 to 2,000,000.",),
        ),
        (
            ("compare", "x", "--margin", "wide"),
            ("--margin: wide is not a number from 0.01 to 95 per cent.",),
        ),
        (
            ("report", "x", "--margin", "inf"),
            ("--margin: inf is not a number from 0.01 to 95 per cent.",),
        ),
        (
            ("rate", "x", "--target-um", "nan"),
            ("--target-um: nan is not a number from 0.1 to 125,000 µm.",),
        ),
        (
            ("compare", "x", "--run-to-run", "2.5:few"),
            ("--run-to-run: few is not a number from 1",),
        ),
        (("compare", "x", "--run-to-run", "x" * 300), ("x... is not a number from",)),
        (("compare", "x", "--drift", "0:4"), ("--drift: 0 is not a number from 0.001",)),
        (("compare", "x", "--direction", "down"), ("It is one of falling, rising.",)),
        (("compare", "x", "--test", "z"), ("It is one of calibrated, kenward-roger.",)),
        (
            ("sizes", "x", "--coverage", "95"),
            ("--coverage: 95 is not a number from 0.5 to 0.9999; 95 per cent is written 0.95.",),
        ),
        (("sizes", "x", "--coverage", "high"), ("--coverage: high is not a number from 0.5",)),
        (("sizes", "x", "--cluster", "host"), ("host is no address; write it like tcp://",)),
        (("sizes", "x", "--sources="), ("--sources is empty; give a value.",)),
        (("sizes", ""), ("STUDY is empty; give a value.",)),
        (("compare", "x", "--margin", "2,5"), ("per cent; write 2.5.",)),
        (("compare", "x", "--margin", "5 %"), ("per cent; write 5.",)),
        (("sheet", "--times", "0,6,6", "--series", "R20"), ("--times: 6 is there twice; give",)),
        (("sheet", "--times", "0,,6", "--series", "R20"), ("in 0,,6 nothing stands before,",)),
        (
            ("sheet", "--times", "0,soon", "--series", "R20"),
            ("--times: soon is not a number from 0 to 1,000,000 min.",),
        ),
        (("sheet", "--times", "0", "--factor", "a"), ("'a' is not NAME=LEVEL",)),
    ],
    ids=lambda value: " ".join(value),
)
def test_words_that_are_not_known(psdstats, words, says):
    _refused(psdstats(*words), *says)


def test_missing_file(psdstats):
    _refused(psdstats("report", "my-trail"), "my-trail: there is no such file or folder. Give the")


def test_folder_without_a_study(psdstats, tmp_path):
    (tmp_path / "photos").mkdir()
    said = psdstats("sizes", "photos")
    assert (said.code, said.out) == (2, "")
    assert [line.partition(": ")[0] for line in said.err.splitlines()][1:] == ["weighings.csv"]
    assert "A study folder holds study.toml, runs.csv and weighings.csv." in said.err


def test_wrong_column(psdstats, tmp_path, one_bench):
    name = _file(tmp_path, "a.csv", one_bench.replace("gross_g", "gross", 1).encode())
    _refused(psdstats("sizes", name), "row 1, column gross_g: the column is missing. Add it, or")


def test_output_folder_that_exists(psdstats, bench, tmp_path):
    (tmp_path / "taken").mkdir()
    _file(tmp_path / "taken", "photo.jpg", b"x")
    _refused(psdstats("sizes", bench, "--out", "taken"), "exists already. Choose another name, or")
    assert [path.name for path in (tmp_path / "taken").iterdir()] == ["photo.jpg"]


def test_negative_time(psdstats, tmp_path, one_bench):
    rows = [
        line.replace("mill-0,0,", "mill-0,-6,") if line.startswith("mill-0") else line
        for line in one_bench.splitlines()
    ]
    name = _file(tmp_path, "a.csv", "\n".join(rows).encode())
    _refused(psdstats("sizes", name), "row 2, column milling_time_min: the number is negative")
    _refused(psdstats("sheet", "--times=-6,0", "--series", "R20"), "--times: -6 is not a number")


def test_unknown_factor(psdstats, bench):
    said = psdstats("compare", bench, "--also", "operator")
    _refused(said, "has no column 'operator'. Name one of: group, milling_time_min")


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le"])
def test_utf_16(psdstats, tmp_path, one_bench, encoding):
    name = _file(tmp_path, "a.csv", one_bench.encode(encoding))
    _refused(psdstats("sizes", name, "--method", "linear"), "UTF-8")
    read = psdstats("sizes", name, "--encoding", encoding, "--method", "linear", "--quiet")
    assert read.code == 0


def test_old_workbook(psdstats, tmp_path):
    name = _file(tmp_path, "old.xls", bytes.fromhex("d0cf11e0a1b11ae1"))
    _refused(
        psdstats("sizes", name), "kind .xls are not read. Save it as CSV (UTF-8), XLSX or ODS."
    )


@pytest.mark.parametrize("name", ["empty.csv", "empty.xlsx"])
def test_empty_file(psdstats, tmp_path, name):
    _refused(psdstats("sizes", _file(tmp_path, name, b"")), name)


def test_file_where_a_folder_is_wanted(psdstats, bench):
    said = psdstats("report", bench, "--method", "linear", "--out", bench)
    _refused(said, "is a file, not a folder. Choose another")


def test_place_that_cannot_be_written(psdstats, tmp_path):
    _file(tmp_path, "file", b"x")
    _refused(psdstats("demo", "file/below"), "cannot be written: ", "Choose a place you may write")


def test_existing_sheet_and_study(psdstats, benches):
    words = ("sheet", "--times", "0", "--series", "R20", "--out", "s")
    assert psdstats(*words).code == 0
    _refused(psdstats(*words), "exists already. Choose another name, or add --replace.")
    _refused(psdstats("convert", benches, "s"), "s exists already. Choose another name, or add")
    shutil.rmtree("s")
    assert psdstats(*words).code == 0


@pytest.mark.parametrize(
    ("asked", "parts", "lent", "says"),
    [
        (1, 1, 1, ""),
        (4, 8, 4, ""),
        (1000, 8, 4, "--workers 1000: this computer lends 4 cores, no more."),
        (2, 8, 1, "--workers 2: this computer lends 1 core, no more."),
        (3, 1, 1, "--workers 3: work of this size cannot be divided, so 1 process will do."),
        (4, 2, 2, "--workers 4: work of this size has 2 parts, so 2 processes will do."),
    ],
)
def test_more_processes_than_pay(monkeypatch, capsys, asked, parts, lent, says):
    monkeypatch.setattr("psdstats.processes.cores", lambda: lent if asked in (2, 1000) else 4)
    options = argparse.Namespace(workers=asked)
    assert options_of._workers(options, Console(), parts) == min(asked, parts, lent)
    assert capsys.readouterr().err == (f"psdstats: {says}\n" if says else "")


def test_what_linear_has_no_use_for_is_said(psdstats, bench):
    said = psdstats("sizes", bench, "--method", "linear", "--draws", "1000")
    assert said.code == 0
    assert "--draws is not needed: --method linear draws nothing." in said.err
