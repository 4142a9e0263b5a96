"""A report as one self-contained HTML page: the same content gives the same bytes.

The page asks nothing of the network and allows itself nothing: a content security policy permits
only its own style sheet and script, by their SHA-256.  Without script everything can be read; the
script adds sorting and faster hover texts.
"""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.resources import files

from psdstats.output.content import (
    Block,
    Bullets,
    Drawing,
    Equation,
    Note,
    Paragraph,
    ReportContent,
    Section,
)
from psdstats.output.equations import equation_html, inline_html
from psdstats.output.tables.formats import to_html
from psdstats.output.tables.table import Table
from psdstats.output.text import escape_html, slug

_IDENTIFIER = re.compile(r'(\bid="|href="#|url\(#)')
_SVG_OPENING = re.compile(r"<svg [^>]*>\s*(?:<title>.*?</title>)?", re.DOTALL)
_VIEW_BOX = re.compile(r'viewBox="[^"]*"')


def report_html(content: ReportContent) -> str:
    """Write a report as one HTML page."""
    content = content.told_apart()
    page = _Page(content)
    style, script = _resource("report.css"), _resource("report.js")
    policy = (
        f"default-src 'none'; style-src '{_digest(style)}'; script-src '{_digest(script)}'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    return "\n".join(
        [
            "<!doctype html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{escape_html(content.title)}</title>",
            f"<style>{style}</style>",
            "</head>",
            "<body>",
            '<a class="skip" href="#main">Skip to the verdicts</a>',
            *page.header(),
            *page.contents(),
            '<main id="main">',
            *page.verdicts(),
            *(line for section in content.sections for line in page.section(section, level=2)),
            *page.cautions(),
            *page.references(),
            *page.provenance(),
            "</main>",
            f"<script>{script}</script>",
            "</body>",
            "</html>",
            "",
        ]
    )


class _Page:
    """The parts of one page; keeps the numbers of tables and figures and the anchors taken."""

    def __init__(self, content: ReportContent) -> None:
        self._content = content
        self._count = {"Table": 0, "Figure": 0}
        self._anchors = {
            id(section): anchor
            for section, anchor in zip(
                _all_sections(content.sections),
                _unique([slug(s.heading) for s in _all_sections(content.sections)]),
                strict=True,
            )
        }

    def header(self) -> list[str]:
        content = self._content
        subtitle = [f'<p class="subtitle">{self._text(content.subtitle)}</p>']
        return [
            "<header>",
            '<p class="kicker">Milling trial · sieve analysis</p>',
            f"<h1>{escape_html(content.title)}</h1>",
            *(subtitle if content.subtitle else []),
            "</header>",
        ]

    def contents(self) -> list[str]:
        content = self._content
        entries = [("verdicts", "Verdicts")] if content.answers else []
        entries += [(self._anchors[id(s)], s.heading) for s in content.sections]
        entries += [("cautions", "Cautions")] if content.cautions else []
        entries += [("references", "References")] if content.references else []
        entries += [("provenance", "Provenance")] if content.provenance else []
        items = [f'<li><a href="#{key}">{escape_html(text)}</a></li>' for key, text in entries]
        return ['<nav aria-label="Contents">', "<ol>", *items, "</ol>", "</nav>"]

    def verdicts(self) -> list[str]:
        if not self._content.answers:
            return []
        items = [
            f'<li class="{slug(answer.word)}"><strong>{escape_html(answer.word)}</strong> '
            f"<span>{self._text(answer.sentence)}</span></li>"
            for answer in self._content.answers
        ]
        return _section("verdicts", "Verdicts", ['<ul class="verdicts">', *items, "</ul>"])

    def section(self, section: Section, *, level: int) -> list[str]:
        lines = [line for block in section.blocks for line in self._block(block)]
        for below in section.sections:
            lines += self.section(below, level=min(level + 1, 6))
        return _section(self._anchors[id(section)], section.heading, lines, level=level)

    def cautions(self) -> list[str]:
        items = [f"<li>{self._text(caution)}</li>" for caution in self._content.cautions]
        lines = ['<ul class="cautions">', *items, "</ul>"]
        return _section("cautions", "Cautions", lines) if items else []

    def references(self) -> list[str]:
        items = [
            f'<li id="reference-{number}">{escape_html(text)}</li>'
            for number, text in enumerate(self._content.references, start=1)
        ]
        lines = ['<ol class="references">', *items, "</ol>"]
        return _section("references", "References", lines) if items else []

    def provenance(self) -> list[str]:
        items = [
            f"<div><dt>{escape_html(name)}</dt><dd>{escape_html(value)}</dd></div>"
            for name, value in self._content.provenance.items()
        ]
        lines = ['<dl class="provenance">', *items, "</dl>"]
        return _section("provenance", "Provenance", lines) if items else []

    def _text(self, text: str, *, cites: bool = False) -> str:
        return inline_html(text, len(self._content.references) if cites else 0)

    def _block(self, block: Block) -> list[str]:
        match block:
            case Paragraph():
                return [f"<p>{self._text(block.text, cites=block.cites)}</p>"]
            case Bullets():
                return ["<ul>", *(f"<li>{self._text(item)}</li>" for item in block.items), "</ul>"]
            case Equation():
                meaning = f"<p>{self._text(block.meaning)}</p>" if block.meaning else ""
                return [f'<div class="equation">{equation_html(block.formula)}{meaning}</div>']
            case Note():
                word = f"<strong>{block.kind.capitalize()}.</strong>"
                return [f'<p class="note {block.kind}">{word} {self._text(block.text)}</p>']
            case Table():
                label = self._number("Table")
                return [to_html(block, self._content.say, label=label)]
            case Drawing():
                return self._drawing(block)

    def _drawing(self, drawing: Drawing) -> list[str]:
        label = self._number("Figure")
        return [
            f'<figure id="figure-{drawing.key}">',
            f'<div class="drawing" tabindex="0" role="group" aria-label="{label}">',
            _inline_svg(drawing, f"f{self._count['Figure']}-"),
            "</div>",
            f'<figcaption><span class="label">{label}</span> '
            f"{self._text(drawing.caption)}</figcaption>",
            "</figure>",
        ]

    def _number(self, kind: str) -> str:
        self._count[kind] += 1
        return f"{kind} {self._count[kind]}"


def _section(anchor: str, heading: str, lines: list[str], *, level: int = 2) -> list[str]:
    title = f"<h{level}>{escape_html(heading)}</h{level}>"
    return [f'<section id="{anchor}">', title, *lines, "</section>"]


def _inline_svg(drawing: Drawing, prefix: str) -> str:
    """The drawing with ids of its own and its alternative; its size is left to the page."""
    body = _IDENTIFIER.sub(rf"\g<1>{prefix}", drawing.svg)
    found = _VIEW_BOX.search(body)
    view_box = found[0] if found else ""
    opening = (
        f'<svg role="img" aria-label="{escape_html(drawing.alternative)}" {view_box} '
        'stroke-linejoin="round" stroke-linecap="butt">'
    )
    return _SVG_OPENING.sub(lambda _: opening, body, count=1).strip()


def _all_sections(sections: tuple[Section, ...]) -> list[Section]:
    return [each for section in sections for each in (section, *_all_sections(section.sections))]


def _unique(keys: list[str]) -> list[str]:
    """Anchors no two of which are the same, and none of the page's own."""
    taken = {"main", "verdicts", "cautions", "references", "provenance"}
    out = []
    for key in keys:
        unique, count = key, 2
        while unique in taken:
            unique = f"{key}-{count}"
            count += 1
        taken.add(unique)
        out.append(unique)
    return out


def _resource(name: str) -> str:
    return (files("psdstats.output") / name).read_text(encoding="utf-8").strip()


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
