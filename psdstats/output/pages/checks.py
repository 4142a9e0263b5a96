"""The bench checks as a section."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.output.content import Block, Drawing, Note, NoteKind, Page, Paragraph
from psdstats.output.figures.bench import tare_history
from psdstats.output.pages.parts import drawing_of
from psdstats.output.style import new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.study.flags import CheckReport, Flag, Severity
from psdstats.words import study as words
from psdstats.words.numbers import PLAIN, Numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_ALIKE = 3  # flags of one kind that stand in rows of their own


def checks_table(report: CheckReport) -> Table:
    """One row a flag, worst first, with its limit and the source of the limit."""
    return Table(
        name="checks",
        frame=report.to_frame(),
        caption=words.CHECKS_CAPTION,
        columns=(
            Column(name="severity", heading="severity"),
            Column(name="check", heading="check"),
            Column(name="run", heading="run"),
            Column(name="sieve", heading="sieve"),
            Column(name="file", heading="file"),
            Column(name="row", heading="row", show=Show.COUNT),
            Column(name="says", heading="found"),
            Column(name="remedy", heading="what to do"),
            Column(name="source", heading="source of the limit"),
        ),
        place=Place.FILES,
    )


def checks_page(report: CheckReport) -> Page:
    """Errors and warnings as a table; notes are only counted, and stand in the files."""
    pressing = [flag for flag in report.flags if flag.severity is not Severity.NOTE]
    notes = len(report.flags) - len(pressing)
    blocks: list[Block] = []
    if pressing:
        blocks.append(Note(words.pressing_sentence(len(pressing)), kind=NoteKind.WARNING))
        blocks.append(_pressing_table(pressing))
    else:
        blocks.append(Paragraph(words.NOTHING_FOUND))
    if notes:
        blocks.append(Paragraph(words.notes_sentence(notes)))
    if report.switched_off:
        blocks.append(Note(words.switched_off_sentence(report.switched_off)))
    blocks.append(checks_table(report))
    return Page(heading="Checks of the readings", blocks=tuple(blocks))


def tare_drawings(history: pd.DataFrame, say: Numerals = PLAIN) -> list[Drawing]:
    """Tares over the runs, one drawing a group; none where no sieve was weighed empty twice."""
    drawings = []
    for group, own in history.groupby("group", sort=False):
        moved = own[own["is_outside"]]
        drawings.append(
            drawing_of(
                f"tares {group}",
                partial(_tares, own, say),
                words.tares_caption(str(group)),
                words.tares_alternative(list(zip(moved["sieve"], moved["run"], strict=True))),
            )
        )
    return drawings


def _tares(history: pd.DataFrame, say: Numerals) -> Axes:
    return tare_history(history, new_axes(height_mm=85.0, say=say))


def _pressing_table(pressing: list[Flag]) -> Table:
    """Flags of one check and remedy as they are, or many of them in one row."""
    alike: dict[tuple[str, str], list[Flag]] = {}
    for flag in pressing:
        alike.setdefault((flag.check, flag.remedy), []).append(flag)
    rows: list[tuple[str, str, str, str]] = []
    for own in alike.values():
        kind, remedy = str(own[0].severity), own[0].remedy
        if len(own) > _MOST_ALIKE:
            rows.append((kind, words.where_of_many(own), words.says_of_many(own), remedy))
        else:
            rows += [(kind, words.where_of(flag), flag.says, remedy) for flag in own]
    return Table(
        name="to look at",
        frame=pd.DataFrame(rows, columns=["severity", "where", "says", "remedy"]),
        caption="What to look at.",
        columns=(
            Column(name="severity", heading="severity"),
            Column(name="where", heading="where"),
            Column(name="says", heading="found"),
            Column(name="remedy", heading="what to do"),
        ),
    )
