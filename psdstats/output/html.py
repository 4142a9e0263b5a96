"""A report as one self-contained HTML page: the same content gives the same bytes.

The page asks nothing of the network and allows itself nothing: a content security policy permits
only its own style sheet and script, by their SHA-256.  Without script everything can be read and
printed; the script adds sorting, faster hover texts, and opens a folded part that a link names.
What the page looks like stands in the template report.html; every value put into it is escaped
here.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from itertools import groupby

from jinja2 import Environment
from markupsafe import Markup

from psdstats.output.content import Block, Drawing, ReportContent, Section
from psdstats.output.formats import is_slim, to_html
from psdstats.output.style import NARROW_MM
from psdstats.output.table import Table
from psdstats.output.text import clean, equation_html, escape_html, inline_html, slug
from psdstats.words.numbers import Numerals

_IDENTIFIER = re.compile(r'(\bid="|href="#|url\(#)')
_SVG_OPENING = re.compile(r"<svg [^>]*>\s*(?:<title>.*?</title>)?", re.DOTALL)
_VIEW_BOX = re.compile(r'viewBox="([^"]*)"')
_POINTS_PER_MM = 72 / 25.4
_PARTS = ("answer", "cautions", "appendix", "references", "provenance")  # of the page itself


def report_html(content: ReportContent) -> str:
    """Write a report as one HTML page."""
    content = content.told_apart()
    sections = _all_sections((*content.sections, *content.appendix))
    anchors = dict(zip(map(id, sections), _anchors(sections), strict=True))
    count = {"Table": 0, "Figure": 0, "svg": 0}

    def number(kind: str) -> str:
        count[kind] += 1
        return f"{kind} {count[kind]}"

    def svg(text: str, alternative: str) -> Markup:
        count["svg"] += 1
        return _inline_svg(text, alternative, count["svg"])

    def inline(text: str, cites: bool = False) -> Markup:
        return _markup(inline_html(text, len(content.references) if cites else 0))

    environment = _environment().overlay()
    environment.filters = {
        **environment.filters,
        "inline": inline,
        "anchor": lambda section: anchors[id(section)],
        "table": lambda table, label: _table(table, content, label),
        "svg": svg,
        "runs": lambda blocks: _runs(blocks, content.say),
    }
    return environment.from_string(_resource("report.html")).render(
        content=content,
        contents=_contents(content, anchors),
        number=number,
        style=_markup(_resource("report.css") + _running_head(content)),
        script=_markup(_resource("report.js")),
    )


@cache
def _environment() -> Environment:
    """The template's surroundings: what is no markup is escaped, whatever somebody typed."""
    environment = Environment(
        autoescape=True,
        keep_trailing_newline=True,
        finalize=lambda value: value if isinstance(value, Markup) else _safe(value),
    )
    environment.filters |= {
        "kind": lambda block: type(block).__name__,
        "formula": lambda text: _markup(equation_html(text)),
        "wideness": _wideness,
        "digest": _digest,
    }
    return environment


def _safe(value: object) -> Markup:
    return _markup(escape_html(str(value)))


def _markup(text: str) -> Markup:
    """Text that is markup already: made of escaped parts, or a file of this folder."""
    return Markup(text)  # noqa: S704


def _runs(blocks: Iterable[Block], say: Numerals) -> list[tuple[bool, list[Block]]]:
    """Blocks in runs of those that paper may set in two columns, and of those it may not."""

    def is_slim_block(block: Block) -> bool:
        return is_slim(block, say) if isinstance(block, Table) else not isinstance(block, Drawing)

    return [(slim, list(run)) for slim, run in groupby(blocks, key=is_slim_block)]


def _table(table: Table, content: ReportContent, label: str) -> Markup:
    return _markup(to_html(table, content.say, label=label))


def _contents(content: ReportContent, anchors: dict[int, str]) -> list[tuple[str, str]]:
    """Anchors and headings of the parts that the page has, in their order."""

    def named(sections: tuple[Section, ...]) -> list[tuple[str, str]]:
        return [(anchors[id(section)], section.heading) for section in sections]

    return [
        *([("answer", "Answer")] if content.sheet else []),
        *named(content.sections),
        *([("cautions", "Cautions")] if content.cautions else []),
        *([("appendix", "Appendix")] if content.appendix else []),
    ]


def _running_head(content: ReportContent) -> str:
    """Title, author and date above every printed page but the first."""
    told = " · ".join(part for part in (content.title, content.author, content.date) if part)
    text = "".join(sign if sign.isalnum() else f"\\{ord(sign):x} " for sign in clean(told))
    return f'\n@page {{ @top-left {{ content: "{text}"; }} }}'


def _wideness(svg: str) -> str:
    """The class of a drawing that is too wide for a phone."""
    found = _VIEW_BOX.search(svg)
    width = float(found[1].split()[2]) if found else 0.0
    return " wide" if width > NARROW_MM * _POINTS_PER_MM + 1 else ""


def _inline_svg(svg: str, alternative: str, number: int) -> Markup:
    """The drawing with ids of its own and its alternative; its size is left to the page."""
    body = _IDENTIFIER.sub(rf"\g<1>f{number}-", svg)
    found = _VIEW_BOX.search(body)
    view_box = found[0] if found else ""
    opening = (
        f'<svg role="img" aria-label="{escape_html(alternative)}" '
        + f'{view_box} stroke-linejoin="round" stroke-linecap="butt">'
    )
    return _markup(_SVG_OPENING.sub(lambda _: opening, body, count=1).strip())


def _all_sections(sections: tuple[Section, ...]) -> list[Section]:
    return [each for section in sections for each in (section, *_all_sections(section.sections))]


def _anchors(sections: list[Section]) -> list[str]:
    """Anchors no two of which are the same, and none of the page's own."""
    taken, out = {"main", *_PARTS}, []
    for section in sections:
        key = unique = slug(section.heading)
        count = 2
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
