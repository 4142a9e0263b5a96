"""Text made safe for where it is written: HTML, LaTeX, Markdown, spreadsheets.

Everything a user typed (titles, run names, notes) passes through here before it reaches a file.
Nothing is lost silently: control characters, those that turn the direction of text among them,
become U+FFFD; the rest is escaped.

Formulas are written on one line and set as HTML: italic letters, subscripts, superscripts.
``_`` and ``^`` lower and raise the next sign, or what stands in braces: ``m_i = g_i − t_i``,
``e^{−λ t}``.  Single letters are italic, words such as ln and Cov upright.  Nothing more: there
are no fractions, so that a formula reads the same aloud, in a mail and on the page.
"""

from __future__ import annotations

import csv
import hashlib
import html
import re
from importlib.resources import files
from itertools import groupby

from psdstats.study.cells import guarded

_CONTROL = re.compile(  # the second line turns the direction of what follows
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff\u202a-\u202e\u2066-\u2069]"
)
_KEPT = re.compile(
    r"(?<=\d) (?=(?:%|µm|mm|cm|mg|kg|g|min|h|rpm|±)(?!\w)|[−+]\d)"
    r"|(?<=[±<>]) (?=\d)|(?<=&[lg]t;) (?=\d)"
)
_MARKDOWN = re.compile(r"([\\`*_{}\[\]<>#|~$&])")
_SIGNS = (files("psdstats.output") / "latex.csv").read_text(encoding="utf-8").splitlines()
_LATEX = {chr(int(row["sign"], 16)): row["latex"] for row in csv.DictReader(_SIGNS)}
"""Signs that LaTeX writes in another way."""
# letters above ASCII that the article class sets without a package: each was tried with pdflatex
_LATEX_LETTERS = frozenset(map(chr, range(0xA1, 0x180))).difference(
    "«»ÐÞðþĄąĐđĘęĦħĮįĸĿŀŉŊŋŦŧŲųſ"
) | frozenset("“”‘’—†‡•€™")
_LONGEST_SLUG = 60
_TOKEN = re.compile(r"([_^])(\{[^{}]*\}|.)|([A-Za-zα-ωΑ-ΩΣ]+)|([^_^A-Za-zα-ωΑ-Ω]+)|(.)")
_SYMBOL = re.compile(r"\b(s_[rLR]|E_n|[xQz]_[abp]|[gswμ]_k)\b")
_REFERENCE = re.compile(r"\[(\d{1,3})\]")


def clean(text: str) -> str:
    """Text without the control characters that XML and spreadsheets refuse."""
    return _CONTROL.sub("\ufffd", text)


def escape_html(text: str) -> str:
    """Text for an HTML element or a quoted attribute.

    Examples
    --------
    >>> escape_html('a < b & "c"')
    'a &lt; b &amp; &quot;c&quot;'
    """
    return html.escape(clean(text), quote=True)


def keep_units(escaped: str) -> str:
    r"""HTML text in which no line ends between a number and its unit, sign or uncertainty.

    Examples
    --------
    >>> keep_units("6.0 % lost").split(" ")
    ['6.0\xa0%', 'lost']
    """
    return _KEPT.sub("\u00a0", escaped)


def escape_latex(text: str) -> str:
    r"""Text for a LaTeX paragraph or table cell, in the plain article class.

    Examples
    --------
    >>> print(escape_latex("D50_ref < 45 µm & 3 %"))
    D50\_ref $<$ 45 $\mu$m \& 3 \%
    """
    out = []
    for is_foreign, signs in groupby(" ".join(clean(text).split()), key=_is_foreign):
        if is_foreign:
            out.append(_foreign("".join(signs)))
        else:
            out += [_LATEX.get(sign, sign) for sign in signs]
    return "".join(out)


def _is_foreign(sign: str) -> bool:
    return not (sign.isascii() or sign in _LATEX or sign in _LATEX_LETTERS)


def _foreign(signs: str) -> str:
    codes = " ".join(f"{ord(sign):X}" for sign in signs)
    return rf"\ifdefined\Umathcode {signs}\else{{\tiny {codes}}}\fi{{}}"


def escape_markdown(text: str) -> str:
    r"""Text for a cell of a Markdown pipe table.

    Examples
    --------
    >>> print(escape_markdown("a|b_c"))
    a\|b\_c
    """
    return _MARKDOWN.sub(r"\\\1", " ".join(clean(text).split()))


def spreadsheet_safe(text: str) -> str:
    """Text that no spreadsheet takes for a formula when it opens a CSV file.

    Examples
    --------
    >>> spreadsheet_safe("=1+1"), spreadsheet_safe("alder-24")
    ("'=1+1", 'alder-24')
    """
    return guarded(clean(text))


def slug(text: str) -> str:
    """A short name for files and anchors: lower case letters, digits and hyphens.

    Examples
    --------
    >>> slug("D50 against time (µm)"), slug("…")
    ('d50-against-time-um', 'item')
    """
    plain = text.lower().replace("µ", "u").replace("μ", "u")
    short = re.sub(r"[^a-z0-9]+", "-", plain).strip("-") or "item"
    if len(short) <= _LONGEST_SLUG:
        return short
    digest = hashlib.sha256(text.encode()).hexdigest()[:8]
    return f"{short[: _LONGEST_SLUG - 9].rstrip('-')}-{digest}"


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
