"""What a report says, before it has a form: verdicts, sections, tables, drawings, notes.

Text is plain: a pair of dollar signs sets a formula (see `psdstats.output.equations`), and a
number in square brackets points to the reference of that number.  Everything is escaped when the
page is written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING

from psdstats.output.tables.table import Table
from psdstats.output.text import slug

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "Block",
    "Bullets",
    "Drawing",
    "Equation",
    "Note",
    "NoteKind",
    "Paragraph",
    "ReportContent",
    "Section",
    "Verdict",
]


class NoteKind(StrEnum):
    """How much a note asks of the reader."""

    NOTE = "note"
    WARNING = "warning"
    CAUTION = "caution"


@dataclass(frozen=True)
class Paragraph:
    """One paragraph of text."""

    text: str


@dataclass(frozen=True)
class Bullets:
    """A list of short texts."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Equation:
    """A formula on a line of its own, with a text that says what its letters mean."""

    formula: str
    meaning: str = ""


@dataclass(frozen=True)
class Note:
    """A text set apart: something to know, a warning from the checks, a caution for safety."""

    text: str
    kind: NoteKind = NoteKind.NOTE


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawing:
    """A figure with its caption and its alternative in words.

    Parameters
    ----------
    name : str
        Short name; file and anchor are made from it.
    figure : Figure
        The matplotlib figure, ``ax.figure``.
    caption : str
        One sentence that says what is drawn.
    alternative : str
        What a reader who cannot see it should know: the finding, not the look.
    """

    name: str
    figure: Figure
    caption: str
    alternative: str

    @property
    def key(self) -> str:
        """File name without ending, and anchor in the report."""
        return slug(self.name)

    @cached_property
    def svg(self) -> str:
        """The drawing as one SVG element."""
        from psdstats.output.figures.save import svg_text

        return svg_text(self.figure, title=self.alternative)


Block = Paragraph | Bullets | Equation | Note | Table | Drawing


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading with what stands under it, and sections below it.

    Parameters
    ----------
    heading : str
        Text of the heading; the anchor is made from it.
    blocks : tuple of Block
        In order.
    sections : tuple of Section
        One level down, after the blocks.
    """

    heading: str
    blocks: tuple[Block, ...] = ()
    sections: tuple[Section, ...] = ()

    def all_blocks(self) -> tuple[Block, ...]:
        """Blocks of this section and of every section below it, in reading order."""
        below = (block for section in self.sections for block in section.all_blocks())
        return (*self.blocks, *below)


@dataclass(frozen=True)
class Verdict:
    """One answer in plain words.

    Parameters
    ----------
    word : str
        "changed", "equivalent within the margin", "not shown" or "cannot be told"; or "balance",
        for the part of the doubt that is the balance.
    sentence : str
        The answer with its numbers, already rounded.
    """

    word: str
    sentence: str


def _nothing() -> Mapping[str, str]:
    return MappingProxyType({})


@dataclass(frozen=True, kw_only=True)
class ReportContent:
    """Everything one report says.

    Parameters
    ----------
    title, subtitle : str
        What was studied; the line under it.
    verdicts : tuple of Verdict
        Come first on the page.
    sections : tuple of Section
        The body, in order.
    cautions : tuple of str
        Safety cautions; they get a section of their own.
    references : tuple of str
        Numbered from 1; ``[1]`` in a text points to the first.
    provenance : mapping of str to str
        What a reviewer needs to repeat it: version, seed, options, SHA-256 of each input.
    decimal : str, default="."
        Decimal sign of the tables.
    """

    title: str
    subtitle: str = ""
    verdicts: tuple[Verdict, ...] = ()
    sections: tuple[Section, ...] = ()
    cautions: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    provenance: Mapping[str, str] = field(default_factory=_nothing)
    decimal: str = "."

    def blocks(self) -> tuple[Block, ...]:
        """Every block of every section, in reading order."""
        return tuple(block for section in self.sections for block in section.all_blocks())

    @property
    def tables(self) -> tuple[Table, ...]:
        """Every table, in reading order."""
        return tuple(block for block in self.blocks() if isinstance(block, Table))

    @property
    def drawings(self) -> tuple[Drawing, ...]:
        """Every drawing, in reading order."""
        return tuple(block for block in self.blocks() if isinstance(block, Drawing))
