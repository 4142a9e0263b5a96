"""Text made safe for each kind of file."""

from __future__ import annotations

import html

from hypothesis import given
from hypothesis import strategies as st

from psdstats.output.text import clean, escape_html, escape_latex, escape_markdown, slug


@given(st.text())
def test_html_reads_back(text: str) -> None:
    assert html.unescape(escape_html(text).replace("\r", "")) == clean(text).replace("\r", "")


@given(st.text())
def test_html_cannot_open_a_tag_or_close_an_attribute(text: str) -> None:
    assert not set("<>\"'") & set(escape_html(text))


@given(st.text(alphabet="\\{}$&#%_^~ab"))
def test_latex_escapes_every_special_sign(text: str) -> None:
    shown = escape_latex(text)
    for command in (r"\textbackslash{}", r"\textasciicircum{}", r"\textasciitilde{}"):
        shown = shown.replace(command, "")
    for sign in "{}$&#%_":
        shown = shown.replace("\\" + sign, "")
    assert not set("\\{}$&#%_^~") & set(shown)


def test_markdown_keeps_cells_apart() -> None:
    assert escape_markdown("a|b\nc") == r"a\|b c"


def test_control_characters_become_visible() -> None:
    assert clean("a\x00b\x1bc") == "a\ufffdb\ufffdc"
    turning = [*range(0x202A, 0x202F), *range(0x2066, 0x206A)]
    assert clean("".join(map(chr, turning))) == "\ufffd" * 9


def test_slugs_are_plain() -> None:
    assert slug("../../etc/passwd") == "etc-passwd"
