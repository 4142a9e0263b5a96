"""What a command and the report say, before it has a form: one `Page` for each result.

A page holds its sentences, its blocks in reading order (tables and drawings among them), its notes
and cautions.  A command prints it (`psdstats_cli.writing.present`), the report sets it as a
section: the same page serves both.  A table says where it is shown;
everything is among the files.

Text is plain and escaped when the page is written: nothing a user typed can become markup.  Only
a paragraph that says so points to references by their number in square brackets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import cached_property, singledispatch
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypeVar

from psdstats.errors import OutputError
from psdstats.output.style import house_style, new_axes
from psdstats.output.table import Place, Table
from psdstats.output.text import slug
from psdstats.words.numbers import PLAIN, Numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


class NoteKind(StrEnum):
    """How much a note asks of the reader."""

    NOTE = "note"
    WARNING = "warning"
    CAUTION = "caution"


@dataclass(frozen=True)
class Paragraph:
    """One paragraph of text.

    Parameters
    ----------
    text : str
        Plain text.
    cites : bool, default=False
        Whether ``[1]`` points to the first reference.
    """

    text: str
    cites: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list of short texts.

    Parameters
    ----------
    items : tuple of str
        The texts, in order.
    """

    items: tuple[str, ...]


@dataclass(frozen=True)
class Equation:
    """A formula on a line of its own.

    Parameters
    ----------
    formula, meaning : str
        The formula, as `psdstats.output.text` reads it; what its letters mean.
    """

    formula: str
    meaning: str = ""


@dataclass(frozen=True)
class Note:
    """A text set apart.

    Parameters
    ----------
    text : str
        Plain text.
    kind : NoteKind, default=NoteKind.NOTE
        Something to know, a warning from the checks, or a caution for safety.
    """

    text: str
    kind: NoteKind = NoteKind.NOTE


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawing:
    """A figure with its caption and its alternative in words.

    Parameters
    ----------
    name : str
        Short name; file and anchor are made from it.
    draw : callable
        Draws it and gives an Axes of its figure; called once, when the figure is wanted.
    onto : callable or None
        Draws it onto Axes it is given; None of a figure of several panels.
    caption : str
        One sentence that says what is drawn.
    alternative : str
        What a reader who cannot see it should know: the finding, not the look.
    is_front : bool, default=False
        Whether it stands on the pages before the appendix of a report.
    """

    name: str
    draw: Callable[[], Axes]
    caption: str
    alternative: str
    onto: Callable[[Axes], Axes] | None = None
    is_front: bool = False

    @cached_property
    def figure(self) -> Figure:
        """The matplotlib figure."""
        found: Any = self.draw().get_figure(root=True)
        figure: Figure = found
        return figure

    @property
    def key(self) -> str:
        """File name without ending, and anchor in the report."""
        return slug(self.name)

    @cached_property
    def svg(self) -> str:
        """The drawing as one SVG element."""
        from psdstats.output.figures.save import svg_text

        return svg_text(self.figure, title=self.alternative)

    @cached_property
    def narrow_svg(self) -> str:
        """Drawn again for a narrow screen, on the pages before the appendix; empty elsewhere."""
        from psdstats.output.figures.save import narrow_figure, svg_text

        if not self.is_front:
            return ""
        figure = narrow_figure(self.draw)
        is_narrower = figure.get_figwidth() < self.figure.get_figwidth()
        return svg_text(figure, title=self.alternative) if is_narrower else ""

    def keep(self, svg: str, narrow_svg: str) -> None:
        """Take the texts of the same drawing, made elsewhere."""
        vars(self).update(svg=svg, narrow_svg=narrow_svg)


Named = TypeVar("Named", Table, Drawing)
Block = Paragraph | Bullets | Equation | Note | Table | Drawing


@dataclass(frozen=True, kw_only=True)
class ShortAnswer:
    """One question on page one, and its answer.

    Parameters
    ----------
    question : str
        Such as "When to stop?".
    sentence : str
        The answer, one to three short sentences.
    strong : str
        What of it is set in bold, in front of the sentence; empty for nothing.
    """

    question: str
    sentence: str
    strong: str = ""

    @property
    def text(self) -> str:
        """The answer as text alone."""
        return _joined(self.strong, self.sentence)

    @property
    def line(self) -> str:
        """Question and answer in one line of text."""
        mark = "" if self.question.endswith("?") else ":"
        return f"{self.question}{mark} {self.text}"


def _joined(*parts: str) -> str:
    return " ".join(" ".join(parts).split())


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """Page one of a report: what somebody who reads nothing else should know.

    Parameters
    ----------
    line : tuple of str
        Parts of the line under the title: trial, author, design, warnings that touch the numbers.
    lead, sentence : str
        The one large sentence: what is set in bold, and what follows it.
    drawing : Drawing or None
        The panels of the sizes.
    table : Table or None
        The change at each level, and of level against level.
    answers : tuple of ShortAnswer
        The questions, in order.
    footnotes : tuple of str
        What a sign of the table or a bound means.
    """

    line: tuple[str, ...] = ()
    lead: str = ""
    sentence: str = ""
    drawing: Drawing | None = None
    table: Table | None = None
    answers: tuple[ShortAnswer, ...] = ()
    footnotes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.drawing is not None and not self.drawing.is_front:
            object.__setattr__(self, "drawing", replace(self.drawing, is_front=True))

    @property
    def headline(self) -> str:
        """The large sentence as text alone."""
        return _joined(self.lead, self.sentence)


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

    def with_blocks(self, change: Callable[[Block], Block]) -> Section:
        """The same section with every block changed, here and below, in reading order."""
        return replace(
            self,
            blocks=tuple(change(block) for block in self.blocks),
            sections=tuple(section.with_blocks(change) for section in self.sections),
        )


def _nothing() -> Mapping[str, str]:
    return MappingProxyType({})


def _is_front(block: Block) -> bool:
    return isinstance(block, Table | Drawing) and block.is_front


@dataclass(frozen=True, kw_only=True)
class Page:
    """One result, for a command to print and for the report to set as a section.

    Parameters
    ----------
    heading : str
        The question that it answers, or its subject.
    sentences : tuple of str
        The answer in words, for a terminal.
    blocks : tuple of Block
        Texts, tables and drawings in reading order; texts are the report's alone.
    notes : tuple of str
        What was assumed or left out.
    notes_heading : str, default="Notes"
        Their heading in the report.
    cautions : tuple of str
        What can hurt; shown always.
    sections : tuple of Section
        Further sections below, the report's alone.
    texts : mapping of str to str
        Further files by name.
    lead : tuple of str
        Sentences that stand with its front tables and drawings in a report.
    behind : str
        Heading of what of it stands in the appendix; that of the page where empty.
    """

    heading: str
    sentences: tuple[str, ...] = ()
    blocks: tuple[Block, ...] = ()
    notes: tuple[str, ...] = ()
    notes_heading: str = "Notes"
    cautions: tuple[str, ...] = ()
    sections: tuple[Section, ...] = ()
    texts: Mapping[str, str] = field(default_factory=_nothing)
    lead: tuple[str, ...] = ()
    behind: str = ""

    @property
    def tables(self) -> tuple[Table, ...]:
        """Every table, in reading order."""
        return tuple(block for block in self.blocks if isinstance(block, Table))

    @property
    def first(self) -> tuple[Table, ...]:
        """The tables that a terminal shows unasked."""
        return tuple(table for table in self.tables if table.place is Place.FIRST)

    @property
    def printed(self) -> tuple[Table, ...]:
        """The tables that a terminal shows when asked for all."""
        return tuple(table for table in self.tables if table.place is not Place.CSV)

    @property
    def files(self) -> tuple[Table, ...]:
        """The tables that the report leaves to the files."""
        return tuple(one for one in self.tables if one.place in (Place.FILES, Place.CSV))

    @property
    def drawings(self) -> tuple[Drawing, ...]:
        """Every drawing, in reading order."""
        return tuple(block for block in self.blocks if isinstance(block, Drawing))

    def front(self) -> Section | None:
        """What of it stands before the appendix of a report; None where there is nothing."""
        shown = tuple(block for block in self.blocks if _is_front(block))
        if not shown and not self.lead:
            return None
        return Section(heading=self.heading, blocks=(*map(Paragraph, self.lead), *shown))

    def back(self) -> Section | None:
        """What of it stands in the appendix of a report; None where there is nothing."""
        left = self.files
        shown = (block for block in self.blocks if block not in left and not _is_front(block))
        notes = (Section(heading=self.notes_heading, blocks=(Bullets(self.notes),)),)
        found = Section(
            heading=self.behind or self.heading,
            blocks=tuple(shown),
            sections=(*self.sections, *(notes if self.notes else ())),
        )
        return found if found.blocks or found.sections else None

    def whole(self) -> Section:
        """All of it as one section, its sentences first."""
        front, back = replace(self, lead=()).front(), self.back()
        told = (Bullets(self.sentences),) if self.sentences else ()
        return Section(
            heading=self.heading,
            blocks=(*told, *(front.blocks if front else ()), *(back.blocks if back else ())),
            sections=back.sections if back else (),
        )

    def __add__(self, other: Page) -> Page:
        return replace(
            self,
            sentences=self.sentences + other.sentences,
            blocks=self.blocks + other.blocks,
            notes=tuple(dict.fromkeys(self.notes + other.notes)),
            cautions=tuple(dict.fromkeys(self.cautions + other.cautions)),
            sections=self.sections + other.sections,
            texts={**self.texts, **other.texts},
            lead=self.lead + other.lead,
            behind=self.behind or other.behind,
        )


@dataclass(frozen=True, kw_only=True)
class ReportContent:
    """Everything one report says.

    Parameters
    ----------
    title : str
        What was studied.
    author, date : str
        Who answers for the report, and its date; empty for a blank.
    sheet : Sheet or None
        Page one.
    sections, appendix : tuple of Section
        The pages that follow, and what stands behind them, in order.
    cautions : tuple of str
        Safety cautions; they get a section of their own.
    references : tuple of str
        Numbered from 1; ``[1]`` in a paragraph that cites points to the first.
    provenance : mapping of str to str
        What a reviewer needs to repeat it: version, seed, options, SHA-256 of each input.
    files : tuple of Table
        Tables that only the files hold.
    say : Numerals
        With what the numbers of the tables are written.
    """

    title: str
    author: str = ""
    date: str = ""
    sheet: Sheet | None = None
    sections: tuple[Section, ...] = ()
    appendix: tuple[Section, ...] = ()
    cautions: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    provenance: Mapping[str, str] = field(default_factory=_nothing)
    files: tuple[Table, ...] = ()
    say: Numerals = PLAIN

    def blocks(self) -> tuple[Block, ...]:
        """Every block of page one, of the sections and of the appendix, in reading order."""
        first = () if self.sheet is None else (self.sheet.drawing, self.sheet.table)
        sections = (*self.sections, *self.appendix)
        below = (block for section in sections for block in section.all_blocks())
        return (*(one for one in first if one is not None), *below)

    @property
    def tables(self) -> tuple[Table, ...]:
        """Every table, in reading order."""
        return tuple(block for block in self.blocks() if isinstance(block, Table))

    @property
    def drawings(self) -> tuple[Drawing, ...]:
        """Every drawing, in reading order."""
        return tuple(block for block in self.blocks() if isinstance(block, Drawing))

    def told_apart(self) -> ReportContent:
        """The same content, each table and each drawing with a file name and anchor of its own."""
        tables = iter(told_apart(self.tables))
        drawings = iter(told_apart(self.drawings))

        def change(block: Block) -> Block:
            match block:
                case Table():
                    return next(tables)
                case Drawing():
                    return next(drawings)
                case _:
                    return block

        sheet = self.sheet
        if sheet is not None:
            drawing = None if sheet.drawing is None else next(drawings)
            table = None if sheet.table is None else next(tables)
            sheet = replace(sheet, drawing=drawing, table=table)
        return replace(
            self,
            sheet=sheet,
            sections=tuple(each.with_blocks(change) for each in self.sections),
            appendix=tuple(each.with_blocks(change) for each in self.appendix),
        )


def told_apart(items: Iterable[Named]) -> list[Named]:
    """Tables or drawings whose names give different keys, numbered where they would not."""
    out: list[Named] = []
    names: set[str] = set()
    keys: set[str] = set()
    for item in items:
        if item.name in names:
            kind = type(item).__name__.lower()
            raise OutputError(f"two {kind}s are named {item.name!r}; give each a name of its own.")
        names.add(item.name)
        own, count = item, 2
        while own.key in keys:
            own = replace(item, name=f"{item.name} {count}")
            count += 1
        keys.add(own.key)
        out.append(own)
    return out


@singledispatch
def page_of(result: object, say: Numerals = PLAIN) -> Page:  # noqa: ARG001
    """The page of a result; what makes it is registered where it stands."""
    known = ", ".join(sorted(one.__name__ for one in page_of.registry if one is not object))
    raise OutputError(f"a {type(result).__name__} has no page; these have: {known}.")


def drawing_of(
    name: str, draw: Callable[[], Axes], caption: str, told: str | Iterable[str]
) -> Drawing:
    """A figure to be drawn in the house style when it is wanted, told in sentences."""
    alternative = told if isinstance(told, str) else " ".join(told)
    return Drawing(name=name, draw=house_style()(draw), caption=caption, alternative=alternative)


def panel_of(
    name: str,
    onto: Callable[[Axes], Axes],
    caption: str,
    told: str | Iterable[str],
    *,
    height_mm: float,
    say: Numerals,
    is_front: bool = False,
) -> Drawing:
    """A figure of one panel, which may also be drawn onto Axes of somebody's own."""
    drawing = drawing_of(name, lambda: onto(new_axes(height_mm=height_mm, say=say)), caption, told)
    return replace(drawing, onto=house_style()(onto), is_front=is_front)


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
