"""One decimal sign for everything a page or a command says: sentences, captions, figures.

Tables and figures know the sign themselves; sentences come from results, which write a point.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from psdstats.output.content import (
    Block,
    Bullets,
    Drawing,
    Equation,
    Note,
    Paragraph,
    ReportContent,
    Verdict,
)
from psdstats.output.digits import DecimalSign, decimal_sign, sentence_with_sign
from psdstats.output.figures.signs import set_decimal_sign
from psdstats.output.tables import Table

__all__ = ["drawings_with_sign", "sentence_with_sign", "table_with_sign", "with_decimal_sign"]


def drawings_with_sign(drawings: Iterable[Drawing], decimal: str) -> list[Drawing]:
    """Drawings whose figure, caption and alternative use a decimal sign (the figure is changed)."""
    out = []
    for drawing in drawings:
        for ax in drawing.figure.axes:
            set_decimal_sign(ax, decimal)
        out.append(
            replace(
                drawing,
                caption=sentence_with_sign(drawing.caption, decimal),
                alternative=sentence_with_sign(drawing.alternative, decimal),
            )
        )
    return out


def table_with_sign(table: Table, decimal: str) -> Table:
    """A table whose caption and notes use a decimal sign; its numbers follow their writer."""
    if decimal_sign(decimal) is DecimalSign.POINT:
        return table
    return replace(
        table,
        caption=sentence_with_sign(table.caption, decimal),
        notes=tuple(sentence_with_sign(note, decimal) for note in table.notes),
    )


def with_decimal_sign(content: ReportContent, decimal: str) -> ReportContent:
    """A report that uses one decimal sign throughout.

    Parameters
    ----------
    content : ReportContent
        The report; its figures are changed where the sign is a comma.
    decimal : str
        "." or ",".

    Returns
    -------
    ReportContent
    """
    if decimal_sign(decimal) is DecimalSign.POINT:
        return content
    verdicts = (
        Verdict(each.word, sentence_with_sign(each.sentence, decimal)) for each in content.verdicts
    )
    return replace(
        content,
        subtitle=sentence_with_sign(content.subtitle, decimal),
        verdicts=tuple(verdicts),
        sections=tuple(
            each.with_blocks(lambda block: _block(block, decimal)) for each in content.sections
        ),
        decimal=decimal,
    )


def _block(block: Block, decimal: str) -> Block:
    match block:
        case Paragraph() | Note():
            return replace(block, text=sentence_with_sign(block.text, decimal))
        case Bullets():
            return Bullets(tuple(sentence_with_sign(item, decimal) for item in block.items))
        case Drawing():
            return drawings_with_sign([block], decimal)[0]
        case Table():
            return table_with_sign(block, decimal)
        case Equation():
            return block
