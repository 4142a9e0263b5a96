"""A study whose names try everything: they come out as text in every file, and nothing warns.

``python tests/report/test_hostile_names.py DIR`` writes the study into an existing folder.
"""

from __future__ import annotations

import csv
import re
import sys
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import openpyxl
import pytest
from psdstats_cli.main import main

GROUPS = (
    '<script>alert("1")</script>',
    "=1+1",
    "@SUM(A1) A/B\\C 'q'",
    "粉砕 😀🙂",
    "粒度",
    "a$b$c_{x}^2%&#~ \\frac{$",
    "\x1b[31m_ring\x07",
    "L" + "o" * 150 + "ng",
    "[1] | ` * http://example.org",
)
TITLE = "Trial <img src=x onerror=alert(1)> & 'quotes' $x$ 😀"
SHARES = {0: (2.0, 30.0, 55.0, 80.0), 48: (9.0, 60.0, 85.0, 97.0)}  # per cent finer, invented
APERTURES = (63, 125, 250, 500)
SAFE_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}\.(csv|md|tex|xlsx|svg|png)")


def _readings(number: int, time: int) -> list[tuple[int, float]]:
    finer = [0.0, *(share + 0.4 * (number % 5) / 5 for share in SHARES[time]), 100.0]
    masses = [high - low for low, high in pairwise(finer)]
    return list(zip((0, *APERTURES), masses, strict=True))[::-1]


def write_study(folder: Path) -> Path:
    """A small study of these names; its readings are invented."""
    runs, weighings = [], []
    for at, group in enumerate(GROUPS):
        for time in SHARES:
            for replicate in (1, 2):
                run = f"{group} {time} {replicate}"
                runs.append((run, group, time, replicate))
                weighings += [
                    (run, f"{group} {aperture}", aperture, "400.00", f"{400 + mass:.2f}")
                    for aperture, mass in _readings(3 * at + replicate, time)
                ]
    for name, head, rows in (
        ("runs.csv", ("run", "group", "milling_time_min", "replicate"), runs),
        ("weighings.csv", ("run", "sieve", "aperture_um", "tare_g", "gross_g"), weighings),
    ):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([head, *rows])
    (folder / "study.toml").write_text(
        f'title = "{TITLE}"\nmaterial = "</p><b>chalk</b>"\n', "utf-8"
    )
    return folder


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    return write_study(tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="module")
def report(study, tmp_path_factory) -> Path:
    """The report; a warning of any kind would have failed it."""
    target = tmp_path_factory.mktemp("out") / "report"
    words = ["report", str(study), "--out", str(target), "--method", "linear", "--quiet"]
    assert main(words) == 0
    return target


class _Page(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[str] = set()
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes.update(name for name, _ in attrs)

    def handle_data(self, data):
        self.text += data.replace("\u00a0", " ")


def _shown(name: str) -> str:
    return name.replace("\x1b", "\ufffd").replace("\x07", "\ufffd")


def test_the_page_holds_every_name_as_text_and_no_tag_of_theirs(report):
    page = _Page((report / "report.html").read_text(encoding="utf-8"))
    assert page.tags.count("script") == 1
    assert not {"img", "b", "iframe"} & set(page.tags)
    assert (
        not {name for name in page.attributes if name.startswith("on")}
        | {"style"} & page.attributes
    )
    assert TITLE in page.text
    for group in GROUPS:
        assert _shown(group) in page.text, group


def test_only_the_method_points_to_references(report):
    text = (report / "report.html").read_text(encoding="utf-8")
    before, _, method = text.partition('<section id="method">')
    assert 'href="#reference-' not in before.partition("<main")[2]
    assert 'href="#reference-1"' in method


def test_file_names_are_safe_and_each_group_has_its_curves(report):
    files = [path for path in report.rglob("*") if path.parent != report and path.is_file()]
    assert [path.name for path in files if not SAFE_NAME.fullmatch(path.name)] == []
    assert len(list((report / "figures").glob("undersize*.svg"))) == len(GROUPS)


def test_no_spreadsheet_takes_a_name_for_a_formula(report):
    with (report / "tables" / "groups.csv").open(encoding="utf-8", newline="") as file:
        found = [row["group"] for row in csv.DictReader(file)]
    assert found == [("'" if name[0] in "=@" else "") + _shown(name) for name in GROUPS]
    book = openpyxl.load_workbook(report / "tables" / "all-tables.xlsx")
    cells = [row[0] for row in book["groups"].iter_rows(min_row=2)]
    assert [cell.value for cell in cells] == [_shown(name) for name in GROUPS]
    assert {cell.data_type for cell in cells} == {"s"}


def test_markdown_gives_the_names_back(report):
    lines = (report / "tables" / "groups.md").read_text(encoding="utf-8").splitlines()
    cells = [re.split(r"(?<!\\)\|", line)[1].strip() for line in lines[4:] if line[:1] == "|"]
    assert [re.sub(r"\\(.)", r"\1", cell) for cell in cells] == [_shown(g) for g in GROUPS]


def test_svg_files_are_xml_without_script(report):
    from xml.etree import ElementTree

    drawings = sorted((report / "figures").glob("*.svg"))
    for path in drawings:
        root = ElementTree.parse(path).getroot()
        assert not [e.tag for e in root.iter() if e.tag.rpartition("}")[2] in ("script", "image")]


def test_latex_compiles(report, compile_latex):
    assert "Output written" in compile_latex(report)


if __name__ == "__main__":
    write_study(Path(sys.argv[1]))
