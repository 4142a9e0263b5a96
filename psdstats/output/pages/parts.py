"""Columns of numbers that somebody chose: as many decimals as they need, no more.

Words that several pages share: full stops, each sentence once.

One decimal sign for everything a page or a command says: sentences, captions, figures.

Tables and figures know the sign themselves; sentences come from results, which write a point.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import pandas as pd

from psdstats.columns import BALL_RATIO, TIME
from psdstats.output.content import (
    Answer,
    Block,
    Bullets,
    Drawing,
    Equation,
    Note,
    Page,
    Paragraph,
    Section,
)
from psdstats.output.tables.table import Column, Show, Table
from psdstats.words.numbers import DecimalSign, decimal_sign, sentence_with_sign


def number_column(values: pd.Series, *, name: str, heading: str, unit: str = "") -> Column:
    """A column with the decimals its values need, such as apertures, times, resolutions.

    Examples
    --------
    >>> number_column(pd.Series([0.1, 0.01]), name="d", heading="resolution").decimals
    2
    """
    if not pd.api.types.is_numeric_dtype(values):
        return Column(name=name, heading=heading, unit=unit)
    known = values.dropna()
    decimals = max((len(f"{float(one):.6g}".partition(".")[2]) for one in known), default=0)
    return Column(name=name, heading=heading, unit=unit, show=Show.NUMBER, decimals=decimals)


def as_sentence(text: str, *, begins_with_name: bool = False) -> str:
    """A clause as a sentence: capital letter, full stop, column names in words.

    Examples
    --------
    >>> as_sentence("no change with milling_time_min is shown")
    'No change with milling time is shown.'
    """
    text = text.replace(TIME, "milling time").replace(BALL_RATIO, "ball ratio")
    if not begins_with_name:
        text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else text + "."


def said_once(sentences: Iterable[str], *, begins_with_name: bool = False) -> tuple[str, ...]:
    """Sentences in their order, each once, as `as_sentence` writes them."""
    written = (as_sentence(text, begins_with_name=begins_with_name) for text in sentences)
    return tuple(dict.fromkeys(written))


def left_out_notes(sources: Sequence[str]) -> tuple[str, ...]:
    """Which sources of uncertainty are not in a result, and how to count them.

    Run-to-run variation is never among them: a comparison estimates it.

    Examples
    --------
    >>> left_out_notes(["sampling", "run_to_run"])[0].partition(". ")[0]
    'Not counted: sampling'
    """
    names = [name for name in sources if name != "run_to_run"]
    if not names:
        return ()
    what = ", ".join(name.replace("_", " ") for name in names)
    example = "sampling" if "sampling" in names else names[0]
    switch = f"{example} = true" if len(names) == 1 else f"{example} = true and so on"
    return (
        f"Not counted: {what}. To count more, write {switch} under [uncertainty] in study.toml.",
    )


def notes_by_quantity(notes: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Notes on several quantities: what is said of each alike is said once.

    Examples
    --------
    >>> notes_by_quantity([("D10", "counted."), ("D50", "counted.")])
    ('D10, D50: counted.',)
    """
    said: dict[str, list[str]] = {}
    for quantity, note in notes:
        said.setdefault(note, []).append(quantity)
    return tuple(f"{', '.join(dict.fromkeys(own))}: {note}" for note, own in said.items())


def without_repeats(sections: Iterable[Section]) -> tuple[Section, ...]:
    """Leave out the items of lists that an earlier section says already, and lists left empty."""
    said: set[str] = set()
    kept = (_once(section, said) for section in sections)
    return tuple(section for section in kept if section.blocks or section.sections)


def _once(section: Section, said: set[str]) -> Section:
    blocks = []
    for block in section.blocks:
        if isinstance(block, Bullets):
            block = Bullets(tuple(item for item in block.items if item not in said))
            said.update(block.items)
            if not block.items:
                continue
        blocks.append(block)
    below = (_once(each, said) for each in section.sections)
    return replace(
        section,
        blocks=tuple(blocks),
        sections=tuple(each for each in below if each.blocks or each.sections),
    )


def page_with_sign(page: Page, decimal: str) -> Page:
    """A page that uses one decimal sign throughout."""
    if decimal_sign(decimal) is DecimalSign.POINT:
        return page

    def signed(texts: Iterable[str]) -> tuple[str, ...]:
        return tuple(sentence_with_sign(text, decimal) for text in texts)

    return replace(
        page,
        answers=tuple(
            Answer(each.word, sentence_with_sign(each.sentence, decimal)) for each in page.answers
        ),
        sentences=signed(page.sentences),
        blocks=tuple(_block(block, decimal) for block in page.blocks),
        notes=signed(page.notes),
        sections=tuple(
            each.with_blocks(lambda block: _block(block, decimal)) for each in page.sections
        ),
    )


def _block(block: Block, decimal: str) -> Block:
    match block:
        case Paragraph() | Note():
            return replace(block, text=sentence_with_sign(block.text, decimal))
        case Bullets():
            return Bullets(tuple(sentence_with_sign(item, decimal) for item in block.items))
        case Drawing():
            return replace(
                block,
                caption=sentence_with_sign(block.caption, decimal),
                alternative=sentence_with_sign(block.alternative, decimal),
            )
        case Table():
            return replace(
                block,
                caption=sentence_with_sign(block.caption, decimal),
                notes=tuple(sentence_with_sign(note, decimal) for note in block.notes),
            )
        case Equation():
            return block
