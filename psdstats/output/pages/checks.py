"""The bench checks as a section, followed through: what changes without what is in doubt."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.columns import QUANTITIES
from psdstats.comparison.beside import without_runs
from psdstats.comparison.result import Comparison
from psdstats.output.content import Block, Drawing, Note, Page, Paragraph
from psdstats.output.figures.bench import tare_history
from psdstats.output.pages.parts import drawing_of
from psdstats.output.style import new_axes
from psdstats.output.tables.table import Column, Place, Show, Table
from psdstats.study.flags import CheckReport, Flag, Severity
from psdstats.words import study as words
from psdstats.words.numbers import MISSING, PLAIN, Numerals

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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


def checks_page(
    report: CheckReport, compared: Comparison | None = None, say: Numerals = PLAIN
) -> Page:
    """What to look at and what changes without it; notes are only counted, and stand in files."""
    pressing = [own for own in report.findings if own[0].severity is not Severity.NOTE]
    pressing.sort(key=lambda own: not own[0].doubts)
    notes = len(report.of_severity(Severity.NOTE))
    blocks: list[Block] = []
    if pressing:
        blocks.append(_pressing_table(pressing, compared, say))
    else:
        blocks.append(Paragraph(words.NOTHING_FOUND))
    if notes:
        blocks.append(Paragraph(words.notes_sentence(notes)))
    if report.switched_off:
        blocks.append(Note(words.switched_off_sentence(report.switched_off)))
    blocks.append(checks_table(report))
    return Page(
        heading="Checks of the readings",
        behind=words.FURTHER_NOTES,
        lead=_lead(report, compared, say),
        blocks=tuple(blocks),
    )


def _lead(report: CheckReport, compared: Comparison | None, say: Numerals) -> tuple[str, ...]:
    """How many readings are in doubt, and what all their runs together move."""
    runs = report.doubted_runs
    if not runs:
        return ()
    told = words.moves_sentence(_points(compared, runs), say)
    return (words.doubted_sentence(len(runs), told),)


def _points(compared: Comparison | None, runs: Sequence[str]) -> dict[str, float]:
    """How far the changes of each size move without some runs together, in points."""
    found: dict[str, float] = {}
    for one in () if compared is None else without_runs(compared, runs):
        found[one.quantity] = max(one.points, found.get(one.quantity, 0.0))
    order = {name: place for place, name in enumerate(QUANTITIES)}
    return dict(sorted(found.items(), key=lambda item: order[item[0]]))


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


def _pressing_table(
    pressing: Sequence[Sequence[Flag]], compared: Comparison | None, say: Numerals
) -> Table:
    """One row a finding."""
    rows = [_row(own, compared, say) for own in pressing]
    return Table(
        name="to look at",
        frame=pd.DataFrame(rows),
        caption=words.LOOK_CAPTION,
        columns=(
            Column(name="severity", heading="severity"),
            Column(name="where", heading="where"),
            Column(name="says", heading="found"),
            Column(name="remedy", heading="what to do"),
            Column(name="without", heading=words.WITHOUT),
        ),
        is_front=True,
    )


def _row(own: Sequence[Flag], compared: Comparison | None, say: Numerals) -> dict[str, str]:
    """One row: what was found where, what to do, and what moves without these runs."""
    first, runs = own[0], words.runs_of(own)
    without = MISSING
    if first.check == "not_bracketed":
        without = words.BOUNDED
    elif runs and first.doubts:
        without = words.moved_words(_points(compared, runs), say)
    return {
        "severity": str(first.severity),
        "where": words.where_of(own),
        "says": words.says_of(own, say),
        "remedy": first.remedy,
        "without": without,
    }
