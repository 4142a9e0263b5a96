"""Formulas on one line."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from psdstats.output.text import equation_html, inline_html, words_html


def _plain(html: str) -> str:
    return re.sub(r"<[^>]*>", "", html)


def test_words_are_upright_and_letters_italic() -> None:
    html = equation_html("ln D = x^{2}_0")
    assert "ln " in html
    assert "<i>D</i>" in html
    assert "<sup>2</sup><sub>0</sub>" in html


@given(st.text(alphabet="abΣ12 +<&{}_^"))
def test_every_other_sign_survives(formula: str) -> None:
    shown = _plain(equation_html(formula)).replace("&lt;", "<").replace("&amp;", "&")
    for sign in "abΣ12+<&":
        assert shown.count(sign) == formula.count(sign)


@given(st.text())
def test_inline_text_opens_no_tag_of_its_own(text: str) -> None:
    allowed = re.sub(r"</?(span|i|sub|sup|a)( class=\"math\"| href=\"#reference-\d+\")?>", "",
                     inline_html(text, 3))  # fmt: skip
    assert "<" not in allowed


def test_numbers_keep_to_their_units() -> None:
    assert inline_html("14 % of 3 µm, < 45") == "14\u00a0% of 3\u00a0µm, &lt;\u00a045"


def test_references_are_linked_only_where_they_exist() -> None:
    assert inline_html("[2] [9]", 2) == '<a href="#reference-2">[2]</a> [9]'


def test_words_set_their_symbols_and_no_others() -> None:
    html = words_html("s_L and E_n of run a_b, file s_r.csv <s_R>")
    assert html.count('<span class="math">') == 4
    assert "a_b" in html
    assert _plain(html) == "sL and En of run a_b, file sr.csv &lt;sR&gt;"
