"""A study whose names try everything: they come out as text in every file, and nothing warns."""

from __future__ import annotations

import csv
import importlib.util
import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import openpyxl
import pytest
from psdstats_cli.main import main

from psdstats.study.runs import natural

_spec = importlib.util.spec_from_file_location(
    "hostile_names", Path(__file__).with_name("hostile_names.py")
)
hostile_names = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(hostile_names)
GROUPS, TITLE = hostile_names.GROUPS, hostile_names.TITLE
SHOWN = sorted(GROUPS, key=natural)
RUNS = [f"{time} {run}, {time} min" for time in hostile_names.SHARES for run in (1, 2)]
SAFE_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,59}\.(csv|md|tex|xlsx|svg|png)")


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Path:
    return hostile_names.write_study(tmp_path_factory.mktemp("hostile"))


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
    return re.sub("[\x07\x1b\u202e]", "\ufffd", name)


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
    before, _, method = text.partition('<details id="method">')
    assert 'href="#reference-' not in before.partition("<main")[2]
    assert 'href="#reference-1"' in method


def test_file_names_are_safe_and_each_group_has_its_curves(report):
    """The curves of undersize are one figure, in which every run of every group is pointed at."""
    files = [path for path in report.rglob("*") if path.parent != report and path.is_file()]
    assert [path.name for path in files if not SAFE_NAME.fullmatch(path.name)] == []
    (drawing,) = (report / "figures").glob("undersize*.svg")
    tags = ElementTree.parse(drawing).getroot().iter()
    told = [one.text or "" for one in tags if one.tag.rpartition("}")[2] == "title"]
    runs = {group: [f"{_shown(group)} {run}" for run in RUNS] for group in GROUPS}
    drawn = {group: [name for name in own if name in told] for group, own in runs.items()}
    assert drawn == runs


def test_no_spreadsheet_takes_a_name_for_a_formula(report):
    with (report / "tables" / "groups.csv").open(encoding="utf-8", newline="") as file:
        found = [row["group"] for row in csv.DictReader(file)]
    assert found == [
        ("'" if name[0] in "=@" else "") + _shown(name) for name in sorted(GROUPS, key=natural)
    ]
    book = openpyxl.load_workbook(report / "tables" / "all-tables.xlsx")
    cells = [row[0] for row in book["groups"].iter_rows(min_row=2)]
    assert [cell.value for cell in cells] == [_shown(name) for name in SHOWN]
    assert {cell.data_type for cell in cells} == {"s"}


def test_markdown_gives_the_names_back(report):
    lines = (report / "tables" / "groups.md").read_text(encoding="utf-8").splitlines()
    cells = [re.split(r"(?<!\\)\|", line)[1].strip() for line in lines[4:] if line[:1] == "|"]
    assert [re.sub(r"\\(.)", r"\1", cell) for cell in cells] == [
        _shown(g) for g in sorted(GROUPS, key=natural)
    ]


def test_svg_files_are_xml_without_script(report):
    drawings = sorted((report / "figures").glob("*.svg"))
    for path in drawings:
        root = ElementTree.parse(path).getroot()
        assert not [e.tag for e in root.iter() if e.tag.rpartition("}")[2] in ("script", "image")]


def test_latex_compiles(report, compile_latex):
    assert "Output written" in compile_latex(report)
