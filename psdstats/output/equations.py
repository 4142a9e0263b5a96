"""Formulas written on one line, set as HTML: italic letters, subscripts, superscripts.

``_`` and ``^`` lower and raise the next sign, or what stands in braces: ``m_i = g_i − t_i``,
``e^{−λ t}``.  Single letters are italic, words such as ln and Cov upright.  Nothing more: there
are no fractions, so that a formula reads the same aloud, in a mail and on the page.
"""

from __future__ import annotations

import re

from psdstats.output.text import escape_html, keep_units

_TOKEN = re.compile(r"([_^])(\{[^{}]*\}|.)|([A-Za-zα-ωΑ-ΩΣ]+)|([^_^A-Za-zα-ωΑ-Ω]+)|(.)")
_SYMBOL = re.compile(r"\b(s_[rLR]|E_n|[xQz]_[abp]|[gswμ]_k)\b")
_REFERENCE = re.compile(r"\[(\d{1,3})\]")


def equation_html(formula: str) -> str:
    """Set a formula as HTML.

    Examples
    --------
    >>> equation_html("m_i = g_i")
    '<span class="math"><i>m</i><sub><i>i</i></sub> = <i>g</i><sub><i>i</i></sub></span>'
    """
    return f'<span class="math">{_set(formula)}</span>'


def inline_html(text: str, references: int = 0) -> str:
    """Set a text, in which ``[n]`` may name a reference.

    Examples
    --------
    >>> inline_html("mass & more [1]", 1)
    'mass &amp; more <a href="#reference-1">[1]</a>'
    """

    def link(match: re.Match[str]) -> str:
        known = 1 <= int(match[1]) <= references
        return f'<a href="#reference-{int(match[1])}">{match[0]}</a>' if known else match[0]

    return _REFERENCE.sub(link, words_html(text))


def words_html(text: str) -> str:
    """Text escaped, numbers kept to their units, and the few symbols that words use set as such.

    Examples
    --------
    >>> words_html("s_r within a group")
    '<span class="math"><i>s</i><sub><i>r</i></sub></span> within a group'
    """
    return _SYMBOL.sub(lambda symbol: equation_html(symbol[0]), keep_units(escape_html(text)))


def _set(formula: str) -> str:
    out = []
    for shift, shifted, word, other, stray in _TOKEN.findall(formula):
        if shift:
            tag = "sub" if shift == "_" else "sup"
            out.append(f"<{tag}>{_set(shifted.strip('{}'))}</{tag}>")
        elif word:
            upright = len(word) > 1 or word == "Σ"
            out.append(escape_html(word) if upright else f"<i>{escape_html(word)}</i>")
        else:
            out.append(escape_html(other or stray))
    return "".join(out)
