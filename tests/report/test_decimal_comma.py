"""With a decimal comma no number that a reader sees has a point: text, figures, hover texts."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from psdstats_cli.main import main
from psdstats_datasets import demo_study

POINT = re.compile(r"\d\.\d")
KEPT = re.compile(r"\d+\.\d+\.\d+|\.csv")  # versions and file names


class _Seen(HTMLParser):
    """What is shown, spoken or told on pointing, up to the provenance, which is for machines."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.hidden = False
        self.feed(text.partition('<section id="provenance">')[0])

    def handle_starttag(self, tag, attrs):
        self.hidden = tag in ("style", "script")
        self.texts += [value or "" for name, value in attrs if name in ("title", "aria-label")]

    def handle_endtag(self, tag):
        self.hidden = False

    def handle_data(self, data):
        if not self.hidden:
            self.texts.append(data)


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("comma") / "report"
    words = ["report", str(demo_study("four_benches")), "--method", "linear", "--decimal", ","]
    assert main([*words, "--out", str(target), "--quiet"]) == 0
    return target


def test_the_page_has_no_decimal_point(folder):
    seen = _Seen((folder / "report.html").read_text(encoding="utf-8")).texts
    assert sum(bool(re.search(r"\d,\d", text)) for text in seen) > 500
    assert [text for text in seen if POINT.search(KEPT.sub("", text))] == []


def test_tables_in_words_and_fields_have_none_either(folder):
    markdown = (folder / "tables" / "effects-against-first.md").read_text(encoding="utf-8")
    assert "0,460 (0,437 to 0,485)" in markdown
    for path in (folder / "tables").glob("*.md"):
        lines = path.read_text(encoding="utf-8").splitlines()
        found = [line for line in lines if POINT.search(KEPT.sub("", line))]
        assert found == [], path.name
    head, first, *_ = (folder / "tables" / "sizes.csv").read_text(encoding="utf-8").splitlines()
    assert len(head.split(";")) == len(first.split(";")) > 10
    assert not POINT.search(first)
