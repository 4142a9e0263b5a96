"""Page one of a report: the answer, the sizes against time, the changes, five short answers."""

from __future__ import annotations

from psdstats.output.collect import Results
from psdstats.output.content import Sheet
from psdstats.words.numbers import PLAIN, Numerals


def answer_sheet(found: Results, say: Numerals = PLAIN) -> Sheet:
    """Page one of what was found."""
    return Sheet(line=(found.study.title,), lead="", sentence="")
