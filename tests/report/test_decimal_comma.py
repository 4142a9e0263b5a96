"""With a decimal comma no number that a reader sees has a point: text, figures, hover texts.

Messages of the reading and of the bench checks keep it, as refusals do, and so do names.  What many
flags of one kind found together is no message of theirs, but a sentence like any other.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from psdstats_cli.main import main
from psdstats_datasets import demo_study

POINT = re.compile(r"\d\.\d")
BENCH = "Mill 2.5"
KEPT = re.compile(rf"\d+\.\d+\.\d+|\.csv|{re.escape(BENCH)}")  # versions, names
MESSAGES = ("found", "what to do")  # columns of the tables of the bench checks
CHECK_TABLES = ("checks.md", "to-look-at.md")
TOGETHER = re.compile(r"\d+ times: ")  # where many flags stand in one row


class _Seen(HTMLParser):
    """What is shown, spoken or told on pointing, up to the provenance, which is for machines.

    Left out by their place: the cells of messages in the table of flags, and what the reader of the
    files assumed.
    """

    def __init__(self, text: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.messages: list[str] = []
        self.places: list[str] = []  # ids of the sections and blocks about
        self.cells: list[str] = []  # headings of the table about
        self.cell = -1
        self.together = False
        self.hidden = False
        self.feed(text.partition('<details id="provenance">')[0])

    def handle_starttag(self, tag, attrs):
        own = dict(attrs)
        self.hidden = tag in ("style", "script")
        self.texts += [own[name] or "" for name in ("title", "aria-label") if name in own]
        if tag in ("section", "details", "div"):
            self.places.append(own.get("id") or "")
        elif tag == "table":
            self.cells = []
        elif tag == "tr":
            self.cell, self.together = -1, False
        elif tag in ("td", "th"):
            self.cell += 1
            self.cells += [""] if own.get("scope") == "col" else []

    def handle_endtag(self, tag):
        self.hidden = False
        if tag in ("section", "details", "div"):
            self.places.pop()
        elif tag == "table":
            self.cell = -1

    def handle_data(self, data):
        if self.hidden:
            return
        self.together |= self.cell >= 0 and bool(TOGETHER.match(data))
        (self.messages if self._is_message() else self.texts).append(data)
        if self.cell >= 0 and self.cell == len(self.cells) - 1 and not self.cells[-1]:
            self.cells[-1] = data

    def _is_message(self) -> bool:
        if "what-had-to-be-assumed" in self.places:
            return True
        in_flags = "table-to-look-at" in self.places and self.cell >= 0
        heading = self.cells[self.cell] if in_flags else ""
        return heading in MESSAGES and not (self.together and heading == "found")


def _without_messages(path: Path) -> list[str]:
    """Lines of a table in Markdown, the cells of messages left out of those of the bench checks."""
    lines = path.read_text(encoding="utf-8").splitlines()
    if path.name not in CHECK_TABLES:
        return lines
    rows = [line.strip("| ").split(" | ") for line in lines if line.startswith("|")]
    kept = [at for at, heading in enumerate(rows[0]) if heading not in MESSAGES]
    assert len(kept) == len(rows[0]) - len(MESSAGES)
    together = [row for row in rows if any(map(TOGETHER.match, row))]
    found = [row[rows[0].index("found")] for row in together]
    return [row[at] for row in rows for at in kept if at < len(row)] + found


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """The report of a study one bench of which has a point in its name."""
    study = tmp_path_factory.mktemp("study")
    for path in Path(demo_study("four_benches")).iterdir():
        text = path.read_text(encoding="utf-8").replace("Alder", BENCH)
        (study / path.name).write_text(text, encoding="utf-8", newline="")
    target = tmp_path_factory.mktemp("comma") / "report"
    words = ["report", str(study), "--method", "linear", "--decimal", ","]
    assert main([*words, "--out", str(target), "--quiet"]) == 0
    return target


def test_the_page_has_no_decimal_point(folder):
    page = _Seen((folder / "report.html").read_text(encoding="utf-8"))
    assert sum(bool(re.search(r"\d,\d", text)) for text in page.texts) > 500
    assert [text for text in page.texts if POINT.search(KEPT.sub("", text))] == []


def test_messages_keep_the_point(folder):
    page = _Seen((folder / "report.html").read_text(encoding="utf-8"))
    assert any(POINT.search(KEPT.sub("", text)) for text in page.messages)
    assert not [text for text in page.messages if re.search(r"\d,\d", text)]


def test_a_bench_keeps_the_point_of_its_name_everywhere(folder):
    page = _Seen((folder / "report.html").read_text(encoding="utf-8"))
    assert sum(BENCH in text for text in page.texts) > 50
    texts = {path: path.read_text(encoding="utf-8") for path in folder.rglob("*.*") if path.suffix
             in (".html", ".md", ".csv", ".tex", ".svg", ".json", ".txt")}  # fmt: skip
    assert sum(BENCH in text for text in texts.values()) > 10
    assert [path.name for path, text in texts.items() if "Mill 2,5" in text] == []


def test_tables_in_words_and_fields_have_none_either(folder):
    markdown = (folder / "tables" / "effects-against-first.md").read_text(encoding="utf-8")
    assert re.search(r"0,\d{3} \(0,\d{3} to 0,\d{3}\)", markdown)
    for path in (folder / "tables").glob("*.md"):
        found = [line for line in _without_messages(path) if POINT.search(KEPT.sub("", line))]
        assert found == [], path.name
    head, first, *_ = (folder / "tables" / "sizes.csv").read_text(encoding="utf-8").splitlines()
    assert len(head.split(";")) == len(first.split(";")) > 10
    assert not POINT.search(KEPT.sub("", first))
