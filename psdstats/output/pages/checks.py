"""The bench checks as a section."""

from __future__ import annotations

import pandas as pd

from psdstats.output.content import Block, Drawing, Note, NoteKind, Paragraph, Section
from psdstats.output.figures.tares import tare_history
from psdstats.output.style import house_style, new_axes
from psdstats.output.tables import Table
from psdstats.output.tables.columns import Column, Show
from psdstats.study import CheckReport

__all__ = ["checks_section", "checks_table", "tare_drawings"]


def checks_table(report: CheckReport) -> Table:
    """One row a finding, worst first."""
    frame = report.to_frame()
    return Table(
        name="checks",
        frame=frame,
        caption="What the bench checks found.",
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
    )


def checks_section(report: CheckReport) -> Section:
    """Findings as a table, or the sentence that there are none."""
    blocks: list[Block] = []
    count = len(report.findings)
    if count == 0:
        blocks.append(Paragraph("Every check passed."))
    else:
        blocks.append(
            Note(
                f"The checks found {count} thing{'s' if count > 1 else ''} to look at; they stand "
                "with every number below.",
                kind=NoteKind.WARNING if report.exit_code else NoteKind.NOTE,
            )
        )
        blocks.append(checks_table(report))
    if report.switched_off:
        names = ", ".join(report.switched_off)
        blocks.append(Note(f"Checks switched off in this study: {names}."))
    return Section(heading="Checks of the readings", blocks=tuple(blocks))


def tare_drawings(history: pd.DataFrame) -> list[Drawing]:
    """Tares over the runs, one drawing a group; none where no sieve was weighed empty twice.

    Parameters
    ----------
    history : DataFrame
        From `psdstats.study.tare_history`.
    """
    drawings = []
    for group, own in history.groupby("group", sort=False):
        frame = own.rename(columns={"is_outside": "flagged"})
        frame = frame.assign(order=frame["run_number"].rank(method="dense").astype(int))
        with house_style():
            ax = new_axes(height_mm=85.0)
            tare_history(frame, ax)
        moved = frame[frame["flagged"]]
        found = ", ".join(f"{row.sieve} in {row.run}" for row in moved.itertuples())
        drawings.append(
            Drawing(
                name=f"tares {group}",
                figure=ax.figure,  # type: ignore[arg-type]
                caption=f"Tares of the sieves of {group} over the runs; rings mark readings that "
                "differ from the others by more than weighing explains.",
                alternative=f"Outside its limits: {found}." if found else "No tare moved.",
            )
        )
    return drawings
