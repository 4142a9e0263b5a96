"""The page: self-contained, structured, the same bytes each time."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import replace
from functools import partial
from html.parser import HTMLParser

import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.output.content import (
    Bullets,
    Drawing,
    Equation,
    Note,
    NoteKind,
    Paragraph,
    ReportContent,
    Section,
    Sheet,
    ShortAnswer,
)
from psdstats.output.figures import new_axes, size_against_time, undersize_curves
from psdstats.output.html import _wideness, report_html
from psdstats.output.table import Table

VOID = {"meta", "br", "link", "img", "input", "hr"}


class _Page(HTMLParser):
    """Checks that tags nest, and gathers what the tests ask for."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.attributes: list[tuple[str, dict[str, str | None]]] = []
        self.levels: list[int] = []
        self.texts: dict[str, list[str]] = {}
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes.append((tag, dict(attrs)))
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.stack:
            self.texts.setdefault(self.stack[-1], []).append(data)

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for own, attributes in self.attributes if own == tag]


def _drawn(draw, frame: pd.DataFrame) -> Axes:
    return draw(frame, new_axes())


@pytest.fixture
def content(undersize: pd.DataFrame, sizes: pd.DataFrame) -> ReportContent:
    drawings = [
        Drawing(
            name=name,
            draw=partial(_drawn, draw, frame),
            caption=f"All of it, {name}.",
            alternative=f"Curves of {name} fall <with> time.",
        )
        for name, draw, frame in (
            ("undersize", undersize_curves, undersize),
            ("sizes", size_against_time, sizes),
        )
    ]
    table = Table(name="sizes", frame=sizes, caption="Sizes.")
    return ReportContent(
        title="A <script>alert(1)</script> trial",
        author="B. <Miller>",
        sheet=Sheet(
            line=("Invented data", "trial of ____"),
            lead="Milling changed it.",
            sentence="D50 fell by 14 % in bench [1] of $m$.",
            drawing=replace(drawings[0], name="panels"),
            table=replace(table, name="changes", caption="Changes."),
            answers=(
                ShortAnswer(question="When to stop?", strong="Not yet.", sentence="It falls."),
            ),
            footnotes=("* a bound",),
        ),
        sections=(
            Section(
                heading="Sizes",
                blocks=(drawings[0], table, Note("A loss of 6 %.", NoteKind.WARNING)),
            ),
        ),
        appendix=(
            Section(
                heading="Method",
                blocks=(Paragraph("See [1], [2] and $m_i$.", cites=True),),
                sections=(
                    Section(
                        heading="Sizes",
                        blocks=(Equation("Q_3 = Σ m_i", "masses"), drawings[1]),
                    ),
                    Section(heading="Main", blocks=(Bullets(("one", "two & three")),)),
                ),
            ),
        ),
        cautions=("Dust can explode; follow local codes.",),
        references=("First.", "Second."),
        provenance={"seed": "1", "runs.csv, SHA-256": "ab" * 32},
    )


@pytest.fixture
def page(content: ReportContent) -> _Page:
    return _Page(report_html(content))


def test_tags_nest_and_close(page: _Page) -> None:
    assert page.stack == []


def test_same_content_same_bytes(content: ReportContent) -> None:
    again = replace(content, sections=content.sections)
    assert report_html(content) == report_html(again)


def test_nothing_is_asked_of_the_network(content: ReportContent, page: _Page) -> None:
    for _, attributes in page.attributes:
        for name in ("src", "href", "xlink:href", "action", "data", "srcset"):
            assert (attributes.get(name) or "#").startswith("#")
    text = report_html(content)
    assert not re.search(r"@import|url\((?!#)", text)
    addresses = set(re.findall(r"https?://[\w./-]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


def test_policy_allows_exactly_the_pages_own_style_and_script(
    content: ReportContent, page: _Page
) -> None:
    (policy,) = [
        meta["content"]
        for meta in page.of("meta")
        if meta.get("http-equiv") == "Content-Security-Policy"
    ]
    text = report_html(content)
    for tag, directive in (("style", "style-src"), ("script", "script-src")):
        (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", text, flags=re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{directive} 'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy


def test_nothing_inline_that_the_policy_would_block(page: _Page) -> None:
    for _, attributes in page.attributes:
        assert "style" not in attributes
        assert not [name for name in attributes if name.startswith("on")]


def test_every_drawing_has_its_alternative_and_caption(page: _Page) -> None:
    told = [svg["aria-label"] for svg in page.of("svg") if svg.get("role") == "img"]
    undersize, sizes = "Curves of undersize fall <with> time.", "Curves of sizes fall <with> time."
    assert told == [undersize, undersize, undersize, sizes]  # page one has a narrow one beside it
    assert len(page.of("svg")) == 4
    assert len(page.of("figure")) == len(page.of("figcaption")) == 3


def test_the_narrow_drawing_fills_a_phone_and_only_front_ones_have_one(page: _Page) -> None:
    boxes = [box for box in page.of("div") if "drawing" in (box.get("class") or "").split()]
    kinds = [set(str(box["class"]).split()) - {"drawing", "tall"} for box in boxes]
    assert kinds == [{"broad", "wide"}, {"narrow"}, {"wide"}, {"wide"}]
    widths = [float(str(svg["viewbox"]).split()[2]) for svg in page.of("svg")]
    phone_px, smallest_pt = 350, 7.0
    assert smallest_pt * phone_px / widths[1] > 9.0
    assert all(smallest_pt * phone_px / width < 9.0 for at, width in enumerate(widths) if at != 1)


def test_ids_are_unique_and_every_link_arrives(page: _Page) -> None:
    ids = [attributes["id"] for _, attributes in page.attributes if "id" in attributes]
    assert len(ids) == len(set(ids))
    for _, attributes in page.attributes:
        for name in ("href", "xlink:href"):
            if name in attributes:
                assert attributes[name][1:] in ids
        for value in attributes.values():
            for target in re.findall(r"url\(#([^)]*)\)", value or ""):
                assert target in ids


def test_headings_never_skip_a_level(page: _Page) -> None:
    assert page.levels[0] == 1
    assert page.levels.count(1) == 1
    assert all(after - before <= 1 for before, after in zip(page.levels, page.levels[1:],
                                                            strict=False))  # fmt: skip


def test_page_one_comes_first_and_the_contents_after_it(content: ReportContent) -> None:
    text = report_html(content)
    main = text[text.index("<main") :]
    order = ("Milling changed it.", "D50 fell by 14", 'id="figure-panels"', 'id="table-changes"',
             "When to stop?", "Not yet.", "It falls.", "* a bound", "<nav", 'id="sizes"',
             'id="cautions"', 'id="appendix"', 'id="method"', 'id="references"',
             'id="provenance"')  # fmt: skip
    places = [main.index(each) for each in order]
    assert places == sorted(places)
    assert 'href="#reference-1"' not in main[: places[-4]]
    assert 'href="#reference-1"' in main[places[-3] :]


def test_the_parts_of_the_appendix_are_folded(page: _Page) -> None:
    assert [one["id"] for one in page.of("details")] == ["method", "references", "provenance"]
    assert not any("open" in one for one in page.of("details"))
    assert len(page.of("summary")) == 3


def test_paper_opens_what_is_folded_and_breaks_after_page_one(content: ReportContent) -> None:
    style = report_html(content).partition("<style>")[2].partition("</style>")[0]
    printed = style[style.index("@media print") :]
    assert "details::details-content { content-visibility: visible" in printed
    assert ".sheet { break-after: page; }" in printed
    assert "break-before: page" not in printed  # the appendix fills the page of the cautions


def test_a_page_one_without_panels_takes_no_page_of_its_own(content: ReportContent) -> None:
    assert content.sheet is not None
    brief = replace(content, sheet=replace(content.sheet, drawing=None))
    kinds = [
        [one["class"] for one in _Page(report_html(each)).of("section") if one["id"] == "answer"]
        for each in (content, brief)
    ]
    assert kinds == [["sheet"], ["sheet flowing"]]


def test_every_printed_page_but_the_first_bears_the_title(content: ReportContent) -> None:
    style = report_html(content).partition("<style>")[2].partition("</style>")[0]
    head = re.search(r'@top-left \{ content: "([^"]*)"; \}', style)
    assert head is not None
    shown = re.sub(r"\\([0-9a-f]+) ", lambda sign: chr(int(sign[1], 16)), head[1])
    assert shown == "A <script>alert(1)</script> trial · B. <Miller>"
    assert "<" not in head[1]
    assert "@page :first { @top-left { content: none; } }" in style  # outweighs it, wherever it is


def test_typed_text_cannot_become_markup(content: ReportContent, page: _Page) -> None:
    assert len(page.of("script")) == 1
    assert "A &lt;script&gt;alert(1)&lt;/script&gt; trial" in report_html(content)


def test_structure_for_screen_readers(page: _Page) -> None:
    assert page.of("html")[0]["lang"] == "en"
    assert page.of("a")[0] == {"class": "skip", "href": "#main"}
    assert {"header", "nav", "main"} <= {tag for tag, _ in page.attributes}
    assert page.of("caption")
    assert {heading.get("scope") for heading in page.of("th")} == {"col", "row"}


def test_tables_and_figures_are_numbered_in_reading_order(page: _Page) -> None:
    labels = [text for text in page.texts["span"] if re.match(r"(Table|Figure) \d", text)]
    assert labels == ["Figure 1", "Table 1", "Figure 2"]  # what stands on page one has no number


def test_an_empty_report_is_still_a_page() -> None:
    page = _Page(report_html(ReportContent(title="Nothing yet")))
    assert page.stack == []
    assert page.levels == [1]


def test_a_drawing_too_wide_for_a_phone_is_marked() -> None:
    boxes = {"0 0 468 270": " wide", "0 0 468 395": " wide", "0 0 270 600": ""}
    for box, classes in boxes.items():
        assert _wideness(f'<svg viewBox="{box}">') == classes
