"""What a command shows of one result: sentences, tables, drawings, notes, cautions, texts.

Columns of numbers that somebody chose: as many decimals as they need, no more.

Words that several pages share: full stops, each sentence once.

Notes of a section as a list under a heading of its own.

One decimal sign for everything a page or a command says: sentences, captions, figures.

Tables and figures know the sign themselves; sentences come from results, which write a point.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import pandas as pd

from psdstats.columns import BALL_RATIO, TIME, column_words
from psdstats.output.content import (
    Block,
    Bullets,
    Drawing,
    Equation,
    Note,
    Paragraph,
    ReportContent,
    Section,
    Verdict,
)
from psdstats.output.figures.save import set_decimal_sign
from psdstats.output.tables.table import Column, Show, Table
from psdstats.words.numbers import DecimalSign, decimal_sign, sentence_with_sign


def _no_texts() -> Mapping[str, str]:
    return MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class PageParts:
    """The parts of one result, in the order in which a reader needs them.

    Parameters
    ----------
    sentences : tuple of str
        The answer in words.
    tables : tuple of Table
        Every table.
    first : tuple of Table
        Those a terminal shows unasked, with the columns that it has room for.
    drawings : tuple of Drawing
        Every figure.
    notes : tuple of str
        What was assumed or left out.
    cautions : tuple of str
        What can hurt; shown always.
    texts : mapping of str to str
        Further files by name.
    """

    sentences: tuple[str, ...]
    tables: tuple[Table, ...] = ()
    first: tuple[Table, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    texts: Mapping[str, str] = field(default_factory=_no_texts)

    def __add__(self, other: PageParts) -> PageParts:
        return PageParts(
            sentences=self.sentences + other.sentences,
            tables=self.tables + other.tables,
            first=self.first + other.first,
            drawings=self.drawings + other.drawings,
            notes=tuple(dict.fromkeys(self.notes + other.notes)),
            cautions=tuple(dict.fromkeys(self.cautions + other.cautions)),
            texts={**self.texts, **other.texts},
        )


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


_DRIFT = re.compile(r"([\w:]+)\[order of ([^\]]+)\]")


def notes_section(heading: str, notes: Iterable[str]) -> tuple[Section, ...]:
    """One section with the notes, or none where there are none."""
    items = tuple(notes)
    return (Section(heading=heading, blocks=(Bullets(items),)),) if items else ()


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


def notes_by_quantity(
    notes: Iterable[tuple[str, str]], *, columns: Iterable[str] = ()
) -> tuple[str, ...]:
    """Notes on several quantities: what is said of each alike is said once, columns in words.

    Examples
    --------
    >>> pairs = [(name, f"fit of ln_{name} by ball_ratio") for name in ("D10", "D50")]
    >>> notes_by_quantity(pairs, columns=["ball_ratio"])
    ('D10, D50: fit of ln size by ball ratio',)
    """
    names = tuple(columns)
    said: dict[str, list[str]] = {}
    for quantity, note in notes:
        plain = note.replace(f"ln_{quantity}", "ln size").replace(f"ln {quantity} ", "ln size ")
        said.setdefault(columns_in_words(plain, names), []).append(quantity)
    return tuple(f"{', '.join(dict.fromkeys(own))}: {note}" for note, own in said.items())


def columns_in_words(note: str, columns: Iterable[str]) -> str:
    """A note with columns, their combinations and drifts in words; other names stay as they are.

    Examples
    --------
    >>> note = "variance of group:milling_time_min at zero; set aside: run_a"
    >>> columns_in_words(note, ["group", "milling_time_min"])
    'variance of group × milling time at zero; set aside: run_a'
    >>> columns_in_words("variance of group[order of milling_time_min]", ["milling_time_min"])
    'variance of drift of group in the order of milling time'
    """
    names = "|".join(re.escape(name) for name in sorted(columns, key=len, reverse=True))
    if not names:
        return note
    alone = rf"(?<![\w-])(?:{names})(?![\w-])"
    plain = _DRIFT.sub(r"drift of \1 in the order of \2", note)
    plain = re.sub(rf"({alone}):(?={alone})", r"\1 × ", plain)
    return re.sub(alone, lambda found: column_words(found[0]), plain)


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
    """A report that uses one decimal sign throughout."""
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
